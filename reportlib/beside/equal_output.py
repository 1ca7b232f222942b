"""How far a band lags when it gives a certain output: levels inverted, with an interval.

Between two tested levels the output is taken to rise along a straight line, and never beyond
them. The level L that an output G needs is the first at which the line reaches G, and the change
there is G − L. Three things are unknown about it:

- *The output itself.* The half-width of the change moves the whole line up and down. Between
  neighbours the half-widths are interpolated linearly: the standard deviation of w·e₁ + (1−w)·e₂
  is at most w·σ₁ + (1−w)·σ₂, and is that where neighbours err alike, as those that share a
  baseline do. The levels whose output is not excluded are then those between the first crossings
  of the upper and of the lower line: an inverted test (E. C. Fieller, J. R. Stat. Soc. B 16, 1954;
  the calibration problem), which holds what its pointwise interval holds. Where the output rises
  by only 1 − k for each decibel asked, an error of the output counts 1/(1 − k)-fold.
- *What happens between two levels.* As in `limits`: loss that grows ever faster stays below the
  straight line, and at the earliest nothing is lost beyond the lower level until, as behind a hard
  limiter, nothing more comes out. At an output between two levels the change therefore lies
  between the straight line's and that of the lower level. A change that grows ever more slowly
  lies beyond the line, by no more than the line through the two levels before would reach, and
  never beyond the upper level's. This part is no chance: it is carried as a slack, added without
  squares.
- *Whether it was given at all.* Where the lower line never reaches G, the interval is open.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.compared import Given, OutputPoint, OutputTrack
from reportlib.thresholds import BEHIND_DB

GIVES_OUT_DB = BEHIND_DB[0]
"""Asked for as much and surely so far behind, a band gives out; nearer, more was not asked for."""
_ROUNDING_DB = 1e-9


Halves = tuple[float, float]
"""Half-widths below and above a value, in dB."""


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A value, its 95 % half-widths to either side, and the slack beyond them.

    Attributes
    ----------
    down_db, up_db : inf for an open end
    slack_down_db, slack_up_db : what is unknown beside them, and no chance
    dof : degrees of freedom behind the half-widths
    wider : the half-widths where those behind them are so many times as wide; None: as many times
    """

    value_db: float
    down_db: float
    up_db: float
    slack_down_db: float = 0.0
    slack_up_db: float = 0.0
    dof: float = np.inf
    wider: Callable[[float], Halves] | None = field(default=None, compare=False)

    def halves_db(self, scale: float) -> Halves:
        """Return the half-widths for curves' intervals `scale` times as wide."""
        if self.wider is None:
            return scale * self.down_db, scale * self.up_db
        return self.wider(scale)

    @property
    def low_db(self) -> float:
        """The lower end of its interval, −inf where open."""
        return self.value_db - self.down_db - self.slack_down_db

    @property
    def high_db(self) -> float:
        """The upper end of its interval."""
        return self.value_db + self.up_db + self.slack_up_db


def given_kind(track: OutputTrack, output_db: float) -> Given:
    """Say whether an output was given, and if not, why not."""
    if not track.told:
        return "can't tell"
    if output_db < track.given_db[0] - _ROUNDING_DB:
        return "starts above"
    if output_db <= track.given_db.max() + _ROUNDING_DB:
        return "given"
    asked = track.driven_db[-1] >= output_db - _ROUNDING_DB
    short = -track.change_db[-1] - track.u95_db[-1] >= GIVES_OUT_DB
    return "gives out before" if asked and short else "not tested so high"


def surely_given_db(track: OutputTrack) -> float:
    """Return the highest output that a track gave whatever its interval, in dB."""
    return float(np.max(track.given_db - track.u95_db))


def change_at(track: OutputTrack, output_db: float) -> Estimate | None:
    """Return a band's change at an output, from its own baseline; None where not given.

    Parameters
    ----------
    track : levels, changes and half-widths, the baseline first
    output_db : in the unit of the track's levels
    """
    if given_kind(track, output_db) != "given":
        return None
    at, index = _first_crossing(track.driven_db, track.given_db, output_db=output_db)
    change = output_db - at
    below = max(index - 1, 0)
    # The lower level's change is the far end of what may happen before the upper one.
    beyond = float(track.change_db[below]) - change if index else 0.0
    slowing = _slowing(track, output_db, index=index)

    def halves(scale: float) -> Halves:
        u95 = scale * track.u95_db
        earliest, _ = _first_crossing(track.driven_db, track.given_db + u95, output_db=output_db)
        latest, _ = _first_crossing(track.driven_db, track.given_db - u95, output_db=output_db)
        down, up, own = latest - at, at - earliest, float(u95[below])
        return (max(down, own) if beyond < 0.0 else down, max(up, own) if beyond > 0.0 else up)

    down, up = halves(1.0)
    return Estimate(
        value_db=change,
        down_db=down,
        up_db=up,
        slack_down_db=max(-beyond, -slowing, 0.0),
        slack_up_db=max(beyond, slowing, 0.0),
        dof=float(min(track.dof[below], track.dof[index])),
        wider=halves,
    )


