"""The narrative of the short-term test: what holds, what falls behind and where, and why."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.judge.causes.table import CAUSE_NAMES, INSTRUMENTS, NONE_SHOWN
from reportlib.judge.limits import kind_of
from reportlib.judge.records import BandResult, Finding, Limit
from reportlib.measure.levels import BANDS
from reportlib.numbers import hz_range_text, listed
from reportlib.write.facts import limit_key
from reportlib.write.listener import top_db, turned_up_heard
from reportlib.write.readings_sweeps import band_limits, limit_text
from reportlib.write.untold import why_untold
from reportlib.write.writer import (
    BandStory,
    Writer,
    at_a_point,
    decibels,
    may_lose,
    spoken,
    verb,
    verb_of,
)

_COUNTED = {2: "two bands", 3: "three bands", 4: "four bands", 5: "all five bands"}
_TOGETHER = ("loses", "gains")
"""Wordings that several bands may share in one sentence, where they share the level."""


@dataclass(frozen=True, kw_only=True)
class _Change:
    """What one band does, and how it is worded; `first` where it sets in, `worst` at its most."""

    wording: str
    first: BandResult
    worst: BandResult


def turned_up(writer: Writer) -> list[str]:
    """Return the slot's paragraphs, from what holds to what would be heard."""
    story = writer.short
    paragraphs = []
    holding = [
        one.band
        for one in story.bands
        if one.holds and one.holds_to_db is not None and one.holds_to_db >= top_db(writer)
    ]
    if holding:
        everything = len(holding) == len(story.bands)
        names = f"The {listed([spoken(band) for band in holding])}"
        paragraphs.append(
            writer.say(
                "turned-up/hold-together",
                bands="All five bands" if everything else names,
                verb=verb(holding, one="holds", many="hold"),
                top=writer.quote("test.top"),
            )
        )
    changed = [_change(one) for one in story.bands]
    paragraphs += [
        _together(writer, found) if len(found) > 1 else _alone(writer, found[0])
        for found in _alike_changes([one for bands in changed for one in bands])
    ]
    if story.untested:
        paragraphs.append(
            writer.say(
                "turned-up/not-tested",
                bands=listed([spoken(band) for band in story.untested]),
                verb=verb(story.untested, one="was", many="were"),
                range=hz_range_text(*writer.analysis.sweep_range_hz),
            )
        )
    if story.untold and story.levels_db:
        paragraphs.append(
            writer.say(
                "turned-up/untold",
                bands=listed([spoken(band) for band in story.untold]),
                why=why_untold(writer, story.untold),
            )
        )
    return [*paragraphs, *filter(None, (behind(writer), turned_up_heard(writer)))]


def _change(one: BandStory) -> list[_Change]:
    found = []
    if one.first_loss is not None and one.worst_loss is not None:
        first, worst = one.first_loss, one.worst_loss
        wording = "loses-at-a-point" if at_a_point(worst) else "loses-and-more"
        if wording == "loses-and-more" and worst.level_db == first.level_db:
            wording = "loses"
        found.append(_Change(wording=wording, first=first, worst=worst))
    if one.largest_gain is not None:
        gain = one.largest_gain
        wording = "gains-at-a-point" if at_a_point(gain) else "gains"
        found.append(_Change(wording=wording, first=gain, worst=gain))
    return found


def _alike_changes(changes: Sequence[_Change]) -> list[list[_Change]]:
    """Put together what several bands do alike at one level, each where its first band stands."""
    groups: dict[object, list[_Change]] = {}
    for index, one in enumerate(changes):
        alike = (one.wording, one.worst.level_db, may_lose(one.worst))
        groups.setdefault(alike if one.wording in _TOGETHER else index, []).append(one)
    return list(groups.values())


def _together(writer: Writer, changes: Sequence[_Change]) -> str:
    losing = changes[0].wording == "loses"
    worst = [one.worst for one in changes]
    widest = max(worst, key=lambda one: one.u95_db or 0.0)
    by = [
        f"the **{spoken(one.band)}** by {writer.of(one, 'shortfall' if losing else 'mean')} "
        f"(most near {writer.worst_at(one)})"
        for one in worst
    ]
    return writer.say(
        "turned-up/lose-together" if losing else "turned-up/gain-together",
        level=decibels(worst[0].level_db),
        count=_COUNTED[len(worst)],
        verb=verb_of(worst, names="", one="falls behind", many="fall behind"),
        changes=listed(by),
        u95=writer.of(widest, "u95"),
    )


def _alone(writer: Writer, change: _Change) -> str:
    first, worst = change.first, change.worst
    name = {"band": spoken(worst.band)}
    if change.wording.startswith("gains"):
        return writer.say(
            f"turned-up/{change.wording}",
            verb=verb([worst.band], one="comes out", many="come out"),
            level=decibels(worst.level_db),
            gain=writer.of(worst, "mean"),
            point=writer.of(worst, "worst"),
            at=writer.worst_at(worst),
            **name,
        )
    return writer.say(
        f"turned-up/{change.wording}",
        verb=verb_of([first], names="", one="falls behind", many="fall behind"),
        first_level=decibels(first.level_db),
        shortfall=writer.of(first, "shortfall"),
        u95=writer.of(first, "u95"),
        worst_level=decibels(worst.level_db),
        worst_shortfall=writer.of(worst, "shortfall"),
        worst=writer.of(worst, "worst"),
        worst_at=writer.worst_at(worst),
        **name,
    )


