"""Simulated sweeps as they are recorded, against the transfer and against brute force."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal
from simulated import RATE, SWEEP, WORKED_UNIT, db, level_db

from reportlib import simulate
from reportlib.session.day import SweepFacts
from reportlib.simulate import loudspeaker as simulate_loudspeaker


def test_recorded_sweep_is_the_sum_of_the_movement_in_time():
    """Brute force: the sealed box's equation of motion, stepped through the sweep's voltage."""
    sweep = SweepFacts(start_hz=20.0, stop_hz=1500.0, duration_s=0.5)
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,), top_hz=1e9, distance_m=343.0 / 100.0)
    sound = simulate.sweep_sound(
        replace(loudspeaker, units=(replace(WORKED_UNIT, heat=None),)),
        sweep,
        drive_db=0.0,
        lead_in_s=0.1,
        tail_s=0.2,
    )
    w0 = 2.0 * np.pi * 45.0
    damping = w0 / 4.0 + 49.0 / 6.0 / 0.020
    moved = signal.lti([1.0, 0.0, 0.0], [1.0, damping, w0**2])
    fine = signal.resample(sound.volt, 4 * sound.volt.size)
    time_s = np.arange(fine.size) / (4 * RATE)
    _, acceleration, _ = signal.lsim(moved, fine, time_s)
    heard = np.interp(np.arange(sound.volt.size) / RATE - 0.01, time_s, acceleration, left=0.0)
    scale = (heard @ sound.pressure) / (heard @ heard)
    error = sound.pressure - scale * heard
    assert level_db(error) - level_db(sound.pressure) < -60.0
    # Pa/V at 3.43 m from 86 dB for 2.83 V at 1 m, as far as the box is flat in 200-5000 Hz
    assert db(scale) == pytest.approx(86.0 - 20 * np.log10(2.83 * 3.43 / 20e-6), abs=0.1)


def fundamental(sound, *, before_s=0.08, after_s=0.5):
    """Linear part of a sound over its own drive: FFT division and one window, all of it here."""
    size = 2**18 if sound.volt.size < 2**18 else 2**19
    x, y = np.fft.rfft(sound.volt, size), np.fft.rfft(sound.pressure, size)
    frequency = np.fft.rfftfreq(size, 1.0 / sound.sample_rate_hz)
    inside = (frequency > 20.0) & (frequency < 20000.0)
    floor = np.where(inside, 1e-9, 1.0) * np.median(np.abs(x[inside]) ** 2)
    impulse = np.fft.irfft(y * x.conj() / (np.abs(x) ** 2 + floor), size)
    rise, fall = (round(seconds * sound.sample_rate_hz) for seconds in (before_s, after_s))
    window = np.zeros(size)
    window[:fall] = np.cos(0.5 * np.pi * np.arange(fall) / fall) ** 0.5
    window[-rise:] = np.sin(0.5 * np.pi * np.arange(rise) / rise) ** 0.5
    return frequency, np.fft.rfft(impulse * window)


def test_recorded_change_is_the_transfers():
    """All parts at once, through the sound, against the ratio of two transfers."""
    loudspeaker = simulate.Loudspeaker(
        units=(
            simulate.DriveUnit(
                vent=simulate.Vent(tuning_hz=48.0, loss_coefficient=1.5),
                half_force_m=0.010,
                lowpass_hz=2500.0,
                heat=simulate.Heat(),
            ),
            simulate.DriveUnit(
                name="tweeter",
                resonance_hz=800.0,
                mechanical_q=1.5,
                mass_kg=0.0004,
                force_factor_tm=2.5,
                highpass_hz=2500.0,
                heat=simulate.Heat(coil_j_per_k=0.5),
            ),
        ),
        panels=(simulate.Panel(frequency_hz=420.0, q=8.0, full_gain_db=2.5, half_level_db=86.0),),
        limiter=simulate.Limiter(threshold_db=95.0, ratio=6.0, knee_db=4.0),
        harmonics=tuple(simulate.Harmonic(order=k, level_db=-75.0) for k in (2, 3, 4, 5)),
    )
    found, truth = [], []
    for drive_db in (0.0, 24.0):
        sound = simulate.sweep_sound(loudspeaker, SWEEP, drive_db=drive_db)
        frequency, response = fundamental(sound)
        # the lead-in cools a cold loudspeaker no further: the sweep starts cold
        expected = simulate.sweep_transfer(loudspeaker, frequency, sweep=SWEEP, drive_db=drive_db)
        found.append(response)
        truth.append(expected)
    inside = (frequency > 30.0) & (frequency < 18000.0)
    change = db(truth[1] / truth[0])[inside]
    assert np.ptp(change) > 3.0
    np.testing.assert_allclose(db(found[1] / found[0])[inside], change, atol=0.03)


def test_harmonics_leave_the_fundamental_alone():
    plain = simulate.Loudspeaker()
    bent = replace(
        plain,
        harmonics=tuple(
            simulate.Harmonic(order=order, level_db=-30.0 - 3.0 * order, rising_below_hz=80.0)
            for order in (2, 3, 4, 5)
        ),
    )
    responses = [
        fundamental(simulate.sweep_sound(each, SWEEP, drive_db=0.0)) for each in (plain, bent)
    ]
    frequency = responses[0][0]
    inside = (frequency > 30.0) & (frequency < 18000.0)
    change = db(responses[1][1] / responses[0][1])[inside]
    assert np.max(np.abs(change)) < 0.03


@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_a_harmonic_has_its_level_where_it_was_excited(order):
    # While the sweep passes f, a tone at order·f sounds: projected on the phase of the law.
    loudspeaker = simulate.Loudspeaker(
        harmonics=(simulate.Harmonic(order=order, level_db=-60.0, at_drive_db=10.0),),
        top_hz=1e9,
    )
    sound = simulate.sweep_sound(loudspeaker, SWEEP, drive_db=12.0, lead_in_s=0.0)
    time_s = np.arange(sound.pressure.size) / RATE - 1.0 / simulate_loudspeaker.SPEED_OF_SOUND_M_S
    rate_s = 4.0 / np.log(1000.0)
    phase = 2.0 * np.pi * 20.0 * rate_s * np.expm1(time_s / rate_s)
    near = np.flatnonzero(np.abs(20.0 * np.exp(time_s / rate_s) / 1000.0 - 1.0) < 0.15)
    heard = sound.pressure[near] * np.hanning(near.size)
    first, kth = (np.abs(np.sum(heard * np.exp(-1j * k * phase[near]))) for k in (1, order))
    assert db(kth / first) == pytest.approx(-60.0 + 2.0 * (order - 1), abs=0.05)


def test_cubic_term_is_the_cube_of_the_drive():
    """Brute force: x + a·x³ sample by sample, through the small-signal loudspeaker."""
    sweep = SweepFacts(start_hz=50.0, stop_hz=5000.0, duration_s=1.0)  # 3·5000 Hz < rate/2
    loudspeaker = simulate.Loudspeaker(cubic=-2e-4)
    sound = simulate.sweep_sound(loudspeaker, sweep, drive_db=24.0)
    x = sound.volt / (np.sqrt(2.0) * loudspeaker.voltage(0.0))
    volt = (x - 2e-4 * x**3) * np.sqrt(2.0) * loudspeaker.voltage(0.0)
    size = 2 * volt.size
    frequency = np.fft.rfftfreq(size, 1.0 / RATE)
    heard = np.fft.irfft(
        np.fft.rfft(volt, size) * simulate.small_signal(loudspeaker, frequency), size
    )
    middle = slice(round(0.55 * RATE), round(1.45 * RATE))
    error = (sound.pressure - heard[: volt.size])[middle]
    assert level_db(error) - level_db(sound.pressure[middle]) < -90.0


def test_level_is_the_sensitivity_at_any_distance():
    for distance_m in (1.0, 2.0):
        loudspeaker = simulate.Loudspeaker(
            units=(simulate.DriveUnit(vent=simulate.Vent()),), distance_m=distance_m
        )
        sound = simulate.sweep_sound(loudspeaker, SWEEP, drive_db=6.0)
        # a sweep spends equal time on each octave: its mean power is that over log frequency
        rate_s = 4.0 / np.log(1000.0)
        first, last = (0.5 + rate_s * np.log(f / 20.0) for f in (200.0, 5000.0))
        stretch = sound.pressure[round(first * RATE) : round(last * RATE)]
        expected = 72.0 + 6.0 - 20.0 * np.log10(distance_m)
        assert level_db(stretch) - db(20e-6) == pytest.approx(expected, abs=0.02)
