"""Why, in words: which cause each change fits, how surely, and what is left without one.

"Fits" is a cause of high confidence, "could be" one of fair confidence, "A or B" where neither can
be told from the other; "no cause shows" stands for what no such cause explains. What is merely
possible stands in the table of causes, with all of the evidence.
"""

import math
from collections.abc import Sequence

from reportlib.judge.causes.table import (
    CAUSE_NAMES,
    INSTRUMENTS,
    MEASURED,
    NONE_SHOWN,
    NOTHING_TO_CONFIRM,
)
from reportlib.judge.grades import GAIN_GRADES, LOSS_GRADES
from reportlib.judge.records import BandResult, Finding
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import End, band_ends
from reportlib.numbers import hz_range_text, listed
from reportlib.write import together
from reportlib.write.facts import coil_key
from reportlib.write.readings_stress import coil_end, with_coil
from reportlib.write.writer import Writer, decibels, plain

_IN_FULL, _MOST_WORDS = 2, 100
"""Causes that come with evidence, as long as all of it is not too long to read."""
_LIMITERS = frozenset({"limiter-broad", "limiter-band"})
_MOST_IN_ONE = 2
"""Causes that a sentence holds without running on."""
EXPLAINS = 1.0 / 3.0
"""A finding in less of a band than this does not explain what the band as a whole loses."""
_LEAST_DB = 0.1
"""A mean change below it has no direction."""


def why(writer: Writer) -> str:
    """Return the section's draft."""
    findings = writer.analysis.findings
    if not findings:
        return writer.page("why", paragraphs=[writer.say("why/not-looked-for")])
    stand = standing(findings)
    left = _without(writer, stand)
    if not stand:
        nothing = findings[0].confidence == "high" and not left
        left += [] if left else [writer.say("why/nothing" if nothing else "why/none")]
        left += _settle(writer, findings[0])
    for in_full in range(_IN_FULL, -1, -1):
        paragraphs: list[str] = []
        for place, group in enumerate(inseparable(stand)):
            said = " ".join(paragraphs)
            paragraphs.append(_named(writer, group, evidence=in_full - place, said=said))
        paragraphs += [*_coil(writer), " ".join(left)]
        if len(" ".join(paragraphs).split()) <= _MOST_WORDS:
            break
    return writer.page("why", paragraphs=paragraphs)


def standing(findings: Sequence[Finding]) -> list[Finding]:
    """Return the causes that a sentence may name, the surest first."""
    return [one for one in findings if one.cause != NONE_SHOWN and one.confidence != "low"]


def inseparable(stand: Sequence[Finding]) -> list[list[Finding]]:
    """Put together what stands on one stretch, none surer than another."""
    groups: list[list[Finding]] = []
    for one in stand:
        for group in groups:
            first = group[0]
            fair = first.confidence == one.confidence == "fair"
            if fair and part_of(one, low_hz=first.low_hz, high_hz=first.high_hz) > 0.5:
                group.append(one)
                break
        else:
            groups.append([one])
    return groups


def part_of(one: Finding, *, low_hz: float, high_hz: float) -> float:
    """Return which part of a stretch, in octaves, a finding speaks of, which may know no range."""
    if not math.isfinite(one.low_hz):
        return 0.0
    low, high = max(low_hz, one.low_hz), min(high_hz, one.high_hz)
    return math.log(high / low) / math.log(high_hz / low_hz) if high > low else 0.0


def _named(writer: Writer, together: Sequence[Finding], *, evidence: int, said: str) -> str:
    """Say what a change fits, with so many sentences of evidence, and what would settle it.

    `said` is what stands before it, and is not said again.
    """
    one = together[0]
    names = [f"**{CAUSE_NAMES[each.cause]}**" for each in together]
    cause = listed(names[:_MOST_IN_ONE], word="or")
    if all(each.cause in INSTRUMENTS for each in together):
        cause = writer.say("why/instrument", cause=cause)
    wording = "fits" if one.confidence == "high" else "could-be"
    sentences = [writer.say(f"why/{wording}", what=_what(writer, one), cause=cause)]
    if names[_MOST_IN_ONE:]:
        others = listed(names[_MOST_IN_ONE:], word="or")
        sentences.append(writer.say("why/could-also-be", cause=others))
    if evidence > 0:
        for_it = _joined([fact for fact in one.evidence_for[:2] if fact not in said])
        against = one.evidence_against[:1]
        sentences += [*for_it[: 2 - len(against)], *against][:evidence]
        if one.cause in _LIMITERS and "test.sweep" in writer.facts:
            sentences.append(writer.say("why/limiter", sweep=writer.quote("test.sweep")))
        sentences += _settle(writer, one)
    return " ".join(sentences)


