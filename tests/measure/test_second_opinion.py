"""A second opinion on the same audio and the same numbers, by general libraries or brute force.

Nothing here goes through the project's own way of getting there: sweeps, windows and averages
are written out again from their source, or come from scipy.signal.
"""

import numpy as np
import pytest
from days import GRID, LAW, QUIET, RATE, SWEEP, TWO_WAY, capture, responses, sound
from scipy import integrate, signal
from test_uncertainty import make_response

from reportlib import simulate
from reportlib.measure import deconvolution, levels, uncertainty
from reportlib.session.records import Capture

L = SWEEP.duration_s / np.log(SWEEP.stop_hz / SWEEP.start_hz)
CELL = 10.0 ** (0.3 / 24.0)  # half a 1/12 octave (IEC 61260-1:2014, base 10; from memory)
LEAD_IN = RATE // 2


def sweep():
    """Return an exponential sweep by its formula (Farina 2000), with raised-cosine ends."""
    time_s = np.arange(round(SWEEP.duration_s * RATE)) / RATE
    x = np.sin(2.0 * np.pi * SWEEP.start_hz * L * (np.exp(time_s / L) - 1.0))
    fade_in, fade_out = np.minimum(1.0, time_s / 0.05), np.minimum(1.0, time_s[::-1] / 0.001)
    return x * np.sin(0.5 * np.pi * fade_in) ** 2 * np.sin(0.5 * np.pi * fade_out) ** 2


def recorded(played, drive, *, name="a"):
    return Capture(source=name, sample_rate_hz=RATE, microphone=played, reference=drive)


def with_silence(samples, *, after_s=0.6):
    return np.pad(samples, (LEAD_IN, round(after_s * RATE)))


def mean_over_cells(hz, power, centres, *, half=CELL):
    """Average a finely sampled spectrum over each cell, one after the other."""
    found = []
    for centre in centres:
        inside = (hz >= centre / half) & (hz <= centre * half)
        found.append(power[inside].mean())
    return np.array(found)


def zoomed(samples, centres, *, parts=100):
    """Return |FFT|² in the middle of `parts` parts of each cell, by scipy.signal.zoom_fft."""
    found = []
    for centre in centres:
        low, high = centre / CELL, centre * CELL
        half = 0.5 * (high - low) / parts
        h = signal.zoom_fft(samples, [low + half, high - half], m=parts, fs=RATE, endpoint=True)
        found.append(np.abs(h) ** 2)
    return np.array(found)


def db(power):
    return 10.0 * np.log10(power)


# Response


def test_the_response_agrees_with_farinas_inverse_sweep():
    # A. Farina, AES 108 (2000): the sweep backwards, its envelope falling 6 dB an octave; by
    # scipy.signal.fftconvolve. What the convolution itself does is taken out by the reference.
    one = capture("a", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=21)
    gate, (found,) = responses([one], gate_ms=200.0)
    time_s = np.arange(round(SWEEP.duration_s * RATE)) / RATE
    inverse = sweep()[::-1] * np.exp(-time_s / L)
    answer = signal.fftconvolve(one.microphone, inverse)
    drive = signal.fftconvolve(one.reference, inverse)
    start = int(np.argmax(np.abs(drive)))
    arrival = start + round(found.arrival_s * RATE)
    before, length = round(gate.before_s * RATE), round(gate.length_s * RATE)
    quarter = length // 4
    window = np.ones(before + length)
    window[:before] = signal.windows.hann(2 * before + 1)[:before]
    window[-quarter:] = signal.windows.hann(2 * quarter + 1)[-quarter:]
    wide = np.flatnonzero((GRID > 200.0) & (GRID < 15000.0))[::5]
    h = zoomed(answer[arrival - before : arrival + length] * window, GRID[wide])
    x = zoomed(drive[start - before : start + length] * window, GRID[wide])
    expected = db(np.mean(h / x, axis=1))
    np.testing.assert_allclose(db(found.power[wide]), expected, atol=0.03)


def test_smoothing_agrees_with_a_plain_loop_over_a_fine_spectrum():
    one = capture("a", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=22)
    made = deconvolution.deconvolve(one, law=LAW, frequency_hz=GRID, fraction=12)
    gate, (found,) = responses([one], gate_ms=100.0)
    time_s = (made.first_lag + np.arange(made.impulse.size)) / RATE - found.arrival_s
    wide = np.flatnonzero((GRID > 30.0) & (GRID < 18000.0))[::4]
    expected = db(np.mean(zoomed(made.impulse * gate.weights(time_s), GRID[wide]), axis=1))
    # near 2/gate a cell is narrower than the bins that ours is read between
    near = np.where(GRID[wide] < 100.0, 0.05, 0.005)
    assert np.all(np.abs(db(found.power[wide]) - expected) < near)


