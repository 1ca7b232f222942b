"""What slow heating that a short record does not show would add to a loss after 10 min.

Magnets, frames and cabinets warm within tens of minutes (common practice, no source). A record of
a minute or two may show nothing of it and yet not exclude some tenths of a dB after ten.
"""

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.soak.correlated import whitened
from reportlib.soak.draws import PROJECTED_S
from reportlib.soak.estimate import Estimate
from reportlib.soak.history import History
from reportlib.soak.model_curves import heated_state, period_states
from reportlib.soak.weighing import Weighed

SLOW_S = 1800.0
"""Stands for all slow heating: within a record of 10 min its like is nearly a straight line."""

_SLOWEST_SEEN_S = SLOW_S / 3.0
_SEED = 20241
_STEP = 1e-4


def with_slow_heating(
    track_db: FloatArray, *, history: History, estimate: Estimate, grid: Weighed, count: int
) -> FloatArray | None:
    """Draw the loss after 10 min from a fit that has a slow term of unknown size beside its own.

    Time constants are linearised around the fit's, the slow term's loss is positive and else as
    likely as any.

    Parameters
    ----------
    track_db : shape (n,)
    grid : of the fit, for the noise's correlation and how well it is known
    count : how many draws, before those with a loss below zero are thrown away

    Returns
    -------
    shape (m,); empty where the periods are too few to tell, None where the fit holds a slow term
    """
    tau, losses = estimate.time_constants_s, estimate.losses_db
    if tau.size and tau[-1] > _SLOWEST_SEEN_S:
        return None
    rates = np.concatenate((tau, tau * np.exp(_STEP), [SLOW_S]))
    states = period_states(history, time_constant_s=rates, cooling=estimate.cooling)
    later = heated_state(PROJECTED_S, time_constant_s=rates)
    terms = tau.size
    slopes = losses * (states[:, terms:-1] - states[:, :terms]) / _STEP
    columns = np.column_stack([np.ones(track_db.size), -states[:, :terms], -slopes, -states[:, -1]])
    wanted = np.concatenate(
        ([0.0], later[:terms], losses * (later[terms:-1] - later[:terms]) / _STEP, later[-1:])
    )
    spare = track_db.size - columns.shape[1]
    if spare < 3:
        return np.empty(0)
    generator = np.random.default_rng(_SEED)
    found = []
    for correlation, share in grid.correlations():
        white = whitened(
            np.column_stack([columns, track_db]), correlation=correlation, follows=history.follows
        )
        upper = np.linalg.qr(white).R
        inverse = np.linalg.pinv(upper[:-1, :-1])
        size = round(share * count)
        noise_db = np.abs(upper[-1, -1]) / np.sqrt(generator.chisquare(spare, size))
        spread = inverse @ generator.standard_normal((columns.shape[1], size)) * noise_db
        drawn = inverse @ upper[:-1, -1:] + spread
        found.append((wanted @ drawn)[drawn[-1] > 0.0])
    return np.concatenate(found)
