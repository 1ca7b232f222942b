"""Captions and alternative texts: what a figure shows, said from the records.

Short sentences that a reader who is not an engineer takes in at once, what was found first.
Units always; "can't tell" is said as such; nothing is claimed, and nothing ranked, that its
interval does not carry. A caption says what to see, an alternative text what is there, for
those who cannot see it. A figure that has nothing to show has neither: both are empty.
"""

from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.numbers import (
    counted,
    db_amount,
    frequency,
    level_text,
    levels_text,
    listed,
    span_text,
)
from reportlib.readings.harmonics import shown_beside, two_levels
from reportlib.readings.ladder import applied_step_db, driven_levels, half_full_db, rungs
from reportlib.readings.stages import after_text, last_curves, last_result, long_term_levels
from reportlib.thresholds import BEHIND_DB
from reportlib.words.caption_parts import (
    after_playing,
    band_by_band,
    by_band,
    farthest,
    given_words,
    grey,
    joined,
    limits_read,
    lower_bound,
    result_words,
    rings,
    standing_out,
    strongest,
    untold,
)


def caption_level_ladder(analysis: Analysis) -> str:
    """Say what stands out, what the boxes are, and what can't be told."""
    every = rungs(analysis)
    if not every:
        return ""
    highest = every[-1]
    half = db_amount(half_full_db(asked_db=highest.asked_db))
    return joined(
        standing_out(every),
        "Each box is one band at one level, filled by the share of the asked-for rise in sound "
        f"power that came out: at {level_text(highest.level_db)}, half full is {half} short. "
        "The number is the band's mean change in dB, bold where its grade is not “holds”.",
        untold(analysis, every),
    )


def alt_level_ladder(analysis: Analysis) -> str:
    """Read the ladder out: its size, then every band at the highest level."""
    every = rungs(analysis)
    if not every:
        return ""
    levels = driven_levels(analysis)
    return joined(
        f"A box for each of {counted(len(BANDS), 'band')} at {counted(len(levels), 'level')}, "
        f"{span_text(levels)}, filled by how much of the asked-for rise came out.",
        band_by_band(every, levels[-1]),
    )


def caption_turned_up(analysis: Analysis) -> str:
    """Say where the loudest line lies farthest off, what the lines are, what is grey."""
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    if not curves:
        return ""
    baseline = level_text(analysis.baseline.level_asked_db)
    return joined(
        farthest(analysis, curves[-1]),
        f"Each line is one level turned up from {baseline}; 0 means as asked, and the soft band "
        "around a line is its 95 % interval.",
        grey(analysis, curves),
        lower_bound(curves),
    )


def alt_turned_up(analysis: Analysis) -> str:
    """Read the lines out: levels and range, then the loudest line band by band."""
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    if not curves:
        return ""
    levels = driven_levels(analysis)
    low, high = analysis.sweep_range_hz
    return joined(
        f"{counted(len(levels), 'line')}, {span_text(levels)}: change in output against what was "
        f"asked for, from {frequency(low)} to {frequency(high)}.",
        farthest(analysis, curves[-1]),
        band_by_band(rungs(analysis), levels[-1]),
    )


def caption_left_playing(analysis: Analysis) -> str:
    """Say what the time played changed at the highest level, what is drawn, what is grey."""
    curves = last_curves(analysis)
    if not curves:
        return ""
    return joined(
        after_playing(analysis, curves[-1]),
        "Above: each band's mean change against before the playing, with its 95 % interval. "
        f"Below: the same over frequency, {after_text(curves)}.",
        grey(analysis, curves),
    )


def alt_left_playing(analysis: Analysis) -> str:
    """Read the last stage of the highest long-term level out, band by band."""
    curves = last_curves(analysis)
    if not curves:
        return ""
    levels = long_term_levels(analysis)
    last = curves[-1]
    told = [
        (band.name, result_words(last_result(analysis, band=band.name, curve=last)))
        for band in BANDS
    ]
    return joined(
        "Change in output against before the playing, by band over time and over frequency, for "
        f"{counted(len(levels), 'level')}, {span_text(levels)}.",
        f"At {level_text(last.level_db)} {after_text([last])}: {by_band(told)}.",
    )


def caption_distortion(analysis: Analysis) -> str:
    """Say where the strongest harmonic stands, and what is drawn."""
    shown = two_levels(analysis)
    if not shown:
        return ""
    levels = levels_text([curves.level_db for curves in shown])
    return joined(
        strongest(shown[-1]),
        f"Above: harmonics 2 to 5 at {levels}, each against the tone that makes it. Below: the "
        "change in output at the same level. Where both stand out at one frequency, they may "
        "have one cause.",
        grey(analysis, shown_beside(analysis, shown)),
    )


def alt_distortion(analysis: Analysis) -> str:
    """Read the strongest harmonic of each level out."""
    shown = two_levels(analysis)
    if not shown:
        return ""
    return joined(
        "Harmonics 2 to 5, and below them the change in output, over frequency.",
        *(strongest(curves) for curves in shown),
    )


def caption_asked_and_given(analysis: Analysis) -> str:
    """Say what stands out, how the picture reads, and what can't be told."""
    every = rungs(analysis)
    if not every:
        return ""
    return joined(
        standing_out(every),
        "Across: how far the volume was turned up. Up: how far the output rose. On the "
        "highest diagonal all of it came out; the two below it are "
        f"{level_text(BEHIND_DB[0])} and {level_text(BEHIND_DB[1])} less.",
        rings(analysis),
        untold(analysis, every),
    )


def alt_asked_and_given(analysis: Analysis) -> str:
    """Read out what each band gave at the highest level."""
    every = rungs(analysis)
    if not every:
        return ""
    highest = driven_levels(analysis)[-1]
    asked = db_amount(applied_step_db(analysis, highest))
    given = [given_words(rung) for rung in every if rung.level_db == highest]
    return joined(
        f"Turned up by {asked}, to {level_text(highest)}: {listed(given)}.", limits_read(analysis)
    )