_REACHED = ("at", "between", "by")


def behind(writer: Writer) -> str:
    """Return the paragraph that names the limits of every band, turned up."""
    ones, threes = _told(writer, index=0), _told(writer, index=-1)
    sentences = [*_reached(writer, ones), *_unsure(writer, ones)]
    never = _alike_limits(writer, [one for one in ones if kind_of(one) == "not reached"])
    for alike in never:
        wording = "limit-not"
        if len(never) == 1 and (len(alike) > 1 or not sentences):
            wording = "limit-none-other" if sentences else "limit-none"
            if not sentences and (writer.short.untold or writer.short.untested):
                wording = "limit-none-told"
        sentences.append(_say(writer, wording, alike=alike))
    if any(kind_of(one) in _REACHED for one in ones):
        sentences += [*_reached(writer, threes), *_unsure(writer, threes)]
        if all(kind_of(three) == "not reached" for three in threes):
            nearest = min(threes, key=lambda three: three.tested_to_db or 0.0)
            sentences.append(_say(writer, "limit-no-three", alike=[nearest]))
    return " ".join(sentences)


def _told(writer: Writer, *, index: int) -> list[Limit]:
    """The limits of the bands that can be told, of the smallest loss or of the largest."""
    found = [band_limits(writer.analysis, band=band.name) for band in BANDS]
    return [limits[index] for limits in found if limits and limits[index].reached is not None]


def _reached(writer: Writer, limits: Sequence[Limit]) -> list[str]:
    """One sentence: which band is so far behind where, the first one first."""
    groups = _alike_limits(writer, [one for one in limits if kind_of(one) in _REACHED])
    if not groups:
        return []
    first, *others = sorted(groups, key=lambda alike: _level(alike[0]))
    return [
        _say(
            writer,
            "limit-behind",
            alike=first,
            others="".join(_say(writer, "limit-other", alike=alike) for alike in others),
        )
    ]


def _unsure(writer: Writer, limits: Sequence[Limit]) -> list[str]:
    groups = _alike_limits(writer, [one for one in limits if kind_of(one) == "may be"])
    return [_say(writer, "limit-open", alike=alike) for alike in groups]


def _alike_limits(writer: Writer, limits: Sequence[Limit]) -> list[list[Limit]]:
    """Group bands of which the same is written."""
    groups: dict[str, list[Limit]] = {}
    for one in limits:
        groups.setdefault(limit_text(one, facts=writer.facts), []).append(one)
    return list(groups.values())


def _say(writer: Writer, wording: str, *, alike: Sequence[Limit], others: str = "") -> str:
    bands = [one.band for one in alike]
    reached = kind_of(alike[0]) in _REACHED
    return writer.say(
        f"turned-up/{wording}",
        bands=_named(bands),
        verb=_is(bands),
        amount=f"{alike[0].threshold_db:g} dB",
        where=_where(writer, alike[0]) if reached else "",
        others=others,
        tested=_tested(writer, alike[0]),
    )


def _named(bands: Sequence[str]) -> str:
    return listed([spoken(band) for band in bands])


def _level(limit: Limit) -> float:
    return limit.level_db if limit.level_db is not None else limit.high_db or 0.0


def _is(bands: Sequence[str]) -> str:
    return verb(bands, one="is", many="are")


def _tested(writer: Writer, limit: Limit) -> str:
    return writer.quote(f"{limit_key(limit)}.tested")


def _where(writer: Writer, limit: Limit) -> str:
    """Say at which level; `limit` is reached."""
    here = f"{limit_key(limit)}.{limit.threshold_db:g}"
    kind = kind_of(limit)
    if kind == "at":
        return writer.say("turned-up/limit-at", level=writer.quote(here))
    high = writer.quote(f"{here}.high")
    if kind == "by":
        return writer.say("turned-up/limit-by", high=high)
    return writer.say("turned-up/limit-between", low=writer.quote(f"{here}.low"), high=high)


MOST_SENTENCES = 6
MOST_POSSIBLE = 3
LIMITERS = ("limiter-broad", "limiter-band")


def why(writer: Writer) -> str:
    """Return the section's draft."""
    findings = writer.analysis.findings
    stand = [one for one in findings if one.cause != NONE_SHOWN and one.confidence != "low"]
    possible = [one for one in findings if one.cause != NONE_SHOWN and one.confidence == "low"]
    together = _alike_findings(stand)
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


def _standing(writer: Writer, one: Finding) -> str:
    wording = "why/instrument" if one.cause in INSTRUMENTS else "why/cause"
    return writer.say(
        wording,
        cause=CAUSE_NAMES[one.cause],
        where=_where_found(writer, one),
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


def _where_found(writer: Writer, one: Finding) -> str:
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


def _alike_findings(findings: Sequence[Finding]) -> list[Finding]:
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
