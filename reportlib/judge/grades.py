"""From curves to bands and grades.

A band's number is the mean over log frequency; its worst point is judged after an allowance
for being the worst of so many, since the largest of n values of pure noise is not small. A
grade is given only as far as the intervals carry it.

The limits are judgements, in one place with their sources: `thresholds`.
"""

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from reportlib.judge.records import BandResult, Grade
from reportlib.judge.thresholds import (
    GAIN_LIMITS_DB,
    LARGEST_UNUSABLE_SHARE,
    MEAN_LIMITS_DB,
    TEXT_UNKNOWN_DB,
    WORST_GAIN_LIMITS_DB,
    WORST_LIMITS_DB,
)
from reportlib.measure.levels import BANDS, GRID_PER_OCTAVE, Band, G
from reportlib.measure.records import ChangeCurve
from reportlib.measure.stress.records import Playing, end_of
from reportlib.session.records import BoolArray, FloatArray

LOSS_GRADES: tuple[Grade, ...] = ("holds", "slips", "falls short", "gives out")
GAIN_GRADES: tuple[Grade, ...] = ("holds", "rises", "rises much")


def worst_of_many(count: float) -> float:
    """Return the expected largest magnitude among `count` independent standard normal values.

    The integral of 1 − P(all are smaller), over what "smaller" means.

    >>> round(worst_of_many(31.0), 2)
    2.34
    """
    if count <= 1.0:
        return 0.0
    size = np.linspace(0.0, 9.0, 901)
    return float(np.trapezoid(1.0 - (2.0 * ndtr(size) - 1.0) ** count, size))


def band_results(
    curves: Sequence[ChangeCurve], *, bands: Sequence[Band] = BANDS, fraction: int
) -> tuple[BandResult, ...]:
    """Summarise and grade every band of every curve, in the curves' order.

    Parameters
    ----------
    fraction : smoothing of the curves, as the n of 1/n octave
    """
    return tuple(
        _band_result(curve, band=band, fraction=fraction) for curve in curves for band in bands
    )


def _band_result(curve: ChangeCurve, *, band: Band, fraction: int) -> BandResult:
    inside = band.holds(curve.frequency_hz)
    used = inside & curve.usable
    if np.count_nonzero(used) < fewest_points(band.low_hz, band.high_hz):
        return _untold(curve, band=band)

    mean = float(curve.change_db[used].mean())
    u95 = mean_u95_db(curve, used=used, fraction=fraction)
    worst, worst_hz, worst_u95 = _worst(curve, used=used, mean_db=mean, fraction=fraction)
    unknown = TEXT_UNKNOWN_DB if curve.lower_bound else 0.0
    grade, may_be = grade_of(
        mean,
        worst,
        mean_u95_db=math.hypot(u95, unknown),
        worst_u95_db=math.hypot(worst_u95, unknown),
    )
    return BandResult(
        test=curve.test,
        source=curve.source,
        lower_bound=curve.lower_bound,
        level_db=curve.level_db,
        elapsed_s=curve.elapsed_s,
        band=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        mean_db=mean,
        worst_db=worst,
        worst_hz=worst_hz,
        u95_db=u95,
        grade=grade,
        grade_may_be=may_be,
    )


def played_results(playing: Sequence[Playing]) -> tuple[BandResult, ...]:
    """Grade every band by how far it had changed when the stress ended, level by level.

    By the thresholds of a band's mean. Told where the change since cold is: the fit's, or, where
    the fit found none, the mean of the last stage's tones. `elapsed_s` is the stress behind it.
    """
    found = []
    for one in playing:
        last_s = max((stage.elapsed_s for stage in one.stages if stage.recorded), default=0.0)
        for band in BANDS:
            end = _end_since_cold(one, band=band)
            mean = u95 = None
            grade: Grade = "can't tell"
            may_be = None
            if end is not None:
                mean, u95 = end
                grade, may_be = grade_of(mean, 0.0, mean_u95_db=u95, worst_u95_db=0.0)
            found.append(
                BandResult(
                    test="long_term",
                    source="multitone",
                    level_db=one.level_db,
                    elapsed_s=last_s,
                    band=band.name,
                    low_hz=band.low_hz,
                    high_hz=band.high_hz,
                    mean_db=mean,
                    worst_db=None,
                    worst_hz=None,
                    u95_db=u95,
                    grade=grade,
                    grade_may_be=may_be,
                )
            )
    return tuple(found)


def _end_since_cold(playing: Playing, *, band: Band) -> tuple[float, float] | None:
    """Return a band's change when the stress ended and its half-width, None where not told."""
    track = playing.group(band.name)
    end = end_of(playing, track)
    if track is None or track.fit is None or end is None or not end.since_cold:
        return None
    if track.fit.terms:
        return end.change_db, end.u95_db
    told = np.isfinite(track.change_db) & np.isfinite(track.u95_db)
    last = told & (playing.stage == playing.stage[told].max())
    return float(track.change_db[last].mean()), float(np.median(track.u95_db[last]))


def fewest_points(low_hz: float, high_hz: float) -> float:
    """Return how many of the grid's points a grade between two frequencies takes."""
    due = GRID_PER_OCTAVE * math.log(high_hz / low_hz) / math.log(G)
    return (1.0 - LARGEST_UNUSABLE_SHARE) * due


