"""The simulated loudspeaker against formulas, textbooks and movement stepped in time.

The worked unit's values are computed apart from it, from the lumped model of a drive unit on a
voltage source (Small 1972).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, optimize, signal
from simulated import OCTAVES, RATE, SWEEP, WORKED_UNIT, db, level_db, one

from reportlib import simulate
from reportlib.simulate import loudspeaker as simulate_unit


def test_loss_over_frequency():
    # computed from the lumped model: 20·lg|(k·Re·Zm + Bl²)/(Re·Zm + Bl²)|, 100 K, copper.
    frequency = np.array([20, 30, 45, 60, 80, 100, 150, 200, 400, 800.0])
    loss = np.array([1.92, 1.07, 0.49, 0.82, 1.46, 1.90, 2.42, 2.62, 2.81, 2.86])
    impedance = np.array([8.15, 13.0, 40.7, 16.9, 10.1, 8.22, 6.85, 6.45, 6.11, 6.03])
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    cold = simulate.transfer(loudspeaker, frequency, drive_db=0.0)
    hot = simulate.transfer(loudspeaker, frequency, drive_db=0.0, temperatures=[100.0])
    np.testing.assert_allclose(db(cold / hot), loss, atol=0.01)
    found = np.abs(6.0 + simulate_unit.motional_impedance(WORKED_UNIT, frequency))
    np.testing.assert_allclose(found, impedance, rtol=0.005)


def test_sealed_box_is_the_textbooks_second_order_high_pass():
    # Small 1972 (from memory): s² / (s² + s·w0/Qts + w0²), 1/Qts = 1/Qms + 1/Qes,
    # Qes = w0·Mms·Re/Bl²; the top is scipy's second-order Butterworth low-pass.
    unit = WORKED_UNIT
    w0 = 2.0 * np.pi * unit.resonance_hz
    qes = w0 * unit.mass_kg * unit.resistance_ohm / unit.force_factor_tm**2
    qts = 1.0 / (1.0 / unit.mechanical_q + 1.0 / qes)
    omega = 2.0 * np.pi * OCTAVES
    _, box = signal.freqs([1.0, 0.0, 0.0], [1.0, w0 / qts, w0**2], worN=omega)
    top = signal.butter(2, 2.0 * np.pi * 28000.0, analog=True)
    expected = box * signal.freqs(*top, worN=omega)[1]
    found = simulate.small_signal(simulate.Loudspeaker(units=(unit,), distance_m=1e-9), OCTAVES)
    np.testing.assert_allclose(found / found[150], expected / expected[150], rtol=1e-6, atol=1e-9)


def test_vented_box_is_the_textbooks_fourth_order_high_pass():
    # Small 1973, lossless box (from memory): s⁴/(s⁴ + a3·s³ + a2·s² + a1·s + a0), by
    # ws, wb, Qts and the compliance ratio.
    vent = simulate.Vent(tuning_hz=40.0, compliance_ratio=1.4, quality=1e9)
    unit = replace(WORKED_UNIT, vent=vent)
    ws, wb = 2.0 * np.pi * 45.0, 2.0 * np.pi * 40.0
    qes = ws * unit.mass_kg * unit.resistance_ohm / unit.force_factor_tm**2
    qts = 1.0 / (1.0 / unit.mechanical_q + 1.0 / qes)
    bottom = [1.0, ws / qts, wb**2 + 2.4 * ws**2, wb**2 * ws / qts, wb**2 * ws**2]
    frequency = np.geomspace(10.0, 500.0, 200)
    omega = 2.0 * np.pi * frequency
    _, expected = signal.freqs([1.0, 0.0, 0.0, 0.0, 0.0], bottom, worN=omega)
    sealed = np.asarray(simulate.small_signal(simulate.Loudspeaker(units=(unit,)), frequency))
    np.testing.assert_allclose(
        np.abs(sealed / sealed[-1]), np.abs(expected / expected[-1]), rtol=2e-4
    )


def test_neighbouring_units_sum_to_an_all_pass():
    slow = {"resonance_hz": 0.01, "force_factor_tm": 1.0, "mass_kg": 10.0}
    low = simulate.DriveUnit(lowpass_hz=2000.0, **slow)
    high = simulate.DriveUnit(highpass_hz=2000.0, **slow)
    loudspeaker = simulate.Loudspeaker(units=(low, high), top_hz=1e9)
    heard = db(simulate.transfer(loudspeaker, OCTAVES, drive_db=0.0))
    np.testing.assert_allclose(heard, heard[100], atol=0.001)


def test_a_pad_spares_the_unit_and_is_not_heard():
    unit = replace(WORKED_UNIT, highpass_hz=500.0)
    padded = replace(unit, pad_db=6.0)
    plain, spared = (simulate.Loudspeaker(units=(each,)) for each in (unit, padded))
    np.testing.assert_allclose(
        simulate.small_signal(spared, OCTAVES), simulate.small_signal(plain, OCTAVES), rtol=1e-9
    )
    power = [
        simulate.sweep_heating(each, SWEEP, drive_db=0.0).power_w[0, 150]
        for each in (plain, spared)
    ]
    assert 10.0 * np.log10(power[0] / power[1]) == pytest.approx(6.0, abs=0.01)


def test_an_active_loudspeakers_units_get_the_amplifiers_gain():
    # Same sound from the input, ten times the power in the coil.
    plain = simulate.Loudspeaker(units=(WORKED_UNIT,))
    active = replace(plain, amplifier_db=10.0)
    np.testing.assert_allclose(
        simulate.small_signal(active, OCTAVES), simulate.small_signal(plain, OCTAVES)
    )
    power = [
        simulate.sweep_heating(each, SWEEP, drive_db=0.0).power_w[0, 150]
        for each in (plain, active)
    ]
    assert power[1] / power[0] == pytest.approx(10.0, rel=1e-3)


def test_port_loss_is_that_of_the_flow_stepped_in_time():
    """Brute force: cone, box and a port with ½·rho·K·u|u|, driven at 50 Hz until steady."""
    vent = simulate.Vent(
        tuning_hz=50.0, compliance_ratio=1.3, quality=20.0, loss_coefficient=1.5, onset_m_s=0.0
    )
    unit = simulate.DriveUnit(
        resonance_hz=42.0, force_factor_tm=6.3, mass_kg=0.0145, cone_area_m2=0.0135, vent=vent
    )
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    w0, wb = 2.0 * np.pi * 42.0, 2.0 * np.pi * 50.0
    stiffness = unit.mass_kg * w0**2
    box = vent.compliance_ratio * stiffness
    port_kg = box / wb**2
    areas = unit.cone_area_m2 / vent.port_area_m2
    turbulent = 0.5 * 1.2 * vent.loss_coefficient * unit.cone_area_m2 * areas**2

    def fundamental(drive_db, frequency_hz):
        peak = np.sqrt(2.0) * loudspeaker.voltage(drive_db)
        omega = 2.0 * np.pi * frequency_hz

        def motion(time_s, state):
            x, v, inside, flow = state  # inside: volume in the box over the cone's area
            current = (peak * np.sin(omega * time_s) - unit.force_factor_tm * v) / 6.0
            force = unit.force_factor_tm * current - w0 / 4.0 * unit.mass_kg * v
            lossy = wb * port_kg / vent.quality * flow + turbulent * flow * abs(flow)
            return [
                v,
                (force - stiffness * x - box * inside) / unit.mass_kg,
                v - flow,
                (box * inside - lossy) / port_kg,
            ]

        cycles, points = 30, 64
        times = (cycles + np.arange(points) / points) / frequency_hz
        state = integrate.solve_ivp(
            motion, (0.0, times[-1]), np.zeros(4), t_eval=times, rtol=1e-7, atol=1e-12
        ).y
        out = state[1] - state[3]  # the cone pushes forward what the port draws in
        return np.abs(np.mean(out * np.exp(-1j * omega * times))) / peak

    for frequency_hz in (45.0, 52.0):
        brute = db(fundamental(24.0, frequency_hz) / fundamental(0.0, frequency_hz))
        quiet, loud = (
            simulate.transfer(loudspeaker, [frequency_hz], drive_db=drive_db)
            for drive_db in (0.0, 24.0)
        )
        assert brute < -2.0
        assert db(loud / quiet)[0] == pytest.approx(brute, abs=0.15)


def test_port_loss_grows_smoothly_around_the_tuning():
    vent = simulate.Vent(tuning_hz=50.0, loss_coefficient=2.0)
    loudspeaker = one(vent=vent, resonance_hz=45.0)
    quiet = simulate.transfer(loudspeaker, OCTAVES, drive_db=0.0)
    losses = [
        db(simulate.transfer(loudspeaker, OCTAVES, drive_db=drive_db) / quiet)
        for drive_db in (6.0, 12.0, 18.0, 24.0)
    ]
    deepest = [np.min(loss) for loss in losses]
    assert np.all(np.diff(deepest) < -0.1)
    assert 35.0 < OCTAVES[np.argmin(losses[-1])] < 60.0
    assert np.max(np.abs(losses[-1][OCTAVES > 400.0])) < 0.02


@pytest.mark.parametrize("frequency_hz", [25.0, 45.0, 90.0])
def test_force_factor_fits_the_excursion_that_it_brings_about(frequency_hz):
    """Bl = Bl0/(1 + (x/half)²), x = √2·V·Bl/(|Re·Zm + Bl²|·ω), by a general root finder."""
    loudspeaker = one(half_force_m=0.004)
    unit = loudspeaker.units[0]
    omega, w0 = 2.0 * np.pi * frequency_hz, 2.0 * np.pi * unit.resonance_hz
    mechanical = unit.mass_kg * (1j * omega + w0 / unit.mechanical_q + w0**2 / (1j * omega))
    volt = loudspeaker.voltage(24.0)

    def speed(force):
        return force / np.abs(unit.resistance_ohm * mechanical + force**2)

    def unfit(force):
        excursion = np.sqrt(2.0) * volt * speed(force) / omega
        return force - unit.force_factor_tm / (1.0 + (excursion / 0.004) ** 2)

    force = optimize.brentq(unfit, 0.01, unit.force_factor_tm, xtol=1e-12)
    assert force < 0.97 * unit.force_factor_tm
    quiet = simulate.small_signal(loudspeaker, [frequency_hz])
    loud = simulate.transfer(loudspeaker, [frequency_hz], drive_db=24.0)
    expected = speed(force) / speed(unit.force_factor_tm)
    assert np.abs(loud / quiet)[0] == pytest.approx(expected, rel=1e-6)


def test_force_lost_to_excursion_is_lost_where_the_cone_moves():
    loudspeaker = one(half_force_m=0.004)
    quiet, loud = (
        simulate.transfer(loudspeaker, OCTAVES, drive_db=drive_db) for drive_db in (0.0, 24.0)
    )
    change = db(loud / quiet)
    assert np.max(np.abs(change[OCTAVES < 100.0])) > 0.5
    assert np.max(np.abs(change[OCTAVES > 1000.0])) < 0.01


def test_sound_takes_its_time_to_the_microphone():
    near, far = (simulate.Loudspeaker(distance_m=metres) for metres in (1.0, 1.0 + 343.0 / 50.0))
    ratio = simulate.small_signal(far, [100.0]) / simulate.small_signal(near, [100.0])
    # 20 ms are two whole turns of 100 Hz
    assert np.angle(ratio[0]) == pytest.approx(0.0, abs=1e-6)
    assert np.abs(ratio[0]) == pytest.approx(1.0 / 7.86, rel=1e-9)


def test_room_decays_as_its_reverberation_time_says():
    room = simulate.Room(reverberation_s=0.5, reverberant_db=-3.0, first_reflection_s=0.010)
    size = 2 * RATE
    frequency = np.fft.rfftfreq(size, 1.0 / RATE)
    way = simulate_unit.path(simulate.Loudspeaker(room=room, distance_m=1e-6), frequency)
    impulse = np.fft.irfft(way * 1e-6, size)
    tail = impulse[400:]
    assert level_db(tail) + 10.0 * np.log10(tail.size) == pytest.approx(-3.0, abs=0.01)
    # Schroeder 1965: the backward integral of the squared response falls by 60 dB in T
    energy = np.cumsum(tail[::-1] ** 2)[::-1]
    fall = 10.0 * np.log10(energy[: RATE // 4] / energy[0])
    slope = np.polyfit(np.arange(RATE // 4) / RATE, fall, 1)[0]
    assert slope == pytest.approx(-60.0 / 0.5, rel=0.05)


def test_room_is_the_same_at_even_and_uneven_frequencies():
    loudspeaker = simulate.Loudspeaker(room=simulate.Room(reverberation_s=0.2))
    even = np.arange(0.0, 24000.0, 0.37)
    chosen = np.array([150, 1000, 30001, 64000])
    np.testing.assert_allclose(
        simulate_unit.path(loudspeaker, even)[chosen],
        simulate_unit.path(loudspeaker, even[chosen]),
        rtol=1e-7,
    )
