"""How well a level is known: noise, what takes differ by, the gate, and how they combine.

Everything is a standard uncertainty in dB until :func:`expanded` makes it the half-width of a
95 % coverage interval (JCGM 100:2008, GUM, section 5 and annex G).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import chdtri, stdtrit

from reportlib.measure.levels import db, moving_octave_mean
from reportlib.measure.records import Response
from reportlib.session.records import FloatArray, frozen_array

DB_PER_NOISE_RATIO = 20.0 / np.log(10.0) / np.sqrt(2.0)
"""6.14 dB: standard deviation of 20·lg|1 + n/H| for a small noise n, per σ/|H|."""

STEP_FLOOR_DB = 0.02
"""What even a clean reference leaves open of a volume step (common practice, no source)."""

TAKES_APART_DB = 0.5
"""Takes that differ by more as a whole had something befall them (common practice, no source)."""

LOWEST_SIGNAL = 4.0
"""A point whose |H|² is below this many σ² is not used."""


Part = tuple[FloatArray | float, FloatArray | float]
"""A standard uncertainty in dB and its degrees of freedom, inf where exactly known."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Known:
    """The level of one setting, averaged over its takes, and how well it is known.

    Attributes
    ----------
    power : shape (n,), mean over takes
    power_moved_gate, gate_noise_share : shape (2, n), see `records.Response`
    noise_db, noise_dof : shape (n,), of the mean
    clear : shape (n,), |H|² ≥ 4σ², of the takes' means: one more take never hides a point
    takes : how many
    """

    power: FloatArray
    power_moved_gate: FloatArray
    noise_db: FloatArray
    noise_dof: FloatArray
    gate_noise_share: FloatArray
    clear: FloatArray
    takes: int


@dataclass(frozen=True, eq=False, kw_only=True)
class Repeatability:
    """What takes of one setting differ by, per take, beyond their noise.

    Attributes
    ----------
    broadband_db, broadband_dof : what they differ by as a whole, pooled over the day
    local_db, local_dof : shape (settings, n), what is left, over 1/3 octave
    assumed : nothing was repeated, so that `broadband_db` is the assumed value
    accident_db, accident_dof : shape (settings,), what takes differ by as a whole where something
        befell one of them, 0 elsewhere; empty where no setting has any
    """

    broadband_db: float
    broadband_dof: float
    local_db: FloatArray
    local_dof: FloatArray
    assumed: bool
    accident_db: FloatArray = field(default_factory=lambda: np.empty(0))
    accident_dof: FloatArray = field(default_factory=lambda: np.empty(0))

    def of_setting(self, index: int) -> Part:
        """Return what the takes of one setting differ by of their own, each shape (n,)."""
        local, dof = self.local_db[index], self.local_dof[index]
        if not self.accident_db.size or not self.accident_db[index]:
            return local, dof
        together = np.hypot(local, self.accident_db[index])
        return together, np.full(dof.shape, self.accident_dof[index])


