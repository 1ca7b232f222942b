"""Which time constants a track allows, each with its weight, and the likeliest of them.

The weight of a grid point is its restricted likelihood times the volume that its cell covers
among the fitted tracks (Jeffreys' prior), over the noise's correlation as well. It does not
depend on how time constants are written, falls off where they can't be told apart, and gives
95 % intervals that hold in repeated sampling to a good approximation, as the study in
`tests/measure/test_thermal_study.py` measures.
"""

from dataclasses import dataclass, replace

import numpy as np

from reportlib.measure.stress.grid import (
    SEPARATION,
    Axes,
    History,
    Solved,
    grid_products,
    log_likelihood,
    log_volume,
    period_states,
    restricted_profile,
    solved,
    whitened,
)
from reportlib.session.records import FloatArray

COOLING_RANGE = (1.0, 1.6)

_LONGEST_S = 7200.0
_NODES = (1, 41, 25)  # of each time constant, for no, one and two terms
_COOLING_NODES = 5
_CORRELATION_NODES = 5
_ROUNDS = 8
_SUPPORT = 12.0  # what weighs less than e⁻¹² of the most is cut off
_ENOUGH = 0.6  # of an axis' cells in use: it is narrow enough
_SETTLED = 0.05
_ROOM = 0.1  # of ln τ
_FIRST_GUESS = 0.3


@dataclass(frozen=True, eq=False, kw_only=True)
class Slice:
    """The grid at one correlation and one cooling ratio, with ln weights."""

    correlation: float
    cooling: float
    point: Solved
    log_weight: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Weighed:
    """A track's grid for a number of terms.

    Attributes
    ----------
    correlation : ρ of the noise's neighbours, the likeliest
    best : ln τ of each term and the cooling ratio at the likeliest point
    count : n
    """

    axes: Axes
    correlation: float
    best: tuple[float, float, float]
    slices: tuple[Slice, ...]
    count: int

    def time_constants_s(self, term: int, quantiles: FloatArray) -> FloatArray:
        """Return quantiles of one term's time constant."""
        axis = (self.axes.fast, self.axes.slow)[term]
        weight = np.exp(self.log_weight - np.max(self.log_weight))
        density = np.sum(weight, axis=(0, 2 - term))
        area = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))))
        return np.asarray(np.exp(np.interp(quantiles, area / area[-1], axis)))

    def correlations(self) -> list[tuple[float, float]]:
        """Return each correlation of the noise with its share of the weight."""
        weight = np.exp(self.log_weight - np.max(self.log_weight)).sum(axis=(1, 2))
        each = np.array([one.correlation for one in self.slices])
        return [
            (float(one), float(weight[each == one].sum() / weight.sum())) for one in np.unique(each)
        ]

    @property
    def log_weight(self) -> FloatArray:
        """Shape (slices, fast, slow)."""
        return np.array([one.log_weight for one in self.slices])


@dataclass(frozen=True, eq=False, kw_only=True)
class Narrowed:
    """A grid that is narrow enough: its axes, its best point, and the noise's correlation.

    `losses_db` of shape (terms,) are those of the best point, `nodes` and `profile`
    correlations and their log-likelihood there.
    """

    axes: Axes
    best: tuple[float, float, float]
    losses_db: FloatArray
    correlation: float
    nodes: FloatArray
    profile: FloatArray


def narrowed(track_db: FloatArray, *, history: History, start: Axes) -> Narrowed | None:
    """Narrow a grid to what a track allows, None where no point has losses above zero.

    Parameters
    ----------
    track_db : shape (n,), its mean taken off
    start : from :func:`whole_range`, or narrowed before
    """
    axes, correlation, terms = start, _FIRST_GUESS, start.terms
    for _ in range(_ROUNDS):
        found = _likelihoods(track_db, history=history, axes=axes, correlation=correlation)
        if not np.any(np.isfinite(found)):
            return None
        k, i, j = np.unravel_index(int(np.argmax(found)), found.shape)
        best = (float(axes.fast[i]), float(axes.slow[j]), float(axes.cooling[k]))
        before = correlation
        nodes, profile = _correlations(track_db, history=history, terms=terms, best=best)
        correlation = float(nodes[np.argmax(profile)])
        narrower, enough = _narrowed(axes, found)
        if terms == 0 or (enough and abs(correlation - before) < _SETTLED):
            break
        axes = narrower
    one = _one_point(terms, best)
    table = grid_products(track_db, history=history, axes=one, cooling=best[2])
    return Narrowed(
        axes=axes,
        best=best,
        losses_db=solved(table, axes=one, correlation=correlation).losses_db[:, 0, 0],
        correlation=correlation,
        nodes=nodes,
        profile=profile,
    )


