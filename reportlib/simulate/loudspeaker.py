"""An invented loudspeaker: which sound it makes from which voltage, as formulas of frequency.

Part of the simulation (``reportlib.simulate``), which shares no code with the analysis: what
the analysis finds in a simulated recording can be held against `transfer`, which is exact.

Conventions: SI units, s = 2πjf, voltages rms, frequencies in arrays of shape (n,). What
depends on level is quasi-linear: what the part does to a sine of that strength. A sweep is
one sine at a time; with `shares` all frequencies sound together and each part feels their sum.

One drive unit has filters before it, a box behind it, and a coil that moves: lumped mechanics on a
voltage source (Small 1972, 1973), mechanical impedances in kg/s.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf

from reportlib.session.records import FloatArray
from reportlib.simulate.parts import SENSITIVITY_VOLT, DriveUnit, Limiter, Loudspeaker, Room
from reportlib.simulate.signals import ComplexArray, evenly_spaced_spectrum, least_phase

PASCAL_AT_0_DB = 20e-6
SPEED_OF_SOUND_M_S = 343.0
"""In air at 20 °C (ISO 9613-1:1993 has 343.2)."""
LEVEL_RANGE_HZ = (200.0, 5000.0)
"""Nominal levels are the mean of the power in here, over log frequency: as a sweep spends it."""


def transfer(
    loudspeaker: Loudspeaker,
    frequency_hz: ArrayLike,
    *,
    drive_db: float,
    temperatures: ArrayLike | None = None,
    shares: ArrayLike | None = None,
) -> ComplexArray:
    """Return the sound pressure at the microphone per volt of drive: the truth of a recording.

    Parameters
    ----------
    loudspeaker : the loudspeaker
    frequency_hz : shape (n,)
    drive_db : rms drive over that of the baseline sweep
    temperatures : coils above the room's temperature in K, shape (units,), or (units, n) where
        they change while a sweep passes; cold where left out
    shares : shape (n,), rms of each tone where all sound together, their squares summing to 1;
        left out for one sine at a time, as in a sweep

    Returns
    -------
    complex array, shape (n,), Pa/V
    """
    return path(loudspeaker, frequency_hz) * radiated(
        loudspeaker,
        frequency_hz,
        drive_db=drive_db,
        temperatures=temperatures,
        shares=shares,
    )


def radiated(
    loudspeaker: Loudspeaker,
    frequency_hz: ArrayLike,
    *,
    drive_db: float,
    temperatures: ArrayLike | None = None,
    shares: ArrayLike | None = None,
) -> ComplexArray:
    """Return `transfer` as it is at 1 m in free field, without the way there: all that changes."""
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
    share = None if shares is None else np.asarray(shares, dtype=np.float64)
    gain = drive_gain(loudspeaker, frequency, drive_db=drive_db, shares=share)
    volt = loudspeaker.unit_voltage(drive_db) * gain
    if temperatures is None:
        temperatures = np.zeros(len(loudspeaker.units))
    shape = gain * _shape(loudspeaker, frequency, volt=volt, coil_k=temperatures, shares=share)
    shape *= _panels(loudspeaker, frequency, drive_db=drive_db)
    if share is None:
        shape *= _causal(loudspeaker, frequency, drive_db=drive_db)
    return _scale(loudspeaker) * shape


def path(loudspeaker: Loudspeaker, frequency_hz: ArrayLike) -> ComplexArray:
    """Return what distance and room make of the sound at 1 m, shape (n,)."""
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
    delay_s = loudspeaker.distance_m / SPEED_OF_SOUND_M_S
    way = np.asarray(np.exp(-2j * np.pi * frequency * delay_s), dtype=np.complex128)
    way = way / loudspeaker.distance_m
    if loudspeaker.room is not None:
        way = way * (1.0 + _reverberation(loudspeaker.room, frequency))
    return np.asarray(way)


def small_signal(loudspeaker: Loudspeaker, frequency_hz: ArrayLike) -> ComplexArray:
    """Return the transfer in Pa/V of the cold loudspeaker at no level at all, shape (n,)."""
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
    shape = cold_shape(loudspeaker, frequency)
    return _scale(loudspeaker) * path(loudspeaker, frequency) * shape


def drive_gain(
    loudspeaker: Loudspeaker,
    frequency_hz: FloatArray,
    *,
    drive_db: float,
    shares: FloatArray | None = None,
) -> FloatArray:
    """Return what limiter and cubic term make of the fundamental's amplitude, shape (n,).

    A sine of amplitude x through y = x + a·x³ keeps 1 + 3a·x²/4 of its fundamental; a tone
    among others keeps 1 + 3a·(sum of all x²)/2 − 3a·(its own x²)/4 (trigonometry).
    """
    gain = limiter_gain(loudspeaker, frequency_hz, drive_db=drive_db, shares=shares)
    if loudspeaker.amplifier is not None:
        volt = loudspeaker.unit_voltage(drive_db) * gain
        if shares is None:
            gain = gain * loudspeaker.amplifier.gain(np.sqrt(2.0) * volt)
        else:  # many tones are close to Gaussian: Bussgang's gain of a clipper
            rms = float(np.sqrt(np.sum((volt * shares) ** 2)))
            gain = gain * erf(loudspeaker.amplifier.ceiling_v / (np.sqrt(2.0) * rms))
    if loudspeaker.cubic:
        square = (gain * 10.0 ** (drive_db / 20.0)) ** 2
        of_all = 0.75 if shares is None else 1.5 - 0.75 * shares**2
        gain = gain * (1.0 + loudspeaker.cubic * square * of_all)
    return gain


def limiter_gain(
    loudspeaker: Loudspeaker,
    frequency_hz: FloatArray,
    *,
    drive_db: float,
    shares: FloatArray | None = None,
) -> FloatArray:
    """Return the limiters' gain, by the level that they foresee at 1 m; shape (n,)."""
    gain = np.ones_like(frequency_hz)
    if loudspeaker.limiter is None and not loudspeaker.band_limiters:
        return gain
    pascal = np.abs(_scale(loudspeaker) * cold_shape(loudspeaker, frequency_hz))
    pascal *= loudspeaker.voltage(drive_db)

    def turned_down(limiter: Limiter, heard: FloatArray) -> FloatArray:
        foreseen_db = 20.0 * np.log10(np.maximum(felt(heard, shares), 1e-12) / PASCAL_AT_0_DB)
        if shares is not None:
            foreseen_db = foreseen_db + limiter.multitone_db
        return np.asarray(10.0 ** (limiter.gain_db(foreseen_db) / 20.0))

    for band in loudspeaker.band_limiters:
        weight = band.weight(frequency_hz)
        gain *= 1.0 - weight * (1.0 - turned_down(band.limiter, pascal * weight))
    if loudspeaker.limiter is not None:
        gain *= turned_down(loudspeaker.limiter, pascal)
    return gain


