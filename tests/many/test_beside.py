"""Sessions side by side: equal output, places, and what can't be compared."""

from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d
from scipy.optimize import brentq
from scipy.stats import norm, t
from side_by_side import at_rig, flat, loss_of, measured, static, track

from reportlib.errors import AnalysisError
from reportlib.many.comparison import compare
from reportlib.many.equal_output import (
    Estimate,
    change_at,
    counted_from,
    difference,
    in_order,
    output_point,
    partings,
    places,
)
from reportlib.many.ranking import (
    bracket,
    common_output,
    common_stress,
    crossing_of,
    limit_of,
    limit_rankings,
    output_rankings,
    same_stretch,
    stress_rankings,
)
from reportlib.many.records import StressEnd
from reportlib.many.tracks import shown_names, slugs
from reportlib.measure.levels import BANDS
from reportlib.measure.records import DriveStep

LEVELS = np.array([72.0, 78.0, 84.0, 90.0, 96.0, 99.0])


# Equal output


def test_the_level_that_an_output_needs_is_scipys():
    """Second opinion: scipy's linear interpolation of level over output."""
    one = track(LEVELS, [0.0, -0.1, -0.3, -0.9, -2.0, -2.9])
    needed = interp1d(one.given_db, one.driven_db)
    for output in np.linspace(72.1, one.given_db[-1], 40):
        found = change_at(one, output)
        assert found.value_db == pytest.approx(output - float(needed(output)), abs=1e-9)


@pytest.mark.parametrize(("x0", "a"), [(80.0, 0.5), (84.0, 0.3), (90.0, 0.9)])
@pytest.mark.parametrize("step", [1.0, 3.0, 6.0])
def test_a_known_law_lies_in_the_interval_wherever_its_knee_is(x0, a, step):
    """y = x − a·max(0, x − x0): the exact loss at output y is a/(1 − a)·(y − x0) above x0."""
    levels = np.arange(72.0, 99.1, step)
    one = track(levels, -static(levels, x0=x0, a=a), u95_db=1e-6)
    for output in np.linspace(72.5, one.given_db[-1] - 1e-3, 60):
        exact = -a / (1.0 - a) * max(output - x0, 0.0)
        found = change_at(one, output)
        assert found.low_db - 1e-6 <= exact <= found.high_db + 1e-6
        at_a_level = np.any(np.abs(levels - x0) < 1e-9)
        if at_a_level:  # then straight lines are the law itself
            assert found.value_db == pytest.approx(exact, abs=1e-9)


def test_between_levels_the_value_is_the_straight_line_and_the_slack_is_what_a_limiter_would_do():
    one = track([72.0, 90.0, 96.0], [0.0, -0.2, -2.0], u95_db=0.1)
    found = change_at(one, 92.0)
    # 89.8 and 94.0 were given: 92.0 lies 2.2/4.2 of the way
    assert found.value_db == pytest.approx(-0.2 - 1.8 * 2.2 / 4.2)
    assert found.slack_up_db == pytest.approx(found.value_db * -1.0 - 0.2)
    assert found.slack_down_db == 0.0


def test_a_change_that_slows_down_lies_beyond_the_line_and_within_the_slack():
    """A loss that saturates, c = −3·(1 − e^(−r/8)), against its own closed form (scipy's root)."""
    levels = np.array([72.0, 78.0, 86.0, 96.0])

    def law(level):
        return -3.0 * (1.0 - np.exp(-(level - 72.0) / 8.0))

    one = track(levels, law(levels), u95_db=1e-6)
    for output in np.linspace(77.5, one.given_db[-1] - 0.01, 30):
        level = brentq(lambda x, output=output: x + law(x) - output, 72.0, 99.0)
        found = change_at(one, output)
        assert found.low_db <= law(level) <= found.high_db
        assert law(level) <= found.value_db + 1e-9  # beyond the line


def test_an_error_of_the_output_counts_the_more_the_less_the_output_rises():
    """At slope 1 − k of output over level, a half-width u is one of u/(1 − k) (delta method)."""
    for k in (0.0, 0.3, 0.6):
        levels = np.array([72.0, 80.0, 110.0])
        one = track(levels, -k * np.maximum(levels - 80.0, 0.0), u95_db=0.05)
        found = change_at(one, 85.0)
        assert found.down_db == pytest.approx(0.05 / (1.0 - k), rel=1e-9)


