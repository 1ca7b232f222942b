"""The multitone: tones, spectrum and crest factor, against formulas for phases and scipy."""

import numpy as np
import pytest
from scipy import fft, signal

from reportlib.errors import ReportError
from reportlib.measure.stress.multitone import PROGRAMME_HZ, make_multitone, one_period, true_peak

RATE = 48000


def crest_db(samples):
    return 20.0 * np.log10(true_peak(samples) / np.sqrt(np.mean(np.square(samples))))


# --- Newman 1965, Schroeder 1970 and chance: crest factors computed by numpy for log-spaced equal
# tones in 131 072 samples


def log_spaced_bins(per_octave):
    hz = 20.0 * 2.0 ** (np.arange(int(per_octave * np.log2(1000.0)) + 1) / per_octave)
    return np.unique(np.round(hz * 131072 / RATE).astype(int))


def equal_tones_crest_db(bins, phase_rad):
    shares = np.full(bins.size, bins.size**-0.5)
    return crest_db(one_period(bins, shares=shares, phase_rad=phase_rad, size=131072))


@pytest.mark.parametrize(
    ("per_octave", "by_chance_db", "newman_db", "schroeder_db"),
    [(3, 12.8, 12.9, 12.9), (6, 13.0, 13.6, 13.9), (12, 13.3, 16.5, 14.9), (24, 13.3, 15.5, 15.9)],
)
def test_phase_formulas_for_even_spacing_do_not_work_here(
    per_octave, by_chance_db, newman_db, schroeder_db
):
    bins = log_spaced_bins(per_octave)
    count, tone = bins.size, np.arange(bins.size)
    chance = np.random.default_rng(per_octave)
    drawn = [equal_tones_crest_db(bins, chance.uniform(0.0, 2.0 * np.pi, count)) for _ in range(15)]
    assert np.median(drawn) == pytest.approx(by_chance_db, abs=1.0)
    newman = equal_tones_crest_db(bins, np.pi * tone**2 / count)
    assert newman == pytest.approx(newman_db, abs=1.0)
    schroeder = equal_tones_crest_db(bins, -np.pi * tone * (tone + 1) / count)
    assert schroeder == pytest.approx(schroeder_db, abs=1.0)


def test_they_do_for_evenly_spaced_tones():
    # computed by numpy: 64 even tones, 4.67 dB by Newman's phases and 4.64 dB by Schroeder's
    tone = np.arange(64)
    for phase_rad, expected_db in (
        (np.pi * tone**2 / 64, 4.67),
        (-np.pi * tone * (tone + 1) / 64, 4.64),
    ):
        samples = one_period(tone + 1, shares=np.full(64, 1 / 8), phase_rad=phase_rad, size=4096)
        assert crest_db(samples) == pytest.approx(expected_db, abs=0.05)


# --- crest factor


@pytest.mark.parametrize("spectrum", ["pink", "programme"])
@pytest.mark.parametrize("asked_db", [10.0, 12.0, 14.0])
def test_crest_factor_is_met(spectrum, asked_db):
    made = make_multitone(spectrum=spectrum, crest_factor_db=asked_db, seed=[11, 7])
    assert crest_db(made.samples) == pytest.approx(asked_db, abs=0.1)
    assert made.crest_factor_db == pytest.approx(crest_db(made.samples), abs=1e-9)
    # a second way to see between the samples: polyphase low-pass, over three periods
    tripled = signal.resample_poly(np.tile(made.samples, 3), 8, 1, window=("kaiser", 12.0))
    inside = tripled[8 * RATE : 16 * RATE]
    assert made.true_peak == pytest.approx(np.max(np.abs(inside)), rel=0.01)
    assert made.sample_crest_factor_db <= made.crest_factor_db


@pytest.mark.parametrize("options", [{"sample_rate_hz": 44100}, {"period_s": 2.0}])
def test_crest_factor_is_met_at_other_rates_and_periods(options):
    made = make_multitone(seed=3, **options)
    assert made.crest_factor_db == pytest.approx(12.0, abs=0.1)
    assert made.period_s == pytest.approx(options.get("period_s", 1.0))


def test_what_phases_cannot_reach_is_said():
    with pytest.raises(ReportError, match=r"of 6 dB can't be met .* came to \d+\.\d dB\. Give one"):
        make_multitone(crest_factor_db=6.0, period_s=0.1, tones_per_octave=3)
    # five equal tones whose peaks meet: 20·lg(√2·√5) = 10 dB
    with pytest.raises(ReportError, match=r"11 dB: 5 such tones have at most 10\.0 dB"):
        make_multitone(
            range_hz=(100.0, 1700.0), tones_per_octave=1, spectrum="pink", crest_factor_db=11.0
        )


# --- tones and spectrum


@pytest.fixture(scope="module", params=["pink", "programme"])
def made(request):
    return make_multitone(spectrum=request.param, seed=[4, 2])


def test_spectrum_is_exact_and_nothing_else_sounds(made):
    found = np.abs(fft.rfft(made.samples)) * np.sqrt(2.0) / made.samples.size
    np.testing.assert_allclose(found[made.bins], made.shares, rtol=1e-9)
    # leakage under −100 dB, what double precision leaves with a wide margin
    assert np.max(np.delete(found, made.bins)) < 1e-7 * np.max(made.shares)
    assert np.mean(np.square(made.samples)) == pytest.approx(1.0, rel=1e-9)


