"""Captions and alternative texts: what a figure shows, said from the records.

Short sentences that a reader who is not an engineer takes in at once, what was found first.
Units always; "can't tell" is said as such; nothing is claimed, and nothing ranked, that its
interval does not carry. A caption says what to see, an alternative text what is there, for
those who cannot see it. A figure that has nothing to show has neither: both are empty.

Every wording is a block, ``caption_…`` or ``alt_…`` and their parts, of the file of the slot under
which the figure stands (parts that several slots share: ``figures``); here it is decided which, and
what is handed in. `said` fills one in.
"""

from collections.abc import Sequence

import numpy as np

from reportlib.judge.records import Analysis, BandResult
from reportlib.judge.thresholds import MEAN_LIMITS_DB
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
from reportlib.write.readings_curves import stretches, why_band
from reportlib.write.readings_sweeps import (
    Rung,
    after_text,
    driven_levels,
    last_curves,
    last_result,
    long_term_levels,
    ordinal,
    rungs,
    shown_beside,
    two_levels,
)
from reportlib.write.writer import Said


def caption_level_ladder(analysis: Analysis, *, said: Said) -> str:
    """Say what the boxes are, and what can't be told; what they show, the verdict says."""
    every = rungs(analysis)
    if not every:
        return ""
    interval = _within([one.u95_db for one in every if one.change_db is not None])
    return said(
        "in-short/caption-level-ladder",
        interval=f"({interval})" if interval else "",
        untold=untold(analysis, every, said=said),
    )


def alt_level_ladder(analysis: Analysis, *, said: Said) -> str:
    """Read the ladder out: its size, then every band at the highest level."""
    every = rungs(analysis)
    if not every:
        return ""
    levels = driven_levels(analysis)
    return said(
        "in-short/alt-level-ladder",
        bands=counted(len({one.band for one in every}), "band"),
        levels=counted(len(levels), "level"),
        span=span_text(levels),
        band_by_band=band_by_band(every, levels[-1], said=said),
    )


def caption_turned_up(analysis: Analysis, *, said: Said) -> str:
    """Say what the lines are, how well bands are told, and what is grey."""
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    if not curves:
        return ""
    return said(
        "turned-up/caption-turned-up",
        told=told_over(analysis, curves, said=said),
        grey=grey(analysis, curves, said=said),
        lower_bound=said("turned-up/lower-bound") if any(one.lower_bound for one in curves) else "",
    )


def alt_turned_up(analysis: Analysis, *, said: Said) -> str:
    """Read the lines out: levels and range, then the loudest line band by band."""
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    if not curves:
        return ""
    levels = driven_levels(analysis)
    low, high = analysis.sweep_range_hz
    return said(
        "turned-up/alt-turned-up",
        lines=counted(len(levels), "line"),
        span=span_text(levels),
        low=frequency(low),
        high=frequency(high),
        farthest=farthest(analysis, curves[-1], said=said),
        band_by_band=band_by_band(rungs(analysis), levels[-1], said=said),
    )


def caption_left_playing(analysis: Analysis, *, said: Said) -> str:
    """Say what is drawn, how well it is told, and what is grey."""
    curves = last_curves(analysis)
    if not curves:
        return ""
    return said(
        "left-playing/caption-left-playing",
        told=told_over(analysis, curves, said=said),
        after=after_text(curves),
        grey=grey(analysis, curves, said=said),
    )


def alt_left_playing(analysis: Analysis, *, said: Said) -> str:
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
    return said(
        "left-playing/alt-left-playing",
        levels=counted(len(levels), "level"),
        span=span_text(levels),
        loudest=level_text(last.level_db),
        after=after_text([last]),
        bands=by_band(told, said=said),
    )


def caption_distortion(analysis: Analysis, *, said: Said) -> str:
    """Say where the strongest harmonic stands, and what is drawn."""
    shown = two_levels(analysis)
    if not shown:
        return ""
    return said(
        "turned-up/caption-distortion",
        strongest=strongest(shown[-1], said=said),
        levels=levels_text([curves.level_db for curves in shown]),
        floor=said("turned-up/noise-floor"),
        grey=grey(analysis, shown_beside(analysis, shown), said=said),
    )


def alt_distortion(analysis: Analysis, *, said: Said) -> str:
    """Name the strongest harmonic of each level drawn."""
    shown = two_levels(analysis)
    if not shown:
        return ""
    return said(
        "turned-up/alt-distortion",
        strongest=" ".join(strongest(curves, said=said) for curves in shown),
    )


_WORTH_NAMING_DB = MEAN_LIMITS_DB[0]
"""Smaller differences at a single frequency are within what bands call "holds"."""


def standing_out(every: Sequence[Rung], *, said: Said) -> str:
    """Name the largest shortfall and the largest excess that their intervals carry.

    Named, not ranked: a neighbour may lie within the same interval.
    """
    told = [(rung, rung.change_db) for rung in every if rung.change_db is not None]
    if not told:
        return said("figures/no-band-told")
    clear = [(rung, db) for rung, db in told if rung.clear and _worth_naming(db)]
    found = []
    for side in (-1.0, 1.0):
        named = [(side * db, rung.level_db, rung) for rung, db in clear if side * db > 0.0]
        if named:
            found.append(_rung_sentence(max(named, key=lambda one: one[:2])[2], said=said))
    highest = level_text(max(rung.level_db for rung, _ in told))
    return " ".join(found) or said("figures/nothing-stands-out", highest=highest)