def test_what_was_not_given_has_no_number_and_says_why():
    gives_out = track(LEVELS, [0.0, 0.0, -0.2, -1.0, -4.0, -6.5])
    assert output_point(gives_out, 95.0).given == "gives out before"
    assert output_point(gives_out, 95.0).change_db is None
    assert output_point(gives_out, 95.0).most_db == pytest.approx(92.5)
    fine = track(LEVELS, [0.0, 0.0, 0.0, -0.1, -0.2, -0.3])
    assert output_point(fine, 98.9).given == "not tested so high"
    assert output_point(fine, 71.0).given == "starts above"
    assert output_point(track([72.0], [0.0]), 80.0).given == "can't tell"


def test_where_the_output_falls_again_the_first_crossing_counts_and_it_is_said():
    falls = track([72.0, 84.0, 90.0, 96.0], [0.0, -1.0, -3.0, -11.0])
    here = output_point(falls, 86.0)
    assert (here.given, here.unique) == ("given", False)
    assert here.driven_db == pytest.approx(84.0 + 6.0 * 3.0 / 4.0)
    assert output_point(falls, 84.0).unique
    rises = track([72.0, 84.0, 90.0], [0.0, -1.0, -3.0])
    assert output_point(rises, 86.0).unique


def test_an_output_that_may_not_have_been_given_has_an_open_end():
    one = track([72.0, 90.0], [0.0, -1.0], u95_db=0.3)
    assert output_point(one, 88.9).low_db is None
    assert output_point(one, 88.6).low_db == pytest.approx(88.6 - 72.0 - 16.6 * 18.0 / 16.7)


def test_changes_are_counted_from_where_all_begin():
    one = track([72.0, 84.0, 96.0], [0.0, -0.5, -2.5], u95_db=0.1)
    assert counted_from(one, 92.0, start_db=72.0) == change_at(one, 92.0)
    start, end = change_at(one, 83.5), change_at(one, 92.0)
    found = counted_from(one, 92.0, start_db=83.5)
    assert found.value_db == pytest.approx(end.value_db - start.value_db)
    assert found.down_db == pytest.approx(np.hypot(end.down_db, start.up_db))
    assert counted_from(one, 90.0, start_db=95.0) is None


@given(
    losses=st.lists(st.floats(0.0, 1.0), min_size=2, max_size=6),
    u95=st.floats(0.01, 0.5),
    share=st.floats(0.02, 0.98),
)
def test_an_interval_always_holds_its_value(losses, u95, share):
    levels = 72.0 + 6.0 * np.arange(len(losses) + 1)
    one = track(levels, -np.cumsum([0.0, *losses]), u95_db=u95)
    output = 72.0 + share * (float(one.given_db[-1]) - 72.0)
    found = change_at(one, output)
    assert found.low_db <= found.value_db <= found.high_db
    assert found.value_db <= 0.0
    wider = change_at(track(levels, one.change_db, u95_db=2.0 * u95), output)
    assert wider.low_db <= found.low_db
    assert wider.high_db >= found.high_db


@pytest.mark.parametrize("correlation", [0.0, 0.7, 1.0])
def test_the_interval_holds_what_it_says_however_neighbours_err(correlation):
    """Coverage of the inverted interval, day after day, at least 95 % less the count's own chance.

    Errors of two neighbouring levels with a correlation between none and one.
    """
    rng = np.random.default_rng(20261)
    truth = track([72.0, 90.0, 102.0], [0.0, -1.0, -7.0])
    output, days, u = 92.0, 2500, 0.1
    exact = change_at(truth, output).value_db
    shared, own = rng.standard_normal((2, days, 1)), rng.standard_normal((days, 2))
    errors = u * (np.sqrt(correlation) * shared[0] + np.sqrt(1.0 - correlation) * own)
    inside = 0
    for error in errors:
        seen = track(
            [72.0, 90.0, 102.0], truth.change_db + np.array([0.0, *error]), u95_db=1.96 * u
        )
        found = change_at(seen, output)
        # without the slack: what is random alone
        inside += found.value_db - found.down_db <= exact <= found.value_db + found.up_db
    assert inside / days > 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / days)


