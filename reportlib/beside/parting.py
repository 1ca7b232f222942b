"""Who is told apart from whom, and the places that follow.

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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.beside.equal_output import Estimate
from reportlib.compared import Parting, Standing

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
    from scipy.special import stdtrit

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
