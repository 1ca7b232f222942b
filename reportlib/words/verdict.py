"""The verdict: the one sentence that a report opens with, and what limits it."""

from collections.abc import Sequence

from reportlib.levels import BANDS
from reportlib.model import BandResult
from reportlib.numbers import frequency, hz_range_text, listed
from reportlib.words.deep import deep_bass
from reportlib.words.story import Story, at_a_point
from reportlib.words.writer import Writer, decibels, spoken, verb


def verdict_sentences(writer: Writer) -> list[str]:
    """Return the verdict, and what limits it."""
    story = writer.short
    told = [one for one in story.bands if one.told]
    if not story.levels_db:
        return [writer.say("in-short/baseline-alone")]
    if len(story.untested) == len(story.bands):
        covered = hz_range_text(*writer.analysis.sweep_range_hz)
        return [writer.say("in-short/no-band-tested", range=covered)]
    if not told:
        return [writer.say("in-short/cant-tell")]
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
    return sentences


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
            top=writer.quote("test.top"),
        )
    if worst is None and gain is not None:
        wording = "gains-only-at-a-point" if at_a_point(gain) else "gains-only"
        return writer.say(f"in-short/{wording}", **_gain_values(writer, gain))
    assert worst is not None
    values = {
        "worst_band": f"the {spoken(worst.band)}",
        "worst_verb": verb([worst.band], one="arrives", many="arrive"),
        "worst_level": decibels(worst.level_db),
        "shortfall": writer.of(worst, "shortfall"),
        "u95": writer.of(worst, "u95"),
        "point_loss": writer.of(worst, "worst"),
        "point_at": writer.of(worst, "worst-at"),
    }
    if at_a_point(worst):
        return writer.say("in-short/local-only", **values)
    first = [one.band for one in story.gives_first]
    first_level = story.gives_first[0].level_db
    below = [level for level in story.levels_db if level < first_level]
    if not below:
        return writer.say(
            "in-short/gives-from-the-start", first_level=decibels(first_level), **values
        )
    values["holds_to"] = decibels(below[-1])
    if first_level == worst.level_db:
        return writer.say("in-short/gives-once", **values)
    if first == [worst.band]:
        values["worst_band"] = verb(first, one="it", many="they")
    return writer.say(
        "in-short/gives-after-holding",
        first_level=decibels(first_level),
        first_bands=named_bands(first, told=[one.band for one in story.bands if one.told]),
        first_verb="begins" if len(first) > 2 else verb(first, one="begins", many="begin"),
        **values,
    )


def named_bands(bands: Sequence[str], *, told: Sequence[str]) -> str:
    """Name several bands: all of them, all but one, or each."""
    others = [band for band in told if band not in bands]
    if len(bands) > 2 and not others:
        return "every band"
    if len(bands) > 2 and len(others) == 1:
        return f"everything but the {spoken(others[0])}"
    return f"the {listed([spoken(band) for band in bands])}"


def _gain_values(writer: Writer, gain: BandResult) -> dict[str, str]:
    return {
        "gain_band": spoken(gain.band),
        "gain_verb": verb([gain.band], one="comes out", many="come out"),
        "gain": writer.of(gain, "mean"),
        "gain_point": writer.of(gain, "worst"),
        "gain_level": decibels(gain.level_db),
        "gain_at": writer.of(gain, "worst-at"),
    }
