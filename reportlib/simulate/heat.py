"""How a simulated loudspeaker warms and cools, what it takes, what a day may change in it.

Part of the simulation (``reportlib.simulate``). Two stages a drive unit (coil into magnet and
frame, those into the room: Button 1992, Chapman 1998), fed by the power that the
coil's resistance takes from a voltage source, so that power falls as the resistance rises.
Temperatures are in K above the room's; units come in the loudspeaker's order.

What it takes from its amplifier:

Part of the simulation (``reportlib.simulate``). Drive units lie in parallel, each behind its own
part of a passive network. A network without loss takes the power that it hands on, so that on a
resistance the real part of what it takes is |voltage handed on|²; the imaginary part is that of
the network with the fewest parts, a ladder. A pad is a resistor in series.

What a day may change beyond warm coils: each function returns another loudspeaker that plays from
the same voltages as the one before; what differs is the part alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reportlib.session.records import FloatArray, frozen_array
from reportlib.simulate.loudspeaker import (
    LEVEL_RANGE_HZ,
    cold_shape,
    crossover,
    drive_gain,
    mechanical,
    motional_impedance,
    settled,
)
from reportlib.simulate.parts import DriveUnit, Loudspeaker
from reportlib.simulate.signals import ComplexArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Temperatures:
    """Coils and magnets above the room's temperature, each of shape (units,), in K."""

    coil_k: FloatArray
    magnet_k: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "coil_k", frozen_array(self.coil_k))
        object.__setattr__(self, "magnet_k", frozen_array(self.magnet_k))


@dataclass(frozen=True, eq=False, kw_only=True)
class Heating:
    """What a stretch of playing did.

    Attributes
    ----------
    time_s : shape (steps + 1,), from 0
    coil_k, magnet_k : shape (units, steps + 1)
    power_w : shape (units, steps), mean power into each coil during a step
    """

    time_s: FloatArray
    coil_k: FloatArray
    magnet_k: FloatArray
    power_w: FloatArray

    @property
    def end(self) -> Temperatures:
        """Temperatures at the end."""
        return Temperatures(coil_k=self.coil_k[:, -1], magnet_k=self.magnet_k[:, -1])

    def coil_at(self, time_s: ArrayLike) -> FloatArray:
        """Return the coils' temperatures at any times, shape (units, n), in K."""
        moments = np.asarray(time_s, dtype=np.float64)
        return np.array([np.interp(moments, self.time_s, coil) for coil in self.coil_k])


def cold(loudspeaker: Loudspeaker) -> Temperatures:
    """Return the temperatures of a loudspeaker that has not played."""
    nothing = np.zeros(len(loudspeaker.units))
    return Temperatures(coil_k=nothing, magnet_k=nothing)


def heated(
    loudspeaker: Loudspeaker,
    temperatures: Temperatures,
    *,
    frequency_hz: FloatArray,
    volt: FloatArray,
    step_s: float,
) -> Heating:
    """Return how the coils warm under tones of given voltage.

    Each step is the exact answer of the two-stage network to a constant power, taken as the
    mean of that at the step's start and of that at its foreseen end.

    Parameters
    ----------
    loudspeaker, temperatures : what plays, and how warm it starts
    frequency_hz : shape (steps, tones) or (1, tones) where they stay the same
    volt : shape (steps, tones), rms of each tone at the terminals
    step_s : length of a step
    """
    units = loudspeaker.units
    spent = np.array([np.abs(crossover(unit, frequency_hz)) ** 2 for unit in units]) * volt**2
    motional = np.array([motional_impedance(unit, frequency_hz) for unit in units])
    motional = np.broadcast_to(motional, spent.shape)
    resistance = np.array([unit.resistance_ohm for unit in units])
    series = np.array([unit.series_ohm for unit in units])[:, np.newaxis]
    rise_per_k = np.array([unit.heat.rise_per_k if unit.heat else 0.0 for unit in units])
    keep, gain = _step_matrices(units, step_s)

    def power_w(coil_k: FloatArray, step: int) -> FloatArray:
        hot = (resistance * (1.0 + rise_per_k * coil_k))[:, np.newaxis]
        return np.asarray(
            np.sum(spent[:, step] * hot / np.abs(hot + series + motional[:, step]) ** 2, -1)
        )

    state = np.stack([temperatures.coil_k, temperatures.magnet_k], axis=1)
    states, powers = [state], []
    for step in range(volt.shape[0]):
        kept = np.sum(keep * state[:, np.newaxis, :], axis=-1)
        first = power_w(state[:, 0], step)
        foreseen = kept + gain * first[:, np.newaxis]
        power = 0.5 * (first + power_w(foreseen[:, 0], step))
        state = kept + gain * power[:, np.newaxis]
        states.append(state)
        powers.append(power)
    track = np.array(states)
    return Heating(
        time_s=np.asarray(step_s * np.arange(len(states)), dtype=np.float64),
        coil_k=track[:, :, 0].T,
        magnet_k=track[:, :, 1].T,
        power_w=np.array(powers).T,
    )


