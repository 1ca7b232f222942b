"""One drive unit of the simulation: filters before it, box behind it, the coil's movement.

Part of the simulation (``reportlib.simulate``). Lumped mechanics on a voltage source (Small
1972, 1973): mechanical impedances in kg/s, frequencies in arrays of shape (n,).
"""

import numpy as np

from reportlib.model import FloatArray
from reportlib.simulate.parts import DriveUnit
from reportlib.simulate.spectra import ComplexArray

AIR_KG_M3 = 1.2
STOP_POWER = 8
"""How hard a stop is: well below it nothing, well beyond it no more excursion."""
MOST_GUESSES = 200


def crossover(unit: DriveUnit, frequency_hz: FloatArray) -> ComplexArray:
    """Return the voltage at a drive unit over that at the loudspeaker's terminals, shape (n,)."""
    result = np.full(
        frequency_hz.shape, 10.0 ** ((unit.gain_db - unit.pad_db) / 20.0), dtype=np.complex128
    )
    for corner_hz, power in ((unit.lowpass_hz, 0), (unit.highpass_hz, 2)):
        if corner_hz is not None:
            s = 1j * frequency_hz / corner_hz
            section = s**power / (s * s + np.sqrt(2.0) * s + 1.0)
            result *= section * section if unit.squared else section
    return result


def motional_impedance(unit: DriveUnit, frequency_hz: FloatArray) -> ComplexArray:
    """Return the impedance that the moving coil adds to its resistance, in ohm, shape (n,)."""
    s = 2j * np.pi * np.maximum(frequency_hz, 1e-3)
    return np.asarray(unit.force_factor_tm**2 / mechanical(unit, s, port_kg_s=0.0)[0])


def mechanical(
    unit: DriveUnit, s: ComplexArray, *, port_kg_s: FloatArray | float
) -> tuple[ComplexArray, ComplexArray | float]:
    """Mechanical impedance with the box, and the port's flow over the cone's.

    `port_kg_s` is the port's turbulent resistance, carried over to the cone's area.
    """
    omega = 2.0 * np.pi * unit.resonance_hz
    stiffness = unit.mass_kg * omega**2
    impedance = s * unit.mass_kg + omega * unit.mass_kg / unit.mechanical_q + stiffness / s
    if unit.vent is None:
        return impedance, 0.0
    box_stiffness = unit.vent.compliance_ratio * stiffness
    tuning = 2.0 * np.pi * unit.vent.tuning_hz
    mass = box_stiffness / tuning**2
    port = s * mass + tuning * mass / unit.vent.quality + port_kg_s
    box = 1.0 / (s / box_stiffness + 1.0 / port)
    return impedance + box, box / port


def settled(
    unit: DriveUnit,
    s: ComplexArray,
    *,
    volt: FloatArray,
    resistance: FloatArray,
    shares: FloatArray | None,
) -> tuple[FloatArray, FloatArray]:
    """Force factor and turbulent port resistance that fit the motion they bring about.

    Port: the sine's share of ½·rho·K·u|u| is (8/3π)·½·rho·K times its peak speed. Force:
    Bl/(1 + (x/half)²). Each guess is averaged with the one before, which converges because
    neither answers much more than in proportion.
    """
    whole = unit.force_factor_tm * (1.0 - unit.magnet_loss)
    force = np.full(s.shape, whole)
    port_kg_s = np.zeros(s.shape)
    turbulent = unit.vent is not None and unit.vent.loss_coefficient > 0.0
    if not turbulent and unit.half_force_m is None:
        return force, port_kg_s
    # Far above resonance excursion and flow fall by 12 dB an octave and more: nothing is left.
    low = np.flatnonzero(s.imag < 2.0 * np.pi * 50.0 * unit.resonance_hz)
    if low.size == 0:
        return force, port_kg_s
    s, resistance = s[low], resistance[low]
    peak_volt = np.sqrt(2.0) * volt[low]
    shares = None if shares is None else shares[low]
    bl, port = force[low], port_kg_s[low]
    for _ in range(MOST_GUESSES):
        impedance, share_of_port = mechanical(unit, s, port_kg_s=port)
        speed = peak_volt * np.abs(bl / (resistance * impedance + bl**2))
        before = (bl, port)
        if unit.half_force_m is not None:
            excursion = felt(speed / np.abs(s), shares)
            new = whole / (1.0 + (excursion / unit.half_force_m) ** 2)
            bl = 0.5 * (bl + new)
        if turbulent and unit.vent is not None:
            areas = unit.cone_area_m2 / unit.vent.port_area_m2
            flow = felt(speed * np.abs(share_of_port), shares) * areas
            turbulence = flow**2 / (flow + max(unit.vent.onset_m_s, 1e-9))
            per_speed = 4.0 / (3.0 * np.pi) * AIR_KG_M3 * unit.vent.loss_coefficient
            port = 0.5 * (port + per_speed * turbulence * unit.cone_area_m2 * areas)
        if _same(bl, before[0]) and _same(port, before[1]):
            break
    else:
        raise ValueError(f"{unit.name}: no steady motion at {np.max(volt):.3g} V")
    force[low], port_kg_s[low] = bl, port
    return force, port_kg_s


def stopped(unit: DriveUnit, excursion_m: FloatArray, *, shares: FloatArray | None) -> FloatArray:
    """Return the share of the motion that an elastic stop leaves, by peak excursion without it."""
    if unit.stop_m is None:
        return np.ones_like(excursion_m)
    beyond = felt(excursion_m, shares) / unit.stop_m
    return np.asarray((1.0 + beyond**STOP_POWER) ** (-1.0 / STOP_POWER))


def felt(amplitude: FloatArray, shares: FloatArray | None) -> FloatArray:
    """What a part feels: each sine alone, or the root of the sum of all squares."""
    if shares is None:
        return amplitude
    return np.full(amplitude.shape, np.sqrt(np.sum((amplitude * shares) ** 2)))


def _same(new: FloatArray, old: FloatArray) -> bool:
    return bool(np.max(np.abs(new - old)) <= 1e-9 * np.max(np.abs(new)))
