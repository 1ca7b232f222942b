"""What the simulated loudspeaker takes from its amplifier: current at the terminals.

Part of the simulation (``reportlib.simulate``). Drive units lie in parallel, each behind its own
part of a passive network. A network without loss takes the power that it hands on, so that on a
resistance the real part of what it takes is |voltage handed on|²; the imaginary part is that of
the network with the fewest parts, a ladder. A pad is a resistor in series.
"""

import numpy as np
from numpy.typing import ArrayLike

from reportlib.model import FloatArray
from reportlib.simulate.loudspeaker import drive_gain
from reportlib.simulate.parts import DriveUnit, Loudspeaker
from reportlib.simulate.spectra import ComplexArray
from reportlib.simulate.unit import crossover, mechanical, settled

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

    Parameters are those of `simulate.transfer`.

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