def weighed(track_db: FloatArray, *, history: History, grid: Narrowed) -> Weighed | None:
    """Weigh a narrowed grid, None where nothing weighs."""
    axes, correlation = grid.axes, grid.correlation
    likely = grid.nodes[grid.profile > grid.profile.max() - 0.5 * _SUPPORT]
    low, high = np.arctanh(likely[[0, -1]])
    spread = np.tanh(np.linspace(low, high, _CORRELATION_NODES))
    slices = [
        one
        for cooling in axes.cooling
        for one in _slices(
            track_db,
            history=history,
            axes=axes,
            cooling=float(cooling),
            correlation=correlation,
            spread=spread,
        )
    ]
    if not any(np.any(np.isfinite(one.log_weight)) for one in slices):
        return None
    return Weighed(
        axes=axes,
        correlation=correlation,
        best=grid.best,
        slices=tuple(slices),
        count=track_db.size,
    )


def whole_range(history: History, *, terms: int) -> Axes:
    """Return the grid over every time constant that can be asked about."""
    if terms == 0:
        return Axes(terms=0, fast=np.zeros(1))
    longest = np.log(max(10.0 * history.record_s, _LONGEST_S))
    shortest, apart, nodes = np.log(history.period_s), np.log(SEPARATION), _NODES[terms]
    cooling = np.linspace(*COOLING_RANGE, _COOLING_NODES)
    return Axes(
        terms=terms,
        fast=np.linspace(shortest, longest - (apart if terms == 2 else 0.0), nodes),
        slow=np.linspace(shortest + apart, longest, nodes) if terms == 2 else np.zeros(1),
        cooling=cooling if history.pause_measured else np.ones(1),
    )


def widened(axes: Axes, *, history: History) -> Axes:
    """Return axes of a narrowed grid with room for a best point that has moved a little."""
    whole = whole_range(history, terms=axes.terms)

    def wide(axis: FloatArray, most: FloatArray) -> FloatArray:
        room = max(0.5 * float(axis[-1] - axis[0]), _ROOM)
        return np.linspace(max(axis[0] - room, most[0]), min(axis[-1] + room, most[-1]), axis.size)

    return replace(
        whole,
        fast=wide(axes.fast, whole.fast),
        slow=wide(axes.slow, whole.slow) if axes.terms == 2 else axes.slow,
    )


def _likelihoods(
    track_db: FloatArray, *, history: History, axes: Axes, correlation: float
) -> FloatArray:
    """Log-likelihood over (cooling, fast, slow) at one correlation."""
    found = []
    for cooling in axes.cooling:
        table = grid_products(track_db, history=history, axes=axes, cooling=float(cooling))
        point = solved(table, axes=axes, correlation=correlation)
        found.append(log_likelihood(point, table=table, axes=axes, correlation=correlation))
    return np.array(found)