def was_measured(curves: Sequence[ChangeCurve], *, low_hz: float, high_hz: float) -> bool:
    """Whether what was swept, or what files hold, is enough to grade between two frequencies."""
    return any(
        sum(
            low_hz <= hz < high_hz and reason != "range"
            for hz, reason in zip(curve.frequency_hz.tolist(), curve.reason, strict=True)
        )
        >= fewest_points(low_hz, high_hz)
        for curve in curves
    )


def _untold(curve: ChangeCurve, *, band: Band) -> BandResult:
    return BandResult(
        test=curve.test,
        source=curve.source,
        lower_bound=curve.lower_bound,
        level_db=curve.level_db,
        elapsed_s=curve.elapsed_s,
        band=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        mean_db=None,
        worst_db=None,
        worst_hz=None,
        u95_db=None,
        grade="can't tell",
        grade_may_be=None,
    )


def mean_u95_db(curve: ChangeCurve, *, used: BoolArray, fraction: int) -> float:
    """Return the 95 % half-width of the mean over the points in `used`.

    Noise and local spread average over the band (neighbouring cells overlap, which is counted);
    the volume step, the day's drift, the gate and what takes differ by as a whole do not.
    """
    budget = curve.budget
    own = np.hypot(budget.noise_db, budget.local_db)[used]
    averaged = _overlapping(own, fraction=fraction) / own.size**2
    shared = (
        budget.broadband_db**2
        + budget.step_db**2
        + float(np.mean(budget.gate_db[used])) ** 2
        + float(np.mean(budget.drift_db[used])) ** 2
    )
    # Student's factor of the points stands for that of the mean.
    factor = float(np.median(curve.u95_db[used] / _standard_db(curve)[used]))
    return factor * math.sqrt(averaged + shared)


def _standard_db(curve: ChangeCurve) -> FloatArray:
    budget = curve.budget
    return np.asarray(
        np.sqrt(
            np.square(budget.noise_db)
            + np.square(budget.local_db)
            + np.square(budget.gate_db)
            + np.square(budget.drift_db)
            + budget.broadband_db**2
            + budget.step_db**2
        )
    )


def _overlapping(own: FloatArray, *, fraction: int) -> float:
    """Variance of a sum of noise on the grid: neighbours share part of their smoothing cells."""
    total = float(own @ own)
    for apart in range(1, math.ceil(GRID_PER_OCTAVE / fraction)):
        shared = 1.0 - apart * fraction / GRID_PER_OCTAVE
        total += 2.0 * shared * float(own[:-apart] @ own[apart:])
    return total


def _worst(
    curve: ChangeCurve, *, used: BoolArray, mean_db: float, fraction: int
) -> tuple[float, float, float]:
    """Return the worst point's change after the allowance, where it is, and its half-width.

    The worst is the point farthest from zero. The allowance pulls it towards the band's mean,
    never past it: what noise alone would make the largest of as many independent points.
    """
    index = np.flatnonzero(used)[int(np.argmax(np.abs(curve.change_db[used])))]
    value = float(curve.change_db[index])
    independent = max(1.0, np.count_nonzero(used) * fraction / GRID_PER_OCTAVE)
    own = math.hypot(float(curve.budget.noise_db[index]), float(curve.budget.local_db[index]))
    allowance = min(worst_of_many(independent) * own, abs(value - mean_db))
    value -= math.copysign(allowance, value - mean_db)
    return value, float(curve.frequency_hz[index]), float(curve.u95_db[index])


def grade_of(
    mean_db: float, worst_db: float, *, mean_u95_db: float, worst_u95_db: float
) -> tuple[Grade, Grade | None]:
    """Return the mildest grade that the intervals allow, and the next where they allow two.

    More than two allowed grades are *can't tell*.

    >>> grade_of(-0.2, -0.6, mean_u95_db=0.1, worst_u95_db=0.2)
    ('holds', None)
    >>> grade_of(-0.45, -0.6, mean_u95_db=0.1, worst_u95_db=0.2)
    ('holds', 'slips')
    """
    loss = _allowed(
        -mean_db,
        -worst_db,
        mean_u95_db=mean_u95_db,
        worst_u95_db=worst_u95_db,
        mean_limits=MEAN_LIMITS_DB,
        worst_limits=WORST_LIMITS_DB,
    )
    gain = _allowed(
        mean_db,
        worst_db,
        mean_u95_db=mean_u95_db,
        worst_u95_db=worst_u95_db,
        mean_limits=GAIN_LIMITS_DB,
        worst_limits=WORST_GAIN_LIMITS_DB,
    )
    sides = [(loss, LOSS_GRADES), (gain, GAIN_GRADES)]
    if loss[1] > 0 and gain[1] > 0:
        if loss[0] == gain[0] == 0:
            return "can't tell", None  # holds, a loss and a gain all fit
        sides = [side for side in sides if side[0][0] == max(loss[0], gain[0])][:1]
    (low, high), names = max(sides, key=lambda side: side[0][1])
    if high - low > 1:
        return "can't tell", None
    return names[low], names[high] if high > low else None


def _allowed(
    mean: float,
    worst: float,
    *,
    mean_u95_db: float,
    worst_u95_db: float,
    mean_limits: Sequence[float],
    worst_limits: Sequence[float],
) -> tuple[int, int]:
    """Lowest and highest grade that mean and worst point (loss counted positive) allow."""

    def graded(sign: float) -> int:
        by_mean = sum(mean + sign * mean_u95_db > limit for limit in mean_limits)
        by_worst = sum(worst + sign * worst_u95_db > limit for limit in worst_limits)
        return max(by_mean, by_worst)

    return graded(-1.0), graded(1.0)
