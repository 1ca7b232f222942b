"""Why, in plain words: what each finding fits, how surely, what speaks against, what settles it."""

import math
from collections.abc import Sequence

from reportlib.causes import CAUSE_NAMES, NONE_SHOWN
from reportlib.causes.table import INSTRUMENTS
from reportlib.judged import Finding
from reportlib.model import BandResult
from reportlib.numbers import listed
from reportlib.words.writer import Writer, decibels

MOST_SENTENCES = 6
MOST_POSSIBLE = 3
LIMITERS = ("limiter-broad", "limiter-band")
_EXPLAINS = 1.0 / 3.0
"""A finding in less of a band than this does not explain what the band as a whole loses."""


def why(writer: Writer) -> str:
    """Return the section's draft."""
    findings = writer.analysis.findings
    stand = [one for one in findings if one.cause != NONE_SHOWN and one.confidence != "low"]
    possible = [one for one in findings if one.cause != NONE_SHOWN and one.confidence == "low"]
    together = _alike(stand)
    paragraphs = []
    for one in stand:
        if one in together[1:]:
            continue
        paragraphs.append(_standing(writer, one))
        if together and one is together[0]:
            paragraphs += [_as_well(writer, other, beside=one) for other in together[1:]]
            names = listed([CAUSE_NAMES[other.cause] for other in together])
            paragraphs.append(writer.say("why/not-parted", causes=names))
    if not stand:
        paragraphs.append(_none(writer))
    if possible:
        paragraphs.append(_possible(writer, possible, beside=bool(stand)))
    if stand:
        paragraphs.append(writer.say("why/fits-not-proved"))
    return writer.page("why", paragraphs=[" ".join(one.split()) for one in paragraphs])


def gives_first(writer: Writer) -> list[str]:
    """Return the opening's half sentence on why what gives first does so, where it is clear."""
    first = writer.short.gives_first
    if not first:
        return []
    for one in writer.analysis.findings:
        if one.confidence == "low" or one.cause == NONE_SHOWN:
            continue
        explains = any(
            _of_band(band, one=one) >= _EXPLAINS and band.level_db in one.levels_db
            for band in first
        )
        if explains:
            wording = "in-short/why-surely" if one.confidence == "high" else "in-short/why-fairly"
            if one.cause in INSTRUMENTS:
                wording = "in-short/why-instrument"
            together = [CAUSE_NAMES[other.cause] for other in _alike(writer.analysis.findings)]
            if CAUSE_NAMES[one.cause] in together:
                return [writer.say("in-short/why-unparted", causes=_either(together))]
            return [writer.say(wording, cause=CAUSE_NAMES[one.cause])]
    return []


def _of_band(band: BandResult, *, one: Finding) -> float:
    """Which part of a band, in octaves, a finding speaks of."""
    low, high = max(band.low_hz, one.low_hz), min(band.high_hz, one.high_hz)
    return max(0.0, math.log(high / low)) / math.log(band.high_hz / band.low_hz)


def _standing(writer: Writer, one: Finding) -> str:
    wording = "why/instrument" if one.cause in INSTRUMENTS else "why/cause"
    return writer.say(
        wording,
        cause=CAUSE_NAMES[one.cause],
        where=_where(writer, one),
        sure=writer.say(f"why/{one.confidence}"),
        evidence=" ".join(one.evidence_for[:MOST_SENTENCES]),
        against=writer.say("why/against", sentences=" ".join(one.evidence_against))
        if one.evidence_against
        else "",
        settle=_later(one.to_confirm),
        limiter=writer.say("why/limiter-in-a-sweep", sweep=writer.quote("test.sweep"))
        if one.cause in LIMITERS and "test.sweep" in writer.facts
        else "",
    )


def _as_well(writer: Writer, one: Finding, *, beside: Finding) -> str:
    """Say what fits the same change as surely, with what was not said yet."""
    own = [sentence for sentence in one.evidence_for if sentence not in beside.evidence_for]
    return writer.say(
        "why/as-well",
        cause=CAUSE_NAMES[one.cause],
        evidence=" ".join(own[:MOST_SENTENCES]),
        settle=_later(one.to_confirm),
    )


def _where(writer: Writer, one: Finding) -> str:
    """Say where and from which level on a change shows, in quoted facts."""
    key = f"why.{one.cause}"
    if f"{key}.low" not in writer.facts:
        return "changed"
    values = {
        "low": writer.quote(f"{key}.low"),
        "high": writer.quote(f"{key}.high"),
        "level": decibels(one.levels_db[0]) if one.levels_db else "",
    }
    if not one.levels_db:
        return writer.say("why/where", **values)
    return writer.say(
        "why/where-at-one-level" if len(one.levels_db) == 1 else "why/where-from-a-level", **values
    )


def _none(writer: Writer) -> str:
    found = [one for one in writer.analysis.findings if one.cause == NONE_SHOWN]
    if not found:
        return writer.say("why/not-looked-for")
    if found[0].confidence == "high":
        return writer.say("why/nothing-to-explain")
    if found[0].confidence == "fair":
        return writer.say("why/too-little")
    return writer.say("why/none-shown", settle=_later(found[0].to_confirm))


def _possible(writer: Writer, findings: Sequence[Finding], *, beside: bool) -> str:
    names = [CAUSE_NAMES[one.cause] for one in findings[:MOST_POSSIBLE]]
    sentences = [
        writer.say("why/also-possible" if beside else "why/possible", causes=_either(names))
    ]
    first = findings[0]
    if first.evidence_against:
        sentences.append(
            writer.say(
                "why/possible-against" if len(names) > 1 else "why/possible-against-it",
                cause=CAUSE_NAMES[first.cause],
                sentence=_later(first.evidence_against[0]),
            )
        )
    return " ".join(sentences)


def _alike(findings: Sequence[Finding]) -> list[Finding]:
    """Several that stand on one stretch, none surer than another; none where one stands alone."""
    first = findings[0] if findings else None
    if first is None or first.confidence != "fair":
        return []
    others = [
        one
        for one in findings[1:]
        if one.confidence == first.confidence and _share(first, one) > 0.5
    ]
    return [first, *others] if others else []


def _share(one: Finding, other: Finding) -> float:
    low, high = max(one.low_hz, other.low_hz), min(one.high_hz, other.high_hz)
    if not high > low:
        return 0.0
    return math.log(high / low) / math.log(one.high_hz / one.low_hz)


def _either(names: Sequence[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else list(names))


def _later(sentence: str) -> str:
    """Begin a sentence in the middle of another."""
    return sentence[:1].lower() + sentence[1:].rstrip(".")
