"""A mechanism that nobody looked at while the rules of `causes` were written: stiffening.

Written first, evaluated in the final run only. Its mechanics are its own: one drive unit in a
closed box, its suspension K(x) = K₀·(1 + (x/x₂)²), solved by bisection for the amplitude (first
harmonic balance of a cubic spring: the sine's share of x³ is 3/4, trigonometry), where the other
simulated units leave the stiffness alone.
"""

import numpy as np


def stiffened_change_db(frequency_hz, *, volt, double_m, unit):
    """Return the change of output against no level at all, in dB; shape (n,).

    Parameters
    ----------
    volt : rms at the unit's terminals
    double_m : peak excursion at which the stiffness would have doubled
    unit : dict of resistance_ohm, force_factor_tm, mass_kg, resonance_hz, mechanical_q
    """
    amplitude = excursion_m(frequency_hz, volt=volt, double_m=double_m, unit=unit)
    free = excursion_m(frequency_hz, volt=volt, double_m=np.inf, unit=unit)
    return 20.0 * np.log10(amplitude / free)


def third_harmonic_db(frequency_hz, *, volt, double_m, unit):
    """Return the third harmonic over the fundamental in dB, from the cubic spring's third force.

    x³ of a sine has a third of a quarter of its amplitude cubed; the cone answers that force at
    3f, and sound goes with acceleration (9 times as much for the same excursion).
    """
    f = np.asarray(frequency_hz, dtype=float)
    amplitude = excursion_m(f, volt=volt, double_m=double_m, unit=unit)
    stiffness = unit["mass_kg"] * (2.0 * np.pi * unit["resonance_hz"]) ** 2
    force = 0.25 * stiffness * amplitude**3 / double_m**2
    third = force / np.abs(_reaction(3.0 * f, unit=unit, stiffness=stiffness))
    return 20.0 * np.log10(np.maximum(9.0 * third / amplitude, 1e-9))


def excursion_m(frequency_hz, *, volt, double_m, unit):
    """Return the peak excursion, shape (n,)."""
    f = np.asarray(frequency_hz, dtype=float)
    stiffness = unit["mass_kg"] * (2.0 * np.pi * unit["resonance_hz"]) ** 2
    force = np.sqrt(2.0) * volt * unit["force_factor_tm"] / unit["resistance_ohm"]

    def too_far(x):
        grown = stiffness * (1.0 + 0.75 * (x / double_m) ** 2)
        return np.abs(_reaction(f, unit=unit, stiffness=grown)) * x > force

    low, high = np.full(f.shape, 1e-9), np.full(f.shape, 1.0)
    for _ in range(60):
        middle = np.sqrt(low * high)
        far = too_far(middle)
        low, high = np.where(far, low, middle), np.where(far, middle, high)
    return np.sqrt(low * high)


def _reaction(frequency_hz, *, unit, stiffness):
    """Force for a metre of excursion: spring, mass, losses and the motor's own damping."""
    omega = 2.0 * np.pi * frequency_hz
    own = 2.0 * np.pi * unit["resonance_hz"]
    damping = own * unit["mass_kg"] / unit["mechanical_q"]
    damping += unit["force_factor_tm"] ** 2 / unit["resistance_ohm"]
    return stiffness - unit["mass_kg"] * omega**2 + 1j * omega * damping
