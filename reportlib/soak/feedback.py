"""What power that falls as resistance rises does to a loss that is taken for exponential.

On a voltage drive (P = V²/R) a coil takes less power the hotter it gets. Its loss then rises
faster at first than an exponential that fits the rest of it, so that the exponential's intercept
lies below the cold level: by 0.03 dB at a loss of 2 dB, by more where periods are long against
the time constant. With x the state of the low-pass, the loss is close to

    A·[x + g·ε·A·x·(1 − x)],   ε = ln(10)/40 · (1 + 0.26·A) a dB,

the leading term of dk/dt = (a/k − (k − 1))/τ with k = 10^(loss/20), the bracket fitted to its exact
initial slope at 1, 2 and 4 dB (own derivation). g is 1 where the impedance is all resistance, 0
where the power stays the same, and more than 1 where a small loss hides a hot coil.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from reportlib.arrays import FloatArray
from reportlib.soak.correlated import whitened
from reportlib.soak.history import History
from reportlib.soak.model_curves import period_products, period_states

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
