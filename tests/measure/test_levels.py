"""Grid, bands, weightings and smoothing against published values and other libraries."""

import numpy as np
import pytest
from truth_tables import truth_rows

from reportlib.measure import levels

ROWS = truth_rows("third_octaves.csv")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["nominal_hz"])
def test_third_octave_bands_are_those_of_iec_61260(row):
    exact = 1000.0 * 10.0 ** (int(row["exponent"]) / 10.0)
    centre = levels.band_centres_hz(3, start_hz=exact * 0.95, stop_hz=exact * 1.05)
    assert centre == pytest.approx([float(row["exact_hz"])], abs=6e-4)
    low, high = levels.cell_edges_hz(centre, fraction=3)
    assert low[0] == pytest.approx(float(row["lower_hz"]), abs=6e-4)
    assert high[0] == pytest.approx(float(row["upper_hz"]), abs=6e-4)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["nominal_hz"])
def test_weightings_are_those_of_iec_61672(row):
    exact = 1000.0 * 10.0 ** (int(row["exponent"]) / 10.0)
    # printed to 0.1 dB: half the last digit; 160 Hz is a rounding edge (formula −13.350)
    tolerance = 0.0501 if row["nominal_hz"] != "160" else 0.1
    assert levels.a_weighting_db(exact) == pytest.approx(float(row["a_db"]), abs=tolerance)
    assert levels.c_weighting_db(exact) == pytest.approx(float(row["c_db"]), abs=tolerance)


def test_octave_ratio_and_even_fractions():
    # IEC 61260-1:2014: G = 10^(3/10); even fractions stand half a step beside 1 kHz (from memory)
    assert pytest.approx(1.995262, abs=1e-6) == levels.G
    twelfths = levels.band_centres_hz(12, start_hz=960.0, stop_hz=1040.0)
    assert np.allclose(np.abs(np.log(twelfths / 1000.0)), np.log(levels.G) / 24)


def test_the_grid_runs_through_1_khz_in_24_steps_an_octave():
    grid = levels.grid_hz(start_hz=20.0, stop_hz=20000.0)
    assert 1000.0 in grid
    assert np.allclose(grid[24:] / grid[:-24], 10.0**0.3)
    assert grid[0] >= 20.0
    assert grid[-1] <= 20000.0


def test_sums_and_distance_are_those_of_the_textbook():
    # maths: 85 ⊕ 85 = 88.010, 85 ⊕ 80 = 86.193; 1 → 3 m in free field −9.542
    assert levels.energy_sum_db([85.0, 85.0]) == pytest.approx(88.010, abs=5e-4)
    assert levels.energy_sum_db([85.0, 80.0]) == pytest.approx(86.193, abs=5e-4)
    assert levels.distance_change_db(from_m=1.0, to_m=3.0) == pytest.approx(-9.542, abs=5e-4)


def test_pink_noise_loses_2_99_db_to_the_a_weighting():
    # computed with the standard's formula over the 31 bands 20 Hz–20 kHz: −2.987 and −1.227 dB
    bands = levels.band_centres_hz(3, start_hz=19.0, stop_hz=21000.0)
    assert bands.size == 31
    for weighting, expected in ((levels.a_weighting_db, -2.987), (levels.c_weighting_db, -1.227)):
        total = levels.energy_sum_db(weighting(bands)) - 10 * np.log10(31)
        assert total == pytest.approx(expected, abs=0.01)


def test_cell_means_agree_with_scipy_integration():
    # general library: scipy.integrate on the same piecewise linear spectrum
    from scipy.integrate import quad

    generator = np.random.default_rng(1)
    spectrum = generator.uniform(0.5, 2.0, 400)
    low, high = np.array([3.3, 17.0, 100.2, 150.0]), np.array([3.6, 18.0, 131.7, 152.5])
    found = levels.cell_mean(spectrum, spacing_hz=0.5, low_hz=low, high_hz=high)
    bins = np.arange(400) * 0.5
    for mean, a, b in zip(found, low, high, strict=True):
        knots = bins[(bins > a) & (bins < b)]
        area = quad(lambda f: np.interp(f, bins, spectrum), a, b, points=knots, limit=500)[0]
        assert mean == pytest.approx(area / (b - a), rel=1e-9)
    edges = np.array([-1.0, 3.3, 17.0, 100.2, 199.0, 205.0])  # from below 0 to above the last bin
    adjoining = levels.adjoining_means(spectrum, spacing_hz=0.5, edges_hz=edges)
    np.testing.assert_allclose(
        adjoining,
        levels.cell_mean(spectrum, spacing_hz=0.5, low_hz=edges[:-1], high_hz=edges[1:]),
    )


def test_a_narrow_loss_is_diluted_as_power_averaging_says():
    # computed: 3 dB lost over 1/12 octave is −10·lg(1 − ¼·(1 − 10^−0.3)) = 0.578 dB in 1/3 octave
    spectrum = np.ones(200001)
    bins = np.arange(spectrum.size) * 0.1
    low, high = levels.cell_edges_hz(1000.0, fraction=3)
    quarter = low + (high - low) / 4
    spectrum[(bins >= low) & (bins < quarter)] = 10**-0.3
    mean = levels.cell_mean(
        spectrum, spacing_hz=0.1, low_hz=np.array([low]), high_hz=np.array([high])
    )
    assert -10 * np.log10(mean[0]) == pytest.approx(0.578, abs=0.002)


def test_moving_means_leave_out_what_is_not_known():
    grid = levels.grid_hz(start_hz=100.0, stop_hz=1000.0)
    values = np.ones(grid.size)
    values[10] = np.nan
    mean = levels.moving_octave_mean(values, frequency_hz=grid, octaves=1 / 3)
    assert np.allclose(mean, 1.0)
    none = levels.moving_octave_mean(
        values, frequency_hz=grid, octaves=1 / 3, keep=np.zeros(grid.size, dtype=bool)
    )
    assert np.isnan(none).all()


def test_tone_amplitude_between_two_bins():
    rate = 48000
    time_s = np.arange(rate) / rate
    for hz in (1000.0, 1000.37, 251.2):
        tone = 0.37 * np.sin(2 * np.pi * hz * time_s + 0.4)
        amplitude, share = levels.tone_amplitude(tone, sample_rate_hz=rate, frequency_hz=hz)
        assert amplitude == pytest.approx(0.37, rel=2e-3)
        assert share > 0.99


def test_bands_are_half_open():
    bass, low_mids = levels.BANDS[:2]
    assert bass.holds(40.0)
    assert not bass.holds(160.0)
    assert low_mids.holds(160.0)
