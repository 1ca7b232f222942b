"""Scales hold what they should, are never shallower than agreed, and list what leaves them."""

import numpy as np
import pytest
from builders import make_analysis, make_curve
from hypothesis import given
from hypothesis import strategies as st
from invented import bump

from reportlib.draw.scales import (
    change_scale,
    excursions,
    harmonic_scale,
    seconds_ticks,
    usable_values,
)
from reportlib.measure.levels import grid_hz

RANGE_HZ = (20.0, 20000.0)
GRID_HZ = grid_hz(start_hz=20.0, stop_hz=20000.0)


@given(st.lists(st.floats(-60.0, 60.0), max_size=6), st.booleans())
def test_a_change_scale_is_deeper_on_the_loss_side(values, hold_all):
    scale = change_scale(values, hold_all=hold_all)
    assert -scale.low_db >= 1.5
    assert -scale.low_db > scale.high_db > 0.0
    if hold_all and values:
        assert scale.low_db <= min(values)
        assert scale.high_db >= max(values)


def test_nothing_beyond_twelve_and_four_decibels():
    scale = change_scale([-40.0, 30.0])
    assert (scale.low_db, scale.high_db) == (-12.0, 4.0)


def test_a_dip_is_one_excursion_with_its_deepest_point():
    curve = make_curve(
        frequency_hz=GRID_HZ, change_db=-20.0 * bump(GRID_HZ, 50.0, octaves=0.3), level_db=99.0
    )
    scale = change_scale(usable_values([curve], range_hz=RANGE_HZ))
    (found,) = excursions(curve, scale=scale, range_hz=RANGE_HZ)
    assert found.level_db == 99.0
    assert found.change_db == curve.change_db.min()
    assert found.frequency_hz == GRID_HZ[np.argmin(curve.change_db)]


def test_both_sides_and_far_dips_are_listed_apart():
    change = -20.0 * bump(GRID_HZ, 50.0, octaves=0.3) - 15.0 * bump(GRID_HZ, 9000.0, octaves=0.1)
    change += 8.0 * bump(GRID_HZ, 1000.0, octaves=0.3)
    curve = make_curve(frequency_hz=GRID_HZ, change_db=change)
    found = excursions(curve, scale=change_scale([-12.0, 4.0]), range_hz=RANGE_HZ)
    assert [np.sign(excursion.change_db) for excursion in found] == [-1.0, 1.0, -1.0]


def test_what_may_not_be_used_neither_scales_nor_leaves():
    curve = make_curve(
        frequency_hz=GRID_HZ,
        change_db=-20.0 * bump(GRID_HZ, 50.0, octaves=0.3),
        noise_below_hz=500.0,
    )
    scale = change_scale(usable_values([curve], range_hz=RANGE_HZ))
    assert scale.low_db == -1.5
    assert excursions(curve, scale=scale, range_hz=RANGE_HZ) == ()


def test_a_scale_of_harmonics_holds_the_highest():
    scale = harmonic_scale(make_analysis().harmonics, range_hz=RANGE_HZ)
    highest = np.nanmax([curves.relative_db for curves in make_analysis().harmonics])
    assert scale.low_db < highest < scale.high_db


@pytest.mark.parametrize(
    ("longest_s", "ticks"),
    [
        (30.0, (0.0, 15.0, 30.0)),
        (120.0, (0.0, 60.0, 120.0)),
        (600.0, (0.0, 300.0, 600.0)),
        (45.0, (0.0, 30.0)),
    ],
)
def test_times_are_round(longest_s, ticks):
    assert seconds_ticks(longest_s, most=2) == ticks
