"""Simulated days for the study of the thermal fit: does it find what heated the loudspeaker?

A day is a random drive unit on a voltage source, its coil and magnet heated by the simulation
(`simulate.heat`, which shares no code with the analysis), the level it loses averaged over the
multitone's periods, and noise whose neighbours are correlated. The truth of a time constant is
a fit to that loss without noise, by scipy and with as many terms: power falls as resistance
rises, so that the network's own time constants are not those of the loss.
"""

import warnings
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import OptimizeWarning, curve_fit

from reportlib import simulate
from reportlib.measure.stress.grid import History

POOL = 16
STEPS_A_PERIOD = 4


@dataclass(frozen=True)
class Kind:
    """One row of the study.

    `stages` are (stress, pause before it) in s; a time constant or a record given as a pair is
    drawn between the two, evenly in its logarithm. `record` counts in the slowest time constants
    where `relative`.
    """

    name: str
    coil_s: tuple[float, float] = (2.0, 30.0)
    magnet_s: tuple[float, float] | None = None
    record: tuple[float, float] = (3.0, 8.0)
    relative: bool = True
    pauses_s: tuple[float, ...] = ()
    loss_db: tuple[float, float] = (1.0, 4.0)
    noise_db: tuple[float, float] = (0.01, 0.04)
    correlation: float = 0.0
    limit: float = 0.5
    """Longest period, in coil time constants; at most 2.7 s."""
    synthetic: bool = False
    """Exponentials themselves, not a network on a voltage source."""


@dataclass(frozen=True, eq=False)
class Truth:
    """A loudspeaker's day without noise."""

    history: History
    loss_db: np.ndarray
    end_db: float
    after_600_s_db: float
    network_s: tuple[float, ...]


def log_uniform(generator, low, high):
    return float(np.exp(generator.uniform(np.log(low), np.log(high))))


def history_of(period_s, stages_s, pauses_s=()):
    """Return the history of whole periods in stages with pauses between, first ones left out."""
    spans, centre, stage, clock = [], [], [], 0.0
    for index, stress_s in enumerate(stages_s):
        count = int(stress_s / period_s + 1e-9)
        spans.append((clock, clock + count * period_s))
        centre.append(clock + period_s * (np.arange(1, count) + 0.5))
        stage.append(np.full(count - 1, index))
        clock = spans[-1][1] + (pauses_s[index] if index < len(pauses_s) else 0.0)
    return History(
        period_s=period_s,
        spans_s=np.array(spans),
        centre_s=np.concatenate(centre),
        stage=np.concatenate(stage),
    )


def network(coil_s, magnet_s, *, end_db, share):
    """Return a drive unit of so many W, whose coil would take `coil_s` at constant power.

    `end_db` is the loss at constant power for ever, `share` the magnet's part of the rise.
    """
    rise_k = (10.0 ** (end_db / 20.0) - 1.0) / 0.00393
    power_w = 20.0
    coil = (1.0 - share) * rise_k / power_w
    magnet = max(share * rise_k / power_w, 1e-9)
    heat = simulate.Heat(
        coil_k_per_w=coil,
        coil_j_per_k=coil_s / coil,
        magnet_k_per_w=magnet,
        magnet_j_per_k=(magnet_s or 1.0) / magnet if magnet_s else 1e9,
    )
    return simulate.DriveUnit(force_factor_tm=1e-6, heat=heat), power_w


def losses_db(unit, power_w, history, *, more_s=0.0):
    """Return the loss averaged over each used period, and that at the last stage's end."""
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    volt = np.sqrt(power_w * unit.resistance_ohm)
    step_s = history.period_s / STEPS_A_PERIOD
    state, found, before_s = simulate.cold(loudspeaker), [], 0.0
    for index, (start_s, stop_s) in enumerate(history.spans_s):
        state = simulate.cooled(loudspeaker, state, pause_s=start_s - before_s)
        steps = round((stop_s - start_s) / step_s)
        heating = simulate.heated(
            loudspeaker,
            state,
            frequency_hz=np.array([[1000.0]]),
            volt=np.full((steps, 1), volt),
            step_s=step_s,
        )
        loss = 20.0 * np.log10(1.0 + unit.heat.rise_per_k * heating.coil_k[0])
        blocks = np.lib.stride_tricks.sliding_window_view(loss, STEPS_A_PERIOD + 1)
        weights = np.array([7.0, 32.0, 12.0, 32.0, 7.0]) / 90.0  # Boole's rule
        means = blocks[::STEPS_A_PERIOD] @ weights
        kept = history.centre_s[history.stage == index] - start_s
        found.append(means[np.floor(kept / history.period_s + 1e-6).astype(int)])
        state, before_s = heating.end, stop_s
    return np.concatenate(found), float(loss[-1])


@cache
def truth(kind, index):
    """Return one of the pool's days."""
    generator = np.random.default_rng((4071, index))
    coil_s = log_uniform(generator, *kind.coil_s)
    magnet_s = log_uniform(generator, *kind.magnet_s) if kind.magnet_s else None
    share = float(generator.uniform(0.2, 0.5)) if magnet_s else 0.0
    unit, power_w = network(
        coil_s, magnet_s, end_db=log_uniform(generator, *kind.loss_db), share=share
    )
    slowest = (magnet_s or coil_s) if kind.relative else 1.0
    record_s = slowest * log_uniform(generator, *kind.record)
    period_s = min(log_uniform(generator, 0.3 * kind.limit, kind.limit) * coil_s, 2.7)
    period_s = max(period_s, record_s / 3000.0)
    parts = len(kind.pauses_s) + 1
    shares = np.geomspace(1.0, 3.0, parts) if parts > 1 else np.ones(1)
    history = history_of(period_s, record_s * shares / shares.sum(), kind.pauses_s)
    if kind.synthetic:
        return _synthetic(kind, history, generator, (coil_s, magnet_s) if magnet_s else (coil_s,))
    loss_db, end_db = losses_db(unit, power_w, history)
    once = history_of(600.0 / round(600.0 / period_s), (600.0,))
    return Truth(
        history=history,
        loss_db=loss_db,
        end_db=end_db,
        after_600_s_db=losses_db(unit, power_w, once)[1],
        network_s=(coil_s, magnet_s) if magnet_s else (coil_s,),
    )


