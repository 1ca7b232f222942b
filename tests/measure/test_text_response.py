"""Column text on the grid: smoothed once, gaps left open."""

import numpy as np
import pytest

from reportlib.errors import AnalysisError
from reportlib.measure.levels import G, cell_edges_hz, db, grid_hz
from reportlib.measure.text import (
    level_at,
    microphone_db,
    smoothing_due_octaves,
    text_range_hz,
    text_response,
    untold,
)
from reportlib.session.day import TextFacts
from reportlib.session.records import ColumnText

GRID = grid_hz(start_hz=20.0, stop_hz=20000.0)


def column(frequency_hz, level_db):
    f = np.asarray(frequency_hz, dtype=float)
    return ColumnText(
        source="a.txt", frequency_hz=f, level_db=level_db(f) if callable(level_db) else level_db
    )


def wavy(f):
    return 80.0 + 6.0 * np.sin(2.0 * np.pi * 1.7 * np.log2(f / 1000.0)) - 3.0 * np.log2(f / 1000.0)


def response(text, *, fraction=12, grid=GRID, **facts):
    return text_response(text, frequency_hz=grid, fraction=fraction, facts=TextFacts(**facts))


@pytest.mark.parametrize(
    "frequency_hz",
    [np.arange(10.0, 24000.0, 0.7), np.geomspace(15.0, 23000.0, 3000)],
    ids=["linear", "logarithmic"],
)
def test_a_fine_file_is_averaged_in_power_over_the_cell(frequency_hz):
    """Against scipy's adaptive integration of the very curve, each hertz with the same weight."""
    from scipy.integrate import quad

    found = db(response(column(frequency_hz, wavy)).power)
    low, high = cell_edges_hz(GRID, fraction=12)
    checked = slice(40, None, 17)  # from 62 Hz on, where steps of 0.7 Hz are fine
    for f, level, a, b in zip(*(x[checked] for x in (GRID, found, low, high)), strict=True):
        mean = quad(lambda hz: 10.0 ** (wavy(hz) / 10.0), a, b)[0] / (b - a)
        tolerance = 0.003 if f > 250.0 else 0.02  # rows 0.7 Hz apart are few in a cell below
        assert level == pytest.approx(10.0 * np.log10(mean), abs=tolerance), f


def test_noise_in_a_fine_file_is_averaged_as_a_spectrum_is():
    """Against numpy's trapezoid over the file's own rows, edges put in between."""
    rng = np.random.default_rng(11)
    f = np.arange(10.0, 21000.0, 1.0)
    text = column(f, 80.0 + rng.normal(0.0, 4.0, f.size))
    found = response(text).power
    low, high = cell_edges_hz(GRID, fraction=12)
    for k in (60, 120, 200, 239):
        inside = f[(f > low[k]) & (f < high[k])]
        at = np.concatenate(([low[k]], inside, [high[k]]))
        power = 10.0 ** (np.interp(np.log(at), np.log(f), text.level_db) / 10.0)
        assert found[k] == pytest.approx(np.trapezoid(power, at) / (high[k] - low[k]), rel=1e-9)


def test_a_wide_range_of_levels_costs_no_digits():
    """Levels of 1e−18 of the largest power: a running sum from the first row would lose them."""
    f = np.arange(10.0, 21000.0, 1.0)
    found = db(response(column(f, np.where(f < 100.0, 150.0, -30.0))).power)
    np.testing.assert_allclose(found[GRID > 200.0], -30.0, atol=1e-6)


@pytest.mark.parametrize("steps_per_octave", [12, 8])
def test_a_coarse_file_is_read_along_log_frequency(steps_per_octave):
    f = 19.0 * G ** (np.arange(11 * steps_per_octave) / steps_per_octave)
    text = column(f, wavy)
    found = db(response(text).power)
    inside = f[-1] > GRID
    expected = np.interp(np.log10(GRID), np.log10(f), wavy(f))
    np.testing.assert_allclose(found[inside], expected[inside], atol=1e-9)
    assert response(text).untold[100] == ""


def test_what_was_smoothed_is_not_smoothed_again():
    f = np.geomspace(15.0, 23000.0, 3000)
    read = np.interp(np.log(GRID), np.log(f), wavy(f))
    np.testing.assert_allclose(
        db(response(column(f, wavy), smoothing_octaves=1 / 12).power), read, atol=1e-9
    )
    assert smoothing_due_octaves(fraction=12, smoothing_octaves=None) == pytest.approx(1 / 12)
    assert smoothing_due_octaves(fraction=12, smoothing_octaves=1 / 6) == 0.0


def test_smoothing_twice_by_the_rule_is_smoothing_once():
    """A curve smoothed over 1/20 octave (numpy's moving mean), then by the tool."""
    rng = np.random.default_rng(5)
    octave = np.arange(-6.0, 4.8, 0.001)
    detail = np.convolve(rng.standard_normal(octave.size), np.hanning(181) / 8.0, mode="same")
    raw = 10.0 ** (detail / 10.0)
    f = 1000.0 * G**octave
    before = 10.0 * np.log10(np.convolve(raw, np.full(51, 1 / 51), mode="same"))
    once = db(response(column(f, 10.0 * np.log10(raw))).power)
    by_rule = db(response(column(f, before), smoothing_octaves=0.051).power)
    again = db(response(column(f, before)).power)
    inside = slice(8, -8)
    assert np.std(once[inside]) > 0.5
    assert np.std((by_rule - once)[inside]) < 0.4 * np.std((again - once)[inside])


