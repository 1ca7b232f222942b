"""Bands and grades: the limits, the intervals, and the allowance for the worst of many."""

import numpy as np
import pytest
from builders import make_analysis

from reportlib.judge import grades
from reportlib.measure.levels import BANDS, Band


@pytest.mark.parametrize(
    ("mean", "worst", "grade"),
    [
        (-0.4, -0.8, "holds"),
        (-0.6, -0.8, "slips"),
        (-0.2, -1.4, "slips"),
        (-1.5, -1.8, "falls short"),
        (-0.4, -2.5, "falls short"),
        (-3.5, -3.9, "gives out"),
        (-0.4, -4.5, "gives out"),
        (0.9, 1.5, "holds"),
        (1.4, 1.8, "rises"),
        (3.4, 3.8, "rises much"),
        (0.0, 0.0, "holds"),
    ],
)
def test_limits_of_every_grade(mean, worst, grade):
    assert grades.grade_of(mean, worst, mean_u95_db=0.05, worst_u95_db=0.05) == (grade, None)


def test_an_interval_over_one_limit_says_may():
    found = grades.grade_of(-0.9, -1.2, mean_u95_db=0.2, worst_u95_db=0.2)
    assert found == ("slips", "falls short")


def test_an_interval_over_two_limits_cannot_tell():
    found = grades.grade_of(-0.8, -0.9, mean_u95_db=0.5, worst_u95_db=0.05)
    assert found == ("can't tell", None)


def test_where_holding_a_loss_and_a_gain_all_fit_nothing_can_be_told():
    found = grades.grade_of(0.3, 0.3, mean_u95_db=1.0, worst_u95_db=1.0)
    assert found == ("can't tell", None)


def test_the_largest_of_31_noisy_bands_is_what_drawing_gives():
    # our own Monte Carlo: the mean largest of 31 absolute normal values of σ = 0.2 dB, 0.468 dB
    assert 0.2 * grades.worst_of_many(31.0) == pytest.approx(0.468, abs=0.01)


@pytest.mark.parametrize("count", [2, 5, 12, 40])
def test_the_largest_of_many_agrees_with_monte_carlo(count):
    # general library: numpy's normal generator
    values = np.abs(np.random.default_rng(4).standard_normal((40000, count))).max(axis=1)
    assert grades.worst_of_many(count) == pytest.approx(values.mean(), abs=0.04)


def test_pure_noise_is_not_given_a_worst_point():
    analysis = make_analysis()
    curve = analysis.short_term[-1]
    generator = np.random.default_rng(1)
    noise = 0.1
    flat = _with(curve, change=generator.normal(0.0, noise, curve.frequency_hz.size), noise=noise)
    for result in grades.band_results([flat], fraction=12):
        assert abs(result.worst_db) < 0.25
        assert result.grade == "holds"


def _with(curve, *, change, noise=0.02, usable=None):
    from dataclasses import replace

    n = curve.frequency_hz.size
    ones = np.ones(n)
    budget = replace(
        curve.budget, noise_db=noise * ones, local_db=0 * ones, gate_db=0 * ones,
        drift_db=0 * ones, dof=1e6 * ones, broadband_db=0.0, step_db=0.02,
    )  # fmt: skip
    return replace(
        curve,
        change_db=change * ones,
        u95_db=1.96 * np.hypot(noise, 0.02) * ones,
        usable=np.ones(n, bool) if usable is None else usable,
        reason=("",) * n,
        budget=budget,
    )


def test_a_bands_noise_averages_and_its_volume_step_does_not():
    curve = _with(make_analysis().short_term[-1], change=-0.3, noise=0.2)
    used = BANDS[2].holds(curve.frequency_hz)
    found = grades.mean_u95_db(curve, used=used, fraction=12)
    # two octaves: about 24 independent twelfths; the exact sum is over overlapping cells
    assert found == pytest.approx(1.96 * np.hypot(0.2 / np.sqrt(24), 0.02), rel=0.06)
    assert found > 1.96 * 0.02


def test_a_spike_keeps_its_size_and_place():
    curve = make_analysis().short_term[-1]
    change = np.zeros(curve.frequency_hz.size)
    at = int(np.argmin(np.abs(curve.frequency_hz - 1000.0)))
    change[at] = -3.0
    mids = grades.band_results([_with(curve, change=change)], fraction=12)[2]
    assert mids.worst_hz == pytest.approx(1000.0)
    assert -3.0 <= mids.worst_db < -2.85
    assert mids.grade == "falls short"


def test_a_band_with_too_few_usable_points_cannot_be_told():
    curve = make_analysis().short_term[-1]
    usable = curve.frequency_hz > 100.0
    results = grades.band_results([_with(curve, change=-9.0, usable=usable)], fraction=12)
    assert results[0].grade == "can't tell"
    assert results[0].mean_db is None
    assert results[1].grade == "gives out"


def test_a_band_beyond_the_grid_cannot_be_told():
    curve = _with(make_analysis().short_term[-1], change=0.0)
    beyond = grades.band_results([curve], bands=[Band("far", 30e3, 60e3)], fraction=12)
    assert beyond[0].grade == "can't tell"
