"""The listener in words: the answer at the seat, why, what arrives, and whether it is heard."""

from collections.abc import Sequence
from typing import Literal

from reportlib.judge.heard import balance_of, is_heard
from reportlib.judge.records import SEAT_SETUP, Answer, Audible, BandResult, NeedAnswer, NeedBand
from reportlib.judge.seat import Room, Seat, reader_seat
from reportlib.judge.thresholds import (
    BASS_BELOW_HZ,
    BASS_FACTOR,
    HEARD_LIMITS_DB,
    TOP_ABOVE_HZ,
    TOP_FACTOR,
)
from reportlib.numbers import duration, frequency, level_key, listed, slug
from reportlib.session.day import Test
from reportlib.write.facts import heard_key
from reportlib.write.writer import (
    Writer,
    at_a_point,
    decibels,
    is_loss,
    may_lose,
    no_less,
    spoken,
    verb,
)

_CLAUSES: dict[Answer | Literal["peaks only"], str] = {
    "yes": "at-your-seat/yes",
    "just": "at-your-seat/just",
    "peaks only": "at-your-seat/peaks-only",
    "no": "at-your-seat/no",
    "can't tell": "at-your-seat/cant-tell",
    "not tested": "at-your-seat/not-tested",
}
_REASONS: dict[Answer, str] = {
    "just": "at-your-seat/why-just",
    "no": "at-your-seat/why-no",
    "can't tell": "at-your-seat/why-cant-tell",
}
PLACES = {
    "kitchen": "at a kitchen desk",
    "living room": "in a living room",
    "hall": "in a hall",
    "small stage": "in front of a small stage",
}
COUNTS = ("", "one of them", "a pair of them", "three of them", "four of them")


def at_your_seat(writer: Writer) -> str:
    """Return the section's draft."""
    answers = _own(writer)
    top = top_key(writer)
    if top is None and not answers:
        nothing = writer.say("at-your-seat/nothing")
        return writer.page("at-your-seat", answer=nothing, paragraphs=[])
    seat = reader_seat(writer.parameters)
    paragraphs = [" ".join(_why(writer, answers)), " ".join(_arriving(writer, top))]
    if top is not None:
        paragraphs.append(_method(writer, seat=seat, key=top))
    paragraphs.append(_meaning(writer))
    return writer.page(
        "at-your-seat",
        answer=writer.say(
            "at-your-seat/answer", place=place(seat), clauses=_clauses(writer, answers)
        ),
        paragraphs=[one for one in paragraphs if one],
    )


def _meaning(writer: Writer) -> str:
    if not writer.analysis.session.long_term:
        return writer.say("at-your-seat/meaning-in-peaks")
    heard = bool(writer.analysis.playing)
    return writer.say(
        "at-your-seat/meaning",
        minutes=writer.say("at-your-seat/minutes-heard" if heard else "at-your-seat/minutes-swept"),
    )


def place(seat: Seat) -> str:
    """Say where a seat is, e.g. ``3 m from a pair of them in a living room``."""
    count = seat.loudspeakers
    many = COUNTS[count] if count < len(COUNTS) else f"{count} of them"
    return f"{seat.distance_m:g} m from {many} {PLACES[seat.room.name]}"


def size(room: Room) -> str:
    """Write a room's volume, three digits and never an exponent.

    >>> from reportlib.judge.seat import LIVING_ROOM
    >>> size(LIVING_ROOM.resized(1234.0))
    '1230 m³'
    """
    return f"{float(f'{room.volume_m3:.3g}'):.0f} m³"


def _own(writer: Writer) -> list[NeedAnswer]:
    if not writer.short.levels_db:
        return []
    return [one for one in writer.analysis.needs if one.setup == SEAT_SETUP]


def _clauses(writer: Writer, answers: Sequence[NeedAnswer], *, it: bool = False) -> str:
    """One clause for each kind of answer; the loudspeaker is named once."""
    found: list[str] = []
    for kind, wording in _CLAUSES.items():
        needs = [one.need for one in answers if _kind(one) == kind]
        if not needs:
            continue
        names = _named(needs, kind=kind)
        values: dict[str, object] = {"needs": names}
        if found or it:
            values["name"] = "it"
        found.append(writer.say(wording, **values))
    return "; ".join(found)