# Places


def exact(value, u95=0.1, dof=np.inf):
    return Estimate(value_db=value, down_db=u95, up_db=u95, dof=dof)


def test_one_difference_is_welchs_test():
    """By Welch's t with Satterthwaite's degrees of freedom, from scipy's distribution."""
    u = np.array([0.2, 0.1])
    dof = np.array([3.0, 8.0])
    halves = u * t.ppf(0.975, dof)
    found = difference(exact(-1.0, halves[0], 3.0), exact(-2.0, halves[1], 8.0), family=1)
    joint = np.sum(u**2) ** 2 / np.sum(u**4 / dof)
    assert found.value_db - found.low_db == pytest.approx(
        np.hypot(*u) * t.ppf(0.975, joint), rel=1e-9
    )


def test_a_family_of_differences_is_judged_at_its_share():
    """Dunn 1961, Table 1 (from memory): z of 10 two-sided comparisons at 5 % is 2.81."""
    half = 1.959964
    found = difference(exact(0.0, half), exact(0.0, half), family=10)
    assert found.high_db / np.sqrt(2.0) == pytest.approx(2.807, abs=0.001)
    assert found.high_db / np.sqrt(2.0) == pytest.approx(norm.ppf(1.0 - 0.0025), rel=1e-5)


def test_a_whole_family_is_inverted_anew_and_sees_the_flat_stretch_ahead():
    """Just below where the output stops rising, an interval grows by more than in proportion."""
    limiter = track([72.0, 90.0, 99.0], [0.0, 0.0, -8.5], u95_db=0.1)
    found = change_at(limiter, 89.85)
    down, _ = found.halves_db(1.0)
    assert down == pytest.approx(0.1, abs=0.01)
    wider, _ = found.halves_db(2.5)
    # 90.0 less 0.25 is not 89.85: the rest is made up at 0.5 dB for each 9 dB asked
    assert wider == pytest.approx(0.15 + 0.1 * 9.0 / 0.5, rel=0.01)
    assert found.halves_db(10.0)[0] == np.inf


def test_slack_is_added_as_it_is():
    one = replace(exact(-1.0), slack_up_db=0.5)
    other = replace(exact(-2.0), slack_up_db=0.9)
    found = difference(one, other, family=1)
    plain = difference(exact(-1.0), exact(-2.0), family=1)
    assert plain.low_db - found.low_db == pytest.approx(0.9)
    assert found.high_db - plain.high_db == pytest.approx(0.5)


def test_what_is_not_parted_shares_a_place_and_a_place_is_a_range():
    """A ~ B, B ~ C, A ≠ C: no order of three can be said."""
    values = {"A": exact(0.0, 0.5), "B": exact(-0.5, 0.5), "C": exact(-1.0, 0.5)}
    parted = partings(values, family=1)
    assert [(pair.better, pair.worse) for pair in parted] == [("A", "C")]
    assert places(list(values), parted=parted) == {"A": (1, 2), "B": (1, 3), "C": (2, 3)}
    apart = {name: replace(one, down_db=0.01, up_db=0.01) for name, one in values.items()}
    ordered = in_order(apart, parted=partings(apart, family=3))
    assert [(o.name, o.best_place, o.worst_place) for o in ordered] == [
        ("A", 1, 1), ("B", 2, 2), ("C", 3, 3),
    ]  # fmt: skip


@pytest.mark.parametrize(("count", "dof"), [(2, np.inf), (5, 6.0), (8, 3.0)])
def test_no_pair_is_put_in_the_wrong_order_in_more_than_5_percent_of_comparisons(count, dof):
    """All are equal in truth: any parting is wrong. Fixed seeds, three standard errors allowed."""
    rng = np.random.default_rng(7001 + count)
    runs, bands, wrong = 160, 5, 0
    family = bands * count * (count - 1) // 2
    for _ in range(runs):
        luck = False
        for _ in range(bands):
            error = 0.1 * rng.standard_normal(count)
            scale = np.ones(count) if np.isinf(dof) else np.sqrt(rng.chisquare(dof, count) / dof)
            factor = 1.959964 if np.isinf(dof) else t.ppf(0.975, dof)
            luck = luck or bool(
                partings(
                    {str(i): exact(error[i], 0.1 * factor * scale[i], dof) for i in range(count)},
                    family=family,
                )
            )
        wrong += luck
    assert wrong / runs < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / runs)