# Arrival


@pytest.mark.parametrize("delay", [0, 1, 37, 480])
def test_captures_are_aligned_as_their_cross_correlation_says(delay):
    # general library: scipy.signal.correlate and correlation_lags on the recordings themselves
    one = capture("a", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=23)
    other = capture("b", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=24)
    later = recorded(np.roll(other.microphone, delay), other.reference, name="b")
    correlation = signal.correlate(later.microphone, one.microphone, method="fft")
    lags = signal.correlation_lags(later.microphone.size, one.microphone.size)
    lag = int(lags[np.argmax(correlation)])
    _, (first, second) = responses([one, later])
    found = second.arrival_s - first.arrival_s
    assert lag == delay
    assert found * RATE == pytest.approx(lag, abs=0.02)


def test_a_turned_round_cable_is_aligned_as_well():
    one = capture("a", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=23)
    turned = recorded(-np.roll(one.microphone, 5), one.reference, name="b")
    _, (first, second) = responses([one, turned])
    assert (second.arrival_s - first.arrival_s) * RATE == pytest.approx(5, abs=0.02)


@pytest.mark.parametrize("gate_ms", [20.0, 100.0])
def test_levels_behind_a_short_gate_are_those_of_a_finely_sampled_spectrum(gate_ms):
    # general library: scipy.signal.zoom_fft of the gated impulse response, scipy.integrate
    one = capture("a", sound(TWO_WAY, drive_db=0.0), chain=QUIET, seed=25)
    found = deconvolution.deconvolve(one, law=LAW, frequency_hz=GRID, fraction=12)
    gate, (measured,) = responses([one], gate_ms=gate_ms)
    time_s = (found.first_lag + np.arange(found.impulse.size)) / RATE - measured.arrival_s
    gated = found.impulse * gate.weights(time_s)
    for hz in GRID[gate.lowest_hz * 1.1 < GRID][:24:6]:
        low, high = hz * 10 ** (-0.3 / 24), hz * 10 ** (0.3 / 24)
        fine = np.linspace(low, high, 201)
        spectrum = signal.zoom_fft(gated, [low, high], m=201, fs=RATE, endpoint=True)
        truth = integrate.simpson(np.abs(spectrum) ** 2, x=fine) / (high - low)
        level = float(np.interp(hz, measured.frequency_hz, measured.power))
        assert 10 * np.log10(level / truth) == pytest.approx(0.0, abs=0.012)


def test_the_arrival_of_a_plain_delay_is_where_the_correlation_peaks():
    drive = with_silence(sweep())
    played = np.roll(drive, 211)
    _, (found,) = responses([recorded(played, drive)])
    correlation = signal.correlate(played, drive, method="fft")
    lag = signal.correlation_lags(played.size, drive.size)[np.argmax(correlation)]
    # within 20 dB of the envelope's peak: an envelope up to 10 kHz rises in some 1/(10 kHz)
    assert 0 <= lag - found.arrival_s * RATE < 8


# Noise


def whitened(kind, generator, count):
    """Return noise of known spectrum and its two-sided density per sample over frequency."""
    white = 1e-3 * generator.standard_normal(count)
    if kind == "white":
        return white, lambda hz: np.full(hz.shape, 1e-6)
    b, a = signal.butter(1, 400.0, fs=RATE)  # falls 6 dB an octave: steeper than pink

    def density(hz):
        _, h = signal.freqz(b, a, worN=hz, fs=RATE)
        return 1e-6 * np.abs(h) ** 2

    return signal.lfilter(b, a, white), density