def test_inside_a_wide_step_nothing_is_told():
    f = np.concatenate((np.geomspace(50.0, 400.0, 200), np.geomspace(520.0, 8000.0, 300)))
    reasons = np.array(response(column(f, wavy)).untold)
    expected = np.select(
        [(GRID < 50.0) | (GRID > 8000.0), (GRID > 400.0) & (GRID < 520.0)],
        ["range", "gap"],
        default="",
    )
    assert reasons.tolist() == expected.tolist()
    power = response(column(f, wavy)).power
    assert np.array_equal(np.isnan(power), expected != "")


def test_beside_a_gap_only_this_side_of_it_counts():
    f = np.concatenate((np.arange(100.0, 400.0, 0.5), np.arange(600.0, 2000.0, 0.5)))
    text = column(f, np.where(f < 500.0, 80.0, 40.0))
    found = db(response(text).power)
    told = np.isfinite(found)
    np.testing.assert_allclose(found[told & (GRID < 500.0)], 80.0, atol=1e-9)
    np.testing.assert_allclose(found[told & (GRID > 500.0)], 40.0, atol=1e-9)


def test_the_part_of_a_cell_on_this_side_is_averaged():
    """Against numpy's trapezoid up to the last row before the gap, and from the first after it."""
    rng = np.random.default_rng(8)
    f = np.concatenate((np.arange(100.0, 400.1, 0.5), np.arange(600.0, 2000.0, 0.5)))
    text = column(f, 80.0 + rng.normal(0.0, 4.0, f.size))
    found = response(text).power
    low, high = cell_edges_hz(GRID, fraction=12)
    below, above = np.flatnonzero(GRID < 400.0)[-1], np.flatnonzero(GRID > 600.0)[0]
    assert high[below] > 401.0
    assert low[above] < 599.0
    for k, first, last in ((below, low[below], 400.0), (above, 600.0, high[above])):
        at = np.concatenate(([first], f[(f > first) & (f < last)], [last]))
        power = 10.0 ** (np.interp(np.log(at), np.log(f), text.level_db) / 10.0)
        assert found[k] == pytest.approx(np.trapezoid(power, at) / (last - first), rel=1e-9)


@pytest.mark.parametrize(("octaves", "is_gap"), [(1 / 6, False), (0.19, False), (0.21, True)])
def test_a_step_of_a_sixth_octave_is_none_even_where_frequencies_are_rounded(octaves, is_gap):
    f = np.concatenate((np.geomspace(20.0, 900.0, 400), 900.0 * G ** (octaves * np.arange(1, 20))))
    assert ("gap" in untold(column(f, wavy), frequency_hz=GRID, smoothing_octaves=None)) == is_gap


def test_third_octave_levels_tell_between_them_only_if_they_were_smoothed_so():
    # nominal frequencies of ISO 266
    first = [20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160]
    f = np.array([10**k * one for k in range(3) for one in first])
    text = column(f, wavy)
    inside = (GRID >= 20.0) & (GRID <= 16000.0)
    assert not any(np.array(response(text, smoothing_octaves=1 / 3).untold)[inside])
    reasons = np.array(untold(text, frequency_hz=GRID, smoothing_octaves=None))[inside]
    on_row = np.min(np.abs(np.log(GRID[inside][:, None] / f)), axis=1) < 1e-6
    assert (reasons == np.where(on_row, "", "gap")).all()


def test_a_file_of_islands_leaves_nothing_and_says_so():
    grid = grid_hz(start_hz=21.0, stop_hz=900.0)
    with pytest.raises(AnalysisError, match=r"a\.txt leaves nothing to tell"):
        response(column([20.0, 950.0], [80.0, 80.0]), grid=grid)


def test_noise_is_what_was_stated():
    text = column(np.geomspace(15.0, 23000.0, 3000), wavy)
    found = response(text, snr_db=34.0)
    np.testing.assert_allclose(found.snr_db, 34.0)
    assert not response(text).noise_power.any()
    assert not found.harmonic_power.size


def test_the_range_is_that_of_all_files_and_of_the_sweep():
    low, high = column([30.0, 900.0], [1.0, 1.0]), column([200.0, 1e5], [1.0, 1.0])
    assert text_range_hz([low, high]) == (30.0, 40000.0)
    assert text_range_hz([low, high], sweep_range_hz=(50.0, 15000.0)) == (50.0, 15000.0)
    for beyond in ([0.01, 5.0], [50_000.0, 90_000.0]):
        with pytest.raises(AnalysisError, match=r"hold no frequency from 10 to 40000 Hz"):
            text_range_hz([column(beyond, [1.0, 1.0])])


def test_the_microphone_is_straight_over_log_frequency_and_held_at_the_ends():
    text = column([100.0, 10000.0], [1.0, 3.0])
    at = np.array([10.0, 100.0, 1000.0, 10000.0, 40000.0])
    np.testing.assert_allclose(level_at(text, frequency_hz=at), [1.0, 1.0, 2.0, 3.0, 3.0])
    found = microphone_db(text, frequency_hz=at, calibrated_at_hz=1000.0)
    np.testing.assert_allclose(found, [-1.0, -1.0, 0.0, 1.0, 1.0])
