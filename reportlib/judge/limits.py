"""Limits: the level at which a band, or a drive unit, is first 1 dB and 3 dB behind.

The loss of the tested levels is joined by a monotone piecewise cubic (F. N. Fritsch, R. E.
Carlson, SIAM J. Numer. Anal. 17, 1980, as ``scipy.interpolate.PchipInterpolator``) and its first
upward crossing is the limit. What the loudspeaker does between two tested levels is not known,
so a limit has a bracket. It starts where a straight line crosses: loss that grows ever faster
crosses later. It ends where the upper level's loss would have begun if from there on nothing
more came out at all, as behind a hard limiter: loss grows by no more than the level does. Where
it did grow by more, and the output fell, the upper level is the end. Both ends are widened by
the 95 % half-width of the band's means.

A gain never reaches a limit, and nothing is said about levels beyond those tested.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reportlib.judge.records import BandResult, Limit
from reportlib.judge.thresholds import (
    BEHIND_DB,
    CROSSOVER_OCTAVES,
    TEXT_UNKNOWN_DB,
    WIDE_BRACKET_DB,
)
from reportlib.measure.levels import BANDS, Band, G
from reportlib.measure.records import DriveStep
from reportlib.numbers import frequency
from reportlib.session.day import Test
from reportlib.session.records import FloatArray

SAME_DRIVE_DB = 0.1
"""Levels that were driven within this of each other are one level."""

LimitKind = Literal["at", "between", "by", "may be", "not reached", "can't tell"]


@dataclass(frozen=True, kw_only=True)
class Crossing:
    """Where loss over level first reaches a threshold.

    Attributes
    ----------
    reached : whether it does
    level_db : None where it does not, or did so at the lowest level already
    low_db, high_db : bracket; where it is reached, `low_db` is None if the lowest level may be
        past it already, and `high_db` None if the highest may not be; where it is not reached,
        `low_db` is from where on the interval allows that it is, else None
    """

    reached: bool
    level_db: float | None
    low_db: float | None
    high_db: float | None


def first_crossing(
    levels_db: FloatArray, losses_db: FloatArray, *, u95_db: FloatArray, threshold_db: float
) -> Crossing:
    """Find where loss first reaches a threshold, going up in level.

    Parameters
    ----------
    levels_db : shape (n,), strictly rising
    losses_db, u95_db : shape (n,), loss counted positive, and its 95 % half-width
    """
    losses_db = np.round(losses_db, 9)  # differences of rounding alone overflow in the cubic
    first = _first_at_least(losses_db, threshold_db)
    level = None
    if first:
        from scipy.interpolate import PchipInterpolator

        cubic = PchipInterpolator(levels_db, losses_db)
        roots = np.asarray(cubic.solve(threshold_db, extrapolate=False), dtype=np.float64)
        between = (roots >= levels_db[first - 1]) & (roots <= levels_db[first])
        # Rounding may leave a root a hair outside its own interval.
        level = float(roots[between].min()) if between.any() else float(levels_db[first])
    low = _earliest(levels_db, losses_db + u95_db, threshold_db=threshold_db)
    high = _latest(levels_db, losses_db - u95_db, threshold_db=threshold_db)
    if first is not None and low == levels_db[0]:
        low = None
    if level is not None:  # the cubic may cross a little outside
        low = None if low is None else min(low, level)
        high = None if high is None else max(high, level)
    return Crossing(reached=first is not None, level_db=level, low_db=low, high_db=high)


def _first_at_least(losses_db: FloatArray, threshold_db: float) -> int | None:
    there = np.flatnonzero(losses_db >= threshold_db)
    return int(there[0]) if there.size else None


def _earliest(levels_db: FloatArray, losses_db: FloatArray, *, threshold_db: float) -> float | None:
    """Where a straight line between the levels crosses; the lowest level where that is past it."""
    index = _first_at_least(losses_db, threshold_db)
    if index is None:
        return None
    if index == 0:
        return float(levels_db[0])
    below, above = losses_db[index - 1], losses_db[index]
    share = (threshold_db - below) / (above - below)
    return float(levels_db[index - 1] + share * (levels_db[index] - levels_db[index - 1]))


def _latest(levels_db: FloatArray, losses_db: FloatArray, *, threshold_db: float) -> float | None:
    """Where a hard limiter would cross that loses as much at the level above."""
    index = _first_at_least(losses_db, threshold_db)
    if index is None:
        return None
    upper = float(levels_db[index])
    if index == 0 or losses_db[index] - losses_db[index - 1] > upper - levels_db[index - 1]:
        return upper
    return upper - float(losses_db[index] - threshold_db)


def drive_units(crossovers_hz: Sequence[float]) -> tuple[Band, ...]:
    """Return what each drive unit plays alone, within the range that bands cover.

    A third of an octave around each crossover is left out, where two play together; a unit
    that has no third of an octave to itself is left out altogether.

    >>> [unit.name for unit in drive_units([450.0, 3200.0])]
    ['drive unit up to 450 Hz', 'drive unit 450 Hz to 3.2 kHz', 'drive unit from 3.2 kHz']
    """
    if not crossovers_hz:
        return ()
    aside = G ** (0.5 * CROSSOVER_OCTAVES)
    edges = sorted(set(crossovers_hz))
    found = []
    for below, above in zip([None, *edges], [*edges, None], strict=True):
        low = BANDS[0].low_hz if below is None else max(below * aside, BANDS[0].low_hz)
        high = BANDS[-1].high_hz if above is None else min(above / aside, BANDS[-1].high_hz)
        if high >= low * G**CROSSOVER_OCTAVES:
            found.append(Band(f"drive unit {_plays(below, above)}", low, high))
    return tuple(found)


def _plays(below_hz: float | None, above_hz: float | None) -> str:
    if below_hz is None:
        return f"up to {frequency(above_hz or 0.0)}"
    if above_hz is None:
        return f"from {frequency(below_hz)}"
    return f"{frequency(below_hz)} to {frequency(above_hz)}"


def limits_of(
    results: Sequence[BandResult],
    *,
    baseline_db: float,
    steps: Sequence[DriveStep],
    lower_bound: bool = False,
) -> tuple[Limit, ...]:
    """Return the limits of every band in `results`: bands in their order, short-term first.

    Parameters
    ----------
    results : bands, and drive units as bands; of a long-term level the last stage counts
    baseline_db : asked-for level of the baseline, where a short-term loss is 0 by definition
    steps : the short-term levels' volume steps; a level stands where it was driven to
    lower_bound : the half-widths are lower bounds (column text)
    """
    unknown = TEXT_UNKNOWN_DB if lower_bound else 0.0
    driven = {step.level_db: baseline_db + step.applied_db for step in steps}
    tests: tuple[Test, ...] = ("short_term", "long_term")
    found = []
    for test in tests:
        mine = [one for one in results if one.test == test]
        for band in dict.fromkeys((one.band, one.low_hz, one.high_hz) for one in mine):
            own = [one for one in mine if (one.band, one.low_hz, one.high_hz) == band]
            last = {one.level_db: one for one in sorted(own, key=lambda one: one.elapsed_s)}
            found += _limits_of_band(
                [last[level] for level in sorted(last)],
                driven_db=driven if test == "short_term" else {},
                baseline_db=baseline_db if test == "short_term" else None,
                unknown_db=unknown,
            )
    return tuple(found)


def _limits_of_band(
    results: Sequence[BandResult],
    *,
    driven_db: dict[float, float],
    baseline_db: float | None,
    unknown_db: float,
) -> list[Limit]:
    points = []
    untold = []
    for one in results:
        if one.mean_db is None or one.u95_db is None or one.grade == "can't tell":
            untold.append(one.level_db)
            continue
        level = driven_db.get(one.level_db, one.level_db)
        points.append((level, -one.mean_db, math.hypot(one.u95_db, unknown_db)))
    tested_to = max((level for level, _, _ in points), default=None)
    if baseline_db is not None:
        points.append((baseline_db, 0.0, 0.0))
    levels, losses, u95 = _one_a_level(points)
    found = []
    for threshold in BEHIND_DB:
        crossing = None
        if tested_to is not None:
            crossing = first_crossing(levels, losses, u95_db=u95, threshold_db=threshold)
        found.append(
            Limit(
                test=results[0].test,
                band=results[0].band,
                low_hz=results[0].low_hz,
                high_hz=results[0].high_hz,
                threshold_db=threshold,
                level_db=crossing.level_db if crossing else None,
                low_db=crossing.low_db if crossing else None,
                high_db=crossing.high_db if crossing else None,
                reached=crossing.reached if crossing else None,
                tested_to_db=tested_to,
                untold_db=tuple(untold),
            )
        )
    return found


def _one_a_level(
    points: Sequence[tuple[float, float, float]],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sort by level; where a step was not made, two levels are one: mean loss, wider interval."""
    merged: list[list[tuple[float, float, float]]] = []
    for point in sorted(points):
        if merged and point[0] - merged[-1][0][0] < SAME_DRIVE_DB:
            merged[-1].append(point)
        else:
            merged.append([point])
    rows = np.array(
        [
            (group[-1][0], np.mean([loss for _, loss, _ in group]), max(u for *_, u in group))
            for group in merged
        ]
    ).reshape(-1, 3)
    return rows[:, 0], rows[:, 1], rows[:, 2]


def kind_of(limit: Limit) -> LimitKind:
    """Return how a limit is said.

    "at" a level; "between" two, where the bracket is wide; "by" a level, where the lowest one
    tested may be past it; "may be" where the highest level may have reached it or not.
    """
    if limit.reached is None:
        return "can't tell"
    if limit.high_db is None:
        return "may be" if limit.reached or limit.low_db is not None else "not reached"
    if limit.low_db is None:
        return "by"
    return "between" if limit.high_db - limit.low_db > WIDE_BRACKET_DB else "at"