def _shape(
    loudspeaker: Loudspeaker,
    frequency: FloatArray,
    *,
    volt: FloatArray,
    coil_k: ArrayLike,
    shares: FloatArray | None,
) -> ComplexArray:
    """Sum of the drive units and the linear resonances, 1 in the middle of a unit's range."""
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    total = np.zeros(frequency.shape, dtype=np.complex128)
    for unit, rise_k in zip(loudspeaker.units, np.asarray(coil_k, dtype=np.float64), strict=True):
        divided = crossover(unit, frequency)
        per_k = unit.heat.rise_per_k if unit.heat else 0.0
        resistance = unit.resistance_ohm * (1.0 + per_k * rise_k) * np.ones_like(frequency)
        resistance = resistance + unit.series_ohm
        force, port_kg_s = settled(
            unit, s, volt=volt * np.abs(divided), resistance=resistance, shares=shares
        )
        impedance, share_of_port = mechanical(unit, s, port_kg_s=port_kg_s)
        speed = force / (resistance * impedance + force**2)
        if unit.stop_m is not None:
            peak_m = np.sqrt(2.0) * volt * np.abs(divided * speed / s)
            speed = speed * stopped(unit, peak_m, shares=shares)
        divided *= s * speed * (1.0 - share_of_port)
        whole = 10.0 ** (unit.pad_db / 20.0) * unit.resistance_ohm / unit.force_factor_tm
        total += divided * (whole * unit.mass_kg)
    end = frequency / loudspeaker.top_hz
    total /= 1.0 - end**2 + 1j * np.sqrt(2.0) * end
    for part in loudspeaker.resonances:
        total *= 1.0 + (10.0 ** (part.gain_db / 20.0) - 1.0) * _bell(
            frequency, hz=part.frequency_hz, q=part.q
        )
    return total


