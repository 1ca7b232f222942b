"""Loudness level: the contours of ISO 226:2023, and what a decibel is in the bass."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportlib.measure import levels as measure_levels

# ISO 226:2023, sound pressure levels at 40, 60 and 80 phon, from open code (second-hand), to 0.1 dB
CONTOURS = {
    20.0: (99.7, 109.4, 118.9),
    31.5: (88.2, 99.1, 109.7),
    50.0: (77.8, 89.9, 101.8),
    100.0: (64.2, 78.5, 92.5),
    200.0: (53.3, 69.7, 85.9),
    500.0: (43.1, 62.1, 80.9),
    1000.0: (40.0, 60.0, 80.0),
    2000.0: (39.2, 60.0, 80.7),
    3150.0: (35.5, 56.4, 77.2),
    4000.0: (36.7, 57.7, 78.5),
    8000.0: (51.6, 71.5, 91.3),
    12500.0: (51.3, 68.6, 85.6),
}


@pytest.mark.parametrize("frequency_hz", CONTOURS)
def test_the_contours_are_the_published_ones(frequency_hz):
    found = [measure_levels.level_of_phon(phon, frequency_hz=frequency_hz) for phon in (40, 60, 80)]
    np.testing.assert_allclose(found, CONTOURS[frequency_hz], atol=0.1)


def test_ten_phon_at_50_hz_take_less_than_six_decibels():
    # computed from its formula: +10 phon at 60 takes 5.955 dB; 1 dB lost sounds like 1.68 phon
    levels = [measure_levels.level_of_phon(phon, frequency_hz=50.0) for phon in (60.0, 70.0)]
    assert levels[1] - levels[0] == pytest.approx(5.955, abs=0.02)
    lost = measure_levels.phon_change(levels[0], change_db=-1.0, frequency_hz=50.0)
    assert lost == pytest.approx(-1.68, abs=0.02)


def test_the_threshold_of_hearing():
    # ISO 226:2023, Table 1, from open code (second-hand)
    assert measure_levels.threshold_db(20.0) == pytest.approx(78.1)
    assert measure_levels.threshold_db(1000.0) == pytest.approx(2.4)


@given(st.floats(20.0, 80.0), st.floats(20.0, 12500.0))
def test_level_and_loudness_level_are_each_others_inverse(phon, frequency_hz):
    level = measure_levels.level_of_phon(phon, frequency_hz=frequency_hz)
    back = measure_levels.phon_of_level(level, frequency_hz=frequency_hz)
    if back is not None:  # None only where rounding puts it a hair outside
        assert back == pytest.approx(phon, abs=1e-6)
    else:
        assert min(phon - 20.0, 80.0 - phon) < 1e-6


@given(st.floats(30.0, 75.0))
def test_at_1_khz_phon_are_decibels(level_db):
    found = measure_levels.phon_change(level_db, change_db=-3.0, frequency_hz=1000.0)
    assert found == pytest.approx(-3.0, abs=0.15)  # α at 1 kHz is 0.300, but for the threshold


def test_nothing_is_said_outside_the_standards_range():
    assert measure_levels.phon_of_level(120.0, frequency_hz=50.0) is None
    assert measure_levels.phon_of_level(85.0, frequency_hz=1000.0) is not None
    assert measure_levels.phon_of_level(95.0, frequency_hz=8000.0) is None  # above 80 phon there
    assert measure_levels.phon_of_level(10.0, frequency_hz=50.0) is None  # below the threshold
    assert measure_levels.phon_change(75.0, change_db=-30.0, frequency_hz=50.0) is None
    with pytest.raises(ValueError, match="16000 Hz"):
        measure_levels.level_of_phon(60.0, frequency_hz=16000.0)