def _kind(one: NeedAnswer) -> Answer | Literal["peaks only"]:
    """The answer, or that all but a long-term test was there for it.

    Without a long-term test an average is not "not tested loud enough": peaks alone answer.
    """
    if one.played_to_db is None and one.peaks in ("yes", "just"):
        return "peaks only"
    return one.peaks if one.played_to_db is None else one.answer


def _named(needs: Sequence[str], *, kind: str) -> str:
    """Name needs, each with its preposition where a need's own “and” would run into the next."""
    if kind in ("not tested", "just"):
        return listed(needs)
    if kind == "peaks only":
        return listed([f"of {one}" for one in needs])
    return listed([needs[0], *(f"for {one}" for one in needs[1:])])


def _why(writer: Writer, answers: Sequence[NeedAnswer]) -> list[str]:
    """Return what stands behind each answer that is not a plain yes, the least demanding first."""
    found = []
    if any(_kind(one) == "peaks only" for one in answers):
        found.append(writer.say("at-your-seat/why-no-long-term"))
    untold = [one for one in answers if one.answer == "can't tell" and _untold(one)]
    for one in answers:
        if one.answer in _REASONS and one not in untold:
            found.append(_deciding(writer, one))
    if untold:
        found.append(_why_untold(writer, untold))
    untested = [one for one in answers if _kind(one) == "not tested"]
    if untested:
        found.append(_beyond(writer, untested[0], more=[one.need for one in untested[1:]]))
    return found


def _untold(one: NeedAnswer) -> list[str]:
    """The bands of which nothing can be told at the levels that are asked for."""
    return [
        band.band
        for band in one.bands
        if "can't tell" in (band.peaks, band.average)
        and (band.peak_loss_high_db is None or band.average_loss_high_db is None)
    ]


def _why_untold(writer: Writer, untold: Sequence[NeedAnswer]) -> str:
    bands = list(dict.fromkeys(band for one in untold for band in _untold(one)))
    everything = len(bands) == len(untold[0].bands)
    others = [band for one in untold for band in one.bands if band.band not in bands]
    enough = all(answer in ("yes", "just") for one in others for answer in (one.peaks, one.average))
    return writer.say(
        "at-your-seat/why-untold",
        bands="each band" if everything else f"the {listed([spoken(one) for one in bands])}",
        verb="loses" if everything else verb(bands, one="loses", many="lose"),
        rest=writer.say("at-your-seat/rest-would-do") if others and enough else "",
    )


def _beyond(writer: Writer, one: NeedAnswer, *, more: Sequence[str]) -> str:
    key = f"need.{slug(one.need)}"
    in_peaks = one.peaks == "not tested"
    part = "peak" if in_peaks else "average"
    others = writer.say("at-your-seat/others-beyond", needs=listed(more)) if more else ""
    return writer.say(
        "at-your-seat/why-peaks-beyond" if in_peaks else "at-your-seat/why-average-beyond",
        need=one.need,
        low=writer.quote(f"{key}.{part}-low"),
        high=writer.quote(f"{key}.{part}-high"),
        tested=writer.quote("need.tested-to" if in_peaks else "need.played-to"),
        more=others,
    )


def _deciding(writer: Writer, one: NeedAnswer) -> str:
    """Name the band that decided, by the test that decided."""
    in_peaks = one.peaks == one.answer
    test = "peaks" if in_peaks else "average"

    def answer_of(band: NeedBand) -> Answer:
        return band.peaks if in_peaks else band.average

    def most_of(band: NeedBand) -> float:
        most = band.peak_loss_high_db if in_peaks else band.average_loss_high_db
        return -1.0 if most is None else most

    bands = [band for band in one.bands if answer_of(band) == one.answer]
    band = max(bands, key=most_of)
    fact = f"need.{slug(one.need)}.{slug(band.band)}.{test}"
    values: dict[str, object] = {
        "need": one.need,
        "band": spoken(band.band),
        "when": " in peaks" if in_peaks else " after minutes of it",
    }
    wording = _REASONS[one.answer]
    if one.answer == "can't tell" and writer.facts[f"{fact}.least"].value < 0.05:
        wording = "at-your-seat/why-cant-tell-from-none"
    return writer.say(
        wording,
        least=writer.quote(f"{fact}.least"),
        most=writer.quote(f"{fact}.most"),
        **values,
    )


