"""What a warming quantity was at the start, followed back from the periods after it."""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray

_SHORTEST, _LONGEST = 0.5, 4.0  # time constants that are tried: of a period, of the record
_TRIED = 160
_NOT_QUITE = 0.01
"""Standard uncertainty of the law itself, of the rise in the record: power falls as resistance
rises, and the magnet's warmth sets in late (simulated coils: up to 0.012)."""


@dataclass(frozen=True, kw_only=True)
class ColdValue:
    """A value and its standard uncertainty."""

    value: float
    u: float


def at_the_start(values: FloatArray, *, time_s: FloatArray, period_s: float, u: float) -> ColdValue:
    """Follow a rise back to time 0.

    c + a·(1 − e^(−t/τ)) + b·t, each averaged over the period, a and b not negative: a coil, and
    magnet and frame that have hardly begun to warm. All τ from half a period to four times the
    record are tried and weighed by how well they fit, so that what the periods leave open of τ
    is in the uncertainty.

    Parameters
    ----------
    values : shape (n,), n ≥ 5
    time_s : shape (n,), middle of each period, from the start
    u : standard uncertainty of each value
    """
    record_s = float(time_s[-1])
    taus_s = np.geomspace(_SHORTEST * period_s, _LONGEST * record_s, _TRIED)
    cold, spread, squares = _fitted(values, time_s=time_s, period_s=period_s, taus_s=taus_s)
    # what no such curve explains counts as noise, too
    variance = max(u**2, float(squares.min()) / max(values.size - 4, 1), 1e-30)
    weight = np.exp(-0.5 * (squares - squares.min()) / variance)
    weight /= np.sum(weight)
    mean = float(weight @ cold)
    total = weight @ (variance * spread + (cold - mean) ** 2)
    rise = float(np.mean(values[-3:])) - mean
    return ColdValue(value=mean, u=float(np.hypot(np.sqrt(total), _NOT_QUITE * rise)))


def _fitted(
    values: FloatArray, *, time_s: FloatArray, period_s: float, taus_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Intercept for each τ, its variance for values of variance 1, and the sum of squares left.

    Least squares in closed form: of c alone, with a, with b, and with both, the best whose a and b
    are not negative.
    """
    half = 0.5 * period_s / taus_s
    rise = 1.0 - (np.sinh(half) / half)[:, np.newaxis] * np.exp(-time_s / taus_s[:, np.newaxis])
    mean_rise, mean_time, mean = rise.mean(axis=1), float(time_s.mean()), float(values.mean())
    x, t, y = rise - mean_rise[:, np.newaxis], time_s - mean_time, values - mean
    xx, tt, yy = np.sum(x * x, axis=1), float(t @ t), float(y @ y)
    xt, xy, ty = x @ t, x @ y, float(t @ y)
    determinant = xx * tt - xt**2
    none = np.zeros(taus_s.size)
    both = (xx * mean_time**2 - 2.0 * xt * mean_rise * mean_time + tt * mean_rise**2) / determinant
    slopes = (
        (xy / xx, none, mean_rise**2 / xx),
        (none, none + ty / tt, none + mean_time**2 / tt),
        ((tt * xy - xt * ty) / determinant, (xx * ty - xt * xy) / determinant, both),
    )
    cold, spread, squares = none + mean, none + 1.0 / values.size, none + yy
    for a, b, variance in slopes:
        left = np.sum((y - a[:, np.newaxis] * x - b[:, np.newaxis] * t) ** 2, axis=1)
        better = (a >= 0.0) & (b >= 0.0) & (left < squares)
        cold = np.where(better, mean - a * mean_rise - b * mean_time, cold)
        spread = np.where(better, 1.0 / values.size + variance, spread)
        squares = np.where(better, left, squares)
    return cold, spread, squares
