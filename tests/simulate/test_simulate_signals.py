"""The simulation's sweeps and multitones.

The worked sweep is computed by hand from the exponential sweep's law (Farina 2000).
"""

import numpy as np
import pytest
from scipy import signal
from simulated import BRIEF, RATE

from reportlib import simulate
from reportlib.session.day import SweepFacts


def test_sweep_law():
    # 20 Hz-20 kHz in 10 s, L 1.447648; 100 Hz at 2.330, 1 kHz at 5.663, 10 kHz at 8.997 s
    sweep = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
    assert simulate.sweep_rate_s(sweep) == pytest.approx(1.447648, abs=1e-6)
    np.testing.assert_allclose(
        simulate.sweep_time_s(sweep, [100.0, 1000.0, 10000.0]), [2.330, 5.663, 8.997], atol=5e-4
    )


def test_sweep_is_the_general_librarys():
    samples = simulate.sweep_signal(BRIEF)
    time_s = np.arange(RATE) / RATE
    expected = signal.chirp(time_s, 20.0, 1.0, 20000.0, method="logarithmic", phi=-90.0)
    inside = slice(1000, -200)
    np.testing.assert_allclose(samples[inside], expected[inside], atol=1e-8)
    assert abs(samples[0]) < 1e-3
    assert abs(samples[-1]) < 1e-2


def test_harmonic_sweep_ends_before_half_the_sample_rate():
    third = simulate.sweep_signal(BRIEF, order=3)
    rate_s = simulate.sweep_rate_s(BRIEF)
    ended = rate_s * np.log(0.45 * RATE / 3.0 / 20.0)
    assert np.max(np.abs(third[: round(0.9 * ended * RATE)])) > 0.999
    assert not np.any(third[round(ended * RATE) + 1 :])


def test_multitone():
    multitone = simulate.multitone_signal(seed=1)
    spectrum = np.abs(np.fft.rfft(multitone.samples)) / multitone.samples.size * np.sqrt(2.0)
    assert np.all(multitone.bins % 2 == 1)
    np.testing.assert_allclose(spectrum[multitone.bins], multitone.shares, rtol=1e-9)
    silent = np.delete(spectrum, multitone.bins)
    assert np.max(silent) < 1e-12
    assert np.mean(np.square(multitone.samples)) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("asked_db", [11.0, 12.0, 13.0])
def test_multitone_has_the_crest_factor_asked_for(asked_db):
    multitone = simulate.multitone_signal(seed=9, crest_factor_db=asked_db)
    assert multitone.crest_factor_db == pytest.approx(asked_db, abs=0.05)
    between = signal.resample_poly(np.tile(multitone.samples, 3), 4, 1)[4 * RATE : 8 * RATE]
    assert 20.0 * np.log10(np.max(np.abs(between))) == pytest.approx(asked_db, abs=0.1)


@pytest.mark.parametrize("asked_db", [4.0, 20.0])
def test_a_crest_factor_out_of_reach_is_refused(asked_db):
    with pytest.raises(ValueError, match=f"no phases with a crest factor of {asked_db:g} dB"):
        simulate.multitone_signal(seed=9, period_s=0.1, crest_factor_db=asked_db)


def test_multitone_is_pink_in_the_middle_and_leaves_bins_for_products():
    multitone = simulate.multitone_signal(seed=1)
    frequency = multitone.frequency_hz
    octaves = [
        np.sum(multitone.shares[(frequency >= low) & (frequency < 2 * low)] ** 2)
        for low in (125.0, 250.0, 500.0, 1000.0, 1990.0)
    ]
    assert np.ptp(10.0 * np.log10(octaves)) < 0.5
    # 6 dB an octave below 50 Hz: the integral of (f/50)² over 25-50 Hz is 0.375, of 1 it is ln 2
    low = np.sum(multitone.shares[frequency < 50.0] ** 2)
    assert 10.0 * np.log10(low / octaves[0]) == pytest.approx(-2.67, abs=0.4)
    runs = "".join("x" if odd in set(multitone.bins) else "." for odd in range(25, 3000, 2))
    assert "xxxx" not in runs
