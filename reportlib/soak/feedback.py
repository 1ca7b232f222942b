"""What power that falls as resistance rises does to a loss that is taken for exponential.

On a voltage drive (facts 2.ac) a coil takes less power the hotter it gets. Its loss then rises
faster at first than an exponential that fits the rest of it, so that the exponential's intercept
lies below the cold level: by 0.03 dB at a loss of 2 dB, by more where periods are long against
the time constant. With x the state of the low-pass, the loss is close to

    A·[x + ε·A·x·(1 − x)],   ε = ln(10)/40 · (1 + 0.26·A) a dB,

the leading term from expanding dk/dt = (a/k − (k − 1))/τ with k = 10^(loss/20) around its end, the
bracket fitted to its exact initial slope at 1, 2 and 4 dB (own derivation). Half of the effect is
taken to be its uncertainty: where the impedance is not all resistance the feedback is another.
"""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.history import History
from reportlib.soak.model_curves import period_products, period_states

HALF_RANGE = 0.5
"""Of the effect, by which it may be more or less (a judgement; no source)."""

_LEADING = np.log(10.0) / 40.0
_GROWTH = 0.26
_STEP = 1e-4


@dataclass(frozen=True, eq=False, kw_only=True)
class Feedback:
    """What is taken off before an exponential is fitted.

    Attributes
    ----------
    shape_db : shape (n,), the part of the loss that no change of the fit's parameters explains
    cold_db : by how much the cold level lies above the fit's intercept
    """

    shape_db: FloatArray
    cold_db: float


def feedback(
    history: History, *, time_constants_s: FloatArray, losses_db: FloatArray, cooling: float
) -> Feedback:
    """Return the effect on a fit with these terms.

    The effect is split by least squares into what a shift of intercept, losses, time constants
    and cooling ratio would do, and the rest.

    Parameters
    ----------
    time_constants_s, losses_db : shape (terms,)
    """
    if losses_db.size == 0:
        return Feedback(shape_db=np.zeros(history.centre_s.size), cold_db=0.0)
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
    return Feedback(shape_db=effect - columns @ answer, cold_db=float(answer[0]))
