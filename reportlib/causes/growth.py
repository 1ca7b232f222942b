"""How a change grows with level: knee, slope, share of every step.

A hard limiter lets nothing of a step through once it acts, one of ratio R the share 1/R
(definition); what answers to power or speed grows with the square or the first power of the
drive, so that a loss of a tenth of a decibel becomes two to four tenths 6 dB on.
"""

from collections.abc import Sequence

import numpy as np

from reportlib.causes.evidence import Growth, Point

KNEE_SLOPE = 0.3
"""Share of the last step that is missing behind a knee: what a ratio of 1.4 : 1 takes, and more
than heat or a port take of a step while they are small (judgement)."""
BEFORE_KNEE = 0.07
"""Of the largest loss: what may be missing below a knee. What goes with power has lost a tenth of
it 9 dB further down."""
SAME_DB = 0.15
GROWN = 1.3


def growth(points: Sequence[Point]) -> tuple[Growth, float, float]:
    """Return how a change grows, the lowest level from which on it shows, and the last slope.

    Parameters
    ----------
    points : one a level, quietest first, the baseline (0 dB change) left out
    """
    if not points:
        return "unclear", float("nan"), 0.0
    sign = np.sign(points[-1].change_db) if points[-1].shows else 0.0
    if sign == 0.0:
        sign = np.sign(max(points, key=lambda one: abs(one.change_db)).change_db)
    rise = np.array([0.0, *(one.rise_db for one in points)])
    size = np.array([0.0, *(sign * one.change_db for one in points)])
    u = np.array([0.0, *(one.u95_db for one in points)])
    slopes = np.diff(size) / np.diff(rise)
    shows = size > u
    onset = _onset(points, shows=shows[1:])
    last = float(slopes[-1])
    if len(points) >= 2:
        if _offset(size[1:], u=u[1:], rise=rise[1:]):
            return "offset", onset, last
        if _lone(size, u=u):
            return "lone", onset, last
        if _share(size[1:], rise=rise[1:], u=u[1:], slopes=slopes):
            return "share", onset, last
        if _knee(slopes, rise=rise, size=size, u=u):
            return "knee", onset, last
    first = float(size[1:][shows[1:]][0]) if shows[1:].any() else 0.0
    steady = bool(np.all(np.diff(size) > -np.maximum(u[1:], u[:-1])))
    if steady and np.count_nonzero(shows[1:]) >= 2 and last > 0.0 and size[-1] > GROWN * first:
        return "smooth", onset, last
    return "unclear", onset, last


def _onset(points: Sequence[Point], *, shows: np.ndarray) -> float:
    """Lowest level from which on every level shows it; the largest's where it is not so."""
    hidden = np.flatnonzero(~shows)
    first = int(hidden[-1]) + 1 if hidden.size else 0
    if first >= len(points):
        first = int(np.argmax([abs(one.change_db) for one in points]))
    return points[first].level_db


def _offset(size: np.ndarray, *, u: np.ndarray, rise: np.ndarray) -> bool:
    """The same at every level, from the first on, over two steps and 6 dB at least."""
    spread = float(np.ptp(size))
    return (
        size.size >= 3
        and float(np.ptp(rise)) >= 6.0
        and bool(np.all(size > 0.5 * u))
        and spread <= max(SAME_DB, 0.35 * float(np.median(size)), float(np.median(u)))
        and float(np.min(size)) > 0.6 * float(np.median(size))
    )


def _lone(size: np.ndarray, *, u: np.ndarray) -> bool:
    """One level stands out, and a higher one lacks it again."""
    top = int(np.argmax(size))
    if top in (0, size.size - 1):
        return False
    later, earlier = size[top + 1 :], size[1:top]
    rest = np.concatenate((later, earlier))
    return bool(np.all(rest < 0.35 * size[top] + u[top]) and np.max(later) < 0.5 * size[top])


def _share(size: np.ndarray, *, rise: np.ndarray, u: np.ndarray, slopes: np.ndarray) -> bool:
    """A line through the baseline: every step short by the same share of it."""
    if size.size < 3 or not np.all(size > 0.5 * u):
        return False
    share = float(np.sum(size * rise) / np.sum(rise**2))
    off = np.abs(size - share * rise)
    return share > 0.0 and bool(np.all(off <= np.maximum(0.5 * u, 0.1 * size)) and slopes[0] > 0)


def _knee(slopes: np.ndarray, *, rise: np.ndarray, size: np.ndarray, u: np.ndarray) -> bool:
    """Next to nothing up to some level; beyond it a large and steady share of what is asked."""
    steep = float(np.max(slopes))
    if steep < KNEE_SLOPE:
        return False
    before = np.flatnonzero(size <= np.maximum(u, BEFORE_KNEE * size.max()))
    if before.size < 2 or before[-1] != before.size - 1:
        return False
    # A level may lie astride the knee; beyond it, steps of one law keep what they lose.
    after = slopes[before[-1] + 1 :]
    return after.size == 0 or float(np.min(after)) >= 0.55 * steep
