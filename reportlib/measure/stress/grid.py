"""A grid of time constants, each point solved for its cold level and losses.

The model is linear in these, so that only time constants and the cooling ratio need searching
(variable projection, Golub & Pereyra 1973). All points of a grid share one table of inner
products: the constant is taken out of it first, and what is left is two equations at most.

The model is a first-order low-pass of "playing or not":

A term heats with its time constant τ while the multitone plays and cools with κ·τ in a pause;
its state runs from 0 (cold) to 1 (as hot as it gets). Whatever the drive does to τ is in τ: it
is that of the loss, not of the thermal network.

Noise whose neighbours are correlated is weighed so:

First-order autoregressive noise of correlation ρ within each unbroken run of periods, of unit
innovation. With V its covariance, XᵀV⁻¹X is a quadratic in ρ, so that three plain products of
the columns serve every ρ (Prais & Winsten 1954; from memory).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reportlib.session.records import BoolArray, FloatArray, freeze, same_length


@dataclass(frozen=True, eq=False, kw_only=True)
class History:
    """Stages and pauses of one level, and the periods that a track has values for.

    Attributes
    ----------
    period_s : the multitone's period
    spans_s : shape (stages, 2), start and end of each multitone on the level's clock, from the
        first one's start; ends before the first stage whose start is not known
    centre_s : shape (n,), middle of each used period on that clock, rising; the first period of
        each stage is left out
    stage : shape (n,), which of the spans a period lies in
    """

    period_s: float
    spans_s: FloatArray
    centre_s: FloatArray
    stage: NDArray[np.intp]

    def __post_init__(self) -> None:
        freeze(self, ("spans_s", "centre_s"))
        freeze(self, ("stage",), dtype=np.intp)
        same_length(self, ("centre_s", "stage"))

    @property
    def record_s(self) -> float:
        """Stress that was listened to, in s: in each stage up to its last used period."""
        ends = [
            float(self.centre_s[self.stage == one].max()) + 0.5 * self.period_s - start
            for one, (start, _) in enumerate(self.spans_s)
            if np.any(self.stage == one)
        ]
        return float(sum(ends))

    @property
    def stress_s(self) -> float:
        """Stress of all stages, in s."""
        return float(np.sum(self.spans_s[:, 1] - self.spans_s[:, 0]))

    @property
    def pause_measured(self) -> bool:
        """Whether a pause lies between used periods, or before the first of them."""
        return bool(self.stage.size) and int(self.stage.max()) > 0

    @property
    def follows(self) -> BoolArray:
        """Which periods follow right upon the one before, in one stage; shape (n,)."""
        right_after = np.diff(self.centre_s) < 1.5 * self.period_s
        return np.concatenate(([False], right_after & (np.diff(self.stage) == 0)))


def period_states(history: History, *, time_constant_s: FloatArray, cooling: float) -> FloatArray:
    """Return the state averaged exactly over each used period.

    Within a stage that starts from state x₀ the average over a period p from t on is
    1 − (1 − x₀)·(τ/p)·(1 − e^(−p/τ))·e^(−t/τ), t from the stage's start.

    Parameters
    ----------
    time_constant_s : shape (k,)
    cooling : κ, how much slower it cools than it heats

    Returns
    -------
    shape (n, k)
    """
    begin, _ = stage_states(history.spans_s, time_constant_s=time_constant_s, cooling=cooling)
    since_s = history.centre_s - 0.5 * history.period_s - history.spans_s[history.stage, 0]
    in_period = history.period_s / time_constant_s
    average = -np.expm1(-in_period) / in_period
    left = np.exp(-since_s[:, np.newaxis] / time_constant_s)
    left *= ((1.0 - begin) * average)[history.stage]
    return np.asarray(1.0 - left)


def stage_states(
    spans_s: FloatArray, *, time_constant_s: FloatArray, cooling: float
) -> tuple[FloatArray, FloatArray]:
    """Return the states at each stage's start and at its end, each of shape (stages, k)."""
    state = np.zeros_like(time_constant_s)
    begin, end = [], []
    stopped_s = 0.0
    for start_s, stop_s in spans_s:
        state = state * np.exp(-(start_s - stopped_s) / (cooling * time_constant_s))
        begin.append(state)
        state = 1.0 - (1.0 - state) * np.exp(-(stop_s - start_s) / time_constant_s)
        end.append(state)
        stopped_s = stop_s
    return np.array(begin), np.array(end)