def _causal(loudspeaker: Loudspeaker, frequency: FloatArray, *, drive_db: float) -> ComplexArray:
    """Phase that lets what depends on level do all it does after the sound's arrival.

    A gain that changes from frequency to frequency without a phase of its own would ring before
    the sound as well as after it; no limiter, port or suspension knows what comes.
    """
    if not (loudspeaker.limiter or loudspeaker.band_limiters) and all(
        unit.half_force_m is None
        and unit.stop_m is None
        and (unit.vent is None or unit.vent.loss_coefficient == 0.0)
        for unit in loudspeaker.units
    ):
        return np.ones(frequency.shape, dtype=np.complex128)
    octaves = 1.0 / 48.0
    grid = 2.0 ** np.arange(0.0, 17.0, octaves)
    gain = limiter_gain(loudspeaker, grid, drive_db=drive_db)
    volt = loudspeaker.unit_voltage(drive_db) * gain
    cold = np.zeros(len(loudspeaker.units))
    driven = gain * _shape(loudspeaker, grid, volt=volt, coil_k=cold, shares=None)
    change = driven / cold_shape(loudspeaker, grid)
    turn = least_phase(np.abs(change), octaves=octaves) - np.angle(change)
    return np.asarray(np.exp(1j * np.interp(np.log(frequency), np.log(grid), turn)))


def cold_shape(loudspeaker: Loudspeaker, frequency: FloatArray) -> ComplexArray:
    """Return the units' sum and the linear resonances at no level at all, without a scale."""
    silence = np.zeros_like(frequency)
    cold = np.zeros(len(loudspeaker.units))
    return _shape(loudspeaker, frequency, volt=silence, coil_k=cold, shares=None)


def _panels(loudspeaker: Loudspeaker, frequency: FloatArray, *, drive_db: float) -> ComplexArray:
    result = np.ones(frequency.shape, dtype=np.complex128)
    for panel in loudspeaker.panels:
        over_db = loudspeaker.baseline_level_db + drive_db - panel.half_level_db
        grown = 1.0 / (1.0 + 10.0 ** (-panel.steepness * over_db / 20.0))
        gain = grown * (10.0 ** (panel.full_gain_db / 20.0) - 1.0)
        result += gain * _bell(frequency, hz=panel.frequency_hz, q=panel.q)
    return result


def _bell(frequency: FloatArray, *, hz: float, q: float) -> ComplexArray:
    """Second-order band-pass, 1 at its centre; 1 plus over −1 times it stays minimum-phase."""
    s = 1j * frequency / hz
    return np.asarray((s / q) / (s * s + s / q + 1.0))


def _scale(loudspeaker: Loudspeaker) -> float:
    """Pa/V that makes the mean of the small signal's power what `sensitivity_db` says."""
    power = np.abs(cold_shape(loudspeaker, np.geomspace(*LEVEL_RANGE_HZ, 401))) ** 2
    pascal = PASCAL_AT_0_DB * 10.0 ** (loudspeaker.sensitivity_db / 20.0)
    return float(pascal / SENSITIVITY_VOLT / np.sqrt(np.mean(power)))


def _reverberation(room: Room, frequency: FloatArray) -> ComplexArray:
    """Spectrum of the reverberant tail at any frequencies; fast where they are evenly spaced."""
    count = round(room.reverberation_s * room.sample_rate_hz)
    decay = 10.0 ** (-3.0 * np.arange(count) / count)
    tail = np.random.default_rng(room.seed).standard_normal(count) * decay
    tail *= np.sqrt(10.0 ** (room.reverberant_db / 10.0) / np.sum(tail**2))
    turns = frequency / room.sample_rate_hz
    spacing = np.diff(turns[1:])  # the first may stand a little above 0 Hz
    if turns.size >= 64 and np.allclose(spacing, spacing[0], rtol=1e-6, atol=0.0):
        spectrum = evenly_spaced_spectrum(tail, turns)
    else:
        sample = np.arange(count)
        spectrum = np.array([np.exp(-2j * np.pi * turn * sample) @ tail for turn in turns])
    return np.asarray(spectrum * np.exp(-2j * np.pi * frequency * room.first_reflection_s))


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