def top_db(writer: Writer) -> float:
    """Return the loudest level that can be told, as ``test.top`` quotes it."""
    return float(writer.facts["test.top"].value)


def tested(writer: Writer) -> str:
    """Say what that level is the loudest of: not of those tested where a fault took one of them."""
    return "tested" if top_db(writer) == writer.short.levels_db[-1] else "that can be told"


def top_key(writer: Writer) -> str | None:
    """Name the facts of what the loudest setting gives at the seat; None where not known."""
    key = f"seat.{level_key(top_db(writer))}" if writer.short.levels_db else ""
    return key if f"{key}.low" in writer.facts else None


def _arriving(writer: Writer, key: str | None) -> list[str]:
    if key is None:
        return [writer.say("at-your-seat/nothing")]
    arrives = writer.say(
        "at-your-seat/arrives",
        tested=tested(writer),
        top=writer.quote("test.top"),
        low=writer.quote(f"{key}.low"),
        high=writer.quote(f"{key}.high"),
    )
    lost = [
        one
        for one in writer.analysis.bands
        if one.test == "short_term" and one.level_db == top_db(writer)
        if (is_loss(one) or may_lose(one)) and not at_a_point(one)
    ]
    if len(lost) > 2:
        most = no_less(lost)
        return [
            arrives,
            writer.say(
                "at-your-seat/lost-most",
                verb="may be" if all(may_lose(one) for one in lost) else "is",
                band=listed([spoken(one.band) for one in most]),
                shortfall=writer.of(min(most, key=lambda one: one.mean_db or 0.0), "shortfall"),
            ),
        ]
    found = [arrives]
    for is_missing, group in (
        ("is", [one for one in lost if not may_lose(one)]),
        ("may be", [one for one in lost if may_lose(one)]),
    ):
        if group:
            named = [f"{writer.of(one, 'shortfall')} of the {spoken(one.band)}" for one in group]
            found.append(writer.say("at-your-seat/lost", bands=listed(named), verb=is_missing))
    return found


def _method(writer: Writer, *, seat: Seat, key: str) -> str:
    calibrated = writer.analysis.exposure and writer.analysis.exposure[0].basis == "calibrated"
    gain = {1: "", 2: "3 dB more for the second loudspeaker, "}
    several = f"10·lg {seat.loudspeakers} dB more for {seat.loudspeakers} loudspeakers, "
    half_space = writer.analysis.session.rig.space == "half space"
    return writer.say(
        "at-your-seat/method",
        **{
            name.replace("-", "_"): writer.quote(f"{key}.{name}")
            for name in ("sum-low", "sum-high", "room-low", "room-high")
        },
        more=gain.get(seat.loudspeakers, several),
        volume=size(seat.room),
        reverberation=f"{seat.room.reverberation_s:g} s",
        modal=frequency(2.0 * seat.room.schroeder_hz),
        half_space=writer.say("at-your-seat/half-space") if half_space else "",
        basis=writer.say(
            "at-your-seat/basis-calibrated" if calibrated else "at-your-seat/basis-assumed"
        ),
    )


_WORDINGS = {
    ("inaudible in practice", "possibly audible"): "heard-perhaps",
    ("possibly audible", None): "heard-possibly",
    ("possibly audible", "clearly audible"): "heard-possibly-or-clearly",
    ("clearly audible", None): "heard-clearly",
}
_IN_PASSING = {
    "heard-perhaps": "at the edge of what can be noticed",
    "heard-possibly": "possibly audible",
    "heard-possibly-or-clearly": "possibly and perhaps clearly audible",
    "heard-clearly": "clearly audible",
}


def turned_up_heard(writer: Writer) -> str:
    """Return the paragraph on the loudest level that can be told; empty where none can."""
    every = [
        one
        for one in writer.analysis.audible
        if one.test == "short_term" and one.level_db <= top_db(writer)
    ]
    if not every:
        return ""
    loudest = max(one.level_db for one in every)
    most, *wider = [one for one in every if one.level_db == loudest]
    if not is_heard(most):
        wording = "heard-no-told" if writer.short.untold or writer.short.untested else "heard-no"
        if most.heard == "can't tell":
            wording = "heard-cant-tell"
        return writer.say(f"turned-up/{wording}", level=decibels(loudest))
    values = heard_values(
        writer, most, part="most", more_or_less=("less than asked", "more than asked")
    )
    sentences = [writer.say(f"turned-up/{_wording(most)}", **values)]
    if "as_mids" in values:
        sentences.append(writer.say("turned-up/heard-bass", **values))
    sentences += [_wider(writer, one, most=most) for one in wider]
    first = min(one.level_db for one in every if is_heard(one))
    if first < loudest:
        sentences.append(writer.say("turned-up/heard-from", first=decibels(first)))
    sentences += _balance(writer, level_db=loudest)
    sentences.append(writer.say("turned-up/heard-judgement"))
    return " ".join(sentences)