LADDERS = (
    (78.0, 84.0, 90.0, 96.0, 99.0),
    (77.0, 82.0, 87.0, 92.0, 97.0),
    (80.0, 88.0, 96.0, 102.0),
)


@pytest.mark.parametrize(("x0", "a"), [(100.0, 0.0), (88.0, 0.35), (91.0, 0.8)])
def test_equal_loudspeakers_on_other_ladders_are_not_ranked(x0, a):
    """The same static law seen at other levels, with noise: by output and by limits.

    The knee lies between levels, so that straight lines alone would part them.
    """
    rng = np.random.default_rng(4400 + int(x0))
    runs, u = 60, 0.08
    wrong = {"output": 0, "limit": 0}
    sessions = [measured(name) for name in "ABC"]
    for _ in range(runs):
        tracks = []
        for name, ladder in zip("ABC", LADDERS, strict=True):
            levels = np.array([72.0, *ladder])
            for band in BANDS:
                error = u * np.array([0.0, *rng.standard_normal(len(ladder))])
                change = error - static(levels, x0=x0, a=a)
                tracks.append(track(levels, change, u95_db=1.96 * u, name=name, band=band.name))
        wrong["output"] += any(one.partings for one in output_rankings(tracks, sessions=sessions))
        wrong["limit"] += any(one.partings for one in limit_rankings(tracks, sessions=sessions))
    for question, count in wrong.items():
        assert count / runs < 0.05 + 3.0 * np.sqrt(0.05 * 0.95 / runs), question


def test_straight_lines_alone_would_rank_equal_loudspeakers():
    """What the slack is for: without it, one hidden knee parts what is the same."""
    tracks = [
        track(levels, -static(levels, x0=91.0, a=0.8), u95_db=0.05, name=name)
        for name, levels in (
            ("A", np.array([72.0, 90.0, 96.0])),
            ("B", np.array([72.0, 91.0, 96.0])),
        )
    ]
    found = {one.name: change_at(one, 91.6) for one in tracks}
    bare = {n: replace(e, slack_up_db=0.0, slack_down_db=0.0) for n, e in found.items()}
    assert partings(bare, family=1)
    assert not partings(found, family=1)


@given(values=st.lists(st.floats(-5.0, 0.0), min_size=2, max_size=8))
def test_places_never_contradict_a_parting(values):
    estimates = {str(i): exact(value, 0.3) for i, value in enumerate(values)}
    parted = partings(estimates, family=len(values))
    found = {one.name: one for one in in_order(estimates, parted=parted)}
    for pair in parted:
        assert found[pair.better].best_place < found[pair.worse].best_place
        assert found[pair.better].worst_place < found[pair.worse].worst_place
    for one in found.values():
        assert 1 <= one.best_place <= one.worst_place <= len(values)


# Who has what in common


def test_a_baseline_above_anothers_top_leaves_no_common_output():
    low = track([72.0, 78.0, 84.0], [0.0, -0.1, -0.4], name="low")
    high = track([90.0, 96.0], [0.0, -0.2], name="high")
    middle = track([78.0, 90.0, 96.0], [0.0, -0.2, -0.4], name="middle")
    first, *rest = common_output([low, high, middle])
    assert [one.name for one in first.tracks] == ["high", "middle"]  # they reach higher
    assert (first.start_db, first.highest_db) == (90.0, 95.0)
    assert [[one.name for one in more.tracks] for more in rest] == [["low"]]


def test_a_whole_decibel_must_have_been_given_surely():
    one = track([72.0, 90.0], [0.0, -0.1], u95_db=0.5, name="one")
    other = track([72.0, 99.0], [0.0, -0.1], name="other")
    (found,) = common_output([one, other])
    assert found.highest_db == 89.0  # 89.9 was given, 89.4 surely


