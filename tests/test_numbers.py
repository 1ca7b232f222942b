"""How numbers are written, against the rounding rules of JCGM 100:2008, 7.2.6."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportlib.numbers import digits_for, half_width, number, slug


def test_the_guides_own_example_is_kept():
    # JCGM 100:2008, 7.2.6: "u_c(y) = 10.47 mΩ might be rounded up to 11 mΩ" (two digits there);
    # of one digit: never down by more than a tenth. From memory, checked against the text's rule.
    assert half_width(10.47) == 10.0  # cut by 4.5 %
    assert half_width(13.0) == 20.0


@given(st.floats(min_value=1e-6, max_value=80.0))
def test_an_interval_is_never_cut_by_more_than_a_tenth_nor_made_more_than_double(u95):
    half = half_width(u95)
    assert half >= 0.9 * u95 - 1e-12
    assert half <= max(0.1, 2.0 * u95)
    digits = digits_for(u95)
    # the half-width is written whole: its place is the value's
    assert math.isclose(float(number(half, digits).replace("−", "-")), half)


@given(st.floats(min_value=1e-6, max_value=80.0), st.floats(min_value=1e-6, max_value=80.0))
def test_a_wider_interval_is_never_written_narrower(one, other):
    low, high = sorted((one, other))
    assert half_width(low) <= half_width(high)


@pytest.mark.parametrize(
    ("name", "written"),
    [("bass", "bass"), ("low mids", "low-mids"), ("film night in a hall", "film-night-in-a-hall")],
)
def test_names_that_reports_already_quote_are_written_as_ever(name, written):
    assert slug(name) == written
