"""The first screen's three lines: what gives first, how loud it is at the seat, what to watch."""

from dataclasses import dataclass

from reportlib.model import BandResult
from reportlib.numbers import duration
from reportlib.words.behind import first_behind
from reportlib.words.deep import deep_bass
from reportlib.words.seat import in_short_at_seat
from reportlib.words.story import Story, at_a_point
from reportlib.words.stress import stress_in_short
from reportlib.words.verdict import named_bands
from reportlib.words.why import gives_first
from reportlib.words.writer import Writer, decibels, spoken


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
        return writer.say(f"in-short/{wording}", top=writer.quote("test.top"))
    most = min(first, key=_mean)
    values = {
        "bands": named_bands(
            [one.band for one in first], told=[one.band for one in story.bands if one.told]
        ),
        "most": spoken(most.band),
        "level": decibels(most.level_db),
        "shortfall": writer.of(most, "shortfall"),
        "u95": writer.of(most, "u95"),
    }
    if all(at_a_point(one) for one in first):
        points = {"point": writer.of(most, "worst"), "at": writer.of(most, "worst-at")}
        return writer.say("in-short/first-at-a-point", **values, **points)
    if len(first) > 1:
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
