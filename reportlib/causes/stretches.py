"""Contiguous stretches of frequency that changed, and how each looks."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray
from reportlib.causes.evidence import Edge, Point
from reportlib.grades import mean_u95_db
from reportlib.levels import GRID_PER_OCTAVE, G, moving_octave_mean
from reportlib.model import ChangeCurve, HarmonicCurves

LEAST_DB = 0.3
"""Below this a change is not looked at, however well it is known (a judgement)."""
LEAST_WORST_DB = 0.6
"""A stretch matters where its largest point reaches this, and clears its interval by half."""
LEAST_OCTAVES = 1.0 / 8.0
TERRACE = 2.0
"""A peak this many times as high as the rest of its stretch is a stretch of its own."""
SHARP_OCTAVES = 0.3
"""From three quarters of the change to one: a filter of the fourth order and more (computed)."""
FLATTEST_DB = 2.5
"""The response must differ by so much over a stretch to tell whether a change follows it."""
LEAST_BENDING_DB = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """Where a curve changed one way: `inside` its points, `core` those beyond half its worst."""

    sign: int
    inside: BoolArray
    core: BoolArray
    smooth_db: FloatArray


def octaves_of(low_hz: float, high_hz: float) -> float:
    """Return how many octaves (base ten) lie between two frequencies."""
    return math.log(high_hz / low_hz) / math.log(G)


def runs(curve: ChangeCurve) -> list[Run]:
    """Return the stretches of one curve that changed, the farthest from zero first."""
    smooth = moving_octave_mean(
        curve.change_db, frequency_hz=curve.frequency_hz, octaves=1 / 6, keep=curve.usable
    )
    smooth = np.where(curve.usable, smooth, np.nan)
    found: list[Run] = []
    for sign in (-1, 1):
        with np.errstate(invalid="ignore"):
            beyond = sign * smooth > np.maximum(LEAST_DB, curve.u95_db)
        for part in _contiguous(np.nan_to_num(beyond).astype(bool)):
            found += _terraces(curve, sign=sign, inside=part, smooth=smooth)
    return sorted(found, key=lambda one: -float(np.max(one.sign * one.smooth_db[one.inside])))


def _contiguous(marked: BoolArray) -> list[BoolArray]:
    """Split marked points into runs; a gap of two points does not part them."""
    index = np.flatnonzero(marked)
    if index.size == 0:
        return []
    result = []
    for part in np.split(index, np.flatnonzero(np.diff(index) > 3) + 1):
        mask = np.zeros(marked.shape, dtype=bool)
        mask[part[0] : part[-1] + 1] = True
        result.append(mask)
    return result


def _terraces(curve: ChangeCurve, *, sign: int, inside: BoolArray, smooth: FloatArray) -> list[Run]:
    """Part a peak from the plateau that it stands on, where there is one."""
    inside = inside & np.isfinite(smooth)
    size = np.where(inside, sign * smooth, 0.0)
    if not _matters(curve, inside=inside, size=size):
        return []
    plateau = float(np.median(size[inside]))
    worst = float(size.max())
    high = inside & (size > max(1.5 * plateau, 0.5 * (plateau + worst) * 0.8))
    share = np.count_nonzero(high) / np.count_nonzero(inside)
    if worst > TERRACE * plateau + 0.3 and share < 0.4:
        top = max(_contiguous(high), key=lambda one: float(np.max(size[one])))
        rest = [
            found
            for part in _contiguous(inside & ~_widened(top))
            for found in _terraces(curve, sign=sign, inside=part, smooth=smooth)
        ]
        peak = _run(sign, inside=top & inside, smooth=smooth)
        return [peak, *rest] if _matters(curve, inside=top & inside, size=size) else rest
    return [_run(sign, inside=inside, smooth=smooth)]


def _widened(mask: BoolArray, *, points: int = 6) -> BoolArray:
    """A quarter of an octave more on each side: the flank of a peak belongs to it."""
    return np.convolve(mask, np.ones(2 * points + 1), mode="same") > 0.5


def _matters(curve: ChangeCurve, *, inside: BoolArray, size: FloatArray) -> bool:
    if np.count_nonzero(inside) < LEAST_OCTAVES * GRID_PER_OCTAVE:
        return False
    worst = int(np.argmax(np.where(inside, size, 0.0)))
    top = float(size[worst])
    return top >= LEAST_WORST_DB and top >= 1.5 * float(curve.u95_db[worst])


def _run(sign: int, *, inside: BoolArray, smooth: FloatArray) -> Run:
    size = np.where(inside, sign * smooth, 0.0)
    return Run(sign=sign, inside=inside, core=size > 0.5 * size.max(), smooth_db=smooth)


def mean_over(curve: ChangeCurve, *, mask: BoolArray, fraction: int) -> tuple[float, float] | None:
    """Return a curve's mean over some points with its half-width, None where too few are usable."""
    used = mask & curve.usable & np.isfinite(curve.change_db)
    if np.count_nonzero(used) < max(2, 0.6 * np.count_nonzero(mask)):
        return None
    return float(np.mean(curve.change_db[used])), mean_u95_db(curve, used=used, fraction=fraction)


