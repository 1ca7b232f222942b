"""What changes with level in the simulated loudspeaker: limiter, panel, cubic term."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal
from simulated import OCTAVES, RATE, db, one

from reportlib import simulate
from reportlib.simulate import signals


def test_hard_limiter_flattens_the_top():
    loudspeaker = simulate.Loudspeaker(
        resonances=(simulate.Resonance(frequency_hz=300.0, q=0.7, gain_db=6.0),),
        limiter=simulate.Limiter(threshold_db=94.0),
    )
    free = replace(loudspeaker, limiter=None)
    given, asked = (
        db(simulate.transfer(each, OCTAVES, drive_db=24.0) * each.voltage(24.0) / 20e-6)
        for each in (loudspeaker, free)
    )
    over = asked > 94.0
    assert 20 < over.sum() < 290
    np.testing.assert_allclose(given[over], 94.0, atol=1e-6)
    np.testing.assert_allclose(given[~over], asked[~over], atol=1e-6)


def test_limiter_curve_has_its_ratio_and_a_smooth_knee():
    limiter = simulate.Limiter(threshold_db=90.0, ratio=4.0, knee_db=6.0)
    asked = np.linspace(80.0, 100.0, 2001)
    given = asked + limiter.gain_db(asked)
    slope = np.gradient(given, asked)
    np.testing.assert_allclose(slope[asked < 86.9], 1.0, atol=1e-9)
    np.testing.assert_allclose(slope[asked > 93.1], 0.25, atol=1e-9)
    assert np.max(np.abs(np.diff(slope))) < 0.003


def test_limiter_turns_a_multitone_down_as_a_whole():
    multitone = simulate.multitone_signal(seed=3)
    loudspeaker = simulate.Loudspeaker(limiter=simulate.Limiter(threshold_db=90.0))
    quiet, loud = (
        simulate.transfer(
            loudspeaker, multitone.frequency_hz, drive_db=drive_db, shares=multitone.shares
        )
        for drive_db in (0.0, 24.0)
    )
    change = db(loud / quiet)
    assert np.ptp(change) < 1e-9
    level = np.abs(loud) * multitone.shares * loudspeaker.voltage(24.0)
    assert 10.0 * np.log10(np.sum(level**2)) - db(20e-6) == pytest.approx(90.0, abs=1e-6)


def test_what_a_limiter_does_comes_after_the_sound():
    loudspeaker = simulate.Loudspeaker(limiter=simulate.Limiter(threshold_db=92.0, ratio=8.0))
    frequency = np.arange(0, RATE // 2 + 1, 0.5)
    quiet, loud = (
        simulate.transfer(loudspeaker, frequency, drive_db=drive_db) for drive_db in (0.0, 24.0)
    )
    ratio = np.concatenate([[1.0], loud[1:] / quiet[1:]]) - 1.0
    ratio *= 0.5 + 0.5 * np.cos(np.pi * np.clip(frequency / 8000.0 - 1.0, 0.0, 1.0))
    change, unphased = np.fft.irfft(ratio), np.fft.irfft(np.abs(1.0 + ratio) - 1.0)
    before = slice(change.size // 2, -RATE // 1000)
    assert np.sum(unphased[before] ** 2) > 1e-7
    assert np.sum(change[before] ** 2) < 1e-3 * np.sum(unphased[before] ** 2)


def test_least_phase_is_that_of_a_minimum_phase_filter():
    # A biquad with all zeros and poles in the left half-plane is minimum-phase by definition.
    frequency = 2.0 ** np.arange(0.0, 17.0, 1.0 / 48.0)
    _, filtered = signal.freqs([1.0, 0.4, 1.0], [1.0, 0.9, 1.0], worN=frequency / 300.0)
    found = signals.least_phase(np.abs(filtered), octaves=1.0 / 48.0)
    np.testing.assert_allclose(found, np.angle(filtered), atol=0.006)


@pytest.mark.parametrize("full_gain_db", [2.5, -4.0])
def test_panel_grows_with_level(full_gain_db):
    panel = simulate.Panel(frequency_hz=420.0, q=8.0, full_gain_db=full_gain_db, half_level_db=84.0)
    loudspeaker = simulate.Loudspeaker(panels=(panel,))
    free = simulate.Loudspeaker()
    grown = [
        db(
            simulate.transfer(loudspeaker, [420.0], drive_db=drive_db)
            / simulate.transfer(free, [420.0], drive_db=drive_db)
        )[0]
        for drive_db in (-60.0, 12.0, 60.0)
    ]
    half_db = db(1.0 + 0.5 * (10.0 ** (full_gain_db / 20.0) - 1.0))
    np.testing.assert_allclose(grown, [0.0, half_db, full_gain_db], atol=0.01)


@pytest.mark.parametrize("drive_db", [0.0, 12.0, 24.0])
def test_cubic_term_changes_the_fundamental_by_its_law(drive_db):
    # 20·lg(1 + 3a·x²/4), x the peak: trigonometry, sin³ = (3·sin − sin 3φ)/4
    a, x = -2e-4, 10.0 ** (drive_db / 20.0)
    loudspeaker = simulate.Loudspeaker(cubic=a)
    ratio = simulate.transfer(loudspeaker, [500.0], drive_db=drive_db) / simulate.small_signal(
        loudspeaker, [500.0]
    )
    assert db(ratio)[0] == pytest.approx(20.0 * np.log10(1.0 + 0.75 * a * x**2), abs=1e-9)
    sine = x * np.sin(2.0 * np.pi * np.arange(64) / 64)
    kept = np.abs(np.fft.rfft(sine + a * sine**3)[1]) / (32.0 * x)
    assert np.abs(ratio[0]) == pytest.approx(kept, rel=1e-9)


def test_cubic_term_among_tones_is_the_cube_of_their_sum():
    a, bins, shares = -0.05, np.array([101, 1003, 4999]), np.array([0.8, 0.5, np.sqrt(0.11)])
    time = np.arange(48000) / 48000
    wave = np.sum(
        [share * np.cos(2.0 * np.pi * k * time + k) for k, share in zip(bins, shares, strict=True)],
        axis=0,
    )  # rms of the sum is 1/√2: its drive is that of a sine of peak 1
    kept = np.abs(np.fft.rfft(wave + a * wave**3)[bins]) / np.abs(np.fft.rfft(wave)[bins])
    loudspeaker = simulate.Loudspeaker(cubic=a)
    found = simulate.transfer(
        loudspeaker, bins.astype(float), drive_db=0.0, shares=shares
    ) / simulate.small_signal(loudspeaker, bins.astype(float))
    np.testing.assert_allclose(np.abs(found), kept, rtol=1e-9)


def test_far_above_the_moving_parts_nothing_depends_on_level():
    loudspeaker = one(vent=simulate.Vent(loss_coefficient=2.0), half_force_m=0.005)
    quiet, loud = (
        simulate.transfer(loudspeaker, [15000.0], drive_db=drive_db) for drive_db in (0.0, 27.0)
    )
    assert db(loud / quiet)[0] == pytest.approx(0.0, abs=1e-6)