def test_tones_keep_to_odd_bins_and_leave_some_between_them(made):
    assert np.all(made.bins % 2 == 1)
    assert np.all(np.diff(made.bins) >= 2)
    _, in_four = np.unique(made.bins // 8, return_counts=True)
    assert np.max(in_four) == 3
    assert not set(made.empty_bins) & set(made.bins)
    assert np.all(made.empty_bins % 2 == 1)
    # where tones stand on neighbouring odd bins: one in four stays empty
    dense = made.frequency_hz < 33.0
    span = (made.bins[dense][-1] - made.bins[dense][0]) / 2 + 1
    assert 0.6 < np.count_nonzero(dense) / span < 0.85


def test_even_products_miss_the_tones_and_odd_ones_are_seen_beside_them(made):
    quadratic = np.abs(fft.rfft(made.samples**2 - 1.0))
    assert np.max(quadratic[made.bins]) < 1e-9 * np.max(quadratic)
    cubic = np.abs(fft.rfft(made.samples**3))
    lowest = made.empty_bins[made.empty_bins < 60]
    assert np.min(cubic[lowest]) > 1e-3 * np.max(cubic)


def test_tones_stand_where_log_spacing_wants_them(made):
    wanted_hz = 25.0 * 2.0 ** (np.arange(112) / 12.0)
    apart = np.abs(np.subtract.outer(wanted_hz, made.frequency_hz)).min(axis=0)
    assert np.max(apart) <= 1.0  # odd bins are 2 Hz apart
    octaves = [np.count_nonzero(made.frequency_hz // hz == 1) for hz in (250.0, 1000.0, 4000.0)]
    np.testing.assert_allclose(octaves, 12, atol=1)


def octave_db(made, low_hz):
    inside = (made.frequency_hz >= low_hz) & (made.frequency_hz < 2.0 * low_hz)
    return 10.0 * np.log10(np.sum(made.shares[inside] ** 2))


def test_pink_has_equal_power_in_each_octave():
    # pink by definition: as much in each octave, so that the density falls by 10·lg 2 dB an octave
    made = make_multitone(spectrum="pink", seed=8)
    low_hz = 0.97 * 62.5 * 2.0 ** np.arange(8)  # no tone stands on an edge
    octaves_db = np.array([octave_db(made, hz) for hz in low_hz])
    assert np.ptp(octaves_db[1:]) < 0.25
    slope = np.polyfit(np.arange(8), octaves_db - 10.0 * np.log10(low_hz), 1)[0]
    assert slope == pytest.approx(-3.01, abs=0.1)


def test_programme_falls_by_6_db_an_octave_outside_its_middle():
    pink, programme = (make_multitone(spectrum=one, seed=8) for one in ("pink", "programme"))
    change_db = 20.0 * np.log10(programme.shares / pink.shares)
    hz = programme.frequency_hz
    middle = (hz > PROGRAMME_HZ[0]) & (hz < PROGRAMME_HZ[1])
    np.testing.assert_allclose(change_db[middle], change_db[middle][0], atol=1e-9)
    high = hz > PROGRAMME_HZ[1]
    slope = np.polyfit(np.log2(hz[high]), change_db[high], 1)[0]
    assert slope == pytest.approx(-6.02, abs=0.01)


# --- looping, seeds, refusals


def test_it_loops_without_a_click(made):
    """Around the seam values and slopes differ by no more than anywhere else."""
    around = np.tile(made.samples, 2)
    for order in (1, 2, 3):
        steps = np.abs(np.diff(around, order))
        assert np.max(steps[RATE - 4 : RATE + 4]) <= np.max(np.abs(np.diff(made.samples, order)))
    # a window over the seam sees the tones and nothing between 16 kHz and half the rate
    piece = around[RATE - 4096 : RATE + 4096] * signal.windows.kaiser(8192, 18.0)
    spectrum = np.abs(fft.rfft(piece))
    assert np.max(spectrum[round(17000 * 8192 / RATE) :]) < 1e-5 * spectrum.max()


def test_same_seed_same_period():
    first, again, other = (make_multitone(seed=seed) for seed in (5, 5, 6))
    np.testing.assert_array_equal(first.samples, again.samples)
    assert np.any(first.samples != other.samples)
    assert not first.samples.flags.writeable


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"range_hz": (0.0, 100.0)}, r"give a lowest frequency above 0"),
        ({"range_hz": (500.0, 100.0)}, r"from 500 to 100 Hz"),
        ({"range_hz": (20.0, 23000.0)}, r"up to 23000 Hz at 48000 .* at most 21600 Hz"),
        ({"period_s": 0.01}, r"from 25 Hz in a period of 0\.01 s.*0\.04 s or more"),
        ({"tones_per_octave": 0}, r"0 tones an octave: give 1 or more"),
        ({"range_hz": (25.0, 26.0)}, r"a multitone of 1 tone"),
    ],
)
def test_impossible_multitones_are_refused_in_words(options, words):
    with pytest.raises(ReportError, match=words):
        make_multitone(**options)
