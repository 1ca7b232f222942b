"""Drafts of the narrative cells: which wording, with which quoted facts.

Every wording is a block of ``templates/narrative/<slot>.md.j2`` that only places what it is
given; which one is used is decided here, by the grades. Nothing here reads a file: the caller
hands in a Jinja environment. Names come from the session folder and are escaped.

Here stand the verdict, the first screen's three lines, and what lies below the lowest band (no
grade tells of it, so that the verdict must).
"""

import math
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.judge.heard import WORDS
from reportlib.judge.records import Analysis, BandResult
from reportlib.measure.levels import BANDS
from reportlib.numbers import duration, frequency, hz_range_text, listed
from reportlib.session.parameters import ReportParameters
from reportlib.write.folded import numbers
from reportlib.write.how_measured import how_measured, how_sure
from reportlib.write.left_playing import left_playing, stress_in_short
from reportlib.write.listener import (
    at_your_seat,
    care,
    heard_values,
    in_short_at_seat,
    tested,
)
from reportlib.write.quotes import FactTable
from reportlib.write.turned_up import first_behind, gives_first, turned_up
from reportlib.write.untold import chain_faults
from reportlib.write.why import why
from reportlib.write.writer import (
    Story,
    Writer,
    at_a_point,
    decibels,
    may_lose,
    named_bands,
    no_less,
    spoken,
    verb,
    verb_of,
)

SLOTS = (
    "in-short",
    "turned-up",
    "left-playing",
    "why",
    "at-your-seat",
    "care",
    "how-measured",
    "numbers",
    "how-sure",
)


def draft(
    analysis: Analysis, *, facts: FactTable, templates: Environment, parameters: ReportParameters
) -> dict[str, str]:
    """Return the Markdown of every narrative cell, by slot.

    Parameters
    ----------
    facts : of the same analysis, quoted by name
    templates : finds ``<slot>.md.j2``, in which every wording is a block
    """
    writer = Writer(analysis=analysis, facts=facts, templates=templates, parameters=parameters)
    return {
        "in-short": writer.page(
            "in-short", verdict=" ".join(verdict_sentences(writer)), lines=at_a_glance(writer)
        ),
        "turned-up": writer.page("turned-up", paragraphs=turned_up(writer)),
        "left-playing": left_playing(writer),
        "why": why(writer),
        "at-your-seat": at_your_seat(writer),
        "care": care(writer),
        "how-measured": writer.page("how-measured", paragraphs=how_measured(writer)),
        "numbers": numbers(writer),
        "how-sure": writer.page("how-sure", paragraphs=how_sure(writer)),
    }


@dataclass(frozen=True, kw_only=True)
class AtAGlance:
    """What follows the verdict, one line each, as Markdown with quoted facts.

    What can't be told, or was not tested, stands in its line and says so.
    """

    gives_first: str
    at_your_seat: str
    watch: str


def at_a_glance(writer: Writer) -> AtAGlance:
    """Return the three lines of one report."""
    return AtAGlance(
        gives_first=" ".join(
            filter(None, (_first(writer), *gives_first(writer), first_behind(writer)))
        ),
        at_your_seat=in_short_at_seat(writer),
        watch=" ".join([_stress(writer), *_warnings(writer)]),
    )