def noise_db(response: Response) -> FloatArray:
    """Return what noise leaves open of one capture's level, in dB; shape (n,).

    6.14 dB·σ/(|H|·√K), with what the noise's own uncertainty leaves open of its subtraction,
    4.34 dB·(σ²/|H|²)·u(S)/S, in quadrature; inf where nothing stands above the noise.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(response.power > 0, response.noise_power / response.power, np.inf)
        random = DB_PER_NOISE_RATIO * np.sqrt(ratio / response.cells)
        bias = 10.0 / np.log(10.0) * ratio * np.sqrt(2.0 / np.maximum(response.noise_dof, 1.0))
    return np.asarray(np.hypot(random, bias))


def known_level(takes: Sequence[Response]) -> Known:
    """Average the takes of one setting in power.

    Whether it stands clear of the noise is told by the means, not take by take, so that one more
    take never hides a point.
    """
    each = np.stack([noise_db(take) for take in takes])
    n = len(takes)
    power = np.mean([take.power for take in takes], axis=0)
    noise_power = np.mean([take.noise_power for take in takes], axis=0)
    return Known(
        power=power,
        power_moved_gate=np.mean([take.power_moved_gate for take in takes], axis=0),
        noise_db=np.sqrt(np.sum(np.square(each), axis=0)) / n,
        noise_dof=np.sum([take.noise_dof for take in takes], axis=0),
        gate_noise_share=takes[0].gate_noise_share,
        clear=power >= LOWEST_SIGNAL * noise_power,
        takes=n,
    )


def repeatability(settings: Sequence[Sequence[Response]], *, assumed_db: float) -> Repeatability:
    """Work out what takes differ by, from every setting of the day that was repeated.

    Two parts. What takes differ by as a whole is pooled over the day's settings, since a hand
    on a knob is the same hand; what is left is local (a rattle, a burst of noise), pooled over
    takes and 1/3 octave, each cell against its own noise, with the share that noise explains taken
    off. The local part counts only beyond the 90 % point of what noise alone would do: a floor at
    zero would add noise's lucky half to every point. A setting with one take gets the mean of the
    others' local part. Takes farther apart than `TAKES_APART_DB` tell of an
    accident to their own setting, and nothing of the others while any of those were repeated.

    Parameters
    ----------
    settings : one sequence of takes a setting
    assumed_db : broadband repeatability where nothing was repeated
    """
    grid = settings[0][0].frequency_hz
    shape = (len(settings), grid.size)
    local = np.full(shape, np.nan)
    dof = np.zeros(shape)
    own, own_dof = np.zeros(len(settings)), np.zeros(len(settings))
    accident = np.zeros(len(settings), dtype=bool)
    for index, takes in enumerate(settings):
        n = len(takes)
        if n < 2:
            continue
        levels = np.stack([db(take.power) for take in takes])
        clear = np.all(
            [take.power >= LOWEST_SIGNAL * take.noise_power for take in takes], axis=0
        ) & np.all(np.isfinite(levels), axis=0)
        if not clear.any():
            continue
        apart = np.where(clear, levels - levels.mean(axis=0), np.nan)
        explained = np.mean([np.square(noise_db(take)) for take in takes], axis=0)
        # Points drowned in noise must not pass for takes that differ: weigh by what is known.
        weight = np.where(clear, 1.0 / (explained + STEP_FLOOR_DB**2), 0.0)
        offset = np.nansum(weight * apart, axis=1) / weight.sum()
        # Neighbours on the grid share half their noise, so half as many are independent.
        from_noise = 2.0 * np.sum(np.square(weight) * np.where(clear, explained, 0.0))
        own[index] = float(np.sum(np.square(offset - offset.mean())))
        own[index] -= (n - 1) * float(from_noise / weight.sum() ** 2)
        own_dof[index] = n - 1
        accident[index] = np.ptp(offset) > TAKES_APART_DB
        rest = apart - offset[:, np.newaxis]
        # Each cell against its own noise: a hum line's cell must not speak for its neighbours.
        known = np.where(clear, explained + STEP_FLOOR_DB**2, np.nan)

        def mean(values: FloatArray) -> FloatArray:
            return moving_octave_mean(values, frequency_hz=grid, octaves=1 / 3)

        spread = mean(np.sum(np.square(rest), axis=0) / (n - 1) / known)
        expected = mean(explained / known)
        # Smoothing leaves about one independent value in 1/12 octave: four in 1/3 octave.
        dof[index] = 4.0 * (n - 1)
        # Noise alone exceeds its own mean every other time; what counts is what exceeds the
        # 90 % point of its chi-square (E. B. Wilson, M. M. Hilferty, 1931).
        width = 2.0 / (9.0 * dof[index])
        beyond_chance = spread > expected * (1.0 - width + 1.2816 * np.sqrt(width)) ** 3
        excess = (spread - expected) / mean(1.0 / known)
        local[index] = np.sqrt(np.where(beyond_chance, np.maximum(excess, 0.0), 0.0))
    if not own_dof.any():
        return Repeatability(
            broadband_db=assumed_db,
            broadband_dof=np.inf,
            local_db=frozen_array(np.zeros(shape)),
            local_dof=frozen_array(np.full(shape, np.inf)),
            assumed=True,
        )
    accident &= bool(np.any((own_dof > 0) & ~accident))  # else the only ones that tell anything
    apart = np.where(accident, np.sqrt(np.maximum(own, 0.0) / np.maximum(own_dof, 1.0)), 0.0)
    apart_dof, own, own_dof = own_dof, own[~accident], own_dof[~accident]
    between, between_dof = max(float(own.sum()), 0.0), float(own_dof.sum())
    repeated = np.isfinite(local[:, 0])
    pooled = np.sqrt(np.mean(np.square(local[repeated]), axis=0))
    local[~repeated] = pooled
    dof[~repeated] = np.sum(dof[repeated], axis=0)
    return Repeatability(
        broadband_db=math.sqrt(between / between_dof),
        broadband_dof=between_dof,
        local_db=frozen_array(local),
        local_dof=frozen_array(dof),
        assumed=False,
        accident_db=frozen_array(apart),
        accident_dof=frozen_array(apart_dof),
    )


def gate_db(upper: Known, lower: Known, *, frequency_hz: FloatArray) -> FloatArray:
    """Return what the gate leaves open of ``upper`` against ``lower``, in dB; shape (n,).

    The change is taken behind the gate, behind 0.6 times its length, and behind one that rises
    sooner; each difference less what noise alone makes of it (which would be counted twice), and
    averaged over 1/3 octave. That of the length is a bound, so that it counts over √3. That of the
    rise counts in full: what is local in frequency lies on both sides of the arrival in time, and
    on loudspeakers integrated in time (`tests/studies/integrated.md`) what comes in sooner is the
    error itself, and within half an octave of the sweep's start not all of it.
    """
    with np.errstate(invalid="ignore"):
        difference = (db(upper.power) - db(lower.power)) - (
            db(upper.power_moved_gate) - db(lower.power_moved_gate)
        )
        noise = upper.gate_noise_share * (np.square(upper.noise_db) + np.square(lower.noise_db))
        beyond = np.square(difference) - noise
    mean = moving_octave_mean(beyond, frequency_hz=frequency_hz, octaves=1 / 3)
    length, rise = np.maximum(np.nan_to_num(mean, nan=0.0), 0.0)
    return np.asarray(np.sqrt(length / 3.0 + rise))


def lowest_spread(spread_db: FloatArray | float, *, dof: FloatArray | float) -> FloatArray:
    """Return the low end of what a standard deviation may be: s·√(ν/χ²), one side, 97.5 %.

    Source: the variance's interval from chi-square (textbook).
    """
    capped = np.clip(np.asarray(dof, dtype=np.float64), 1.0, 1e6)
    return np.asarray(np.asarray(spread_db) * np.sqrt(capped / chdtri(capped, 0.025)))


def effective_dof(parts: Sequence[Part]) -> FloatArray:
    """Return the effective degrees of freedom (JCGM 100:2008, eq. G.2b, Welch-Satterthwaite).

    Parameters
    ----------
    parts : each number or array of shape (n,)
    """
    total = sum(np.square(np.asarray(u, dtype=np.float64)) for u, _ in parts)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        below = sum(
            np.nan_to_num(np.asarray(u, dtype=np.float64) ** 4 / np.asarray(nu)) for u, nu in parts
        )
        return np.asarray(np.where(below > 0, np.square(total) / below, np.inf))


def expanded(standard_db: FloatArray, *, dof: FloatArray) -> FloatArray:
    """Return the half-width of the 95 % interval: Student's t times the standard uncertainty.

    Source: JCGM 100:2008, G.3 and table G.2; t is continuous in the degrees of freedom.
    """
    capped = np.clip(dof, 1.0, 1e6)
    return np.asarray(stdtrit(capped, 0.975) * standard_db)