def points_of(
    curves: Sequence[ChangeCurve], *, run: Run, rises_db: Sequence[float], fraction: int
) -> tuple[Point, ...]:
    """Return a stretch's core at every level where it can be told."""
    found = []
    for curve, rise in zip(curves, rises_db, strict=True):
        mean = mean_over(curve, mask=run.core, fraction=fraction)
        if mean is not None:
            found.append(
                Point(level_db=curve.level_db, rise_db=rise, change_db=mean[0], u95_db=mean[1])
            )
    return tuple(found)


def edges(curve: ChangeCurve, *, run: Run) -> tuple[Edge, Edge]:
    """Return how a stretch ends, below and above."""
    return _edge(curve, run=run, step=-1), _edge(curve, run=run, step=1)


def _edge(curve: ChangeCurve, *, run: Run, step: int) -> Edge:
    size = run.sign * run.smooth_db
    told = np.flatnonzero(np.isfinite(size))
    core = np.flatnonzero(run.core)
    level = float(np.median(size[core]))
    here = int(core[0] if step < 0 else core[-1])
    last = int(told[0] if step < 0 else told[-1])
    high = np.flatnonzero(run.core & (size >= 0.75 * level))
    start = int(high[0] if step < 0 else high[-1]) if high.size else here
    for place in range(here, last + step, step):
        if np.isfinite(size[place]) and size[place] < 0.25 * level:
            return "sharp" if abs(place - start) / GRID_PER_OCTAVE <= SHARP_OCTAVES else "soft"
    return "open"


def unevenness_db(curve: ChangeCurve, *, run: Run) -> float:
    """Return what the points of a stretch differ by, beyond what noise and spread explain."""
    used = run.inside & curve.usable
    values = curve.change_db[used]
    own = np.hypot(curve.budget.noise_db, curve.budget.local_db)[used]
    own = np.hypot(own, curve.budget.gate_db[used])
    return math.sqrt(max(0.0, float(np.var(values)) - float(np.mean(np.square(own)))))


def follows_level(curve: ChangeCurve, *, run: Run, response_db: FloatArray) -> float | None:
    """Return dB more of change for each dB more of the loudspeaker's own response.

    A limiter that foresees the level takes what lies above its threshold (1 − 1/R for each dB),
    whatever the frequency; None where the response is too flat, or the change does not follow.
    """
    used = run.inside & curve.usable & np.isfinite(response_db)
    if np.count_nonzero(used) < GRID_PER_OCTAVE / 2:
        return None
    x, y = response_db[used], run.sign * run.smooth_db[used]
    if float(np.percentile(x, 95) - np.percentile(x, 5)) < FLATTEST_DB:
        return None
    slope, offset = np.polyfit(x, y, 1)
    left = float(np.std(y - slope * x - offset))
    whole = float(np.std(y))
    return float(slope) if whole > 0.1 and left < 0.5 * whole else 0.0


def bending(
    harmonics: Sequence[HarmonicCurves], *, run: Run, level_db: float, loss_db: float
) -> tuple[float | None, bool]:
    """Return the harmonics over the share of the fundamental that is missing, and their rise.

    y = x − b·x³ loses 3b/4 of its fundamental and gains a third harmonic of b/4: a third of what
    is missing; a hard clip gains about as much (Fourier series). Gain that is turned down slowly
    gains none.
    """
    found = {one.level_db: _total(one, run=run) for one in harmonics}
    here = found.get(level_db)
    if here is None or loss_db < LEAST_BENDING_DB:
        return None, False
    missing = 1.0 - 10.0 ** (-loss_db / 20.0)
    below = [level for level, one in found.items() if level < level_db and one is not None]
    grows = False
    if below:
        before = found[max(below)] or 1e-9
        step = level_db - max(below)
        grows = 20.0 * math.log10(here / max(before, 1e-9)) > 1.5 * step
    return here / missing, grows


def _total(one: HarmonicCurves, *, run: Run) -> float | None:
    inside = one.relative_db[:, run.core]
    known = np.isfinite(inside).any(axis=0)
    if np.count_nonzero(known) < 0.5 * known.size:
        return None
    power = np.nansum(10.0 ** (inside[:, known] / 10.0), axis=0)
    return math.sqrt(float(np.median(power)))