def _first(writer: Writer) -> str:
    """Name the bands that fall behind at the quietest level at which any does."""
    story = writer.short
    if not story.levels_db:
        return writer.say("in-short/first-not-tested")
    if not any(one.told for one in story.bands):
        return writer.say("in-short/first-cant-tell")
    first = story.gives_first
    if not first:
        every = _all_told(story)
        below = deep_bass(writer, losses_only=True)
        if below is not None:
            wording = "first-deep" if every else "first-deep-told"
            return writer.say(f"in-short/{wording}", **below)
        wording = "first-none" if every else "first-none-told"
        return writer.say(
            f"in-short/{wording}", top=writer.quote("test.top"), tested=tested(writer)
        )
    most = min(first, key=_mean)
    told = [one.band for one in story.bands if one.told]
    surely = [one.band for one in first if not may_lose(one)]
    maybe = [one.band for one in first if may_lose(one)]
    named = [named_bands(surely, told=told)] if surely else []
    named += [f"it may be {named_bands(maybe, told=told)}"] if maybe else []
    values = {
        "bands": ", and ".join(named),
        "most": spoken(most.band),
        "level": decibels(most.level_db),
        "shortfall": writer.of(most, "shortfall"),
        "u95": writer.of(most, "u95"),
    }
    if all(at_a_point(one) for one in first):
        points = {"point": writer.of(most, "worst"), "at": writer.worst_at(most)}
        return writer.say("in-short/first-at-a-point", **values, **points)
    if len(no_less(first)) > 1:
        values["shortfall"] = f"up to {values['shortfall']}"
    elif len(first) > 1:
        return writer.say("in-short/first-several", **values)
    return writer.say("in-short/first", **values)


def _all_told(story: Story) -> bool:
    """Whether every band can be told up to the loudest level."""
    return all(one.told and one.told[-1].level_db == story.levels_db[-1] for one in story.bands)


def _mean(result: BandResult) -> float:
    return 0.0 if result.mean_db is None else result.mean_db


def _warnings(writer: Writer) -> list[str]:
    warnings = sum(note.severity != "note" for note in writer.analysis.quality)
    if not warnings:
        return []
    count = "one warning" if warnings == 1 else f"{warnings} warnings"
    return [writer.say("in-short/watch", count=count)]


def _stress(writer: Writer) -> str:
    """What the stress costs: as heard while it played, else as the sweep afterwards saw it."""
    if not writer.analysis.session.long_term:
        return writer.say("in-short/stress-not-tested")
    heard = stress_in_short(writer)
    if heard is not None:
        return heard
    story = writer.long
    if not any(one.told for one in story.bands):
        return writer.say("in-short/stress-cant-tell")
    worst = story.worst_loss
    if worst is None:
        entry = writer.analysis.session.long_term[-1]
        return writer.say(
            "in-short/stress-holds",
            level=decibels(entry.level_db),
            elapsed=duration(entry.elapsed_s(len(entry.stages) - 1)),
        )
    return writer.say(
        "in-short/stress-loses",
        level=decibels(worst.level_db),
        band=spoken(worst.band),
        shortfall=writer.of(worst, "shortfall"),
        u95=writer.of(worst, "u95"),
        elapsed=duration(worst.elapsed_s),
    )


def verdict_sentences(writer: Writer) -> list[str]:
    """Return the verdict, and what limits it."""
    story = writer.short
    told = [one for one in story.bands if one.told]
    if not story.levels_db:
        return [writer.say("in-short/baseline-alone")]
    if len(story.untested) == len(story.bands):
        covered = hz_range_text(*writer.analysis.sweep_range_hz)
        return [writer.say("in-short/no-band-tested", range=covered)]
    faults = chain_faults(writer)
    if not told:
        wording = "cant-tell-chain" if faults else "cant-tell"
        return [writer.say(f"in-short/{wording}"), *faults]
    sentences = [_main_verdict(writer, story=story)]
    gain = story.largest_gain
    if gain is not None and story.worst_loss is not None:
        wording = "also-gains-at-a-point" if at_a_point(gain) else "also-gains"
        sentences.append(writer.say(f"in-short/{wording}", **_gain_values(writer, gain)))
    below = deep_bass(writer)
    if below is not None:
        sentences.append(writer.say("in-short/deep", **below))
    if story.untold or story.untested:
        clauses = [
            writer.say(f"in-short/{wording}", bands=listed([spoken(band) for band in bands]),
                       verb=verb(bands, one="was", many="were"))
            for wording, bands in (("not-told", story.untold), ("not-tested", story.untested))
            if bands
        ]  # fmt: skip
        sentences.append(
            writer.say(
                "in-short/speaks-for",
                lowest=writer.quote("test.lowest"),
                highest=_highest(writer, story=story) or "and up",
                rest=", ".join(clauses),
            )
        )
    return [*sentences, *faults]


