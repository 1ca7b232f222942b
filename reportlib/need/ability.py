"""What was measured of each band, and the loss at a level between those tested.

Levels are those that a loudspeaker without loss would give at 1 m, so that a volume step that
was not made as asked is counted as made. Losses are positive.

Between two tested levels the loss lies between two lines: the straight one (losses grow faster
the louder it gets), and the one along which the output did not rise any more on the way to the
louder level, which is what a hard limiter does. Nothing is said above the loudest level. Below
the quietest the loss is at most what heat would leave of it; whatever else limits an output
falls off faster.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.day import Session, Test
from reportlib.levels import BANDS
from reportlib.model import BandResult, DriveStep
from reportlib.soaked import Playing


@dataclass(frozen=True, kw_only=True)
class LossAt:
    """One band at one level; `loss_db` is None where it can't be told."""

    level_db: float
    loss_db: float | None
    u95_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Ability:
    """One band in one test, levels rising; empty where the test was not made."""

    band: str
    points: tuple[LossAt, ...]


@dataclass(frozen=True, kw_only=True)
class Loss:
    """A range of loss, with its intervals, over a range of levels.

    Attributes
    ----------
    low_db, high_db : None where nothing can be told
    beyond : whether part of the levels lies above the loudest tested
    """

    low_db: float | None
    high_db: float | None
    beyond: bool


def abilities(
    bands: Sequence[BandResult],
    *,
    test: Test,
    session: Session,
    start_db: float,
    steps: Sequence[DriveStep],
    playing: Sequence[Playing] = (),
) -> tuple[Ability, ...]:
    """Return what one test says of every band, bass first.

    Of the long-term test the larger loss counts: what the sweep after the stress saw, or, where
    the stress itself was recorded, the end of it, before anything cooled.

    Parameters
    ----------
    start_db : the baseline's level at 1 m; the short-term test counts from it, without loss
    playing : the long-term levels whose stress was recorded
    """
    if test == "short_term":
        levels = {step.level_db: start_db + step.applied_db for step in steps}
        first = [LossAt(level_db=start_db, loss_db=0.0)]
    else:
        levels = {entry.level_db: start_db + entry.drive_db for entry in session.long_term}
        first = []
    found = []
    for name in (band.name for band in BANDS):
        own: dict[float, LossAt] = {}
        for one in bands:
            if one.test != test or one.band != name or one.level_db not in levels:
                continue
            # Of several stages the last stands: it replaces those before.
            level = levels[one.level_db]
            after = LossAt(
                level_db=level,
                loss_db=None if one.mean_db is None else -one.mean_db,
                u95_db=one.u95_db or 0.0,
            )
            heard = [track for track in playing if track.level_db == one.level_db]
            at_the_end = [_at_the_end(track, band=name, level_db=level) for track in heard]
            own[level] = _larger([after, *(at_the_end if test == "long_term" else ())])
        points = (*first, *(own[level] for level in sorted(own))) if own else ()
        found.append(Ability(band=name, points=points))
    return tuple(found)


def _at_the_end(playing: Playing, *, band: str, level_db: float) -> LossAt:
    """The loss at the end of the stress, against the cold level where it is known.

    Else since the first period, which leaves out what was lost in it.
    """
    track = playing.group(band)
    if track is None:
        return LossAt(level_db=level_db, loss_db=None)
    if track.fit is not None and track.fit.cold_known:
        loss, u95 = track.fit.end_loss_db, track.fit.end_loss_u95_db
        return LossAt(level_db=level_db, loss_db=loss, u95_db=u95)
    told = np.flatnonzero(np.isfinite(track.change_db) & np.isfinite(track.u95_db))
    if told.size == 0:
        return LossAt(level_db=level_db, loss_db=None)
    last = int(told[-1])
    return LossAt(
        level_db=level_db,
        loss_db=-float(track.change_db[last]),
        u95_db=float(track.u95_db[last]),
    )


def _larger(found: Sequence[LossAt]) -> LossAt:
    """The one with the largest loss; one that can't be told only where none can."""
    return max(found, key=lambda one: -math.inf if one.loss_db is None else one.loss_db)


def loss_over(ability: Ability, *, low_db: float, high_db: float) -> Loss:
    """Return the range of loss from one level to another.

    Levels that can't be told are passed over; above the loudest that can be told nothing is
    known, and the loss is None.
    """
    if not ability.points or low_db > ability.points[-1].level_db:
        return Loss(low_db=None, high_db=None, beyond=True)
    beyond = high_db > ability.points[-1].level_db
    told = [point for point in ability.points if point.loss_db is not None]
    reach_db = min(high_db, ability.points[-1].level_db)
    if not told or reach_db > told[-1].level_db + 1e-9:
        return Loss(low_db=None, high_db=None, beyond=beyond)
    inside = [one.level_db for one in told if low_db < one.level_db < reach_db]
    ranges = [_loss_at(level, told=told) for level in (low_db, *inside, reach_db)]
    return Loss(
        low_db=min(low for low, _ in ranges), high_db=max(high for _, high in ranges), beyond=beyond
    )


def _loss_at(level_db: float, *, told: Sequence[LossAt]) -> tuple[float, float]:
    """The range at one level, at most the loudest that can be told."""
    upper = next(point for point in told if point.level_db >= level_db - 1e-9)
    below = [point for point in told if point.level_db < level_db - 1e-9]
    assert upper.loss_db is not None
    if not below and level_db < upper.level_db - 1e-9:
        return _under_the_quietest(upper, level_db=level_db)
    if not below:
        return upper.loss_db - upper.u95_db, upper.loss_db + upper.u95_db
    lower = below[-1]
    assert lower.loss_db is not None
    share = (level_db - lower.level_db) / (upper.level_db - lower.level_db)
    straight = lower.loss_db + share * (upper.loss_db - lower.loss_db)
    # Both levels share the baseline's error, so that their half-widths are not averaged down.
    u95 = lower.u95_db + share * (upper.u95_db - lower.u95_db)
    level_off = upper.loss_db - (upper.level_db - level_db)
    latest = min(straight, max(lower.loss_db, level_off))
    return latest - u95, straight + u95


def _under_the_quietest(quietest: LossAt, *, level_db: float) -> tuple[float, float]:
    """From no loss to what a coil that heats with the power in it would still lose.

    With k the hot coil's resistance over the cold one's, the loss is 20·lg k and k − 1 grows with
    V²/R, so that a quieter level leaves at most (k − 1)·k·10^(ΔL/10) of it (voltage drive).
    """
    assert quietest.loss_db is not None
    most = max(quietest.loss_db + quietest.u95_db, 0.0)
    hot = 10.0 ** (most / 20.0)
    left = (hot - 1.0) * hot * 10.0 ** ((level_db - quietest.level_db) / 10.0)
    return min(quietest.loss_db - quietest.u95_db, 0.0), min(most, 20.0 * math.log10(1.0 + left))
