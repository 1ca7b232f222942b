"""Noise of an impulse response: its spectrum and what a gate makes of it, by Monte Carlo."""

import numpy as np
import pytest
from days import GRID, LAW, RATE
from scipy import signal

from reportlib.measure import noise
from reportlib.measure.levels import cell_edges_hz
from reportlib.measure.response import Gate

FLAT = np.ones(GRID.size)


def seen(samples, *, gate):
    weights = gate.weights(np.arange(-round(gate.before_s * RATE), gate.length_s * RATE) / RATE)
    density, dof = noise.gated_density(
        noise.parted(noise.spectrum(samples, sample_rate_hz=RATE), sample_rate_hz=RATE, law=LAW),
        gate_taper=noise.taper(weights, sample_rate_hz=RATE),
        sample_rate_hz=RATE,
        frequency_hz=GRID,
        drive_power=FLAT,
        law=LAW,
        fraction=12,
    )
    return density, dof, weights


def truly_let_in(make, *, weights, count):
    """What the gate lets in, averaged over many noises, by plain transforms (numpy)."""
    length = 2**18
    hz = np.fft.rfftfreq(length, 1.0 / RATE)
    total = np.zeros(hz.size)
    for seed in range(count):
        total += np.abs(np.fft.rfft(make(seed, weights.size) * weights, length)) ** 2
    low, high = cell_edges_hz(GRID, fraction=12)
    mean = total / count / np.sum(weights**2)
    return np.array([mean[(hz >= a) & (hz <= b)].mean() for a, b in zip(low, high, strict=True)])


LONG = Gate(before_s=0.05, length_s=0.5)


def test_the_spectrum_agrees_with_scipys_welch():
    # general library: scipy.signal.welch, same segments and window
    samples = np.random.default_rng(1).standard_normal(5 * RATE)
    ours = noise.spectrum(samples, sample_rate_hz=RATE)
    length = noise.segment_length(RATE)
    _, theirs = signal.welch(
        samples, fs=RATE, nperseg=length, noverlap=length // 2, detrend=False,
        return_onesided=False,
    )  # fmt: skip
    expected = theirs[: length // 2] * RATE
    assert np.mean(ours.density[1:-1]) == pytest.approx(np.mean(expected[1:]), rel=0.01)


def test_white_noise_has_its_variance_in_every_cell():
    samples = 0.3 * np.random.default_rng(2).standard_normal(20 * RATE)
    density, dof, _ = seen(samples, gate=LONG)
    inside = GRID > 100.0
    z = (density / 0.09 - 1.0) / np.sqrt(2.0 / dof)
    assert np.median(density[inside]) == pytest.approx(0.09, rel=0.02)
    assert np.sqrt(np.mean(z[inside] ** 2)) < 2.0


def hum(seed, size):
    generator = np.random.default_rng((7, seed))
    time_s = np.arange(size) / RATE
    lines = np.sin(2 * np.pi * 50.0 * time_s + generator.uniform(0, 2 * np.pi))
    return lines + 1e-3 * generator.standard_normal(size)


@pytest.mark.parametrize("gate", [LONG, Gate(before_s=0.005, length_s=0.05)])
def test_hum_counts_where_the_gate_lets_it_leak_to(gate):
    density, _, weights = seen(hum(0, 5 * RATE), gate=gate)
    expected = truly_let_in(hum, weights=weights, count=60)
    near = (GRID > 25.0) & (GRID < 110.0)
    apart_db = 10 * np.log10(density[near] / expected[near])
    # the kept spectrum smears a line by its own Hann window, 1 Hz: that shows on a steep skirt
    assert np.abs(np.median(apart_db)) < 0.5
    assert np.mean(np.abs(apart_db) < 1.0) > 0.9
    assert np.abs(apart_db).max() < 4.0
    # and beside the line it stands far over the broad noise
    assert density[near].min() > 10 * 1e-6


def test_a_line_is_not_blamed_on_its_third_of_an_octave():
    density, _, _ = seen(hum(0, 5 * RATE), gate=LONG)
    at, beside = (int(np.argmin(np.abs(GRID - hz))) for hz in (50.0, 65.0))
    assert density[at] > 100 * density[beside]


def test_two_estimates_are_pooled_where_they_agree_and_the_larger_counts_elsewhere():
    one = (np.array([1.0, 1.0, np.nan]), np.array([40.0, 40.0, 0.0]))
    other = (np.array([1.2, 9.0, 2.0]), np.array([40.0, 10.0, 10.0]))
    density, dof = noise.pooled(one, other)
    np.testing.assert_allclose(density, [1.1, 9.0, 2.0])
    np.testing.assert_allclose(dof, [80.0, 10.0, 10.0])


def test_the_mean_of_two_equal_noises_is_not_biased_up():
    generator = np.random.default_rng(3)
    one, other = generator.chisquare(20.0, (2, 4000)) / 20.0
    nu = np.full(4000, 20.0)
    density, _ = noise.pooled((one, nu), (other, nu))
    assert density.mean() == pytest.approx(1.0, abs=0.02)
    assert np.fmax(one, other).mean() > 1.1  # what the larger of the two would do


def test_what_is_too_short_says_nothing():
    found = noise.spectrum(np.zeros(100), sample_rate_hz=RATE)
    assert found.segments == 0.0
    density, dof = noise.gated_density(
        noise.parted(found, sample_rate_hz=RATE, law=LAW),
        gate_taper=np.ones(noise.segment_length(RATE) // 2 + 1), sample_rate_hz=RATE,
        frequency_hz=GRID, drive_power=FLAT, law=LAW, fraction=12,
    )  # fmt: skip
    assert np.isnan(density).all()
    assert not dof.any()
