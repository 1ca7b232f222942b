"""How the coils of a simulated loudspeaker warm and cool through the day.

Part of the simulation (``reportlib.simulate``). Two stages a drive unit (coil into magnet and
frame, those into the room: Button 1992, Chapman 1998), fed by the power that the
coil's resistance takes from a voltage source, so that power falls as the resistance rises.
Temperatures are in K above the room's; units come in the loudspeaker's order.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reportlib.model import FloatArray, frozen_array
from reportlib.simulate.parts import DriveUnit, Loudspeaker
from reportlib.simulate.unit import crossover, motional_impedance


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
