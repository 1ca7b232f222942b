"""Would you hear it, and what does it do to the balance: sentences from `audibility`, `balance`."""

from collections.abc import Sequence

from reportlib.audibility import is_heard
from reportlib.balance import balance_of
from reportlib.judged import Audible
from reportlib.judged_facts import heard_key
from reportlib.model import BandResult, Test
from reportlib.numbers import duration, frequency, listed
from reportlib.thresholds import (
    BASS_BELOW_HZ,
    BASS_FACTOR,
    HEARD_LIMITS_DB,
    TOP_ABOVE_HZ,
    TOP_FACTOR,
)
from reportlib.words.writer import Writer, decibels

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
    every = [one for one in writer.analysis.audible if one.test == "short_term"]
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