def cooled(loudspeaker: Loudspeaker, temperatures: Temperatures, *, pause_s: float) -> Temperatures:
    """Return the temperatures after a pause without sound."""
    if pause_s <= 0.0:
        return temperatures
    nothing = np.zeros((1, 1))
    return heated(
        loudspeaker, temperatures, frequency_hz=nothing + 1000.0, volt=nothing, step_s=pause_s
    ).end


def _step_matrices(units: Sequence[DriveUnit], step_s: float) -> tuple[FloatArray, FloatArray]:
    """What a step keeps of (coil, magnet), and what it adds for each watt: both exact."""
    keep = np.zeros((len(units), 2, 2))
    gain = np.zeros((len(units), 2))
    for index, unit in enumerate(units):
        if unit.heat is None:
            continue
        heat = unit.heat
        to_magnet, to_room = 1.0 / heat.coil_k_per_w, 1.0 / heat.magnet_k_per_w
        rates = np.array(
            [
                [-to_magnet / heat.coil_j_per_k, to_magnet / heat.coil_j_per_k],
                [to_magnet / heat.magnet_j_per_k, -(to_magnet + to_room) / heat.magnet_j_per_k],
            ]
        )
        values, vectors = np.linalg.eig(rates)
        keep[index] = (vectors * np.exp(values * step_s)) @ np.linalg.inv(vectors)
        fed = np.array([1.0 / heat.coil_j_per_k, 0.0])
        gain[index] = np.linalg.solve(rates, (keep[index] - np.eye(2)) @ fed)
    return keep, gain


ROOT_2 = float(np.sqrt(2.0))
BUTTERWORTH = ([1.0, 1.0 / ROOT_2], [1.0, ROOT_2, 1.0])
SQUARED = (
    [1.0, 5.5 / (2.0 * ROOT_2), 1.5, 1.5 / (2.0 * ROOT_2)],
    [1.0, 2.0 * ROOT_2, 4.0, 2.0 * ROOT_2, 1.0],
)
"""Ladders of second order, and of fourth with both corners alike: what they take as a ratio of
polynomials in s, low powers first; 1/(1 + x⁴) and its square are their real parts."""


