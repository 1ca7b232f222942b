"""The listener in words: what arrives at the seat, for how long, and whether a change is heard."""

import math
from collections.abc import Sequence
from typing import Literal

from reportlib.judge.records import SEAT_SETUP, Answer, Audible, NeedAnswer, NeedBand
from reportlib.judge.seat import Room, Seat, reader_seat
from reportlib.judge.thresholds import (
    BASS_BELOW_HZ,
    BASS_FACTOR,
    HEARD_LIMITS_DB,
    TOP_ABOVE_HZ,
    TOP_FACTOR,
)
from reportlib.measure.levels import BANDS
from reportlib.numbers import frequency, level_key, sentence, slug
from reportlib.write import together
from reportlib.write.facts import heard_key
from reportlib.write.untold import why_untold
from reportlib.write.writer import Writer, decibels, spoken, verb

PLACES = {
    "kitchen": "at a kitchen desk",
    "living room": "in a living room",
    "hall": "in a hall",
    "small stage": "in front of a small stage",
}
COUNTS = ("", "one of them", "a pair of them", "three of them", "four of them")


def at_your_seat(writer: Writer) -> str:
    """Return the section's draft: what the needs ask for, what arrives, what the words mean."""
    answers = _own(writer)
    top = top_key(writer)
    paragraphs = [" ".join(_demands(writer, answers)), " ".join(_arriving(writer, top))]
    if answers:
        wording = "meaning" if writer.analysis.session.long_term else "meaning-in-peaks"
        paragraphs.append(writer.say(f"at-your-seat/{wording}"))
    return writer.page("at-your-seat", paragraphs=[one for one in paragraphs if one])


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


def _kind(one: NeedAnswer) -> Answer | Literal["peaks only"]:
    """The answer, or that all but a long-term test was there for it.

    Without a long-term test an average is not "not tested loud enough": peaks alone answer.
    """
    if one.played_to_db is None and one.peaks in ("yes", "just"):
        return "peaks only"
    return one.peaks if one.played_to_db is None else one.answer


_MOST_DEMANDS = 2
_BESIDE_YES = ("just", "no", "can't tell", "not tested")


def _demands(writer: Writer, answers: Sequence[NeedAnswer]) -> list[str]:
    """Return what the least demanding needs ask for that are no plain yes, one a kind of answer."""
    untold = [one for one in answers if _kind(one) == "can't tell" and _untold(one)]
    milder = [one for one in answers if _kind(one) == "just"][:-1]  # the most demanding is named
    rest = [one for one in answers if _kind(one) in _BESIDE_YES and one not in (*untold, *milder)]
    least = {_kind(one): one for one in reversed(rest)}.values()
    told = [one for one in rest if one in least][: _MOST_DEMANDS - bool(untold)]
    found: list[str] = []
    shown_peaks = False
    for one in told:
        in_peaks = one.peaks == _kind(one)
        wording = "needs-peaks" if in_peaks else "needs-average"
        wording = "needs-more" if in_peaks and shown_peaks else wording
        asked = writer.say(
            f"at-your-seat/{wording}",
            need=sentence(one.need),
            verb="need" if " and " in one.need else "needs",
            high=writer.quote(f"need.{slug(one.need)}.{'peak' if in_peaks else 'average'}-high"),
        )
        shown_peaks = in_peaks
        if _kind(one) == "not tested":
            test = "sweeps" if in_peaks else "playing"
            ended = writer.quote("need.tested-to" if in_peaks else "need.played-to")
            found.append(writer.say("at-your-seat/beyond", needs=asked, test=test, tested=ended))
        else:
            found.append(_short(writer, one, asked=asked, in_peaks=in_peaks))
    for one in untold[:1]:
        bands = [band for band in _untold(one) if band not in writer.short.untested]
        if bands:  # nothing is said of what was not measured
            names = together.names(bands)
            why = why_untold(writer, bands)
            found.append(writer.say("at-your-seat/untold", need=one.need, bands=names, why=why))
    return found


def _untold(one: NeedAnswer) -> list[str]:
    """The bands of which nothing can be told at the levels that are asked for."""
    return [
        band.band
        for band in one.bands
        if "can't tell" in (band.peaks, band.average)
        and (band.peak_loss_high_db is None or band.average_loss_high_db is None)
    ]