def heated_state(time_s: ArrayLike, *, time_constant_s: FloatArray) -> FloatArray:
    """Return the state after `time_s` of stress from cold, without a pause."""
    return np.asarray(-np.expm1(-np.asarray(time_s, dtype=np.float64) / time_constant_s))


def period_products(history: History, *, time_constant_s: FloatArray, cooling: float) -> FloatArray:
    """Return x·(1 − x) averaged exactly over each used period, x the state; shape (n, k)."""
    begin, _ = stage_states(history.spans_s, time_constant_s=time_constant_s, cooling=cooling)
    since_s = history.centre_s - 0.5 * history.period_s - history.spans_s[history.stage, 0]
    in_period = history.period_s / time_constant_s
    left = (1.0 - begin)[history.stage] * np.exp(-since_s[:, np.newaxis] / time_constant_s)
    once = left * -np.expm1(-in_period) / in_period
    twice = left**2 * -np.expm1(-2.0 * in_period) / (2.0 * in_period)
    return np.asarray(once - twice)


@dataclass(frozen=True, eq=False, kw_only=True)
class Products:
    """The products of q columns: shape (q, q) each, and how many unbroken runs there are."""

    plain: FloatArray
    squared: FloatArray
    lagged: FloatArray
    count: int
    runs: int

    def at(self, correlation: float) -> FloatArray:
        """Return XᵀV⁻¹X for one correlation; shape (q, q)."""
        return self.plain + correlation**2 * self.squared - correlation * self.lagged

    def log_scale(self, correlation: float) -> float:
        """Return ½·ln|V⁻¹|."""
        return 0.5 * self.runs * float(np.log1p(-(correlation**2)))


def products(columns: FloatArray, *, follows: BoolArray) -> Products:
    """Return the products of columns of shape (n, q); `follows`: see :class:`History`."""
    after, before = columns[follows], columns[:-1][follows[1:]]
    first = columns[~follows]
    lagged = after.T @ before
    return Products(
        plain=columns.T @ columns,
        squared=before.T @ before - first.T @ first,
        lagged=lagged + lagged.T,
        count=columns.shape[0],
        runs=first.shape[0],
    )


def whitened(columns: FloatArray, *, correlation: float, follows: BoolArray) -> FloatArray:
    """Return columns of shape (n, q) with the neighbours' correlation taken out of their noise."""
    out = np.sqrt(1.0 - correlation**2) * columns
    out[follows] = columns[follows] - correlation * columns[:-1][follows[1:]]
    return np.asarray(out)


SEPARATION = 3.0
"""A second time constant is at least so many times the first."""

_STEP = 1e-4  # of ln τ, for slopes
LEAST_DB = 0.003
"""Noise added to every period: what the model's form leaves open even where the track does not
(a two-stage network's loss of 2 dB is met by two exponentials to 0.0013 dB)."""

_TINY = 1e-14
_LEAST_SEEN = 1e-9  # mean square of a state about its mean, of 1 at most