def terminal_admittance(
    loudspeaker: Loudspeaker,
    frequency_hz: ArrayLike,
    *,
    drive_db: float,
    temperatures: ArrayLike | None = None,
    shares: ArrayLike | None = None,
) -> ComplexArray:
    """Return current over voltage at the terminals of a passive loudspeaker, in siemens.

    Parameters are those of `loudspeaker.transfer`.

    Returns
    -------
    complex array, shape (n,)
    """
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
    share = None if shares is None else np.asarray(shares, dtype=np.float64)
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    gain = drive_gain(loudspeaker, frequency, drive_db=drive_db, shares=share)
    volt = loudspeaker.unit_voltage(drive_db) * gain
    coil_k = np.zeros(len(loudspeaker.units)) if temperatures is None else temperatures
    total = np.zeros(frequency.shape, dtype=np.complex128)
    for unit, rise_k in zip(loudspeaker.units, np.asarray(coil_k, dtype=np.float64), strict=True):
        per_k = unit.heat.rise_per_k if unit.heat else 0.0
        resistance = unit.resistance_ohm * (1.0 + per_k * rise_k) * np.ones_like(frequency)
        force, port_kg_s = settled(
            unit,
            s,
            volt=volt * np.abs(crossover(unit, frequency)),
            resistance=resistance,
            shares=share,
        )
        impedance, _ = mechanical(unit, s, port_kg_s=port_kg_s)
        total += network_share(unit, frequency) / (resistance + force**2 / impedance)
    return total


def network_share(unit: DriveUnit, frequency_hz: FloatArray) -> ComplexArray:
    """Return what a unit's network takes over what the bare unit would, shape (n,)."""
    taken = np.full(frequency_hz.shape, 10.0 ** (-unit.pad_db / 20.0), dtype=np.complex128)
    above, below = SQUARED if unit.squared else BUTTERWORTH
    for corner_hz, power in ((unit.lowpass_hz, 1), (unit.highpass_hz, -1)):
        if corner_hz is not None:
            s = (1j * frequency_hz / corner_hz) ** power
            taken *= np.polyval(above[::-1], s) / np.polyval(below[::-1], s)
    return taken


def softened(loudspeaker: Loudspeaker, *, unit: int, share: float) -> Loudspeaker:
    """Lower a unit's own resonance by a share, as a worked suspension does; the box stays."""
    old = loudspeaker.units[unit]
    kept = 1.0 - share
    vent = old.vent
    if vent is not None:  # the air's stiffness over the suspension's rises
        vent = replace(vent, compliance_ratio=vent.compliance_ratio / kept**2)
    return _with_unit(
        loudspeaker,
        unit=unit,
        new=replace(
            old,
            resonance_hz=old.resonance_hz * kept,
            mechanical_q=old.mechanical_q * kept,
            vent=vent,
        ),
    )


def weakened(loudspeaker: Loudspeaker, *, unit: int, share: float) -> Loudspeaker:
    """Take a share of a unit's force factor away, as a warm magnet does (ferrite: 0.2 %/K)."""
    return _with_unit(
        loudspeaker, unit=unit, new=replace(loudspeaker.units[unit], magnet_loss=share)
    )


def tripped(loudspeaker: Loudspeaker, *, unit: int, series_ohm: float) -> Loudspeaker:
    """Put a resistance in front of a unit, as a resettable fuse does when it trips."""
    return _with_unit(
        loudspeaker, unit=unit, new=replace(loudspeaker.units[unit], series_ohm=series_ohm)
    )


def _with_unit(loudspeaker: Loudspeaker, *, unit: int, new: DriveUnit) -> Loudspeaker:
    """Exchange one unit, with sensitivity and baseline level such that voltages stay."""
    units = tuple(new if index == unit else one for index, one in enumerate(loudspeaker.units))
    made = replace(loudspeaker, units=units)
    moved_db = _mean_db(made) - _mean_db(loudspeaker)
    return replace(
        made,
        sensitivity_db=loudspeaker.sensitivity_db + moved_db,
        baseline_level_db=loudspeaker.baseline_level_db + moved_db,
        panels=tuple(
            replace(one, half_level_db=one.half_level_db + moved_db) for one in loudspeaker.panels
        ),
    )


def _mean_db(loudspeaker: Loudspeaker) -> float:
    power = np.abs(cold_shape(loudspeaker, np.geomspace(*LEVEL_RANGE_HZ, 401))) ** 2
    return float(10.0 * np.log10(np.mean(power)))