def test_bands_heard_over_another_stretch_are_not_one():
    wide = track(LEVELS, np.zeros(6), stretch_hz=(40.0, 158.0), name="wide")
    narrow = track(LEVELS, np.zeros(6), stretch_hz=(55.0, 158.0), name="narrow")
    near = track(LEVELS, np.zeros(6), stretch_hz=(42.0, 158.0), name="near")
    groups = same_stretch([wide, narrow, near])
    assert [[one.name for one in group] for group in groups] == [["wide", "near"], ["narrow"]]


def end(name, level=92.0, elapsed=120.0, *, playing=False, pause=2.0):
    return StressEnd(
        name=name, band="mids", level_db=level, elapsed_s=elapsed, change_db=-1.0, u95_db=0.1,
        dof=8.0, while_playing=playing, pause_s=None if playing else pause,
        stretch_hz=(500.0, 2000.0),
    )  # fmt: skip


def names_of(sets):
    return [[(one.name, one.level_db, one.elapsed_s) for one in group] for group in sets]


def test_only_alike_stress_is_compared():
    both = common_stress([end("A"), end("B", level=92.4), end("A", level=82.0), end("B", 82.0)])
    assert names_of(both) == [[("A", 92.0, 120.0), ("B", 92.4, 120.0)]]
    assert common_stress([end("A"), end("B", level=92.6)]) == ()
    assert common_stress([end("A"), end("B", elapsed=140.0)]) == ()
    assert common_stress([end("A"), end("B", playing=True)]) == ()
    assert common_stress([end("A", pause=2.0), end("B", pause=20.0)]) == ()
    # pairs must be alike, not each like a third
    drawn = common_stress([end("A", 92.0), end("B", 91.6), end("C", 92.4)])
    assert [len(group) for group in drawn] == [2]


def test_stress_that_is_nearly_alike_parts_only_what_its_difference_does_not_explain():
    """0.4 dB more level is 10 % more heating power, and so may be of the loss."""
    sessions = [measured(name, long_term_db=(92.0,)) for name in "AB"]

    def parted(level, change):
        other = replace(end("B", level), change_db=change, u95_db=0.01)
        return stress_rankings(
            [replace(end("A"), u95_db=0.01), other], sessions=sessions
        )[0].partings  # fmt: skip

    assert not parted(92.4, -1.08)
    assert parted(92.0, -1.08)
    assert parted(92.4, -1.2)


# Whole comparisons


def test_the_loudspeaker_that_gives_in_first_is_found_in_its_band():
    report = compare(
        [
            make_analysis(name="Marram 12", change=loss_of(bass=0.4), seed=1),
            make_analysis(name="Trivet 6", change=loss_of(bass=3.0), seed=2),
        ],
        names=["a", "b"],
    )
    bass = report.ranked("equal output", band="bass")[0]
    assert [(pair.better, pair.worse) for pair in bass.partings] == [("Marram 12", "Trivet 6")]
    assert [one.best_place for one in bass.standings] == [1, 2]
    assert not report.ranked("equal output", band="treble")[0].partings
    # exact: 3 dB at a rise of 27 dB, growing with its square
    at = bass.standing("Trivet 6")
    driven = bass.at_db - at.value_db
    assert at.low_db <= -3.0 * ((driven - 72.0) / 27.0) ** 2 <= at.high_db


def test_a_louder_baseline_is_where_counting_begins():
    loud = make_analysis(
        name="Samphire 3", baseline_db=84.0, levels_db=(90.0, 96.0), change=flat(0.0)
    )
    report = compare([make_analysis(change=flat(3.0)), loud], names=["a", "b"])
    mids = report.ranked("equal output", band="mids")[0]
    assert mids.counted_from_db == 84.0
    own = next(one for one in report.tracks if (one.name, one.band) == ("Trivet 6", "mids"))
    expected = counted_from(own, mids.at_db, start_db=84.0)
    assert mids.standing("Trivet 6").value_db == pytest.approx(expected.value_db)
    assert mids.standing("Samphire 3").value_db == pytest.approx(0.0, abs=0.1)
    assert [one.kind for one in report.hindrances if not one.stops] == [
        "levels assumed", "baseline",
    ]  # fmt: skip


