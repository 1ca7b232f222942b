"""Captions and alternative texts: what a figure shows, said from the records.

Short sentences that a reader who is not an engineer takes in at once, what was found first.
Units always; "can't tell" is said as such; nothing is claimed, and nothing ranked, that its
interval does not carry. A caption says what to see, an alternative text what is there, for
those who cannot see it. A figure that has nothing to show has neither: both are empty.
"""

from collections.abc import Sequence

import numpy as np

from reportlib.judge.records import Analysis, BandResult
from reportlib.judge.thresholds import BEHIND_DB, MEAN_LIMITS_DB
from reportlib.measure.levels import BANDS
from reportlib.measure.records import ChangeCurve, HarmonicCurves
from reportlib.numbers import (
    change_words,
    comes_out,
    counted,
    db_amount,
    frequency,
    hz_range_text,
    level_text,
    levels_text,
    listed,
    sentence,
    share_text,
    span_text,
    u95_text,
)
from reportlib.write.facts import collect
from reportlib.write.readings_curves import stretches, why_band
from reportlib.write.readings_sweeps import (
    Rung,
    after_text,
    applied_step_db,
    driven_levels,
    half_full_db,
    last_curves,
    last_result,
    limit_text,
    long_term_levels,
    marked_limits,
    ordinal,
    rungs,
    shown_beside,
    two_levels,
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


_WORTH_NAMING_DB = MEAN_LIMITS_DB[0]
"""Smaller differences at a single frequency are within what bands call "holds"."""


def joined(*sentences: str) -> str:
    """Return sentences in one line, without those that are empty."""
    return " ".join(part for part in sentences if part)


def standing_out(every: Sequence[Rung]) -> str:
    """Name the largest shortfall and the largest excess that their intervals carry.

    Named, not ranked: a neighbour may lie within the same interval.
    """
    told = [(rung, rung.change_db) for rung in every if rung.change_db is not None]
    if not told:
        return "No band can be told."
    clear = [(rung, db) for rung, db in told if rung.clear and _worth_naming(db)]
    found = []
    for side in (-1.0, 1.0):
        named = [(side * db, rung.level_db, rung) for rung, db in clear if side * db > 0.0]
        if named:
            found.append(_rung_sentence(max(named, key=lambda one: one[:2])[2]))
    highest = level_text(max(rung.level_db for rung, _ in told))
    least = db_amount(_WORTH_NAMING_DB)
    return joined(*found) or (
        f"Up to {highest} no band that can be told is clearly {least} or more off what was asked."
    )


def _worth_naming(change_db: float) -> bool:
    """Judge by the number as it is written, so that words and picture agree."""
    return round(abs(change_db), 1) >= _WORTH_NAMING_DB


def _rung_sentence(rung: Rung) -> str:
    words = change_words(rung.change_db or 0.0, u95_db=rung.u95_db)
    return (
        f"{sentence(rung.band)} at {level_text(rung.level_db)} {comes_out(rung.band)} {words}"
        f"{interval(rung.u95_db)}."
    )


def interval(u95_db: float) -> str:
    """Write a 95 % half-width in brackets, nothing where there is none."""
    return "" if u95_db == 0.0 else f" (± {u95_text(u95_db)})"


def untold(analysis: Analysis, every: Sequence[Rung]) -> str:
    """Say what the question marks stand for: bands that share levels and reason together."""
    curve_of = {curve.level_db: curve for curve in analysis.short_term}
    levels_count = len({rung.level_db for rung in every})
    groups: dict[tuple[str, tuple[float, ...]], list[str]] = {}
    for band in BANDS:
        missing = [rung for rung in every if rung.band == band.name and rung.change_db is None]
        if missing:
            # The loudest of them: what hides it hides the quieter ones too.
            why = why_band(missing[-1].result, curve=curve_of[missing[-1].level_db], band=band)
            levels = tuple(rung.level_db for rung in missing)
            groups.setdefault((why, levels), []).append(band.name)
    parts = []
    for (why, levels), bands in groups.items():
        where = "" if len(levels) == levels_count else f" at {levels_text(levels)}"
        names = "every band" if len(bands) == len(BANDS) else listed(bands)
        parts.append(f"{names}{where} ({why})")
    return f"Can't tell: {'; '.join(parts)}." if parts else ""


def band_by_band(every: Sequence[Rung], level_db: float) -> str:
    """Read out one level."""
    told = [
        (
            rung.band,
            "can't tell"
            if rung.change_db is None
            else change_words(rung.change_db, u95_db=rung.u95_db),
        )
        for rung in every
        if rung.level_db == level_db
    ]
    return f"At {level_text(level_db)}: {by_band(told)}."


def by_band(told: Sequence[tuple[str, str]]) -> str:
    """List bands and words; where all say the same, say it once."""
    if len({words for _, words in told}) == 1:
        return f"every band {told[0][1]}"
    return listed([f"{band} {words}" for band, words in told])


def given_words(rung: Rung) -> str:
    """Say how far a band's output rose."""
    if rung.given_db is None:
        return f"{rung.band} can't tell"
    verb = "rose" if rung.given_db >= 0.0 else "fell"
    return f"{rung.band} {verb} {db_amount(rung.given_db, u95_db=rung.u95_db)}"


def farthest(analysis: Analysis, curve: ChangeCurve) -> str:
    """Say where a curve lies farthest off what was asked, where that is clear.

    From the bands' worst points, which allow for being the worst of many.
    """
    at = f"At {level_text(curve.level_db)}"
    found = [
        (result.worst_db, result.worst_hz)
        for result in analysis.bands
        if result.test == curve.test
        and result.level_db == curve.level_db
        and result.elapsed_s == curve.elapsed_s
        and result.worst_db is not None
        and result.worst_hz is not None
        and result.grade != "can't tell"
    ]
    if not found:
        return f"{at} no band can be told."
    clear = [
        (db, hz)
        for db, hz in found
        if _worth_naming(db) and abs(db) > _u95_near(curve, frequency_hz=hz)
    ]
    if not clear:
        return (
            f"{at} no point that can be told is clearly {db_amount(_WORTH_NAMING_DB)} or more "
            "off what was asked."
        )
    db, hz = max(clear, key=lambda point: abs(point[0]))
    more_or_less = "less" if db < 0.0 else "more"
    return (
        f"{at} the output near {frequency(hz)} is about {db_amount(db)} {more_or_less} than asked."
    )


def _u95_near(curve: ChangeCurve, *, frequency_hz: float) -> float:
    nearest = int(np.argmin(np.abs(np.log(curve.frequency_hz / frequency_hz))))
    return float(curve.u95_db[nearest])


def after_playing(analysis: Analysis, curve: ChangeCurve) -> str:
    """Name the largest clear change after the last stage of a level."""
    results = [last_result(analysis, band=band.name, curve=curve) for band in BANDS]
    told = [
        (result, result.mean_db)
        for result in results
        if result is not None and result.mean_db is not None and result.grade != "can't tell"
    ]
    at = f"{sentence(after_text([curve]))} at {level_text(curve.level_db)}"
    if not told:
        return f"{at} no band can be told."
    most, mean_db = max(told, key=lambda pair: abs(pair[1]))
    u95_db = most.u95_db or 0.0
    if abs(mean_db) <= u95_db:
        return f"{at} no band has clearly changed."
    words = f"{comes_out(most.band)} {result_words(most)}"
    return f"{at} the {most.band} {words}{interval(u95_db)}."


def result_words(result: BandResult | None) -> str:
    """Say a long-term band in words."""
    if result is None or result.mean_db is None or result.grade == "can't tell":
        return "can't tell"
    return change_words(result.mean_db, u95_db=result.u95_db or 0.0, against="before")


def grey(analysis: Analysis, curves: Sequence[ChangeCurve]) -> str:
    """Say what is greyed out, and why."""
    parts = [
        f"{hz_range_text(stretch.low_hz, stretch.high_hz)} ({stretch.words})"
        for stretch in stretches(curves, range_hz=analysis.sweep_range_hz)
    ]
    return f"Grey, can't tell: {'; '.join(parts)}." if parts else ""


def lower_bound(curves: Sequence[ChangeCurve]) -> str:
    """Say what dashed lines are."""
    if any(curve.source == "text" for curve in curves):
        return "Dashed: read from text files without noise, so the interval is a lower bound."
    return ""


def rings(analysis: Analysis) -> str:
    """Say what the rings stand for, where there are any."""
    if not any(marked_limits(analysis, band=band.name) for band in BANDS):
        return ""
    return (
        f"A ring marks the level where a band is first {level_text(BEHIND_DB[0])} or "
        f"{level_text(BEHIND_DB[1])} behind, the stroke through it "
        "how surely that is known."
    )


def limits_read(analysis: Analysis) -> str:
    """Read the limits out that the picture marks."""
    facts = collect(analysis)
    parts = [
        f"{band.name} {limit.threshold_db:g} dB behind: {limit_text(limit, facts=facts)}"
        for band in BANDS
        for limit in marked_limits(analysis, band=band.name)
    ]
    return f"{sentence(listed(parts))}." if parts else ""


def strongest(harmonics: HarmonicCurves) -> str:
    """Name the strongest harmonic of a level inside the graded bands, and where."""
    low, high = BANDS[0].low_hz, BANDS[-1].high_hz
    inside = (harmonics.frequency_hz >= low) & (harmonics.frequency_hz <= high)
    shown = inside & np.isfinite(harmonics.relative_db)
    at = f"At {level_text(harmonics.level_db)}"
    if not shown.any():
        return f"{at} no harmonic can be told."
    values = np.where(shown, harmonics.relative_db, -np.inf)
    row, column = np.unravel_index(int(np.argmax(values)), values.shape)
    share = 10.0 ** (float(values[row, column]) / 20.0)
    return (
        f"{at} the strongest harmonic, the {ordinal(harmonics.orders[int(row)])}, reaches about "
        f"{share_text(share)} near {frequency(float(harmonics.frequency_hz[column]))}."
    )
