"""The thermal fit: how a group of tones lost level over time, and how well that is known."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.candidates import LEAST_DB
from reportlib.soak.described import described, stepped
from reportlib.soak.draws import drawn, mixed_draws
from reportlib.soak.estimate import Estimate, likeliest
from reportlib.soak.feedback import Feedback, feedback
from reportlib.soak.history import History
from reportlib.soak.steps import step_in
from reportlib.soak.unseen import with_slow_heating
from reportlib.soak.weighing import Weighed, narrowed, weighed, whole_range, widened
from reportlib.soaked import ThermalFit

FEWEST_PERIODS = 6
MOST_TERMS = 2
LEAST_GAIN = 6.0
"""AICc that a further term must gain (a judgement, no source)."""

_DRAWS = 3000


def thermal_fit(track_db: FloatArray, *, history: History) -> tuple[ThermalFit, FloatArray] | None:
    """Fit cold level, losses and time constants to a track.

    D_m = c − Σ A_j·x_j, x_j the average over period m of a first-order low-pass of "playing or
    not", stages and pauses in one. None, one or two terms: a further one must gain more than 6 in
    AICc, at the correlation that two terms leave in the noise. Before they are compared, what
    falling power does to the shape of a loss (`feedback`) is taken off, else one hot coil
    passes for two time constants. Cold level, loss at the end and projection carry what the
    number of terms leaves open as well (Akaike weights, Burnham & Anderson 2002).

    A term faster than one period passes for a lower cold level: that can't be told here. Losses
    are positive: a track that rises has no terms.

    Parameters
    ----------
    track_db : shape (n,), finite, on any scale

    Returns
    -------
    The fit and its values at `history.centre_s`, or None where there are too few periods.
    """
    if track_db.size < FEWEST_PERIODS:
        return None
    mean_db = float(np.mean(track_db))
    track = np.asarray(track_db - mean_db)
    tried = [_prepared(track, history=history, terms=terms) for terms in range(MOST_TERMS + 1)]
    ready = [one for one in tried if one is not None]
    correlation = ready[-1].grid.correlation
    estimates = [
        likeliest(one.track_db, history=history, grid=one.grid, correlation=correlation)
        for one in ready
    ]
    scores = [_aicc(one, history=history) for one in estimates]
    index = _chosen(scores)
    chosen, estimate = ready[index], estimates[index]
    residual = chosen.track_db - estimate.fitted_db
    if step_in(residual, follows=history.follows):
        flat = np.full(track.size, mean_db)
        return stepped(track, history=history, mean_db=mean_db), flat
    draws = [
        drawn(one.grid, spans_s=history.spans_s, effect=one.effect, count=_DRAWS) for one in ready
    ]
    fit = described(
        estimate,
        grid=chosen.grid,
        own=draws[index],
        mixed=mixed_draws(draws, weights=np.exp(-0.5 * (np.array(scores) - min(scores)))),
        unseen_db=with_slow_heating(
            chosen.track_db,
            history=history,
            estimate=estimate,
            grid=chosen.grid,
            count=_DRAWS,
        ),
        history=history,
        lift_db=chosen.effect.lift_db,
        residual_db=residual,
        effective=_effective_count(track.size, correlation),
        mean_db=mean_db,
    )
    return fit, np.asarray(estimate.fitted_db - chosen.effect.shape_db + mean_db)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Prepared:
    """A number of terms: the grid, what is taken off the track first, and the rest of it."""

    grid: Weighed
    effect: Feedback
    track_db: FloatArray


def _prepared(track_db: FloatArray, *, history: History, terms: int) -> _Prepared | None:
    """Narrow the grid, take off what falling power does to the best fit's shape, and weigh."""
    rough = narrowed(track_db, history=history, start=whole_range(history, terms=terms))
    if rough is None:
        return None
    tau = np.exp(np.array(rough.best[:terms]))
    effect = feedback(
        track_db,
        history=history,
        time_constants_s=tau,
        losses_db=rough.losses_db,
        cooling=rough.best[2],
        correlation=rough.correlation,
    )
    rest = np.asarray(track_db + effect.shape_db)
    fine = (
        narrowed(rest, history=history, start=widened(rough.axes, history=history))
        if terms
        else rough
    )
    grid = None if fine is None else weighed(rest, history=history, grid=fine)
    return None if grid is None else _Prepared(grid=grid, effect=effect, track_db=rest)


def _aicc(estimate: Estimate, *, history: History) -> float:
    """Return AICc (Hurvich & Tsai 1989), the neighbours' correlation taken out of the residual.

    Its n is that of the innovations, which are independent: what n·(1 − ρ)/(1 + ρ) is to a plain
    sum of squares, taking ρ out is to this one.
    """
    terms, count = estimate.losses_db.size, estimate.fitted_db.size
    parameters = 2 + 2 * terms + (1 if terms and history.pause_measured else 0)
    spare = count - parameters - 1
    if spare <= 0:
        return math.inf if terms else 0.0
    misfit = max(estimate.misfit, count * LEAST_DB**2)
    return count * math.log(misfit) + 2.0 * parameters * (1.0 + (parameters + 1) / spare)


def _chosen(scores: Sequence[float]) -> int:
    index = 0
    for further in range(1, len(scores)):
        if scores[index] - scores[further] > LEAST_GAIN:
            index = further
    return index


def _effective_count(count: int, correlation: float) -> float:
    """n·(1 − ρ)/(1 + ρ), at most n."""
    positive = max(correlation, 0.0)
    return count * (1.0 - positive) / (1.0 + positive)
