"""From an `Analysis` to the evidence that rules look at. Pure selection and small sums."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from reportlib.judge.causes.evidence import (
    Evidence,
    Missing,
    Overloaded,
    Point,
    Ripple,
    Run,
    Stretch,
    bending,
    edges,
    follows_level,
    mean_over,
    octaves_of,
    points_of,
    runs,
    unevenness_db,
)
from reportlib.judge.causes.growth import (
    coils_of,
    growth,
    late_share,
    level_law,
    timing,
    while_playing,
)
from reportlib.judge.records import Analysis
from reportlib.measure.levels import GRID_PER_OCTAVE, G, moving_octave_mean
from reportlib.measure.records import ChangeCurve
from reportlib.session.records import BoolArray, FloatArray

ALREADY = 0.5
"""Share of a stretch that a louder level already has: then it is the same stretch."""
HINT_DB = 0.3
FLAT, PEAK = 0.75, 0.85
"""Of the largest change: what counts as staying so, and as where most is missing."""
RIPPLE_OCTAVES = 1.0
MIDS_HZ = (300.0, 2000.0)


def evidence_of(analysis: Analysis) -> Evidence:
    """Distil what rules may look at."""
    short, long = analysis.short_term, _last_stages(analysis.long_term)
    told = [curve for curve in short if curve.usable.any()]
    low, high = _range(told[-1]) if told else (math.nan, math.nan)
    session = analysis.session
    counts = session.reference_counts
    place: Literal["terminals", "loop-back", ""] = ""
    if counts and session.rig.reference_at is not None:
        place = session.rig.reference_at
    return Evidence(
        drive=session.speaker.drive,
        crossovers_hz=session.speaker.crossovers_hz,
        enclosure=session.speaker.enclosure,
        tuning_hz=session.speaker.tuning_hz,
        reference=place,
        levels_db=tuple(curve.level_db for curve in told),
        long_levels_db=tuple(curve.level_db for curve in long if curve.usable.any()),
        lowest_hz=low,
        highest_hz=high,
        short=_stretches(analysis, short),
        long=_stretches(analysis, long),
        playing=while_playing(analysis.playing),
        coils=coils_of(analysis.playing),
        law=level_law(
            short, rises_db=_rises(analysis, short), response_db=analysis.baseline.level_db
        ),
        missing=tuple(
            Missing(
                level_db=step.level_db,
                missing_db=step.asked_db - step.measured_db,
                u95_db=step.u95_db,
            )
            for step in analysis.drive_steps
            if step.measured_db is not None
        ),
        ripples=tuple(one for curve in (*short, *long) for one in _ripples(curve)),
        mids=_mids(analysis, long),
        hints=any(
            abs(one.mean_db) > max(one.u95_db, HINT_DB)
            for one in analysis.bands
            if one.mean_db is not None and one.u95_db is not None
        ),
        drift_db=_drift_db(analysis),
        severe=frozenset(one.code for one in analysis.quality if one.severity != "note"),
        overloaded=_overloaded(short),
    )


def _overloaded(curves: Sequence[ChangeCurve]) -> Overloaded | None:
    marked = [
        (curve, np.isin(curve.reason, ("clipped", "overload")) & np.isfinite(curve.change_db))
        for curve in curves
    ]
    marked = [(curve, points) for curve, points in marked if points.any()]
    if not marked:
        return None
    hz = np.concatenate([curve.frequency_hz[points] for curve, points in marked])
    half = G ** (0.5 / GRID_PER_OCTAVE)
    return Overloaded(
        low_hz=float(hz.min()) / half,
        high_hz=float(hz.max()) * half,
        levels_db=tuple(curve.level_db for curve, _ in marked),
        worst_db=min(float(curve.change_db[points].min()) for curve, points in marked),
    )


def _last_stages(curves: Sequence[ChangeCurve]) -> tuple[ChangeCurve, ...]:
    """The last stage of every long-term level, quietest first."""
    last = {curve.level_db: curve for curve in curves}
    return tuple(last[level] for level in sorted(last))


def _range(curve: ChangeCurve) -> tuple[float, float]:
    used = curve.frequency_hz[curve.usable]
    return float(used[0]), float(used[-1])


def _stretches(analysis: Analysis, curves: Sequence[ChangeCurve]) -> tuple[Stretch, ...]:
    """Every stretch once, described at the loudest level that shows it; the largest first."""
    found: list[tuple[Stretch, BoolArray]] = []
    for curve in reversed(curves):
        for run in runs(curve):
            core = run.core
            if any(
                np.count_nonzero(core & mask) > ALREADY * np.count_nonzero(core)
                and one.sign == run.sign
                for one, mask in found
            ):
                continue
            found.append((_stretch(analysis, curve, curves=curves, run=run), run.inside))
    result = [one for one, _ in found]
    return tuple(sorted(result, key=lambda one: -abs(one.worst_db) * math.sqrt(one.octaves)))


def _stretch(
    analysis: Analysis, curve: ChangeCurve, *, curves: Sequence[ChangeCurve], run: Run
) -> Stretch:
    fraction = analysis.smoothing_fraction
    rises_db = _rises(analysis, curves)
    points = points_of(curves, run=run, rises_db=rises_db, fraction=fraction)
    grown, onset, last_slope = growth(points)
    mean = mean_over(curve, mask=run.inside, fraction=fraction)
    mean_db, u95_db = mean if mean is not None else (math.nan, math.nan)
    hz = curve.frequency_hz[run.inside]
    low_edge, high_edge = edges(curve, run=run)
    size = np.where(run.inside, run.sign * run.smooth_db, -np.inf)
    bent, bending_grows = (
        bending(
            analysis.harmonics,
            run=run,
            level_db=curve.level_db,
            loss_db=-_mean(run.smooth_db, run.core),
        )
        if curve.test == "short_term"
        else (None, False)
    )
    peak = replace(run, core=size > PEAK * size.max())
    base = analysis.baseline
    return Stretch(
        test=curve.test,
        sign=run.sign,
        low_hz=float(hz[0]),
        high_hz=float(hz[-1]),
        worst_hz=float(curve.frequency_hz[int(np.argmax(size))]),
        octaves=octaves_of(float(hz[0]), float(hz[-1])) + 1.0 / GRID_PER_OCTAVE,
        core_octaves=np.count_nonzero(run.core) / GRID_PER_OCTAVE,
        level_db=curve.level_db,
        elapsed_s=curve.elapsed_s,
        mean_db=mean_db,
        worst_db=run.sign * float(size.max()),
        u95_db=u95_db,
        points=points,
        growth=grown,
        onset_db=onset,
        last_slope=last_slope,
        peak_slope=growth(points_of(curves, run=peak, rises_db=rises_db, fraction=fraction))[2],
        low_edge=low_edge,
        high_edge=high_edge,
        at_low_end=float(size[run.inside][0] / size.max()),
        flat_octaves=float(np.argmax(np.append(size[run.inside] < FLAT * size.max(), True)))
        / GRID_PER_OCTAVE,
        unevenness_db=unevenness_db(curve, run=run),
        follows_level=follows_level(curve, run=run, response_db=base.level_db),
        bending=bent,
        bending_grows=bending_grows,
        snr_db=float(np.nanmedian(base.snr_db[run.core])),
        drift_db=float(np.median(np.sqrt(3.0) * curve.budget.drift_db[run.core])),
        late_share=late_share(analysis, run=run, level_db=curve.level_db)
        if curve.test == "long_term"
        else None,
        timing=timing(analysis, run=run, points=points, test=curve.test),
    )


def _mean(values: FloatArray, mask: BoolArray) -> float:
    return float(np.nanmean(values[mask]))


def _rises(analysis: Analysis, curves: Sequence[ChangeCurve]) -> list[float]:
    """How far each level's drive lies over the baseline's."""
    applied = {step.level_db: step.applied_db for step in analysis.drive_steps}
    sweeps = {entry.level_db: entry.sweep_drive_db for entry in analysis.session.long_term}
    base = analysis.session.baseline.level_db
    return [
        applied.get(curve.level_db, curve.level_db - base)
        if curve.test == "short_term"
        else sweeps.get(curve.level_db, curve.level_db - base)
        for curve in curves
    ]


def _ripples(curve: ChangeCurve) -> list[Ripple]:
    """How far a curve goes up and down about its own octave mean, beyond what is not known."""
    hz = curve.frequency_hz
    smooth = moving_octave_mean(curve.change_db, frequency_hz=hz, octaves=1 / 12, keep=curve.usable)
    slow = moving_octave_mean(
        curve.change_db, frequency_hz=hz, octaves=RIPPLE_OCTAVES, keep=curve.usable
    )
    used = curve.usable & np.isfinite(smooth) & np.isfinite(slow)
    if np.count_nonzero(used) < 2 * GRID_PER_OCTAVE:
        return []
    left = (smooth - slow)[used]
    own = np.hypot(curve.budget.noise_db, curve.budget.local_db)[used]
    beyond = math.sqrt(max(0.0, float(np.mean(left**2)) - float(np.mean(own**2))))
    large = left[np.abs(left) > max(0.5 * beyond, 1e-6)]
    turns = np.count_nonzero(np.diff(np.sign(large)) != 0)
    octaves = np.count_nonzero(used) / GRID_PER_OCTAVE
    return [
        Ripple(
            test=curve.test,
            level_db=curve.level_db,
            rms_db=beyond,
            turns_per_octave=turns / octaves,
            low_hz=float(hz[used][0]),
            high_hz=float(hz[used][-1]),
        )
    ]


def _mids(analysis: Analysis, curves: Sequence[ChangeCurve]) -> tuple[Point, ...]:
    """Mean change well above the resonance of the drive unit that has the bass."""
    found = []
    crossovers = analysis.session.speaker.crossovers_hz
    low, high = MIDS_HZ
    if crossovers:  # as far as the drive unit goes that has the bass
        high = min(high, crossovers[0] / 1.2)
    if high < 2.0 * low:
        return ()
    for curve, rise in zip(curves, _rises(analysis, curves), strict=True):
        mask = (curve.frequency_hz >= low) & (curve.frequency_hz < high)
        mean = mean_over(curve, mask=mask, fraction=analysis.smoothing_fraction)
        if mean is not None:
            found.append(
                Point(level_db=curve.level_db, rise_db=rise, change_db=mean[0], u95_db=mean[1])
            )
    return tuple(found)


def _drift_db(analysis: Analysis) -> float:
    """The most that the baseline moved by, over a third of an octave and beyond its interval."""
    largest = 0.0
    for curve in analysis.short_term[-1:]:
        moved = np.sqrt(3.0) * curve.budget.drift_db[curve.usable]
        if moved.size:
            largest = float(np.percentile(moved, 90))
    return largest