def _what(writer: Writer, one: Finding) -> str:
    key = f"why.{one.cause}"
    change = _loss_or_rise(writer, one)
    if f"{key}.low" not in writer.facts:
        return writer.say("why/anywhere", change=change)
    low, high = writer.quote(f"{key}.low"), writer.quote(f"{key}.high")
    return writer.say("why/where", low=low, high=high, change=change)


def _loss_or_rise(writer: Writer, one: Finding) -> str:
    """Name the change by what the curves show there at its levels; neither where both do."""
    curves = (*writer.analysis.short_term, *writer.analysis.long_term)
    means = [
        float(curve.change_db[inside].mean())
        for curve in curves
        if curve.level_db in one.levels_db
        for inside in [
            curve.usable & (curve.frequency_hz >= one.low_hz) & (curve.frequency_hz <= one.high_hz)
        ]
        if inside.any()
    ]
    most = max(means, key=abs, default=0.0)
    if one.cause in INSTRUMENTS or abs(most) < _LEAST_DB:
        return "change"
    return "loss" if most < 0.0 else "rise"


def _joined(sentences: Sequence[str]) -> list[str]:
    """Make one sentence of two about the same thing, where that stays simple."""
    if len(sentences) == 2 and all(one.startswith("It ") for one in sentences):
        first, second = (one.removeprefix("It ").rstrip(".") for one in sentences)
        if " and " not in f"{first} {second}" and "," not in first:
            return [f"It {first} and {second}."]
    return list(sentences)


def _settle(writer: Writer, one: Finding) -> list[str]:
    """Ask for the measurement that would settle it; what it would show stands in the table."""
    if one.to_confirm in (MEASURED, NOTHING_TO_CONFIRM):
        return []
    asked = one.to_confirm.partition(":")[0].rstrip(".")
    return [writer.say("why/settle", settle=asked[:1].lower() + asked[1:])]


def _coil(writer: Writer) -> list[str]:
    """Say how warm the coil got and what that costs, where its resistance tells."""
    found = with_coil(writer.analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return []
    playing, coil = found
    key = coil_key(playing)
    return [
        writer.say(
            "why/coil-alone" if end.heard_db is None else "why/coil",
            unit=plain(coil.unit),
            rise=writer.quote(f"{key}.rise"),
            u95=writer.quote(f"{key}.rise-u95"),
            cost=writer.quote(f"{key}.cost"),
            tones=hz_range_text(coil.low_hz, coil.high_hz),
            lost="" if end.heard_db is None else writer.quote(f"{key}.lost"),
        )
    ]


def _without(writer: Writer, stand: Sequence[Finding]) -> list[str]:
    """Name the bands that changed, or may have, and that no cause covers."""
    short, long = writer.short.told, writer.long.told
    turned_up = [one for results in short.values() for one in _to_explain(results)]
    left_playing: list[BandResult | End] = [
        one for results in long.values() for one in results if one.grade in LOSS_GRADES[1:]
    ]
    left_playing += [
        end
        for playing in writer.analysis.playing
        for end in band_ends(playing)
        if end.clear and -end.change_db + end.u95_db > MEAN_LIMITS_DB[0]
    ]
    found = []
    for wording, changed, bands in (
        ("none-turned-up", turned_up, [band for band, results in short.items() if results]),
        ("none-left-playing", left_playing, [one.name for one in BANDS]),
    ):
        left = [one for one in changed if not any(_covers(each, one) for each in stand)]
        named = {one.band if isinstance(one, BandResult) else one.name for one in left}
        if left:
            names = together.names([one for one in bands if one in named])
            level = decibels(max(one.level_db for one in left))
            names = names.replace("every", "any")
            found.append(writer.say(f"why/{wording}", level=level, bands=names))
    return found


def _to_explain(results: Sequence[BandResult]) -> list[BandResult]:
    """Of a band turned up: every loss, as a whole even where it may as well hold; the most gain."""
    found = [
        one
        for one in results
        if one.grade in LOSS_GRADES[1:]
        or (
            one.grade_may_be in LOSS_GRADES[1:]
            and (one.u95_db or 0.0) - (one.mean_db or 0.0) > MEAN_LIMITS_DB[0]
        )
    ]
    gains = [one for one in results if one.grade in GAIN_GRADES[1:]]
    if gains:
        found.append(
            max(gains, key=lambda one: max(one.mean_db or 0.0, 0.5 * (one.worst_db or 0.0)))
        )
    return found


def _covers(finding: Finding, one: BandResult | End) -> bool:
    """Whether a cause stands over a third of a band, or where that changes most."""
    if finding.levels_db and one.level_db not in finding.levels_db:
        return False
    worst_hz = one.worst_hz if isinstance(one, BandResult) else None
    at_the_most = worst_hz is not None and finding.low_hz <= worst_hz <= finding.high_hz
    return at_the_most or part_of(finding, low_hz=one.low_hz, high_hz=one.high_hz) >= EXPLAINS
