"""What follows from a weighed grid, as draws; what slow heating would add.

Propagation of distributions (JCGM 101:2008): a point of the grid by its weight, the noise's
size and the linear parameters given that point, then the quantity itself. The generator's seed
is fixed, so that one track always gives one answer.

On a voltage drive (P = V²/R) a coil takes less power the hotter it gets. Its loss then rises
faster at first than an exponential that fits the rest of it, so that the exponential's intercept
lies below the cold level: by 0.03 dB at a loss of 2 dB, by more where periods are long against
the time constant. With x the state of the low-pass, the loss is close to

    A·[x + g·ε·A·x·(1 − x)],   ε = ln(10)/40 · (1 + 0.26·A) a dB,

the leading term of dk/dt = (a/k − (k − 1))/τ with k = 10^(loss/20), the bracket fitted to its exact
initial slope at 1, 2 and 4 dB (own derivation). g is 1 where the impedance is all resistance, 0
where the power stays the same, and more than 1 where a small loss hides a hot coil.

Magnets, frames and cabinets warm within tens of minutes (common practice, no source). A record of
a minute or two may show nothing of it and yet not exclude some tenths of a dB after ten.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from reportlib.measure.stress.grid import (
    History,
    heated_state,
    period_products,
    period_states,
    stage_states,
    whitened,
)
from reportlib.measure.stress.weighing import Estimate, Weighed
from reportlib.session.records import FloatArray

STRONGEST = 2.0
"""g beforehand: as likely anywhere from 0 to here (a judgement; no source)."""

_LEADING = np.log(10.0) / 40.0
_GROWTH = 0.26
_STEP = 1e-4
_FORM = 0.3  # of g: what the form of ε leaves open (network losses of 1-4 dB, measured)
_VAGUE = 50.0  # a standard uncertainty of g beyond which the track says nothing of it


@dataclass(frozen=True, eq=False, kw_only=True)
class Feedback:
    """What is taken off before an exponential is fitted.

    Attributes
    ----------
    shape_db : shape (n,), the part of the effect that no change of the fit's parameters explains
    lift_db : by how much the cold level lies above the fit's intercept
    full_lift_db : the same for g = 1
    strength, strength_u : what the track says of g: its likelihood's middle and width
    """

    shape_db: FloatArray
    lift_db: float = 0.0
    full_lift_db: float = 0.0
    strength: float = 0.0
    strength_u: float = _VAGUE

    def lifts_db(self, share: FloatArray) -> FloatArray:
        """Return the quantiles of the lift for shares between 0 and 1."""
        width = float(np.hypot(self.strength_u, _FORM))
        return self.full_lift_db * _strengths(self.strength, width, share=share)


def feedback(
    track_db: FloatArray,
    *,
    history: History,
    time_constants_s: FloatArray,
    losses_db: FloatArray,
    cooling: float,
    correlation: float,
) -> Feedback:
    """Return the effect on a fit with these terms, as strong as the track shows it.

    By least squares the effect is split into what a shift of intercept, losses, time constants
    and cooling ratio would do, and the rest; how much of the rest is in the track tells g, for
    which the middle of what it may be is taken.

    Parameters
    ----------
    track_db : shape (n,)
    time_constants_s, losses_db : shape (terms,)
    correlation : of the noise's neighbours
    """
    if losses_db.size == 0:
        return Feedback(shape_db=np.zeros(track_db.size))
    products = period_products(history, time_constant_s=time_constants_s, cooling=cooling)
    effect = products @ (_LEADING * (1.0 + _GROWTH * losses_db) * losses_db**2)
    states = period_states(history, time_constant_s=time_constants_s, cooling=cooling)
    longer = period_states(
        history, time_constant_s=time_constants_s * np.exp(_STEP), cooling=cooling
    )
    columns = np.column_stack([np.ones(effect.size), states, (longer - states) / _STEP])
    if history.pause_measured:
        slower = period_states(history, time_constant_s=time_constants_s, cooling=cooling + _STEP)
        columns = np.column_stack([columns, (slower - states) @ losses_db / _STEP])
    answer = np.linalg.lstsq(columns, effect)[0]
    shape, full_lift_db = effect - columns @ answer, float(answer[0])
    white = whitened(
        np.column_stack([columns, -shape, track_db]),
        correlation=correlation,
        follows=history.follows,
    )
    upper = np.linalg.qr(white).R
    spare = max(1, track_db.size - columns.shape[1] - 1)
    seen = abs(float(upper[-2, -2])) * np.sqrt(spare) + 1e-12
    strength_u = min(abs(float(upper[-1, -1])) / seen, _VAGUE) + 1e-6
    strength = float(upper[-2, -1] / upper[-2, -2]) if strength_u < _VAGUE else 0.0
    evenly = (np.arange(64) + 0.5) / 64
    likely = float(np.mean(_strengths(strength, strength_u, share=evenly)))
    return Feedback(
        shape_db=likely * shape,
        lift_db=likely * full_lift_db,
        full_lift_db=full_lift_db,
        strength=strength,
        strength_u=strength_u,
    )


def _strengths(middle: float, width: float, *, share: FloatArray) -> FloatArray:
    """Return quantiles of a normal distribution that is cut off at 0 and at `STRONGEST`."""
    # Beyond eight widths the distribution has run into its end.
    middle = float(np.clip(middle, -8.0 * width, STRONGEST + 8.0 * width))
    if middle > 0.5 * STRONGEST:  # the upper tail is exact where the lower one rounds to 1
        return STRONGEST - _strengths(STRONGEST - middle, width, share=1.0 - share)
    low, high = ndtr(-middle / width), ndtr((STRONGEST - middle) / width)
    return np.asarray(np.clip(middle + width * ndtri(low + share * (high - low)), 0.0, STRONGEST))


PROJECTED_S = 600.0
"""Stress without a pause that a loss is projected to."""

_SEED = 20240


@dataclass(frozen=True, eq=False, kw_only=True)
class Draws:
    """Draws from one track's fit.

    Attributes
    ----------
    cold_db, end_loss_db, projected_db : shape (m,)
    losses_db : shape (terms, m), of each term if the stress lasted for ever
    """

    cold_db: FloatArray
    end_loss_db: FloatArray
    projected_db: FloatArray
    losses_db: FloatArray


def drawn(grid: Weighed, *, spans_s: FloatArray, effect: Feedback, count: int) -> Draws:
    """Draw from a weighed grid; draws with a loss below zero are thrown away.

    Parameters
    ----------
    spans_s : shape (stages, 2), of the history
    effect : what falling power does, which lifts the cold level
    count : how many draws, before any is thrown away
    """
    generator = np.random.default_rng(_SEED)
    terms = grid.axes.terms
    weight = np.exp(grid.log_weight - np.max(grid.log_weight)).ravel()
    # Evenly through the cumulated weight: a sample of points without a lottery of its own.
    share = generator.permutation((np.arange(count) + generator.uniform()) / count)
    picked = np.searchsorted(np.cumsum(weight) / weight.sum(), share).clip(0, weight.size - 1)
    which, i, j = np.unravel_index(picked, grid.log_weight.shape)

    def of(values: list[FloatArray]) -> FloatArray:
        return np.array(values)[which, ..., i, j]

    points = [one.point for one in grid.slices]
    freedom = grid.count - 1 - terms
    misfit = of([point.misfit for point in points])
    noise_db = np.sqrt(misfit / generator.chisquare(freedom, count))
    normal = generator.standard_normal((count, 1 + terms))
    level_db = np.array([point.level_db for point in points])[which]
    information = np.array([point.information for point in points])[which]
    lift = effect.lifts_db(generator.uniform(size=count))
    cold = lift + level_db + noise_db / np.sqrt(information) * normal[:, 0]
    losses = np.zeros((count, 0))
    if terms:
        root = _root(of([point.inverse for point in points]))
        spread = np.einsum("mjk,mk->mj", root, normal[:, 1:]) * noise_db[:, np.newaxis]
        losses = of([point.losses_db for point in points]) + spread
        offset = of([np.broadcast_to(point.offset, point.losses_db.shape) for point in points])
        cold = cold - np.sum(losses * offset, axis=1)
    kept = np.all(losses > 0.0, axis=1)
    if not kept.any():
        kept[:] = True
    end, later = _weights(grid, spans_s=spans_s, picked=(which, i, j))
    return Draws(
        cold_db=cold[kept],
        end_loss_db=(lift + np.sum(losses * end, axis=1))[kept],
        projected_db=(lift + np.sum(losses * later, axis=1))[kept],
        losses_db=losses[kept].T,
    )


def _root(matrix: FloatArray) -> FloatArray:
    """Cholesky's root of one or two rows, shape (m, terms, terms), which rounding can't break."""
    root = np.zeros_like(matrix)
    root[:, 0, 0] = np.sqrt(matrix[:, 0, 0])
    if matrix.shape[1] == 2:
        root[:, 1, 0] = matrix[:, 1, 0] / root[:, 0, 0]
        root[:, 1, 1] = np.sqrt(np.maximum(matrix[:, 1, 1] - root[:, 1, 0] ** 2, 0.0))
    return root


def _weights(
    grid: Weighed,
    *,
    spans_s: FloatArray,
    picked: Sequence[NDArray[np.intp]],
) -> tuple[FloatArray, FloatArray]:
    """States at the end of the last stage, and after `PROJECTED_S`; shape (m, terms) each."""
    which, *nodes = picked
    cooling = [one.cooling for one in grid.slices]
    ends, laters = [], []
    for axis, node in zip((grid.axes.fast, grid.axes.slow)[: grid.axes.terms], nodes, strict=False):
        tau = np.exp(axis)
        by_cooling = {
            ratio: stage_states(spans_s, time_constant_s=tau, cooling=ratio)[1][-1]
            for ratio in set(cooling)
        }
        ends.append(np.array([by_cooling[ratio] for ratio in cooling])[which, node])
        laters.append(heated_state(PROJECTED_S, time_constant_s=tau)[node])
    empty = np.zeros((which.size, 0))
    return (np.array(ends).T, np.array(laters).T) if ends else (empty, empty)


def mixed_draws(draws: Sequence[Draws], *, weights: FloatArray) -> Draws:
    """Take from each fit's draws in proportion to its weight; `losses_db` is left empty."""
    shares = weights / np.max(weights)
    parts = [
        (one, slice(0, round(float(share) * one.cold_db.size)))
        for one, share in zip(draws, shares, strict=True)
    ]
    return Draws(
        cold_db=np.concatenate([one.cold_db[part] for one, part in parts]),
        end_loss_db=np.concatenate([one.end_loss_db[part] for one, part in parts]),
        projected_db=np.concatenate([one.projected_db[part] for one, part in parts]),
        losses_db=np.zeros((0, 0)),
    )


