"""The narrative of the short-term test: what holds, what falls behind, what comes out louder."""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.model import BandResult
from reportlib.numbers import frequency, hz_range_text, listed
from reportlib.words.behind import behind
from reportlib.words.heard import turned_up_heard
from reportlib.words.story import BandStory, at_a_point
from reportlib.words.writer import Writer, decibels, spoken, verb

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
        one.band for one in story.bands if one.holds and one.holds_to_db == story.levels_db[-1]
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
        for found in _alike([one for bands in changed for one in bands])
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
                why=_why_untold(writer, story.untold),
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


def _alike(changes: Sequence[_Change]) -> list[list[_Change]]:
    """Put together what several bands do alike at one level, each where its first band stands."""
    groups: dict[object, list[_Change]] = {}
    for index, one in enumerate(changes):
        alike = (one.wording, one.worst.level_db) if one.wording in _TOGETHER else index
        groups.setdefault(alike, []).append(one)
    return list(groups.values())


def _together(writer: Writer, changes: Sequence[_Change]) -> str:
    losing = changes[0].wording == "loses"
    worst = [one.worst for one in changes]
    widest = max(worst, key=lambda one: one.u95_db or 0.0)
    by = [
        f"the **{spoken(one.band)}** by {writer.of(one, 'shortfall' if losing else 'mean')} "
        f"(most near {writer.of(one, 'worst-at')})"
        for one in worst
    ]
    return writer.say(
        "turned-up/lose-together" if losing else "turned-up/gain-together",
        level=decibels(worst[0].level_db),
        count=_COUNTED[len(worst)],
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
            at=writer.of(worst, "worst-at"),
            **name,
        )
    return writer.say(
        f"turned-up/{change.wording}",
        verb=verb([worst.band], one="falls behind", many="fall behind"),
        first_level=decibels(first.level_db),
        shortfall=writer.of(first, "shortfall"),
        u95=writer.of(first, "u95"),
        worst_level=decibels(worst.level_db),
        worst_shortfall=writer.of(worst, "shortfall"),
        worst=writer.of(worst, "worst"),
        worst_at=writer.of(worst, "worst-at"),
        **name,
    )


def _why_untold(writer: Writer, bands: Sequence[str]) -> str:
    """Give the most frequent reason of the points in these bands, in words."""
    counted: dict[str, int] = {}
    edges = [(one.low_hz, one.high_hz) for one in writer.analysis.bands if one.band in bands]
    for curve in writer.analysis.short_term:
        for point, reason in enumerate(curve.reason):
            hz = float(curve.frequency_hz[point])
            if reason and any(low <= hz < high for low, high in edges):
                counted[reason] = counted.get(reason, 0) + 1
    if not counted:
        return "the interval allows too many answers"
    most = max(counted, key=lambda reason: counted[reason])
    if most == "gate":
        return f"the gate resolves nothing below {frequency(writer.analysis.lowest_hz)}"
    return {
        "noise": "too much is lost in noise",
        "range": "the sweep did not reach there",
        "gap": "the captures have a gap there",
        "clipped": "the recording clipped",
    }[most]
