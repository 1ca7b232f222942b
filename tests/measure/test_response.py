"""The response of one capture against routes that do not go through this project's code."""

import numpy as np
import pytest
from days import GRID, LAW, QUIET, RATE, SWEEP, TWO_WAY, capture, responses, sound
from scipy import signal

from reportlib import simulate
from reportlib.errors import AnalysisError, CaptureError
from reportlib.measure import deconvolution, response
from reportlib.measure.levels import cell_edges_hz
from reportlib.session.records import Capture


def _capture(**changes):
    one = capture("one.wav", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=1)
    fields = {
        "source": one.source, "sample_rate_hz": RATE, "microphone": one.microphone,
        "reference": one.reference,
    }  # fmt: skip
    return Capture(**{**fields, **changes})


def _deconvolve(one, **changes):
    facts = {"law": LAW, "frequency_hz": GRID, "fraction": 12}
    return deconvolution.deconvolve(one, **{**facts, **changes})


def test_the_level_agrees_with_welchs_cross_spectrum():
    # general library: scipy.signal.csd/welch (H1 estimate, Bendat & Piersol), 1 s segments, then
    # averaged over the same cells by a plain loop
    _, (found,) = responses([_capture()])
    one = _capture()
    facts = {"fs": RATE, "nperseg": RATE, "noverlap": RATE * 15 // 16, "window": "hann"}
    hz, cross = signal.csd(one.reference, one.microphone, **facts)
    _, auto = signal.welch(one.reference, **facts)
    h = np.abs(cross / auto) ** 2
    low, high = cell_edges_hz(GRID, fraction=12)
    wide = np.flatnonzero((GRID > 200.0) & (GRID < 12000.0))
    for k in wide[::6]:
        inside = (hz >= low[k]) & (hz <= high[k])
        expected = 10 * np.log10(np.mean(h[inside]))
        assert 10 * np.log10(found.power[k]) == pytest.approx(expected, abs=0.1)


def test_the_impulse_response_agrees_with_scipy_deconvolution_of_a_known_filter():
    # general library: scipy.signal.sosfilt plays the sweep, scipy.signal.sosfreqz is the truth
    drive = np.pad(simulate.sweep_signal(SWEEP, sample_rate_hz=RATE), (RATE // 2, RATE * 6 // 10))
    sos = signal.butter(3, [80.0, 9000.0], btype="bandpass", fs=RATE, output="sos")
    played = np.roll(signal.sosfilt(sos, drive), 123)
    _, (found,) = responses(
        [Capture(source="f", sample_rate_hz=RATE, microphone=played, reference=drive.copy())]
    )
    low, high = cell_edges_hz(GRID, fraction=12)
    part = (np.arange(200) + 0.5) / 200
    cells = low[:, np.newaxis] + (high - low)[:, np.newaxis] * part
    _, h = signal.sosfreqz(sos, worN=cells.ravel(), fs=RATE)
    expected = 10 * np.log10(np.mean(np.abs(h.reshape(cells.shape)) ** 2, axis=1))
    inside = (GRID > 30.0) & (GRID < 18000.0)
    np.testing.assert_allclose(10 * np.log10(found.power[inside]), expected[inside], atol=0.01)
    # the filter begins at 123 samples; an envelope up to 10 kHz knows that to 1/(10 kHz) or so
    assert abs(found.arrival_s * RATE - 123) < 10


def test_scaling_the_drive_leaves_the_response_unchanged():
    one = _capture()
    _, (small,) = responses([one])
    _, (large,) = responses(
        [_capture(microphone=one.microphone * 1e4, reference=one.reference * 1e4)]
    )
    np.testing.assert_allclose(large.power, small.power, rtol=1e-6)


def test_an_inverted_microphone_changes_no_level():
    _, (found,) = responses([_capture()])
    _, (inverted,) = responses([_capture(microphone=-_capture().microphone)])
    np.testing.assert_allclose(inverted.power, found.power, rtol=1e-9)


@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.9])
def test_captures_are_aligned_to_a_part_of_a_sample(part):
    one = _capture()
    spectrum = np.fft.rfft(one.microphone)
    shift = 37 + part
    turned = spectrum * np.exp(-2j * np.pi * np.arange(spectrum.size) * shift / one.microphone.size)
    later = _capture(microphone=np.fft.irfft(turned, one.microphone.size))
    first, second = _deconvolve(one), _deconvolve(later)
    arrival = response.find_arrival_s(first, law=LAW)
    found = response.align_s(second, to=first, arrival_s=arrival)
    assert (found - arrival) * RATE == pytest.approx(shift, abs=0.05)


def test_independent_cells_agree_with_the_sum_that_defines_them():
    # method: K = Σw²/Σw²[n]·sinc²(B·(n − n_a)/fs), summed here sample by sample
    gate = response.Gate(before_s=0.02, length_s=0.2)
    time_s = np.arange(-960, 9601) / RATE
    window = gate.weights(time_s)
    spike = np.zeros(window.size)
    spike[960] = 1.0
    width = np.array([1.0, 5.0, 30.0, 200.0, 1000.0])
    found = response.independent_cells(window, spike, sample_rate_hz=RATE, width_hz=width)
    for k, b in zip(found, width, strict=True):
        direct = np.sum(window**2) / np.sum(window**2 * np.sinc(b * time_s) ** 2)
        assert k == pytest.approx(direct, rel=0.02)


def test_the_gate_is_half_hann_flat_half_hann():
    gate = response.Gate(before_s=0.01, length_s=0.1)
    times = np.array([-0.011, -0.01, -0.005, 0.0, 0.05, 0.075, 0.0875, 0.1, 0.2])
    np.testing.assert_allclose(
        gate.weights(times), [0.0, 0.0, 0.5, 1.0, 1.0, 1.0, 0.5, 0.0, 0.0], atol=1e-12
    )
    assert gate.lowest_hz == pytest.approx(20.0)


def test_the_moved_gates_end_sooner_or_rise_as_soon_as_harmonics_allow():
    # the second harmonic stands L·ln 2 before: 2/ln(1000)·ln 2 = 0.2007 s
    for length_s, before_s in ((0.5, 0.0803), (0.05, 0.05)):
        shorter, sooner = response.Gate(before_s=0.005, length_s=length_s).moved(law=LAW)
        assert (shorter.before_s, shorter.length_s) == (0.005, pytest.approx(0.6 * length_s))
        assert (sooner.before_s, sooner.length_s) == (pytest.approx(before_s, abs=1e-4), length_s)


def test_noise_makes_the_difference_of_the_gates_that_is_said():
    # the variance of |H|² over many noises alone, by the gates' own powers
    generator = np.random.default_rng(8)
    one = _capture()
    level = 1e-3 * np.abs(one.microphone).max()
    noisy = [
        _capture(microphone=one.microphone + level * generator.standard_normal(one.microphone.size))
        for _ in range(40)
    ]
    _, found = responses(noisy)
    inside = (GRID > 300.0) & (GRID < 3000.0)
    level_db = np.array([10.0 * np.log10(take.power[inside]) for take in found])
    moved_db = np.array([10.0 * np.log10(take.power_moved_gate[:, inside]) for take in found])
    apart = np.var(level_db[:, np.newaxis] - moved_db, axis=0, ddof=1).mean(axis=1)
    share = apart / np.var(level_db, axis=0, ddof=1).mean()
    np.testing.assert_allclose(found[0].gate_noise_share[:, inside].mean(axis=1), share, rtol=0.3)


def test_the_regularisation_is_a_millionth_inside_and_one_outside():
    hz = np.array([0.0, 10.0, 20.0 * 2 ** (-1 / 12), 20.0, 1000.0, 20000.0, 23000.0])
    kappa = deconvolution.regularisation(hz, start_hz=20.0, stop_hz=20000.0)
    np.testing.assert_allclose(kappa, [1, 1, 1e-3, 1e-6, 1e-6, 1e-6, 1], rtol=1e-6)


def test_noise_is_measured_where_it_is_known():
    level = 40.0
    chain = simulate.Chain(reference_noise_db=-120.0, noise=simulate.Noise(white_db=level))
    one = capture("n", sound(TWO_WAY, drive_db=0.0), chain=chain, seed=5)
    rms = 10 ** ((level - chain.full_scale_db) / 20) / np.sqrt(2)
    gate, (found,) = responses([one])
    window = gate.weights(np.arange(-0.1 * RATE, 0.6 * RATE) / RATE)
    # white noise of variance S through division and window (Parseval): σ² = S·Σw²/|X|²
    expected = rms**2 * np.sum(window**2) / found.drive_power
    inside = (GRID > 100.0) & (GRID < 19000.0)
    ratio = (found.noise_power / expected)[inside]
    # 4 % of the noise's power is 2 % of the uncertainty made from it, less than its last digit
    assert np.median(ratio) == pytest.approx(1.0, abs=0.04)
    # scatter as the degrees of freedom say: √(2/ν) each
    z = (ratio - 1.0) / np.sqrt(2.0 / found.noise_dof[inside])
    assert np.sqrt(np.mean(z**2)) < 1.5


def test_a_burst_while_the_sweep_runs_counts_though_the_silence_before_was_quiet():
    one = _capture()
    noisy = one.microphone.copy()
    generator = np.random.default_rng(3)
    noisy[RATE // 2 :] += 1e-4 * generator.standard_normal(noisy.size - RATE // 2)
    _, (calm, found) = responses([one, _capture(microphone=noisy)])
    inside = (GRID > 200.0) & (GRID < 15000.0)
    assert np.median(found.noise_excess_db[inside]) > 20.0
    assert np.median(found.noise_power[inside] / calm.noise_power[inside]) > 100.0


def test_a_capture_without_the_sweep_in_it_is_refused():
    generator = np.random.default_rng(1)
    noise = 0.01 * generator.standard_normal(_capture().microphone.size)
    with pytest.raises(CaptureError, match=r"one\.wav does not hold the sweep's answer"):
        _deconvolve(_capture(microphone=noise))


def test_a_reference_without_the_sweep_is_refused():
    generator = np.random.default_rng(1)
    noise = 0.01 * generator.standard_normal(_capture().microphone.size)
    with pytest.raises(CaptureError, match=r"one\.wav \(reference channel\) holds no sweep"):
        _deconvolve(_capture(reference=noise))


def test_without_reference_and_stimulus_there_is_nothing_to_divide_by():
    with pytest.raises(CaptureError, match="has no reference channel"):
        _deconvolve(_capture(reference=None))


def test_a_capture_that_ends_before_its_sweep_is_refused():
    one = _capture()
    count = round((0.5 + LAW.duration_s - 0.02) * RATE)
    cut = _capture(microphone=one.microphone[:count], reference=one.reference[:count])
    with pytest.raises(AnalysisError, match=r"one\.wav ends \d+ ms before its sweep does"):
        responses([cut])


def test_one_gate_for_all_is_the_shortest_tail_allows():
    long = _capture()
    count = round((0.5 + LAW.duration_s + 0.2) * RATE)
    short = _capture(microphone=long.microphone[:count], reference=long.reference[:count])
    gate, _ = responses([long, short])
    assert gate.length_s == pytest.approx(0.2, abs=0.02)
    gate, _ = responses([long], gate_ms=6.0)
    assert gate.length_s == pytest.approx(0.006)