@dataclass(frozen=True, eq=False, kw_only=True)
class Axes:
    """ln τ of the first and the second term, and the cooling ratio; one node where not fitted."""

    terms: int
    fast: FloatArray
    slow: FloatArray = field(default_factory=lambda: np.zeros(1))
    cooling: FloatArray = field(default_factory=lambda: np.ones(1))

    @property
    def log_time_constants(self) -> FloatArray:
        """Those of all columns in a row: first terms, then second ones."""
        return np.concatenate((self.fast, self.slow)[: self.terms]) if self.terms else np.zeros(0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Solved:
    """A grid at one correlation and cooling ratio; arrays of shape (fast, slow).

    Attributes
    ----------
    misfit : residual's sum of squares, whitened
    level_db : the level where no state weighs in; the cold level is this − Σ loss·`offset`
    losses_db, offset : shape (terms, fast, slow)
    inverse : shape (terms, terms, fast, slow), inverse products of the states' columns
    information : of the constant, 1ᵀV⁻¹1
    log_determinant : ln det XᵀV⁻¹X
    allowed : losses positive and time constants apart
    """

    misfit: FloatArray
    level_db: float
    losses_db: FloatArray
    offset: FloatArray
    inverse: FloatArray
    information: float
    log_determinant: FloatArray
    allowed: BoolArray


def grid_products(
    track_db: FloatArray, *, history: History, axes: Axes, cooling: float, slopes: bool = False
) -> Products:
    """Return the products of constant, track, states and, where asked for, the states' slopes."""
    tau = np.exp(axes.log_time_constants)
    columns = [np.ones((track_db.size, 1)), track_db[:, np.newaxis]]
    if tau.size:
        states = -period_states(history, time_constant_s=tau, cooling=cooling)
        columns.append(states)
        if slopes:
            later = -period_states(history, time_constant_s=tau * np.exp(_STEP), cooling=cooling)
            columns.append((later - states) / _STEP)
    return products(np.hstack(columns), follows=history.follows)


def solved(table: Products, *, axes: Axes, correlation: float) -> Solved:
    """Solve every point of a grid for its cold level and losses."""
    full = table.at(correlation)
    information, along = float(full[0, 0]), full[0] / full[0, 0]
    left = full - np.outer(full[0], along)
    floor = table.count * LEAST_DB**2 * (1.0 + correlation**2)
    total = max(float(left[1, 1]), 0.0) + floor
    first, second = _state_slices(axes)
    shape = (axes.fast.size, axes.slow.size)
    # A term that had settled before the first period is no more than the constant.
    least = _LEAST_SEEN * table.count
    a = np.diagonal(left[first, first])[:, np.newaxis]
    seen, a = a > least, np.maximum(a, least)
    u = left[first, 1][:, np.newaxis]
    if axes.terms == 0:
        losses, offset = np.zeros((0, *shape)), np.zeros((0, *shape))
        inverse = np.zeros((0, 0, *shape))
        misfit, determinant = np.full(shape, total), np.ones(shape)
        seen = np.ones(shape, dtype=np.bool_)
    elif axes.terms == 1:
        losses, offset = (u / a)[np.newaxis], along[first][np.newaxis, :, np.newaxis]
        inverse = (1.0 / a)[np.newaxis, np.newaxis]
        misfit, determinant = total - u * losses[0], a
    else:
        b, c = left[first, second], np.diagonal(left[second, second])[np.newaxis]
        seen, c = seen & (c > least), np.maximum(c, least)
        v = left[second, 1][np.newaxis]
        determinant = np.maximum(a * c - b * b, _TINY * a * c)
        inverse = np.array([[c + 0.0 * b, -b], [-b, a + 0.0 * b]]) / determinant
        losses = np.array([inverse[0, 0] * u + inverse[0, 1] * v, inverse[1, 0] * u
                           + inverse[1, 1] * v])  # fmt: skip
        offset = np.array([along[first][:, np.newaxis] + 0.0 * b, along[second] + 0.0 * b])
        misfit = total - losses[0] * u - losses[1] * v
    apart = axes.slow - axes.fast[:, np.newaxis] >= np.log(SEPARATION) - 1e-9
    return Solved(
        misfit=np.maximum(misfit, floor),
        level_db=float(along[1]),
        losses_db=losses,
        offset=offset,
        inverse=inverse,
        information=information,
        log_determinant=np.log(information * determinant),
        allowed=np.all(losses > 0.0, axis=0) & (apart | (axes.terms < 2)) & seen,
    )


def log_likelihood(point: Solved, *, table: Products, axes: Axes, correlation: float) -> FloatArray:
    """Return the log-likelihood with the linear parameters and the noise's size integrated out.

    Restricted likelihood (Patterson & Thompson 1971): what is fitted does not pass for noise,
    nor make it look less correlated than it is. −inf where a point is not allowed.
    """
    freedom = table.count - 1 - axes.terms
    value = -0.5 * freedom * np.log(point.misfit) - 0.5 * point.log_determinant
    return np.where(point.allowed, value + table.log_scale(correlation), -np.inf)


def restricted_profile(table: Products, *, correlations: FloatArray) -> FloatArray:
    """Return the same at a grid's only point, for many correlations; shape as `correlations`."""
    rho = correlations[:, np.newaxis, np.newaxis]
    full = table.plain + rho**2 * table.squared - rho * table.lagged
    known = [0, *range(2, full.shape[1])]
    inner, along = full[:, known][:, :, known], full[:, known, 1]
    inner = inner + 1e-12 * np.trace(inner, axis1=1, axis2=2)[:, np.newaxis, np.newaxis] * np.eye(
        len(known)
    )
    answer = np.linalg.solve(inner, along[..., np.newaxis])[..., 0]
    misfit = full[:, 1, 1] - np.sum(along * answer, axis=1)
    floor = table.count * LEAST_DB**2 * (1.0 + correlations**2)
    freedom = table.count - len(known)
    scale = np.array([table.log_scale(float(one)) for one in correlations])
    determinant = np.linalg.slogdet(inner)[1]
    return np.asarray(
        -0.5 * freedom * np.log(np.maximum(misfit, 0.0) + floor) - 0.5 * determinant + scale
    )


def log_volume(table: Products, *, axes: Axes, correlation: float, point: Solved) -> FloatArray:
    """Return ln of the volume that a cell of the grid covers among the fitted tracks.

    Jeffreys' prior for the time constants: √det of the information on them that the linear
    parameters leave. `table` must hold slopes.
    """
    if axes.terms == 0:
        return np.zeros(point.misfit.shape)
    full = table.at(correlation)
    left = full - np.outer(full[0], full[0] / full[0, 0])
    states = _state_slices(axes)[: axes.terms]
    shift = axes.log_time_constants.size
    slopes = [slice(one.start + shift, one.stop + shift) for one in states]
    sizes = [axes.fast.size, axes.slow.size]

    def across(terms: tuple[int, int], columns: tuple[slice, slice]) -> FloatArray:
        """Products of columns of two terms on the grid, shape (fast, slow) or alike."""
        block = left[columns]
        if terms[0] == terms[1]:
            block = np.diagonal(block)
            return block[:, np.newaxis] if terms[0] == 0 else block[np.newaxis]
        return block if terms[0] == 0 else block.T

    terms = range(axes.terms)
    mixed = [[across((i, j), (slopes[i], states[j])) for j in terms] for i in terms]
    inverse = point.inverse
    information = [
        [
            across((i, j), (slopes[i], slopes[j]))
            - sum(mixed[i][k] * inverse[k, m] * mixed[j][m] for k in terms for m in terms)
            for j in terms
        ]
        for i in terms
    ]
    determinant = information[0][0]
    if axes.terms == 2:
        determinant = determinant * information[1][1] - information[0][1] ** 2
    losses = np.sum(np.log(np.maximum(point.losses_db, _TINY)), axis=0)
    volume = 0.5 * np.log(np.maximum(determinant, _TINY**2)) + losses
    return np.asarray(np.broadcast_to(volume, sizes))


def _state_slices(axes: Axes) -> tuple[slice, slice]:
    """Where the first and the second terms' columns stand, after constant and track."""
    first = slice(2, 2 + (axes.fast.size if axes.terms else 0))
    second = slice(first.stop, first.stop + (axes.slow.size if axes.terms == 2 else 0))
    return first, second