def _correlations(
    track_db: FloatArray, *, history: History, terms: int, best: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return correlations and the log-likelihood of each at one point of the grid."""
    axes = _one_point(terms, best)
    table = grid_products(track_db, history=history, axes=axes, cooling=best[2])
    nodes = np.tanh(np.linspace(-0.5, 2.4, 30))
    return nodes, restricted_profile(table, correlations=nodes)


def _slices(
    track_db: FloatArray,
    *,
    history: History,
    axes: Axes,
    cooling: float,
    correlation: float,
    spread: FloatArray,
) -> list[Slice]:
    """Weigh the grid at one cooling ratio, for each correlation in `spread`.

    Correlations have Jeffreys' prior for first-order autoregression, 1/√(1 − ρ²) (an even one
    gave intervals that held less often at ρ = 0.8); their nodes are even in artanh ρ.
    """
    table = grid_products(track_db, history=history, axes=axes, cooling=cooling, slopes=True)
    likeliest = solved(table, axes=axes, correlation=correlation)
    volume = log_volume(table, axes=axes, correlation=correlation, point=likeliest)
    made = []
    for one in spread:
        point = solved(table, axes=axes, correlation=float(one))
        value = log_likelihood(point, table=table, axes=axes, correlation=float(one))
        made.append(
            Slice(
                correlation=float(one),
                cooling=cooling,
                point=point,
                log_weight=value
                + np.where(likeliest.allowed, volume, -np.inf)
                + 0.5 * float(np.log1p(-(one**2))),
            )
        )
    return made


def _narrowed(axes: Axes, found: FloatArray) -> tuple[Axes, bool]:
    """Cut each axis to what weighs anything, and say whether all were narrow enough before."""

    def cut(axis: FloatArray, others: tuple[int, int]) -> tuple[FloatArray, bool]:
        if axis.size == 1:
            return axis, True
        weight = found.max(axis=others)
        kept = np.flatnonzero(weight > weight.max() - _SUPPORT)
        low, high = max(kept[0] - 1, 0), min(kept[-1] + 1, axis.size - 1)
        wide = bool(high - low >= _ENOUGH * (axis.size - 1))
        return np.linspace(axis[low], axis[high], axis.size), wide

    fast, fast_enough = cut(axes.fast, (0, 2))
    slow, slow_enough = cut(axes.slow, (0, 1))
    cooling, cooling_enough = cut(axes.cooling, (1, 2))
    enough = fast_enough and slow_enough and cooling_enough
    return replace(axes, fast=fast, slow=slow, cooling=cooling), enough


def _one_point(terms: int, best: tuple[float, float, float]) -> Axes:
    return Axes(terms=terms, fast=np.array(best[:1]), slow=np.array(best[1:2]))


@dataclass(frozen=True, eq=False, kw_only=True)
class Estimate:
    """One fit: terms, the faster first, and what it leaves.

    Attributes
    ----------
    time_constants_s, losses_db : shape (terms,)
    cooling : ratio of cooling and heating, where a pause was measured
    fitted_db : shape (n,)
    misfit : the residual's sum of squares, its neighbours' correlation taken out
    """

    time_constants_s: FloatArray
    losses_db: FloatArray
    cooling: float
    cold_db: float
    fitted_db: FloatArray
    misfit: float


def likeliest(
    track_db: FloatArray, *, history: History, grid: Weighed, correlation: float
) -> Estimate:
    """Refine the grid's best point by least squares, at a given correlation of the noise.

    Where a time constant runs away (a straight line is a slow term of any size) it is put at the
    middle of what it may be.
    """
    terms = grid.axes.terms
    free = grid.axes.cooling.size > 1
    follows = history.follows

    def nonlinear(point: FloatArray) -> tuple[FloatArray, float]:
        cooling = float(np.clip(point[-1], *COOLING_RANGE)) if free else grid.best[2]
        return np.exp(np.clip(point[:terms], -20.0, 20.0)), cooling

    def solved(point: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Linear parameters, fitted values, whitened residual."""
        tau, cooling = nonlinear(point)
        states = period_states(history, time_constant_s=tau, cooling=cooling)
        columns = np.column_stack([np.ones(track_db.size), -states])
        white = whitened(
            np.column_stack([columns, track_db]), correlation=correlation, follows=follows
        )
        answer = np.asarray(np.linalg.lstsq(white[:, :-1], white[:, -1])[0], dtype=np.float64)
        fitted: FloatArray = columns @ answer
        return answer, fitted, np.asarray(white[:, -1] - white[:, :-1] @ answer)

    point = np.array([*grid.best[:terms], *([grid.best[2]] if free else [])])
    if point.size:
        from scipy.optimize import least_squares  # a fifth of a second, where nothing else did

        found = least_squares(lambda tried: solved(tried)[2], point, method="lm", x_scale=0.1).x
        point = (
            found if _stands(found, losses_db=solved(found)[0][1:], grid=grid) else _middle(grid)
        )
    answer, fitted, residual = solved(point)
    tau, cooling = nonlinear(point)
    return Estimate(
        time_constants_s=tau,
        losses_db=answer[1:],
        cooling=cooling,
        cold_db=float(answer[0]),
        fitted_db=fitted,
        misfit=float(residual @ residual),
    )


def _stands(point: FloatArray, *, losses_db: FloatArray, grid: Weighed) -> bool:
    """Whether a point is one that the model allows, and has not run out of what was weighed."""
    axes = (grid.axes.fast, grid.axes.slow)[: grid.axes.terms]
    within = [
        axis[0] <= value <= axis[-1] for axis, value in zip(axes, point[: len(axes)], strict=True)
    ]
    apart = len(axes) < 2 or point[1] - point[0] >= np.log(SEPARATION)
    return all(within) and bool(apart and np.all(losses_db > 0.0))


def _middle(grid: Weighed) -> FloatArray:
    """Return the medians: where the likeliest point lies at the edge of what can be asked about."""
    terms = grid.axes.terms
    point = [float(np.log(grid.time_constants_s(one, np.array(0.5)))) for one in range(terms)]
    if terms == 2:
        point[1] = max(point[1], point[0] + float(np.log(SEPARATION)))
    return np.array([*point, *([grid.best[2]] if grid.axes.cooling.size > 1 else [])])