def half_width(value: float, draws: FloatArray) -> float:
    """Return the half-width around a value that holds 95 % of the draws."""
    return float(np.quantile(np.abs(draws - value), 0.95))


SLOW_S = 1800.0
"""Stands for all slow heating: within a record of 10 min its like is nearly a straight line."""

_SLOWEST_SEEN_S = SLOW_S / 3.0
_QUICKER = 3.0
"""Times as quick as a fit's fastest term: a second coil in one band (a judgement; no source)."""
_UNSEEN_SEED = 20241


def with_unseen_heating(
    track_db: FloatArray, *, history: History, estimate: Estimate, grid: Weighed, count: int
) -> tuple[Draws, ...]:
    """Draw from a fit that has one more term beside its own, a slow one or else a quick one.

    The slow one is left out where the fit holds some, the quick one where it would be over within
    a period.

    Parameters
    ----------
    track_db : shape (n,)
    grid : of the fit, for the noise's correlation and how well it is known
    count : how many draws, before those with a loss below zero are thrown away

    Returns
    -------
    Each without `losses_db`; empty where the periods are too few to tell
    """
    tau = estimate.time_constants_s
    unseen = [] if tau.size and tau[-1] > _SLOWEST_SEEN_S else [SLOW_S]
    if tau.size and tau[0] > _QUICKER * history.period_s:
        unseen.append(float(tau[0]) / _QUICKER)
    return tuple(
        _beside(one, track_db, history=history, estimate=estimate, grid=grid, count=count)
        for one in unseen
    )