def _synthetic(kind, history, generator, time_constants_s):
    losses = log_uniform(generator, *kind.loss_db) * np.array([0.65, 0.35][: len(time_constants_s)])
    losses /= 1.0 if len(losses) == 2 else 0.65
    loss_db, end_db, later_db = 0.0, 0.0, 0.0
    for tau_s, loss in zip(time_constants_s, losses, strict=True):
        loss_db = loss_db + loss * average(history, tau_s, 1.25)
        state, clock = 0.0, 0.0
        for start_s, stop_s in history.spans_s:
            state *= np.exp(-(start_s - clock) / (1.25 * tau_s))
            state, clock = 1.0 - (1.0 - state) * np.exp(-(stop_s - start_s) / tau_s), stop_s
        end_db += loss * state
        later_db += loss * (1.0 - np.exp(-600.0 / tau_s))
    return Truth(history, loss_db, end_db, later_db, time_constants_s)


def states(history, tau_s, kappa):
    """Average state of each used period: the equation itself, solved by scipy."""
    playing = history.spans_s
    averages = np.zeros(history.centre_s.size)
    state, clock = 0.0, 0.0
    for index, (start_s, stop_s) in enumerate(playing):
        state *= np.exp(-(start_s - clock) / (kappa * tau_s))
        local = history.centre_s[history.stage == index] - start_s
        half = history.period_s / 2.0
        # ∫x dt is carried as a second state.
        wanted = np.unique(np.concatenate((local - half, local + half)).round(9))
        answer = solve_ivp(
            lambda _, x: [(1.0 - x[0]) / tau_s, x[0]],
            (0.0, stop_s - start_s + 1e-6),
            [state, 0.0],
            t_eval=wanted,
            rtol=1e-10,
            atol=1e-12,
        )
        area = np.interp((local + half).round(9), answer.t, answer.y[1])
        area -= np.interp((local - half).round(9), answer.t, answer.y[1])
        averages[history.stage == index] = area / history.period_s
        state = 1.0 - (1.0 - state) * np.exp(-(stop_s - start_s) / tau_s)
        clock = stop_s
    return averages


def noiseless_fit(history, loss_db, terms):
    """Fit a loss by scipy.optimize.curve_fit; time constants and losses, the faster first."""
    pauses = history.spans_s.shape[0] > 1

    def exponentials(_, *given):
        kappa = given[-1] if pauses else 1.0
        total = np.full(loss_db.size, given[0])
        for log_tau, loss in zip(given[1 : 1 + terms], given[1 + terms :], strict=False):
            total = total + loss * average(history, np.exp(log_tau), kappa)
        return total

    longest = history.centre_s[-1]
    best, least = None, np.inf
    for first in np.geomspace(2.0 * history.period_s, 0.5 * longest, 4):
        guess = np.log([first, 8.0 * first][:terms])
        start = [0.0, *guess, *np.full(terms, loss_db[-1] / terms), *([1.2] if pauses else [])]
        try:
            with np.errstate(all="ignore"), warnings.catch_warnings():
                # Its search may run far out, and an exact fit leaves it no covariance to tell.
                warnings.simplefilter("ignore", OptimizeWarning)
                found, _ = curve_fit(
                    exponentials, history.centre_s, loss_db, p0=start, maxfev=3000, xtol=1e-10
                )
        except RuntimeError:
            continue
        with np.errstate(all="ignore"):
            misfit = float(np.sum((exponentials(None, *found) - loss_db) ** 2))
        if misfit < least:
            best, least = found, misfit
    if best is None:
        return None
    order = np.argsort(best[1 : 1 + terms])
    return np.exp(best[1 : 1 + terms])[order], best[1 + terms : 1 + 2 * terms][order]


def average(history, tau_s, kappa):
    """The same in closed form, for speed; held against `states` in the tests."""
    averages = np.empty(history.centre_s.size)
    state, clock, period_s = 0.0, 0.0, history.period_s
    for index, (start_s, stop_s) in enumerate(history.spans_s):
        state *= np.exp(-(start_s - clock) / (kappa * tau_s))
        chosen = history.stage == index
        begun = history.centre_s[chosen] - start_s - period_s / 2.0
        decay = np.exp(-begun / tau_s) * (1.0 - np.exp(-period_s / tau_s)) * tau_s / period_s
        averages[chosen] = 1.0 - (1.0 - state) * decay
        state = 1.0 - (1.0 - state) * np.exp(-(stop_s - start_s) / tau_s)
        clock = stop_s
    return averages


@cache
def true_terms(kind, index, terms):
    day = truth(kind, index)
    return noiseless_fit(day.history, day.loss_db, terms)


def noise(generator, *, count, correlation, deviation_db):
    """Return noise of first-order autoregression, of a given standard deviation."""
    out = generator.normal(0.0, deviation_db, count)
    for index in range(1, count):
        out[index] = correlation * out[index - 1] + np.sqrt(1.0 - correlation**2) * out[index]
    return out
