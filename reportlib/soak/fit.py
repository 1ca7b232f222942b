"""Stand-in until the thermal fit takes its place: one exponential, no second, no pauses."""

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.history import History
from reportlib.soaked import ThermalFit, ThermalTerm


def thermal_fit(track_db: FloatArray, *, history: History) -> tuple[ThermalFit, FloatArray] | None:
    """Fit c − A·x(t), x a first-order low-pass of playing or not, by trying time constants."""
    count = track_db.size
    if count < 6:
        return None
    best = None
    for tau in (None, *np.geomspace(history.period_s, 2.0 * np.ptp(history.centre_s), 60)):
        columns = [np.ones(count)]
        if tau is not None:
            columns.append(-_state(history, tau=float(tau)))
        matrix = np.column_stack(columns)
        found, *_ = np.linalg.lstsq(matrix, track_db, rcond=None)
        left = track_db - matrix @ found
        error = float(np.sum(left**2)) + 1e-12
        score = count * np.log(error) + 2.0 * (1 if tau is None else 6)
        if best is None or score < best[0]:
            best = (score, tau, matrix, found, error)
    assert best is not None
    _, tau, matrix, found, error = best
    spread = np.sqrt(error / max(count - matrix.shape[1] - 1, 1))
    covariance = np.linalg.inv(matrix.T @ matrix) * spread**2
    cold_u95 = 2.0 * float(np.sqrt(covariance[0, 0]))
    terms: tuple[ThermalTerm, ...] = ()
    loss = 0.0
    if tau is not None:
        loss_u95 = 2.0 * float(np.sqrt(covariance[1, 1]))
        loss = float(found[1])
        terms = (
            ThermalTerm(
                time_constant_s=float(tau),
                time_constant_low_s=0.5 * float(tau),
                time_constant_high_s=2.0 * float(tau),
                loss_db=loss,
                loss_low_db=loss - loss_u95,
                loss_high_db=loss + loss_u95,
                identifiable=False,
            ),
        )
    fitted = matrix @ found
    fit = ThermalFit(
        terms=terms,
        cold_db=float(found[0]),
        cold_u95_db=cold_u95,
        cold_known=cold_u95 <= 0.3,
        end_loss_db=float(found[0] - fitted[-1]),
        end_loss_u95_db=cold_u95,
        cooling_ratio=None,
        projected_600_s_db=None,
        projected_u95_db=None,
        refusal="This stand-in projects nothing.",
        residual_db=float(spread),
        effective_count=float(count),
    )
    return fit, np.asarray(fitted)


def _state(history: History, *, tau: float) -> FloatArray:
    state = np.zeros(history.centre_s.size)
    for start, end in history.spans_s:
        after = np.clip(history.centre_s - start, 0.0, None)
        state += np.where(
            history.centre_s > start,
            np.exp(-np.clip(history.centre_s - end, 0.0, None) / tau)
            * (1.0 - np.exp(-np.minimum(after, end - start) / tau)),
            0.0,
        )
    return state