@pytest.mark.parametrize("kind", ["white", "red"])
def test_noise_agrees_with_welch_of_the_silence_and_with_what_was_added(kind):
    # general library: scipy.signal.welch; S = P·fs/2 from its one-sided density P. Through the
    # division and the gate: σ² = S·Σw²/|X|² (Parseval).
    drive = 0.5 * with_silence(sweep(), after_s=2.0)
    generator = np.random.default_rng(31)
    noise, density = whitened(kind, generator, drive.size)
    gate, (found,) = responses([recorded(np.roll(drive, 150) + noise, drive)], gate_ms=300.0)
    size = drive.size
    x_power = np.abs(np.fft.rfft(drive)) ** 2
    bins = np.arange(x_power.size) * RATE / size
    weights = gate.weights(np.arange(-RATE, RATE) / RATE)
    wide = np.flatnonzero((GRID > 150.0) & (GRID < 15000.0))[::3]
    drive_power = mean_over_cells(bins, x_power, GRID[wide])
    third = 10.0 ** (0.3 / 6.0)
    scale = size / drive.size * np.sum(weights**2) / drive_power
    known = density(GRID[wide]) * scale
    # (ν values of χ² each: 4.34·√(2/ν) dB)
    scatter = 4.34 * np.sqrt(2.0 / found.noise_dof[wide])
    z = db(found.noise_power[wide] / known) / scatter
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.4)
    assert np.abs(z).max() < 4.0
    assert np.mean(db(found.noise_power[wide] / known)) == pytest.approx(0.0, abs=0.12)
    silence = noise[: LEAD_IN - RATE // 50]
    hz, one_sided = signal.welch(silence, fs=RATE, nperseg=4096, detrend=False)
    clear = wide[GRID[wide] > 300.0]
    from_silence = mean_over_cells(hz, one_sided, GRID[clear], half=third) * RATE / 2
    ours = found.noise_power[clear] / scale[-clear.size :]
    # welch of half a second in 1/3 octave at 300 Hz knows 70 Hz·0.5 s: ±0.7 dB, less above
    assert np.mean(db(ours / from_silence)) == pytest.approx(0.0, abs=0.25)
    assert np.std(db(ours / from_silence)) < 0.6


# Harmonics


def bent(x):
    """Return what a memoryless curve makes of a signal: harmonics 2 and 3."""
    return x + 0.06 * x**2 - 0.05 * x**3


def test_harmonics_agree_with_stationary_sines_one_after_the_other():
    # the same nonlinearity and filter, played steady tones; scipy.signal.sosfilt, one FFT a tone
    sos = signal.butter(2, [150.0, 6000.0], btype="bandpass", fs=RATE, output="sos")
    amplitude = 0.6
    drive = with_silence(amplitude * sweep())
    played = signal.sosfilt(sos, bent(drive))
    _, (found,) = responses([recorded(np.roll(played, 100), drive)])
    for k in np.flatnonzero((GRID > 200.0) & (GRID < 5000.0))[::12]:
        cycles = round(GRID[k])
        tone = amplitude * np.sin(2.0 * np.pi * cycles * np.arange(2 * RATE) / RATE)
        steady = np.abs(np.fft.rfft(signal.sosfilt(sos, bent(tone))[RATE:]))
        for order in (2, 3):
            expected = 20.0 * np.log10(steady[order * cycles] / steady[cycles])
            assert db(found.harmonic_power[order - 2][k]) == pytest.approx(expected, abs=0.15), (
                cycles,
                order,
            )
        for order in (4, 5):  # a cubic has none: nothing, or what stands 80 dB down
            assert not db(found.harmonic_power[order - 2][k]) > -80.0


# Noise that looks like compression


def noisy_responses(volume):
    """Return responses of a plain delay (|H| = 1) in white noise, and σ² as it was put in."""
    drive = with_silence(0.5 * sweep(), after_s=0.6)
    generator = np.random.default_rng(41)
    takes = [
        recorded(np.roll(drive, 100) + volume * generator.standard_normal(drive.size), drive)
        for _ in range(12)
    ]
    gate, found = responses(takes, gate_ms=400.0)
    x_power = np.abs(np.fft.rfft(drive)) ** 2
    bins = np.arange(x_power.size) * RATE / drive.size
    usable = np.flatnonzero((GRID > 30.0) & (GRID < 17000.0))
    drive_power = mean_over_cells(bins, x_power, GRID[usable])
    weights = gate.weights(np.arange(-RATE, RATE) / RATE)
    noise = np.full(GRID.size, np.nan)
    noise[usable] = volume**2 * np.sum(weights**2) / drive_power
    return found, noise


@pytest.mark.parametrize(
    ("snr_db", "false_db", "volume"), [(20, 0.043, 0.05), (15, 0.135, 0.09), (10, 0.414, 0.16)]
)
def test_noise_is_not_taken_for_level_as_a_plain_mean_takes_it(snr_db, false_db, volume):
    # arithmetic: a mean of powers reads 10·lg(1 + 1/SNR) high
    found, noise = noisy_responses(volume)
    near = np.abs(db(1.0 / noise) - snr_db) < 1.0
    assert near.sum() >= 8
    plain = np.array([(one.power + (1 - 1 / one.cells) * one.noise_power)[near] for one in found])
    ours = np.array([one.power[near] for one in found])
    u = np.sqrt(np.mean([uncertainty.noise_db(one)[near] ** 2 for one in found]))
    # neighbours on the grid share half their noise: a quarter of the values stand alone
    of_mean = u / np.sqrt(ours.size / 4)
    # (the logarithm's own curvature takes 1/K of it off again)
    expected = np.mean(db(1.0 + (1.0 - 1.0 / found[0].cells[near]) * noise[near]))
    assert expected == pytest.approx(false_db, rel=0.1)
    assert np.mean(db(plain)) == pytest.approx(expected, abs=3.0 * of_mean)
    assert np.mean(db(ours)) == pytest.approx(0.0, abs=3.0 * of_mean)
    assert false_db > 3.0 * of_mean  # else this could not fail
    # and single values scatter as they say
    assert np.sqrt(np.mean(db(ours) ** 2)) / u == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize(
    ("snr_db", "table"), [(20, 0.869), (25, 0.488), (30, 0.275), (40, 0.087), (50, 0.027)]
)
def test_one_bins_error_of_a_change_is_the_table_and_the_monte_carlo(snr_db, table):
    # computed: 6.14·√2·10^(−SNR/20) dB (small noise), and complex normal values by brute force
    one = make_response(noise=10 ** (-snr_db / 10))
    ours = np.hypot(*[uncertainty.noise_db(one)[0]] * 2)
    generator = np.random.default_rng(51)
    n = generator.standard_normal((2, 2, 100_000)) * np.sqrt(0.5 * 10 ** (-snr_db / 10))
    drawn = 20.0 * np.log10(np.abs(1.0 + n[0] + 1j * n[1]))
    assert ours == pytest.approx(table, rel=0.03)
    assert ours == pytest.approx(np.std(drawn[0] - drawn[1]), rel=0.02)


# The guide's rules


def test_effective_degrees_of_freedom_are_those_of_the_gums_end_gauge():
    # JCGM 100:2008, H.1.6 (from memory): 25, 9.7, 2.9, 16.6 nm with ν = 18, 25.6, 50, 2 give
    # ν_eff = 16.7; t_95(16) = 2.12 by its table G.2
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    dof = uncertainty.effective_dof(parts)
    assert float(dof) == pytest.approx(16.7, abs=0.1)
    factor = uncertainty.expanded(np.array([1.0]), dof=np.floor(dof))
    assert factor[0] == pytest.approx(2.12, abs=0.005)


@pytest.mark.parametrize(
    "parts", [((1.0, 4), (1.0, 9), (0.5, 20)), ((1.0, 3), (1.0, 3)), ((0.3, 2), (1.0, np.inf))]
)
def test_the_combined_interval_covers_as_often_as_it_says(parts):
    # JCGM 101:2008's idea, by numpy: draw each error, and its estimated u from a χ² of its ν
    generator = np.random.default_rng(61)
    draws = 100_000
    error, estimates = np.zeros(draws), []
    for u, nu in parts:
        error += u * generator.standard_normal(draws)
        spread = 1.0 if np.isinf(nu) else np.sqrt(generator.chisquare(nu, draws) / nu)
        estimates.append((u * spread * np.ones(draws), nu))
    dof = uncertainty.effective_dof(estimates)
    total = np.sqrt(sum(np.square(u) for u, _ in estimates))
    covered = np.mean(np.abs(error) <= uncertainty.expanded(total, dof=dof))
    # Welch and Satterthwaite's rule is an approximation: within a percent and a half
    assert covered == pytest.approx(0.95, abs=0.015)
    plain = np.mean(np.abs(error) <= 1.96 * total)
    assert plain < covered  # what a factor of 2 for everything would have cost


# Weightings


def test_weightings_agree_with_the_analogue_filters_of_the_standard():
    # general library: scipy.signal.freqs_zpk with the poles of IEC 61672-1:2013, Annex E
    # (f1, f4 twice, f2, f3; 20.60, 12194, 107.7, 737.9 Hz), 0 dB at 1 kHz
    low, high = [20.60, 20.60], [12194.0, 12194.0]
    hz = np.geomspace(10.0, 20000.0, 200)
    for ours, poles, zeros in (
        (levels.a_weighting_db, [*low, 107.7, 737.9, *high], 4),
        (levels.c_weighting_db, [*low, *high], 2),
    ):
        z, p = np.zeros(zeros), -2.0 * np.pi * np.array(poles)
        _, h = signal.freqs_zpk(z, p, 1.0, worN=2.0 * np.pi * np.append(hz, 1000.0))
        expected = 20.0 * np.log10(np.abs(h[:-1] / h[-1]))
        np.testing.assert_allclose(ours(hz), expected, atol=0.002)


# The simulation's own noise


def test_the_simulated_rig_makes_the_noise_that_it_says():
    # general library: scipy.signal.welch of a recording with nothing but white noise in it
    silent = sound(TWO_WAY, drive_db=-200.0)
    chain = simulate.Chain(reference_noise_db=-120.0, noise=simulate.Noise(white_db=50.0))
    made = simulate.record(silent, chain=chain, seed=71)
    hz, density = signal.welch(made.microphone, fs=RATE, nperseg=4096)
    level = db(np.sum(density) * hz[1]) - db(0.5) + chain.full_scale_db
    assert level == pytest.approx(50.0, abs=0.1)