def _slowing(track: OutputTrack, output_db: float, *, index: int) -> float:
    """Return by how much a change that grows ever more slowly may lie beyond the straight line.

    At the level with this index the straight line ends; 0 where the change does not slow down.
    """
    if index < 2:
        return 0.0
    levels, changes = track.driven_db[index - 2 : index + 1], track.change_db[index - 2 : index + 1]
    before, here = np.diff(changes) / np.diff(levels)
    if before * here <= 0.0 or abs(before) <= abs(here):
        return 0.0
    given = output_db - float(track.given_db[index - 1])
    line = given * here / (1.0 + here)
    reached = given * before / (1.0 + before) if before > -1.0 else -np.inf
    left = float(changes[2] - changes[1]) - line
    return float(np.copysign(min(abs(reached - line), abs(left)), before))


def counted_from(track: OutputTrack, output_db: float, *, start_db: float) -> Estimate | None:
    """Return the change at an output, counted from where the track gave `start_db`.

    Both ends err; their errors are added in squares, which is more than they have where, sharing
    a baseline, they err alike.
    """
    end = change_at(track, output_db)
    if end is None or start_db <= track.given_db[0] + _ROUNDING_DB:
        return end
    start = change_at(track, start_db)
    if start is None:
        return None

    def halves(scale: float) -> Halves:
        (end_down, end_up), (start_down, start_up) = end.halves_db(scale), start.halves_db(scale)
        return float(np.hypot(end_down, start_up)), float(np.hypot(end_up, start_down))

    down, up = halves(1.0)
    return Estimate(
        value_db=end.value_db - start.value_db,
        down_db=down,
        up_db=up,
        slack_down_db=end.slack_down_db + start.slack_up_db,
        slack_up_db=end.slack_up_db + start.slack_down_db,
        dof=min(end.dof, start.dof),
        wider=halves,
    )


def per_db(track: OutputTrack, output_db: float) -> float:
    """Return by how much the change at an output moves where the output itself is 1 dB off.

    The more of both ways; nothing is known beyond the levels tested.
    """
    here = change_at(track, output_db)
    near = (change_at(track, output_db + step) for step in (-1.0, 1.0))
    moves = [one.value_db - here.value_db for one in near if here is not None and one is not None]
    return max(moves, key=abs, default=0.0)


def output_point(track: OutputTrack, output_db: float) -> OutputPoint:
    """Return what one session says at one output."""
    given = given_kind(track, output_db)
    most = float(track.given_db.max()) if track.told else None
    asked = float(track.driven_db[-1]) if track.told else None
    here = change_at(track, output_db)
    if here is None:
        return OutputPoint(
            name=track.name,
            band=track.band,
            output_db=output_db,
            given=given,
            most_db=most,
            asked_to_db=asked,
        )
    at = output_db - here.value_db
    later = track.given_db[track.driven_db > at + _ROUNDING_DB]
    return OutputPoint(
        name=track.name,
        band=track.band,
        output_db=output_db,
        given=given,
        change_db=here.value_db,
        low_db=here.low_db if np.isfinite(here.low_db) else None,
        high_db=here.high_db,
        driven_db=at,
        unique=bool(np.all(later >= output_db - _ROUNDING_DB)),
        most_db=most,
        asked_to_db=asked,
    )


def _first_crossing(
    levels_db: FloatArray, outputs_db: FloatArray, *, output_db: float
) -> tuple[float, int]:
    """Return where straight lines first reach an output, and the level at the end of that line.

    inf where they never do; the lowest level where that is there already.
    """
    there = np.flatnonzero(outputs_db >= output_db - _ROUNDING_DB)
    if there.size == 0:
        return np.inf, outputs_db.size - 1
    index = int(there[0])
    if index == 0:
        return float(levels_db[0]), 0
    below, above = outputs_db[index - 1], outputs_db[index]
    share = min((output_db - below) / (above - below), 1.0)
    return float(levels_db[index - 1] + share * (levels_db[index] - levels_db[index - 1])), index