def left_playing_heard(writer: Writer, *, level_db: float, changed: bool) -> str:
    """Return one sentence on what the stress at a level changed for the ear.

    Empty where nothing changed, or where it can't be told.

    Parameters
    ----------
    changed : whether a band is said to have changed
    """
    found = [
        one
        for one in writer.analysis.audible
        if one.test == "long_term" and one.level_db == level_db
    ]
    if not found or found[0].heard == "can't tell":
        return ""
    most = found[0]
    if is_heard(most):
        values = heard_values(writer, most, part="most", more_or_less=("less", "more"))
        return writer.say(
            "left-playing/heard",
            word=_IN_PASSING[_wording(most)],
            elapsed=duration(most.elapsed_s),
            **values,
        )
    return writer.say("left-playing/heard-no") if changed else ""


def heard_note(writer: Writer) -> str:
    """Return where the words for what is heard come from."""
    narrow, _, octave, broad = HEARD_LIMITS_DB
    limits = {
        f"{name}_{word}": f"{limit:g} dB"
        for name, (_, *pair) in (("narrow", narrow), ("octave", octave), ("broad", broad))
        for word, limit in zip(("possibly", "clearly"), pair, strict=True)
    }
    return writer.say(
        "how-measured/heard",
        bass_below=frequency(BASS_BELOW_HZ),
        bass_factor=f"{BASS_FACTOR:g}",
        top_above=frequency(TOP_ABOVE_HZ),
        top_factor=f"{TOP_FACTOR:g}",
        **limits,
    )


def heard_values(
    writer: Writer, one: Audible, *, part: str, more_or_less: tuple[str, str]
) -> dict[str, str]:
    """Return what a sentence about one stretch quotes; `part`: ``"most"`` or ``"other"``."""
    key = f"{heard_key(one)}.{part}"
    values = {
        "level": decibels(one.level_db),
        "size": writer.quote(f"{key}.size"),
        "u95": writer.quote(f"{key}.u95"),
        "low": writer.quote(f"{key}.low"),
        "high": writer.quote(f"{key}.high"),
        "direction": more_or_less[one.change_db > 0.0],
    }
    if f"{key}.as-mids" in writer.facts:
        values["as_mids"] = writer.quote(f"{key}.as-mids")
    return values


def _wording(one: Audible) -> str:
    """Choose by the word that is certain and the one that may be; `one` may be heard."""
    return _WORDINGS[one.heard, one.heard_may_be]


def _wider(writer: Writer, one: Audible, *, most: Audible) -> str:
    around = one.low_hz <= most.low_hz and one.high_hz >= most.high_hz
    return writer.say(
        "turned-up/heard-wider" if around else "turned-up/heard-elsewhere",
        word=_IN_PASSING[_wording(one)],
        **heard_values(writer, one, part="other", more_or_less=("less", "more")),
    )


def _balance(writer: Writer, *, level_db: float) -> list[str]:
    balance = balance_of(_bands(writer, test="short_term", level_db=level_db))
    if balance is None:
        return [writer.say("turned-up/balance-cant-tell")]
    certain = [shift.word for shift in balance.shifts if shift.certain]
    maybe = [shift.word for shift in balance.shifts if not shift.certain]
    if certain:
        wording = "balance-and-maybe" if maybe else "balance"
        return [writer.say(f"turned-up/{wording}", words=listed(certain), maybe=listed(maybe))]
    if maybe:
        return [writer.say("turned-up/balance-maybe", maybe=listed(maybe))]
    wording = "balance-cant-tell" if balance.open_bands else "balance-kept"
    return [writer.say(f"turned-up/{wording}")]


def _bands(writer: Writer, *, test: Test, level_db: float) -> Sequence[BandResult]:
    results = writer.analysis.bands
    return [one for one in results if one.test == test and one.level_db == level_db]