def test_a_level_counts_where_it_was_driven_to():
    analysis = make_analysis(change=flat(0.0), ripple_db=0.0)
    short = tuple(
        DriveStep(
            level_db=s.level_db, asked_db=s.asked_db, measured_db=s.asked_db - 1.5, u95_db=0.1
        )
        for s in analysis.drive_steps
    )
    report = compare([replace(analysis, drive_steps=short), make_analysis(name="B")], names="ab")
    own = next(one for one in report.tracks if (one.name, one.band) == ("Trivet 6", "mids"))
    np.testing.assert_allclose(own.driven_db, [72.0, 76.5, 82.5, 88.5, 94.5, 97.5])


def test_a_measured_level_takes_the_place_of_the_one_asked_for():
    analysis = make_analysis()
    louder = replace(analysis.baseline, calibrated=True, mean_level_db=74.0)
    report = compare(
        [replace(analysis, baseline=louder), make_analysis(name="Marram 12")], names=["a", "b"]
    )
    assert report.session("Trivet 6").baseline_db == 74.0
    assumed = next(one for one in report.hindrances if one.kind == "levels assumed")
    assert assumed.groups == (("Marram 12",), ("Trivet 6",))


def kinds(report, *, stops=True):
    return {one.kind for one in report.hindrances if one.stops is stops}


@pytest.mark.parametrize(
    ("other", "kind"),
    [
        (lambda: at_rig(make_analysis(name="B"), space="room"), "space"),
        (lambda: at_rig(make_analysis(name="B"), space="half space"), "space"),
        (lambda: make_analysis(name="B", source="text", harmonics=False), "text"),
        (
            lambda: make_analysis(name="B", baseline_db=101.0, levels_db=(107.0,)),
            "no common output",
        ),
    ],
)
def test_what_can_not_be_compared_takes_no_place(other, kind):
    report = compare([make_analysis(name="A", long_term_levels_db=()), other()], names=["a", "b"])
    assert kind in kinds(report)
    assert not report.ranked("equal output")
    note = next(one for one in report.hindrances if one.kind == kind)
    assert note.words.endswith((".", "lace."))
    assert note.remedy.endswith(".")
    assert "B" in note.names


def test_one_that_can_be_compared_with_none_is_shown_and_takes_no_place():
    third = at_rig(make_analysis(name="Samphire 3"), space="near field")
    report = compare([make_analysis(), make_analysis(name="Marram 12"), third], names=list("abc"))
    assert report.unplaced == ("Samphire 3",)
    assert {len(one.names) for one in report.rankings} == {2}
    assert any(one.name == "Samphire 3" for one in report.points)
    (space,) = [one for one in report.hindrances if one.kind == "space"]
    assert space.groups == (("Trivet 6", "Marram 12"), ("Samphire 3",))


def test_two_rooms_are_not_alike_either():
    rooms = [at_rig(make_analysis(name=name), space="room") for name in "AB"]
    report = compare(rooms, names=["a", "b"])
    assert not report.rankings
    assert "space" in kinds(report)


def test_a_gate_takes_its_bands_out_and_says_which_gate_would_do():
    gated = at_rig(make_analysis(name="Samphire 3", gate_s=0.006), space="gated")
    report = compare([make_analysis(), gated], names=["a", "b"])
    assert not report.ranked("equal output", band="bass")
    assert report.ranked("equal output", band="mids")
    (note,) = [one for one in report.hindrances if one.kind == "stretch"]
    assert note.bands == ("bass", "low mids")
    assert "333" in note.words or "330" in note.words
    assert "50 ms" in note.remedy  # 2/gate = 40 Hz


def test_smoothing_of_text_is_one_more_reason():
    from reportlib.session.day import TextFacts

    text = make_analysis(name="B", source="text", harmonics=False)
    text = replace(text, session=replace(text.session, text=TextFacts(smoothing_octaves=0.33)))
    report = compare([make_analysis(), text], names=["a", "b"])
    assert {"text", "smoothing"} <= kinds(report)