def _highest(writer: Writer, *, story: Story) -> str:
    """Say where the verdict ends, empty where that is with the last band."""
    if BANDS[-1].name not in story.untested:
        return ""
    return f"to {frequency(writer.analysis.sweep_range_hz[1])}"


def _main_verdict(writer: Writer, *, story: Story) -> str:
    worst, gain = story.worst_loss, story.largest_gain
    if worst is None and gain is None:
        return writer.say(
            "in-short/holds",
            lowest=writer.quote("test.lowest"),
            highest=_highest(writer, story=story) or "up",
            tested=tested(writer),
            top=writer.quote("test.top"),
        )
    if worst is None and gain is not None:
        wording = "gains-only-at-a-point" if at_a_point(gain) else "gains-only"
        return writer.say(f"in-short/{wording}", **_gain_values(writer, gain))
    assert worst is not None
    told = [one.band for one in story.bands if one.told]
    most = (worst,) if at_a_point(worst) else story.most_behind
    names = named_bands([one.band for one in most], told=told)
    values = {
        "worst_band": names,
        "worst_verb": verb_of(most, names=names, one="arrives", many="arrive"),
        "worst_level": decibels(worst.level_db),
        "shortfall": ("up to " if len(most) > 1 else "") + writer.of(worst, "shortfall"),
        "u95": writer.of(max(most, key=lambda one: one.u95_db or 0.0), "u95"),
        "point_loss": writer.of(worst, "worst"),
        "point_at": writer.worst_at(worst),
    }
    if at_a_point(worst):
        return writer.say("in-short/local-only", **values)
    first = story.gives_first
    first_level = first[0].level_db
    first_bands = named_bands([one.band for one in first], told=told)
    below = [level for level in story.levels_db if level < first_level]
    if not below:
        return writer.say(
            "in-short/gives-from-the-start",
            does="may" if all(may_lose(one) for one in first) else "does",
            first_level=decibels(first_level),
            **values,
        )
    values["holds_to"] = decibels(below[-1])
    if first_level == worst.level_db:
        return writer.say("in-short/gives-once", **values)
    if first_bands == names:
        values["worst_band"] = verb([one.band for one in first], one="it", many="they")
    return writer.say(
        "in-short/gives-after-holding",
        first_level=decibels(first_level),
        first_bands=first_bands,
        first_verb=verb_of(first, names=first_bands, one="begins", many="begin"),
        **values,
    )


def _gain_values(writer: Writer, gain: BandResult) -> dict[str, str]:
    return {
        "gain_band": spoken(gain.band),
        "gain_verb": verb([gain.band], one="comes out", many="come out"),
        "gain": writer.of(gain, "mean"),
        "gain_point": writer.of(gain, "worst"),
        "gain_level": decibels(gain.level_db),
        "gain_at": writer.worst_at(gain),
    }


BELOW_HZ = BANDS[0].low_hz


def deep_bass(writer: Writer, *, losses_only: bool = False) -> dict[str, str] | None:
    """Return the values of what would be heard below the bands at the loudest level.

    None where nothing would, for certain.
    """
    every = [one for one in writer.analysis.audible if one.test == "short_term"]
    loudest = max((one.level_db for one in every), default=0.0)
    mine = [one for one in every if one.level_db == loudest]
    for part, one in zip(("most", "other"), mine, strict=False):
        if losses_only and one.change_db > 0.0:
            continue
        if math.sqrt(one.low_hz * one.high_hz) < BELOW_HZ and one.heard in WORDS[1:]:
            return heard_values(writer, one, part=part, more_or_less=("short", "too loud"))
    return None
