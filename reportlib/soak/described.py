"""From the likeliest fit and the draws to what the record says of it."""

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.draws import PROJECTED_S, Draws, half_width
from reportlib.soak.estimate import Estimate
from reportlib.soak.history import History
from reportlib.soak.model_curves import heated_state, stage_states
from reportlib.soak.weighing import Weighed
from reportlib.soaked import ThermalFit, ThermalTerm

COLD_KNOWN_DB = 0.3
WIDEST_DB = 0.5
"""A projection known no better is not given: as a point that is not usable (a judgement)."""

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
    unseen_db: FloatArray | None,
    history: History,
    lift_db: float,
    residual_db: FloatArray,
    effective: float,
    mean_db: float,
) -> ThermalFit:
    """Write down a fit.

    Parameters
    ----------
    own, mixed : draws from this number of terms, and from all of them
    unseen_db : shape (m,), draws of the loss after 10 min with slow heating that is not seen
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
    later_u95_db = half_width(later_db, mixed.projected_db)
    if unseen_db is not None and history.stress_s < PROJECTED_S:
        unseen_u95_db = half_width(later_db, unseen_db + lift_db) if unseen_db.size else np.inf
        later_u95_db = max(later_u95_db, unseen_u95_db)
    cold_db = estimate.cold_db + lift_db
    cold_u95_db = half_width(cold_db, mixed.cold_db)
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
        end_loss_u95_db=half_width(end_loss_db, mixed.end_loss_db),
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
