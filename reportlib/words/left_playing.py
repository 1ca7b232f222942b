"""The narrative of the long-term test: as heard while it played, else as the sweeps saw it."""

from collections.abc import Sequence

from reportlib.model import BandResult
from reportlib.numbers import duration, listed
from reportlib.words.heard import left_playing_heard
from reportlib.words.story import is_gain, is_loss
from reportlib.words.stress import played_paragraphs
from reportlib.words.writer import Writer, decibels, spoken


def left_playing(writer: Writer) -> str:
    """Return the slot's Markdown, quietest level first."""
    entries = writer.analysis.session.long_term
    if not entries:
        return writer.page(
            "left-playing", intro=writer.say("left-playing/not-tested"), paragraphs=[]
        )
    longest = max(entry.elapsed_s(len(entry.stages) - 1) for entry in entries)
    heard = {entry.level_db: played_paragraphs(writer, entry.level_db) for entry in entries}
    recorded = [decibels(level_db) for level_db, found in heard.items() if found is not None]
    wording = "while-playing" if len(recorded) == len(entries) else "while-playing-some"
    intro = writer.say(
        f"left-playing/{wording}" if recorded else "left-playing/intro",
        elapsed=duration(longest),
        levels=listed([decibels(entry.level_db) for entry in entries]),
        recorded=listed(recorded),
    )
    told: list[tuple[list[str], list[str]]] = []
    for level_db, found in heard.items():
        level = decibels(level_db)
        if found is None:
            sentences = [_by_sweeps(writer, level_db)]
            if recorded:
                sentences.insert(0, writer.say("left-playing/not-recorded", level=level))
            found = [" ".join(sentences)]
        told.append(([level], found))
    paragraphs = [one for _, found in _alike(told) for one in found]
    return writer.page("left-playing", intro=intro, paragraphs=paragraphs)


def _alike(told: Sequence[tuple[list[str], list[str]]]) -> list[tuple[list[str], list[str]]]:
    """Say once what two levels in turn have in common: a sentence that quotes nothing."""
    found: list[tuple[list[str], list[str]]] = []
    for levels, said in told:
        if found and len(said) == 1 and "](#" not in said[0]:
            before, there = found[-1]
            rest = said[0].removeprefix(f"At {levels[0]}")
            start = f"At {listed(before)}"
            if len(there) == 1 and there[0] == start + rest:
                both = [*before, *levels]
                found[-1] = (both, [f"At {listed(both)}{rest}"])
                continue
        found.append((levels, said))
    return found


def _by_sweeps(writer: Writer, level_db: float) -> str:
    """Say what the sweep after a level's last stage saw."""
    level = decibels(level_db)
    last = {
        one.band: one
        for one in writer.analysis.bands
        if one.test == "long_term" and one.level_db == level_db
    }
    told = [one for one in last.values() if one.grade != "can't tell"]
    if not told:
        return writer.say("left-playing/cant-tell", level=level)
    lower = [one for one in told if is_loss(one)]
    higher = [one for one in told if is_gain(one)]
    sentences = [
        _changed(writer, f"left-playing/{wording}", results=results, part=part)
        for wording, results, part in (("loses", lower, "shortfall"), ("gains", higher, "mean"))
        if results
    ]
    heard = left_playing_heard(writer, level_db=level_db, changed=bool(sentences))
    sentences = sentences or [writer.say("left-playing/holds", level=level)]
    return " ".join(filter(None, (*sentences, heard)))


def _changed(writer: Writer, wording: str, *, results: Sequence[BandResult], part: str) -> str:
    """Say which bands came back lower (or higher) after the last stage, the most first."""
    ordered = sorted(results, key=lambda one: -abs(one.mean_db or 0.0))
    widest = max(ordered, key=lambda one: one.u95_db or 0.0)
    return writer.say(
        wording,
        level=decibels(ordered[0].level_db),
        elapsed=duration(ordered[0].elapsed_s),
        changes=listed(
            [f"the **{spoken(one.band)}** by {writer.of(one, part)}" for one in ordered]
        ),
        u95=writer.of(widest, "u95"),
    )
