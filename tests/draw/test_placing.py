"""Labels apart: against what the least movement must be, and properties that always hold."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from reportlib.draw.scales import in_order, in_rows, spread

places = st.lists(st.floats(-50.0, 450.0), min_size=1, max_size=10)


@given(places)
def test_spread_labels_keep_their_distance_and_their_order(wanted):
    placed = np.array(spread(wanted, gap=15.0, low=0.0, high=400.0))
    assert placed.min() >= -1e-9
    assert placed.max() <= 400.0 + 1e-9
    order = np.lexsort((np.arange(len(wanted)), wanted))
    assert np.all(np.diff(placed[order]) >= 15.0 - 1e-6)


@settings(max_examples=15)
@given(st.lists(st.floats(20.0, 380.0), min_size=2, max_size=6))
def test_spread_moves_as_little_as_a_general_solver(wanted):
    # outside check: the same quadratic programme solved by scipy's SLSQP
    wanted = sorted(wanted)
    gap = 15.0
    apart = {"type": "ineq", "fun": lambda y: np.diff(y) - gap}
    start = np.linspace(20.0, 380.0, len(wanted))
    solved = optimize.minimize(
        lambda y: np.sum((y - wanted) ** 2),
        start,
        jac=lambda y: 2.0 * (y - wanted),
        constraints=[apart],
        bounds=[(0.0, 400.0)] * len(wanted),
        method="SLSQP",
        options={"ftol": 1e-10, "maxiter": 300},
    )
    placed = spread(wanted, gap=gap, low=0.0, high=400.0)
    np.testing.assert_allclose(placed, solved.x, atol=0.05)


def test_more_labels_than_fit_stand_evenly():
    assert spread([5.0] * 5, gap=15.0, low=0.0, high=40.0) == (0.0, 10.0, 20.0, 30.0, 40.0)


def test_near_neighbours_take_the_listed_order_and_far_ones_do_not():
    assert in_order([11.0, 10.0, 9.0], within=5.0) == (9.0, 10.0, 11.0)
    assert in_order([40.0, 10.0], within=5.0) == (40.0, 10.0)


@given(st.lists(st.tuples(st.floats(0.0, 500.0), st.floats(10.0, 200.0)), min_size=1, max_size=9))
def test_rows_hold_labels_that_do_not_touch(labels):
    placed = in_rows(
        [centre for centre, _ in labels],
        widths=[width for _, width in labels],
        gap=8.0,
        low=0.0,
        high=500.0,
    )
    assert {row for row, _ in placed} == set(range(max(row for row, _ in placed) + 1))
    boxes = sorted(
        (row, left, left + width) for (row, left), (_, width) in zip(placed, labels, strict=True)
    )
    for (row, _, end), (next_row, left, _) in pairwise(boxes):
        assert row != next_row or left >= end + 8.0 - 1e-9
    assert min(left for _, left, _ in boxes) >= 0.0
    assert max(end for _, _, end in boxes) <= 500.0 + 1e-9


def test_a_lone_label_stands_at_its_centre():
    assert in_rows([100.0], widths=[40.0], gap=8.0, low=0.0, high=500.0) == ((0, 80.0),)
    assert spread([100.0], gap=15.0, low=0.0, high=500.0) == pytest.approx((100.0,))