def _short(writer: Writer, one: NeedAnswer, *, asked: str, in_peaks: bool) -> str:
    """Name the band that decided, by the test that decided."""

    def answer_of(band: NeedBand) -> Answer:
        return band.peaks if in_peaks else band.average

    def most_of(band: NeedBand) -> float:
        most = band.peak_loss_high_db if in_peaks else band.average_loss_high_db
        return -1.0 if most is None else most

    band = max((band for band in one.bands if answer_of(band) == _kind(one)), key=most_of)
    fact = f"need.{slug(one.need)}.{slug(band.band)}.{'peaks' if in_peaks else 'average'}"
    wording = "short-at-least" if _kind(one) == "no" else "short-at-most"
    if _kind(one) == "can't tell" and writer.facts[f"{fact}.least"].value >= 0.05:
        wording = "short-between"
    return writer.say(
        f"at-your-seat/{wording}",
        needs=asked,
        band=spoken(band.band),
        verb=verb([band.band], one="is", many="are"),
        least=writer.quote(f"{fact}.least"),
        most=writer.quote(f"{fact}.most"),
    )


def top_db(writer: Writer) -> float:
    """Return the loudest level that can be told, as ``test.top`` quotes it."""
    return float(writer.facts["test.top"].value)


def top_key(writer: Writer) -> str | None:
    """Name the facts of what the loudest setting gives at the seat; None where not known."""
    key = f"seat.{level_key(top_db(writer))}" if writer.short.levels_db else ""
    return key if f"{key}.low" in writer.facts else None


def _arriving(writer: Writer, key: str | None) -> list[str]:
    if key is None:
        alone = not writer.short.levels_db
        why = writer.say("at-your-seat/baseline-alone") if alone else ""
        why = why or why_untold(writer, [band.name for band in BANDS])
        return [writer.say("at-your-seat/nothing", why=why)]
    seat = reader_seat(writer.parameters)
    return [
        writer.say(
            "at-your-seat/arrives",
            top=writer.quote("test.top"),
            low=together.quoted_size(writer, f"{key}.low", unit=False),
            high=writer.quote(f"{key}.high"),
            place=place(seat).replace(" of them", ""),
        ),
        writer.say("at-your-seat/modal", modal=frequency(2.0 * seat.room.schroeder_hz)),
    ]


_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0
_EXPOSURE = f"exposure.{slug(SEAT_SETUP)}"


def care(writer: Writer) -> str:
    """Return the section's draft: what the loudest setting is to ears, and when to stop."""
    sentences = []
    if f"{_EXPOSURE}.level" in writer.facts:
        day, week = (writer.facts[f"{_EXPOSURE}.{period}"].value for period in ("day", "week"))
        wording = "uses-up" if day < _DAY_S else "uses-up-week"
        wording = wording if week < _WEEK_S else "stays-within"
        sentences += [
            writer.say(
                "care/arrives",
                loudest=decibels(writer.analysis.session.short_term[-1].level_db),
                level=writer.quote(f"{_EXPOSURE}.level"),
                basis=_if_met(writer),
            ),
            writer.say(
                f"care/{wording}",
                day=writer.quote(f"{_EXPOSURE}.day"),
                week=writer.quote(f"{_EXPOSURE}.week"),
            ),
        ]
        sentences += [] if week >= _WEEK_S else [writer.say("care/upper-limits")]
    dose = writer.analysis.day_dose
    if dose is not None and not dose.niosh_percent < 100.0:
        sentences.append(writer.say("care/beside-over"))
    return writer.page("care", paragraphs=[" ".join([*sentences, writer.say("care/stop")])])


def beside_the_microphone(writer: Writer) -> str:
    """Return what the test came to beside the microphone; empty where that is not known."""
    dose = writer.analysis.day_dose
    if dose is None or not math.isfinite(dose.niosh_percent):
        return ""
    quotes = {name: writer.quote(f"dose.{name}") for name in ("sounding", "loudest", "day", "week")}
    return writer.say("care/beside", basis=_if_met(writer), **quotes)


def _if_met(writer: Writer) -> str:
    assumed = writer.analysis.exposure[0].basis == "assumed"
    return writer.say("care/if-met") if assumed else ""


def estimates(writer: Writer) -> str:
    """Return how what arrives at the reader's seat was estimated; empty where it was not."""
    key = top_key(writer)
    if key is None:
        return ""
    seat = reader_seat(writer.parameters)
    gain = {1: "", 2: "3 dB more for the second loudspeaker, "}
    several = f"10·lg {seat.loudspeakers} dB more for {seat.loudspeakers} loudspeakers, "
    return writer.say(
        "how-measured/estimates",
        **{
            name.replace("-", "_"): writer.quote(f"{key}.{name}")
            for name in ("sum-low", "sum-high", "room-low", "room-high")
        },
        more=gain.get(seat.loudspeakers, several),
        volume=size(seat.room),
        reverberation=f"{seat.room.reverberation_s:g} s",
    )


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
