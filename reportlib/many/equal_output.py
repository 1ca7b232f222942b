"""How far a band lags at a certain output, levels inverted, and who is told apart from whom.

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

Two values part so:

Two values part where the interval of their difference leaves zero out; that two intervals of
their own overlap says little (*NIST/SEMATECH e-Handbook of Statistical Methods*, 7.4.7; N.
Schenker, J. F. Gentleman, Am. Stat. 55, 2001). Half-widths of independent days add in squares,
each side by itself (G. Y. Zou, A. Donner, Stat. Med. 27, 2008); an error that two days share
leaves the difference smaller, so squares are the most; that holds too for a repeatability that
two sessions assume alike. Slack, which is no chance, is added as it is.

Of many pairs, some would part by luck. Every difference of a question is therefore judged at
5 %/m of its m pairs, in all bands together (O. J. Dunn, J. Am. Stat. Assoc. 56, 1961: Bonferroni's
inequality): with at least 95 % no pair at all is put in the wrong order, however the errors hang
together. Holm's step-down (Scand. J. Stat. 6, 1979) would part a few more, but gives no intervals
and holds the direction of a difference only under conditions. Sources from memory.

Parting is not transitive: A may stand above C while B is told apart from neither. A place is
then a range: one more than are surely better, to all less those surely worse.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from scipy.special import stdtrit

from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many.records import Given, OutputPoint, OutputTrack, Parting, Standing
from reportlib.session.records import FloatArray

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


_LEVEL = 0.05
_MOST_DOF = 1e6


@dataclass(frozen=True, kw_only=True)
class Difference:
    """By how much one value lies above another, with its simultaneous interval."""

    value_db: float
    low_db: float
    high_db: float


def difference(one: Estimate, other: Estimate, *, family: int) -> Difference:
    """Return `one` less `other` with its interval at 95 % for a whole family of differences.

    Parameters
    ----------
    family : how many differences are judged together
    """
    value = one.value_db - other.value_db
    down = _joined(one, other, family=family)
    up = _joined(other, one, family=family)
    return Difference(
        value_db=value,
        low_db=value - down - one.slack_down_db - other.slack_up_db,
        high_db=value + up + one.slack_up_db + other.slack_down_db,
    )


def _joined(upper: Estimate, lower: Estimate, *, family: int) -> float:
    """How far a difference may lie below `upper` less `lower`: by the one's fall, the other's rise.

    Degrees of freedom as by Welch and Satterthwaite. An inverted interval does not grow in
    proportion, so that both are inverted anew at the level of the whole family.
    """
    dof = np.minimum((upper.dof, lower.dof), _MOST_DOF)
    each = _student(dof, level=_LEVEL)
    variance = np.square(np.array((upper.down_db, lower.up_db)) / each)
    total = float(variance.sum())
    if not np.isfinite(total):
        return np.inf
    joint = total**2 / float(np.sum(np.square(variance) / dof)) if total else _MOST_DOF
    scale = _student(np.array(min(joint, _MOST_DOF)), level=_LEVEL / family) / each
    down, _ = upper.halves_db(float(scale[0]))
    _, up = lower.halves_db(float(scale[1]))
    return float(np.hypot(down, up))


def simultaneous(u95_db: FloatArray, *, dof: FloatArray, family: int) -> FloatArray:
    """Return half-widths that, so many together, hold with 95 % instead of one by one."""
    dof = np.minimum(dof, _MOST_DOF)
    wider = _student(dof, level=_LEVEL / family) / _student(dof, level=_LEVEL)
    return np.asarray(u95_db * wider)


def _student(dof: FloatArray, *, level: float) -> FloatArray:
    return np.asarray(stdtrit(dof, 1.0 - 0.5 * level))


def partings(estimates: Mapping[str, Estimate], *, family: int) -> tuple[Parting, ...]:
    """Return every pair that is told apart, the largest difference first.

    Parameters
    ----------
    estimates : by name; the larger value is the better
    family : how many pairs the whole question has
    """
    found = []
    for one, other in combinations(estimates, 2):
        between = difference(estimates[one], estimates[other], family=family)
        if between.low_db > 0.0:
            found.append(_parting(one, other, by=between.value_db, least=between.low_db))
        elif between.high_db < 0.0:
            found.append(_parting(other, one, by=-between.value_db, least=-between.high_db))
    return tuple(sorted(found, key=lambda pair: -(pair.apart_db or 0.0)))


def _parting(better: str, worse: str, *, by: float, least: float) -> Parting:
    return Parting(better=better, worse=worse, apart_db=by, least_db=least)


def places(names: Sequence[str], *, parted: Sequence[Parting]) -> dict[str, tuple[int, int]]:
    """Return the best and the worst place that each may have.

    >>> sure = [Parting(better="A", worse="C", apart_db=1.0, least_db=0.1)]
    >>> places(["A", "B", "C"], parted=sure)
    {'A': (1, 2), 'B': (1, 3), 'C': (2, 3)}
    """
    above = {name: sum(pair.worse == name for pair in parted) for name in names}
    below = {name: sum(pair.better == name for pair in parted) for name in names}
    return {name: (1 + above[name], len(names) - below[name]) for name in names}


def in_order(
    estimates: Mapping[str, Estimate], *, parted: Sequence[Parting]
) -> tuple[Standing, ...]:
    """Return everybody with the places that they may have, the largest value first."""
    place = places(list(estimates), parted=parted)
    ordered = sorted(estimates, key=lambda name: -estimates[name].value_db)
    return tuple(
        Standing(
            name=name,
            value_db=estimates[name].value_db,
            low_db=finite(estimates[name].low_db),
            high_db=finite(estimates[name].high_db),
            best_place=place[name][0],
            worst_place=place[name][1],
        )
        for name in ordered
    )


def finite(value_db: float) -> float | None:
    """Return the end of an interval, None where it is open."""
    return float(value_db) if np.isfinite(value_db) else None
