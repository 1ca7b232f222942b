"""How far a first-order low-pass of "playing or not" has come: the model behind the thermal fit.

A term heats with its time constant τ while the multitone plays and cools with κ·τ in a pause;
its state runs from 0 (cold) to 1 (as hot as it gets). Whatever the drive does to τ is in τ: it
is that of the loss, not of the thermal network.
"""

import numpy as np
from numpy.typing import ArrayLike

from reportlib.arrays import FloatArray
from reportlib.soak.history import History


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