def _worth_naming(change_db: float) -> bool:
    """Judge by the number as it is written, so that words and picture agree."""
    return round(abs(change_db), 1) >= _WORTH_NAMING_DB


def _rung_sentence(rung: Rung, *, said: Said) -> str:
    return said(
        "figures/stands-out",
        band=sentence(rung.band),
        level=level_text(rung.level_db),
        verb=comes_out(rung.band),
        change=change_words(rung.change_db or 0.0, u95_db=rung.u95_db),
        interval=interval(rung.u95_db),
    )


def interval(u95_db: float) -> str:
    """Write a 95 % half-width in brackets, nothing where there is none."""
    return "" if u95_db == 0.0 else f"(± {u95_text(u95_db)})"


def untold(analysis: Analysis, every: Sequence[Rung], *, said: Said) -> str:
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
        names = said("figures/every-band") if len(bands) == len(BANDS) else listed(bands)
        if len(levels) < levels_count:
            names = said("figures/bands-at", bands=names, levels=levels_text(levels))
        parts.append(f"{names} ({why})")
    return said("figures/cant-tell", parts="; ".join(parts)) if parts else ""


def band_by_band(every: Sequence[Rung], level_db: float, *, said: Said) -> str:
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
    bands = by_band(told, said=said)
    return said("figures/band-by-band", level=level_text(level_db), bands=bands)


def by_band(told: Sequence[tuple[str, str]], *, said: Said) -> str:
    """List bands and words; where all say the same, say it once."""
    if len({words for _, words in told}) == 1:
        return f"{said('figures/every-band')} {told[0][1]}"
    return listed([f"{band} {words}" for band, words in told])


def farthest(analysis: Analysis, curve: ChangeCurve, *, said: Said) -> str:
    """Say where a curve lies farthest off what was asked, where that is clear.

    From the bands' worst points, which allow for being the worst of many.
    """
    level = level_text(curve.level_db)
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
        return said("figures/no-band-told-at", level=level)
    clear = [
        (db, hz)
        for db, hz in found
        if _worth_naming(db) and abs(db) > _u95_near(curve, frequency_hz=hz)
    ]
    if not clear:
        return said("turned-up/farthest-none", level=level)
    db, hz = max(clear, key=lambda point: abs(point[0]))
    return said(
        "turned-up/farthest-less" if db < 0.0 else "turned-up/farthest-more",
        level=level,
        frequency=frequency(hz),
        amount=db_amount(db),
    )


def _u95_near(curve: ChangeCurve, *, frequency_hz: float) -> float:
    nearest = int(np.argmin(np.abs(np.log(curve.frequency_hz / frequency_hz))))
    return float(curve.u95_db[nearest])


def told_to(halves: Sequence[float | None], *, said: Said) -> str:
    """Say how well bands are told, as far as it is known."""
    interval = _within(halves)
    return said("figures/told-to", within=interval) if interval else ""


def _within(halves: Sequence[float | None]) -> str:
    """Give the least and the largest of some 95 % half-widths: ``"± 0.1 to 0.2 dB"``."""
    known = [one for one in halves if one is not None]
    if not known:
        return ""
    least, most = u95_text(min(known)), u95_text(max(known))
    return f"± {most}" if least == most else f"± {least.removesuffix(' dB')} to {most}"


def told_over(analysis: Analysis, curves: Sequence[ChangeCurve], *, said: Said) -> str:
    """Give how well the bands of these curves are told."""
    of = {(curve.test, curve.level_db, curve.elapsed_s) for curve in curves}
    results = [one for one in analysis.bands if (one.test, one.level_db, one.elapsed_s) in of]
    return told_to([one.u95_db for one in results], said=said)


def result_words(result: BandResult | None) -> str:
    """Say a long-term band in words."""
    if result is None or result.mean_db is None or result.grade == "can't tell":
        return "can't tell"
    return change_words(result.mean_db, u95_db=result.u95_db or 0.0, against="before")


def grey(analysis: Analysis, curves: Sequence[ChangeCurve], *, said: Said) -> str:
    """Say what is greyed out, and why."""
    parts = [
        f"{hz_range_text(stretch.low_hz, stretch.high_hz)} ({stretch.words})"
        for stretch in stretches(curves, range_hz=analysis.sweep_range_hz)
    ]
    return said("figures/grey", parts="; ".join(parts)) if parts else ""


def strongest(harmonics: HarmonicCurves, *, said: Said) -> str:
    """Name the strongest harmonic of a level inside the graded bands, and where.

    Where none is told from noise, what all of them lie below, rounded up.
    """
    low, high = BANDS[0].low_hz, BANDS[-1].high_hz
    inside = (harmonics.frequency_hz >= low) & (harmonics.frequency_hz <= high)
    shown = inside & np.isfinite(harmonics.relative_db)
    level = level_text(harmonics.level_db)
    if not shown.any():
        most_db = float(np.nanmax(harmonics.at_most_db[:, inside], initial=-np.inf))
        if not np.isfinite(most_db):
            return said("turned-up/strongest-untold", level=level)
        share = share_text(1.05 * 10.0 ** (most_db / 20.0))
        return said("turned-up/strongest-below", level=level, share=share)
    values = np.where(shown, harmonics.relative_db, -np.inf)
    row, column = np.unravel_index(int(np.argmax(values)), values.shape)
    share = 10.0 ** (float(values[row, column]) / 20.0)
    return said(
        "turned-up/strongest",
        level=level,
        order=ordinal(harmonics.orders[int(row)]),
        share=share_text(share),
        frequency=frequency(float(harmonics.frequency_hz[column])),
    )
