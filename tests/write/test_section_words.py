"""What *Turned up* and *Left playing* say: rules that the words of any result obey."""

from dataclasses import replace

import pytest
from builders import make_analysis
from first_screen import plain
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from one_text import broken
from stressed import LOSSES, make_playing
from test_narrative import DAYS as SWEPT
from test_narrative import drafts, no_change
from test_stress_words import DAYS as PLAYED

from reportlib.judge.grades import grade_of
from reportlib.judge.limits import limits_of
from reportlib.measure.levels import BANDS


def assert_one_text(analysis):
    found = drafts(analysis)
    assert not broken(analysis, found), found


@pytest.mark.parametrize("day", SWEPT)
def test_days_turned_up_obey_the_rules(day):
    assert_one_text(make_analysis(**SWEPT[day]))


@pytest.mark.parametrize("day", PLAYED)
def test_days_left_playing_obey_the_rules(day):
    assert_one_text(PLAYED[day])


BASE = make_analysis(change=no_change, warming=lambda f, *_: 0.0 * f)


SIZES = st.one_of(
    st.just(0.0), st.floats(0.0, 5.0), st.sampled_from([0.45, 0.5, 0.55, 0.95, 1.0, 1.05, 2.9, 3.0])
)
RESULTS = st.lists(
    st.tuples(st.sampled_from([-1.0, -1.0, 1.0]), SIZES, SIZES, st.sampled_from([0.05, 0.1, 0.6])),
    min_size=1,
    max_size=5,
)
"""Side, mean, how far the worst point lies beyond it, and interval of the bands at the loudest
level; fewer than five of them make bands that do the same."""


def graded(found, *, power, test="short_term"):
    """Return a day on which changes grow to these, as that power of the rise, and are graded."""
    bands = []
    for index, one in enumerate(one for one in BASE.bands if one.test == test):
        side, mean, beyond, u95 = found[index % len(BANDS) % len(found)]
        share = side * ((one.level_db - 72.0) / 27.0) ** power
        mean, worst = share * mean, share * (mean + beyond)
        grade, may_be = grade_of(mean, worst, mean_u95_db=u95, worst_u95_db=u95)
        bands.append(
            replace(one, mean_db=mean, worst_db=worst, worst_hz=(one.low_hz * one.high_hz) ** 0.5,
                    u95_db=u95, grade=grade, grade_may_be=may_be)
        )  # fmt: skip
    bands += [one for one in BASE.bands if one.test != test]
    limits = limits_of(bands, baseline_db=72.0, steps=BASE.drive_steps)
    return replace(BASE, bands=tuple(bands), limits=limits)


@settings(derandomize=True, max_examples=200, deadline=None, database=None, phases=[Phase.generate])
@given(RESULTS, st.sampled_from([1.0, 2.0, 5.0]))
def test_any_result_turned_up_obeys_the_rules(found, power):
    assert_one_text(graded(found, power=power))


@settings(derandomize=True, max_examples=60, deadline=None, database=None, phases=[Phase.generate])
@given(RESULTS, st.sampled_from([1.0, 5.0]))
def test_any_result_left_playing_by_sweeps_obeys_the_rules(found, power):
    assert_one_text(graded(found, power=power, test="long_term"))


@settings(derandomize=True, max_examples=40, deadline=None, database=None, phases=[Phase.generate])
@given(
    st.fixed_dictionaries({band: st.floats(-3.5, 5.0) for band in LOSSES}),
    st.sampled_from([1, 2]),
    st.booleans(),
    st.booleans(),
    st.sampled_from(["agrees", "disagrees", "can't tell"]),
    st.sampled_from([(), ("bass",), ("mids", "treble")]),
)
def test_any_result_left_playing_obeys_the_rules(losses, terms, known, identifiable, seen, untold):
    playing = make_playing(
        losses=losses, terms=terms, cold_known=known, identifiable=identifiable, seen=seen,
        untold=untold, distortion_rise_db=5.0,
    )  # fmt: skip
    assert_one_text(replace(BASE, playing=(playing,)))


def test_a_band_that_only_the_loudest_level_loses_is_said_not_to_be_told_there():
    noisy = make_analysis(change=no_change, noise_below_hz={99.0: 150.0})
    text = plain(drafts(noisy)["turned-up"])
    assert "The bass holds up to 96 dB." in text
    assert "At 99 dB the bass can't be told: noise covers too much." in text
