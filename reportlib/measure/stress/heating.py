"""The thermal fit: how a group of tones lost level over time, and how well that is known.

A step in what a fit leaves is told apart: a limiter that sets in, a fuse that trips. No heating
does that.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.measure.stress.grid import LEAST_DB, History, heated_state, stage_states
from reportlib.measure.stress.projection import (
    PROJECTED_S,
    Draws,
    Feedback,
    drawn,
    feedback,
    half_width,
    mixed_draws,
    with_unseen_heating,
)
from reportlib.measure.stress.records import ThermalFit, ThermalTerm
from reportlib.measure.stress.weighing import (
    Estimate,
    Weighed,
    likeliest,
    narrowed,
    weighed,
    whole_range,
    widened,
)
from reportlib.session.records import BoolArray, FloatArray

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
    falling power does to the shape of a loss (`projection`) is taken off, else one hot coil
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
        unseen=with_unseen_heating(
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


COLD_KNOWN_DB = 0.3
WIDEST_DB = 0.5
"""A projection known no better is not given: as a point that is not usable (a judgement)."""

DRIFT_DB = 0.02
"""Half-width of what a room and a chain move by while it plays, which no fit can tell from heating
(a judgement; no source)."""

_RECORDS = 1.5  # a term is identifiable where the record is so many time constants
_HALF_WIDTH = 0.3  # and the half-width of its interval at most so much of it
_WORTH = 0.05  # of the loss at the end: a smaller term does not stand in a projection's way
_MIDDLE = np.array([0.025, 0.975])
_SURELY = np.array(0.9995)
_DOUBT = 1.5  # times as far in ln τ: where noise is correlated the interval itself is in doubt


def described(
    estimate: Estimate,
    *,
    grid: Weighed,
    own: Draws,
    mixed: Draws,
    unseen: Sequence[Draws],
    history: History,
    lift_db: float,
    residual_db: FloatArray,
    effective: float,
    mean_db: float,
) -> ThermalFit:
    """Write down a fit.

    A term is identifiable where the record is 1.5 of the longest time constant that its interval
    allows. Below 10 min of stress the projection allows for a slow part that was not seen, and is
    refused where that leaves it open by more than 0.5 dB.

    Parameters
    ----------
    own, mixed : draws from this number of terms, and from all of them
    unseen : draws that allow for heating that is not seen
    lift_db : by how much the cold level lies above the fit's intercept
    residual_db : shape (n,)
    effective : effective number of periods
    mean_db : what was taken off the track
    """
    tau, losses = estimate.time_constants_s, estimate.losses_db
    terms = tuple(
        _term(estimate, index=index, grid=grid, own=own, record_s=history.record_s)
        for index in range(losses.size)
    )
    end = stage_states(history.spans_s, time_constant_s=tau, cooling=estimate.cooling)[1][-1]
    end_loss_db = float(losses @ end) + lift_db
    later_db = float(losses @ heated_state(PROJECTED_S, time_constant_s=tau)) + lift_db
    cold_db = estimate.cold_db + lift_db
    cold_u95_db = half_width(cold_db, mixed.cold_db)
    end_u95_db = half_width(end_loss_db, mixed.end_loss_db)
    later_u95_db = half_width(later_db, mixed.projected_db)
    for one in unseen:
        if one.projected_db.size:
            cold_u95_db = max(cold_u95_db, half_width(cold_db, one.cold_db + lift_db))
            end_u95_db = max(end_u95_db, half_width(end_loss_db, one.end_loss_db + lift_db))
            later_u95_db = max(later_u95_db, half_width(later_db, one.projected_db + lift_db))
        elif history.stress_s < PROJECTED_S:
            later_u95_db = np.inf
    end_u95_db, later_u95_db = (math.hypot(one, DRIFT_DB) for one in (end_u95_db, later_u95_db))
    told = history.stress_s >= PROJECTED_S or all(
        term.identifiable or loss < _WORTH * float(losses @ end)
        for term, loss in zip(terms, losses * end, strict=True)
    )
    refusal = ""
    if not told:
        slowest = max((one for one in terms if not one.identifiable), key=lambda one: one.loss_db)
        refusal = _untold(slowest, record_s=history.record_s)
    elif history.stress_s < PROJECTED_S and later_u95_db > WIDEST_DB:
        refusal = (
            f"{_spoken(history.record_s)} of stress leave it open by more than {WIDEST_DB:g} dB."
        )
    spare = max(1, residual_db.size - 1 - 2 * losses.size)
    return ThermalFit(
        terms=terms,
        cold_db=cold_db + mean_db,
        cold_u95_db=cold_u95_db,
        cold_known=cold_u95_db <= COLD_KNOWN_DB,
        end_loss_db=end_loss_db,
        end_loss_u95_db=end_u95_db,
        cooling_ratio=estimate.cooling if history.pause_measured and terms else None,
        projected_600_s_db=None if refusal else later_db,
        projected_u95_db=None if refusal else later_u95_db,
        refusal=refusal,
        residual_db=float(np.sqrt(np.sum(np.square(residual_db)) / spare)),
        effective_count=effective,
    )


def stepped(track_db: FloatArray, *, history: History, mean_db: float) -> ThermalFit:
    """Write down a track that moved in a step: no terms, no cold level, and why.

    What it lost is counted from its first period to its last ones.
    """
    first, last = float(track_db[0]), float(np.median(track_db[-5:]))
    range_db = float(np.ptp(track_db))
    return ThermalFit(
        terms=(),
        cold_db=first + mean_db,
        cold_u95_db=range_db,
        cold_known=False,
        end_loss_db=first - last,
        end_loss_u95_db=range_db,
        cooling_ratio=None,
        projected_600_s_db=None,
        projected_u95_db=None,
        refusal="The level moved in a step, which no heating explains.",
        residual_db=float(np.std(track_db)),
        effective_count=float(np.count_nonzero(~history.follows)),
    )


def _term(
    estimate: Estimate, *, index: int, grid: Weighed, own: Draws, record_s: float
) -> ThermalTerm:
    tau, loss = float(estimate.time_constants_s[index]), float(estimate.losses_db[index])
    low, high = (float(one) for one in grid.time_constants_s(index, _MIDDLE))
    longest = tau * max(float(grid.time_constants_s(index, _SURELY)) / tau, 1.0) ** _DOUBT
    least, most = (float(one) for one in np.quantile(own.losses_db[index], _MIDDLE))
    low, high, least, most = min(low, tau), max(high, tau), min(least, loss), max(most, loss)
    return ThermalTerm(
        time_constant_s=tau,
        time_constant_low_s=low,
        time_constant_high_s=high,
        loss_db=loss,
        loss_low_db=least,
        loss_high_db=most,
        # The record must be long enough for the longest time constant that it may be, not only
        # for the likeliest: a short record makes a long time constant look shorter.
        identifiable=record_s >= _RECORDS * longest and 0.5 * (high - low) <= _HALF_WIDTH * tau,
    )


def _untold(term: ThermalTerm, *, record_s: float) -> str:
    if record_s < _RECORDS * term.time_constant_high_s:
        return (
            f"{_spoken(record_s)} of stress are too short for a slow part that may take "
            f"{_spoken(term.time_constant_high_s)} to come."
        )
    return f"How fast it comes, in about {_spoken(term.time_constant_s)}, is not known well enough."


def _spoken(seconds: float) -> str:
    """Two figures are enough in a sentence."""
    if seconds < 120.0:
        return f"{seconds:.2g} s" if seconds < 99.5 else f"{seconds:.0f} s"
    minutes = seconds / 60.0
    return f"{minutes:.2g} min" if minutes < 99.5 else f"{minutes / 60.0:.2g} h"


_SHARP = 6.0
"""Times the usual difference of neighbours: noise alone reaches 4 once in 16 000 periods."""
_LEAST_DB = 0.3  # smaller steps are not looked for (a judgement; no source)
_BESIDE = 8  # periods on each side that a step must last for
_LASTS = 0.6  # of it at least is left of the step between their medians


def step_in(residual_db: FloatArray, *, follows: BoolArray) -> bool:
    """Return whether what a fit leaves holds a step that stays.

    A step is a difference between neighbours (or next but one, where it falls into the middle
    of a period) far beyond the usual one, most of which is still there between the medians of
    the periods before and after. A door that slams comes back and is none.

    Parameters
    ----------
    residual_db : shape (n,), track minus fit
    follows : which periods follow right upon the one before
    """
    first = np.diff(residual_db)[follows[1:]]
    usual_db = 1.4826 * float(np.median(np.abs(first - np.median(first)))) if first.size else 0.0
    least_db = max(_SHARP * usual_db, _LEAST_DB)
    for apart in (1, 2):
        for index in np.flatnonzero(np.abs(residual_db[apart:] - residual_db[:-apart]) > least_db):
            if not np.all(follows[index + 1 : index + 1 + apart]):
                continue
            before = residual_db[max(0, index - _BESIDE + 1) : index + 1]
            after = residual_db[index + apart : index + apart + _BESIDE]
            step_db = residual_db[index + apart] - residual_db[index]
            if min(before.size, after.size) < 3:
                continue
            lasting_db = float(np.median(after) - np.median(before))
            if lasting_db * np.sign(step_db) > max(_LASTS * abs(step_db), least_db):
                return True
    return False