def test_care_is_asked_where_tests_differ():
    analysis = make_analysis(name="B", measured_steps=False)
    other = at_rig(analysis, distance_m=3.0)
    sweep = replace(other.session.sweep, duration_s=10.0)
    tones = replace(other.session.multitone, crest_factor_db=6.0)
    other = replace(other, session=replace(other.session, sweep=sweep, multitone=tones))
    report = compare([make_analysis(), other], names=["a", "b"])
    assert {"distance", "sweep length", "drive step", "crest factor"} <= kinds(report, stops=False)
    assert report.ranked("equal output")


def test_unlike_stress_is_not_compared_and_the_remedy_names_what_would_be():
    other = make_analysis(name="B", long_term_levels_db=(86.0,), stage_ends_s=(60.0,))
    report = compare([make_analysis(), make_analysis(name="C"), other], names=list("abc"))
    assert {frozenset(one.names) for one in report.ranked("left playing")} == {
        frozenset({"Trivet 6", "C"})
    }
    (note,) = [one for one in report.hindrances if one.kind == "no common stress"]
    assert note.groups[0] == ("B",)
    assert note.remedy == "Leave B playing at 92 dB for 2 min, as the others."


def test_without_any_level_or_any_stress_nothing_is_ranked_and_nothing_fails():
    empty = [make_analysis(name=name, levels_db=(), long_term_levels_db=()) for name in ("A", "B")]
    report = compare(empty, names=["a", "b"])
    assert report.rankings == ()
    assert report.points == ()


# Limits


def test_a_limit_is_that_of_the_sessions_own_report():
    analysis = make_analysis(change=loss_of(bass=3.0))
    report = compare([analysis, make_analysis(name="B")], names=["a", "b"])
    for band in BANDS:
        own = next(
            one
            for one in analysis.limits
            if (one.test, one.band, one.threshold_db) == ("short_term", band.name, 1.0)
        )
        found = next(
            one.limit
            for one in report.limits
            if (one.name, one.limit.band) == ("Trivet 6", band.name)
        )
        for name in ("level_db", "low_db", "high_db", "reached", "tested_to_db"):
            assert getattr(found, name) == pytest.approx(getattr(own, name)), (band.name, name)


def test_more_than_tested_comes_first_only_above_the_others_whole_bracket():
    reached = track(LEVELS, [0.0, 0.0, -0.2, -1.2, -3.0, -4.0], name="reached")
    short = track(LEVELS[:4], np.zeros(4), name="short")  # tested to 90 dB only
    full = track(LEVELS, np.zeros(6), name="full")
    low, high = bracket(crossing_of(reached), top_db=99.0)
    assert 84.0 < low < 90.0
    assert high <= 90.1
    assert bracket(crossing_of(short), top_db=90.0) == (90.0, np.inf)
    assert bracket(crossing_of(full), top_db=99.0) == (99.0, np.inf)
    assert limit_of(full).reached is False
    assert limit_of(track([72.0], [0.0])).reached is None


# Names


def test_names_are_the_shortest_that_tell_sessions_apart():
    one, two = make_analysis(), make_analysis()
    later = replace(two, session=replace(two.session, date="2026-06-01"))
    other = make_analysis(name="Marram 12")
    assert shown_names([one, other], names=["a", "b"]) == ("Trivet 6", "Marram 12")
    assert shown_names([one, later, other], names=list("abc")) == (
        "Trivet 6 of 4 May 2026", "Trivet 6 of 1 June 2026", "Marram 12",
    )  # fmt: skip
    assert shown_names([one, two], names=["first", "second"]) == (
        "Trivet 6 “first”", "Trivet 6 “second”",
    )  # fmt: skip


def test_two_that_nothing_tells_apart_are_refused_in_one_line():
    with pytest.raises(AnalysisError, match=r"both called .Trivet 6 “day”.") as refused:
        compare([make_analysis(), make_analysis()], names=["day", "day"])
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("count", [0, 1, 9])
def test_two_to_eight_sessions_are_compared(count):
    with pytest.raises(AnalysisError, match=f"takes 2 to 8 sessions, not {count}"):
        compare([make_analysis()] * count, names=[str(i) for i in range(count)])


@given(names=st.lists(st.text(min_size=1, max_size=12), min_size=2, max_size=8))
def test_slugs_are_plain_and_unique(names):
    found = slugs(names)
    assert len(set(found)) == len(names)
    assert all(slug and set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") for slug in found)
