"""What limits and changes the simulated loudspeaker beyond heat: each against a formula."""

from dataclasses import replace

import numpy as np
import pytest
from held_out_family import excursion_m, stiffened_change_db
from simulated import OCTAVES, WORKED_UNIT, db, one

from reportlib import simulate


def change(loudspeaker, frequency_hz, *, drive_db):
    loud, quiet = (
        simulate.transfer(loudspeaker, frequency_hz, drive_db=drive) for drive in (drive_db, 0.0)
    )
    return db(loud / quiet)


def test_band_limiter_takes_its_band_and_no_other():
    limiter = simulate.BandLimiter(
        low_hz=1000.0, high_hz=4000.0, limiter=simulate.Limiter(threshold_db=80.0)
    )
    loudspeaker = simulate.Loudspeaker(band_limiters=(limiter,))
    lost = change(loudspeaker, OCTAVES, drive_db=20.0)
    inside = (OCTAVES > 1700.0) & (OCTAVES < 2400.0)
    outside = (OCTAVES < 400.0) | (OCTAVES > 10000.0)
    given = db(
        simulate.transfer(loudspeaker, OCTAVES, drive_db=20.0) * loudspeaker.voltage(20.0) / 20e-6
    )
    np.testing.assert_allclose(given[inside], 80.0, atol=0.3)
    assert np.max(lost[inside]) < -8.0
    assert np.max(np.abs(lost[outside])) < 0.1


@pytest.mark.parametrize(("over", "left"), [(1.0, 1.0), (2.0, 0.6090), (1e6, 4.0 / np.pi / 1e6)])
def test_clipped_sine_keeps_its_fundamental_by_fourier(over, left):
    # (2/π)(asin(1/a) + √(1 − 1/a²)/a); a square wave has 4/π of its height.
    gain = simulate.Amplifier(ceiling_v=1.0).gain(over)
    assert gain == pytest.approx(left, rel=1e-3)
    phase = 2.0 * np.pi * (np.arange(4096) + 0.5) / 4096
    wave = np.clip(over * np.sin(phase), -1.0, 1.0)
    assert gain == pytest.approx(2.0 * np.mean(wave * np.sin(phase)) / over, rel=1e-3)


def test_a_stop_takes_the_lowest_frequencies_first():
    loudspeaker = replace(one(), units=(replace(WORKED_UNIT, heat=None, stop_m=0.002),))
    lost = change(loudspeaker, np.array([20.0, 40.0, 80.0, 400.0]), drive_db=24.0)
    assert np.all(np.diff(lost) > 0.0)
    assert lost[0] < -3.0
    assert lost[-1] == pytest.approx(0.0, abs=1e-6)


def test_a_warm_magnet_takes_from_the_mids_and_gives_near_resonance():
    """Worked by hand on the lumped model: 4 % less force, −0.28 dB at 200 Hz, +0.25 dB at 45 Hz."""
    plain = replace(one(), units=(replace(WORKED_UNIT, heat=None),))
    warm = simulate.weakened(plain, unit=0, share=0.04)
    at = np.array([200.0, 45.0])
    moved = db(
        simulate.transfer(warm, at, drive_db=0.0) / simulate.transfer(plain, at, drive_db=0.0)
    )
    np.testing.assert_allclose(moved, [-0.28, 0.25], atol=0.02)
    assert warm.voltage(10.0) == pytest.approx(plain.voltage(10.0))


def test_a_softened_suspension_moves_the_resonance():
    """−10 % resonance in the lumped model, by hand: 20 Hz +1.09, 30 Hz +0.51, 60 Hz −0.25 dB."""
    plain = replace(one(), units=(replace(WORKED_UNIT, heat=None),))
    soft = simulate.softened(plain, unit=0, share=0.10)
    at = np.array([20.0, 30.0, 60.0])
    moved = db(
        simulate.transfer(soft, at, drive_db=0.0) / simulate.transfer(plain, at, drive_db=0.0)
    )
    np.testing.assert_allclose(moved, [1.09, 0.51, -0.25], atol=0.06)


def test_a_fuse_takes_what_its_resistance_says():
    """Where the impedance is the coil's resistance: 20·lg((R + Rs)/R) (voltage divider)."""
    plain = replace(one(), units=(replace(WORKED_UNIT, heat=None),))
    opened = simulate.tripped(plain, unit=0, series_ohm=6.0)
    at = np.array([2000.0])
    moved = db(
        simulate.transfer(opened, at, drive_db=0.0) / simulate.transfer(plain, at, drive_db=0.0)
    )
    assert moved[0] == pytest.approx(-6.02, abs=0.05)


def test_held_out_spring_solves_its_own_equation():
    """A tenth of the force by a root finder of another kind: Duffing's amplitude (scipy)."""
    from scipy.optimize import brentq

    unit = {
        "resistance_ohm": 6.0, "force_factor_tm": 7.0, "mass_kg": 0.02, "resonance_hz": 45.0,
        "mechanical_q": 4.0,
    }  # fmt: skip
    found = excursion_m(np.array([25.0]), volt=5.0, double_m=0.004, unit=unit)[0]
    omega, own = 2 * np.pi * 25.0, 2 * np.pi * 45.0
    damping = own * 0.02 / 4.0 + 49.0 / 6.0

    def left(x):
        spring = 0.02 * own**2 * (1.0 + 0.75 * (x / 0.004) ** 2)
        return abs(spring - 0.02 * omega**2 + 1j * omega * damping) * x - np.sqrt(2) * 5 * 7 / 6

    assert found == pytest.approx(brentq(left, 1e-6, 0.05), rel=1e-6)
    assert stiffened_change_db(np.array([500.0]), volt=5.0, double_m=0.004, unit=unit) == (
        pytest.approx(0.0, abs=1e-3)
    )