def _beside(
    unseen_s: float,
    track_db: FloatArray,
    *,
    history: History,
    estimate: Estimate,
    grid: Weighed,
    count: int,
) -> Draws:
    """Draw from a fit that has a term of this time constant, and of any loss, beside its own.

    Time constants are linearised around the fit's, the further term's loss is positive and else
    as likely as any. Beside no term it may be a rise as well: that leaves open around "no change"
    what the track's own scatter does.
    """
    tau, losses = estimate.time_constants_s, estimate.losses_db
    rates = np.concatenate((tau, tau * np.exp(_STEP), [unseen_s]))
    states = period_states(history, time_constant_s=rates, cooling=estimate.cooling)
    terms = tau.size

    def parts(state: FloatArray) -> FloatArray:
        """By cold level (0), losses, time constants, and the further loss; (…, 2 + 2·terms)."""
        slopes = losses * (state[..., terms:-1] - state[..., :terms]) / _STEP
        none = np.zeros_like(state[..., :1])
        return np.concatenate((none, state[..., :terms], slopes, state[..., -1:]), axis=-1)

    columns = -parts(states)
    columns[:, 0] = 1.0
    ends = stage_states(history.spans_s, time_constant_s=rates, cooling=estimate.cooling)[1]
    later = heated_state(PROJECTED_S, time_constant_s=rates)
    wanted = np.array([np.eye(columns.shape[1])[0], parts(ends[-1]), parts(later)])
    spare = track_db.size - columns.shape[1]
    found = [np.empty((3, 0))]
    generator = np.random.default_rng(_UNSEEN_SEED)
    for correlation, share in grid.correlations() if spare >= 3 else ():
        white = whitened(
            np.column_stack([columns, track_db]), correlation=correlation, follows=history.follows
        )
        upper = np.linalg.qr(white).R
        inverse = np.linalg.pinv(upper[:-1, :-1])
        size = round(share * count)
        noise_db = np.abs(upper[-1, -1]) / np.sqrt(generator.chisquare(spare, size))
        spread = inverse @ generator.standard_normal((columns.shape[1], size)) * noise_db
        drawn = inverse @ upper[:-1, -1:] + spread
        found.append((wanted @ drawn)[:, (drawn[-1] > 0.0) | (terms == 0)])
    cold_db, end_db, later_db = np.concatenate(found, axis=1)
    return Draws(
        cold_db=cold_db, end_loss_db=end_db, projected_db=later_db, losses_db=np.zeros((0, 0))
    )
