"""Limits: worked examples, a hard limiter, and growth laws that must lie in their brackets."""

import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from builders import make_analysis
from hypothesis import assume, given
from hypothesis import strategies as st
from invented import bump, no_change
from scipy.interpolate import pchip_interpolate
from stressed import make_playing

from reportlib.draw import tables
from reportlib.draw.wordings import narrative_templates
from reportlib.judge.analysis import at_the_end
from reportlib.judge.grades import band_results
from reportlib.judge.limits import drive_units, first_crossing, kind_of, limits_of
from reportlib.judge.records import BandResult
from reportlib.measure.levels import BANDS
from reportlib.measure.records import DriveStep
from reportlib.measure.stress.records import end_of
from reportlib.session.parameters import checked_parameters
from reportlib.write import data, facts, report
from reportlib.write.readings_sweeps import bracket_text, limit_text


def crossing(levels, losses, *, threshold=1.0, u95=0.0):
    return first_crossing(
        np.array(levels, float),
        np.array(losses, float),
        u95_db=np.broadcast_to(float(u95), len(levels)),
        threshold_db=threshold,
    )


def test_the_worked_example():
    # by hand 90 + 3·0.6/1.2 = 91.50 on the line; 91.83 by scipy's PchipInterpolator
    found = crossing([84, 87, 90, 93], [0.0, 0.1, 0.4, 1.6])
    assert found.low_db == pytest.approx(91.50, abs=0.01)
    assert found.level_db == pytest.approx(91.83, abs=0.01)
    assert found.high_db == pytest.approx(93.0 - 0.6)
    never = crossing([84, 87, 90, 93], [0.0, 0.1, 0.4, 1.6], threshold=3.0)
    assert (never.reached, never.level_db, never.low_db, never.high_db) == (False, None, None, None)


def test_the_level_is_the_one_where_scipys_curve_has_the_threshold():
    levels, losses = [72, 78, 84, 90, 96, 99], [0.0, 0.05, 0.02, 0.3, 1.4, 3.6]
    for threshold in (1.0, 3.0):
        found = crossing(levels, losses, threshold=threshold)
        assert pchip_interpolate(levels, losses, found.level_db) == pytest.approx(threshold)


@pytest.mark.parametrize("threshold", [1.0, 3.0])
def test_a_hard_limiter_between_two_levels_lies_inside_its_bracket(threshold):
    # nothing more comes out from 97 dB on: n dB behind at 97 + n; tested at 94, 100 and 103
    levels = [72, 88, 94, 100, 103]
    found = crossing(levels, [max(level - 97.0, 0.0) for level in levels], threshold=threshold)
    assert found.low_db <= 97.0 + threshold <= found.high_db


def growth_laws():
    """Losses over level that drive units show: they grow ever faster, or as fast as the level."""

    def heat(level, *, onset, steepness):  # power law of loss over drive
        return 0.3 * 10.0 ** (steepness * (level - onset) / 20.0)

    def limiter(level, *, onset, steepness):  # soft knee, then a fixed ratio
        over = np.logaddexp(0.0, (level - onset) * steepness) / steepness
        return 0.9 * over

    return st.sampled_from([heat, limiter])


@given(
    law=growth_laws(),
    onset=st.floats(80.0, 97.0),
    steepness=st.floats(0.6, 1.4),
    levels=st.lists(st.integers(76, 102), min_size=2, max_size=7, unique=True).map(sorted),
    threshold=st.sampled_from([1.0, 3.0]),
)
def test_the_truth_lies_inside_the_bracket(law, onset, steepness, levels, threshold):
    fine = np.linspace(76.0, 102.0, 26001)
    truth = law(fine, onset=onset, steepness=steepness)
    truth -= truth[0]
    assume(np.all(np.diff(truth) <= np.diff(fine)))  # else the output itself would fall
    losses = np.interp(levels, fine, truth)
    found = crossing([75.9, *levels], [0.0, *losses], threshold=threshold)
    assert found.reached == (losses[-1] >= threshold)
    if found.reached:
        there = fine[np.flatnonzero(truth >= threshold)[0]]
        assert found.low_db - 2e-3 <= there <= found.high_db + 2e-3


LOSSES = st.lists(st.floats(-3.0, 6.0), min_size=1, max_size=7)


@given(losses=LOSSES, step=st.floats(1.0, 6.0), u95=st.floats(0.0, 0.8))
def test_a_limit_lies_in_its_bracket_between_tested_levels_and_rises_with_its_threshold(
    losses, step, u95
):
    levels = 72.0 + step * np.arange(len(losses) + 1)
    found = [crossing(levels, [0.0, *losses], threshold=t, u95=u95) for t in (0.5, 1.0, 3.0)]
    for one in found:
        assert one.reached == (one.level_db is not None)
        if one.level_db is None:
            assert one.high_db is None
            continue
        assert levels[0] <= one.level_db <= levels[-1]
        assert one.low_db is None or levels[0] <= one.low_db <= one.level_db
        assert one.high_db is None or one.level_db <= one.high_db <= levels[-1]
    reached = [one.level_db for one in found if one.reached]
    assert reached == sorted(reached)
    assert [one.reached for one in found] == sorted((one.reached for one in found), reverse=True)


@given(losses=LOSSES, u95=st.floats(0.01, 0.8))
def test_an_interval_only_widens_the_bracket(losses, u95):
    levels = 72.0 + 5.0 * np.arange(len(losses) + 1)
    sharp, wide = (crossing(levels, [0.0, *losses], u95=u) for u in (0.0, u95))
    if sharp.reached:
        assert wide.low_db is None or wide.low_db <= sharp.low_db + 1e-9
        assert wide.high_db is None or wide.high_db >= sharp.high_db - 1e-9


def result(level_db, mean_db, *, u95_db=0.1, test="short_term", elapsed_s=0.0, grade="slips"):
    return BandResult(
        test=test, level_db=level_db, elapsed_s=elapsed_s, band="bass", low_hz=40.0, high_hz=160.0,
        mean_db=mean_db, worst_db=mean_db, worst_hz=60.0, u95_db=u95_db,
        grade="can't tell" if mean_db is None else grade, grade_may_be=None,
    )  # fmt: skip


def limits(found, *, steps=(), **kwargs):
    one, three = limits_of(found, baseline_db=72.0, steps=steps, **kwargs)
    return one, three


def test_a_gain_never_reaches_a_limit():
    for one in limits([result(84.0, 1.5), result(96.0, 4.0)]):
        assert kind_of(one) == "not reached"
        assert one.tested_to_db == 96.0


def test_levels_that_can_not_be_told_are_skipped_and_said():
    untold = result(99.0, -2.0, grade="can't tell", u95_db=2.0)
    one, _ = limits([result(78.0, None), result(90.0, -0.2), untold])
    assert one.untold_db == (78.0, 99.0)
    assert one.tested_to_db == 90.0  # never a number beyond what was told
    assert kind_of(one) == "not reached"
    assert kind_of(limits([result(78.0, None)])[0]) == "can't tell"
    assert limits([result(78.0, None)])[0].tested_to_db is None


def test_a_level_stands_where_it_was_driven_to():
    steps = [
        DriveStep(level_db=90.0, asked_db=18.0, measured_db=18.0, u95_db=0.04),
        DriveStep(level_db=96.0, asked_db=24.0, measured_db=21.0, u95_db=0.04),  # 3 dB not made
    ]
    one, three = limits([result(90.0, 0.0), result(96.0, -2.0)], steps=steps)
    assert 90.0 < one.level_db < 93.0
    assert three.tested_to_db == 93.0
    # a step that was not made at all leaves one level, not two
    steps[1] = replace(steps[1], measured_db=18.01)
    assert kind_of(limits([result(90.0, -0.1), result(96.0, -0.3)], steps=steps)[0]) != "at"


def test_an_interval_over_the_threshold_may_be():
    for mean in (-0.95, -1.05):
        one, _ = limits([result(90.0, -0.1), result(96.0, mean, u95_db=0.2)])
        assert kind_of(one) == "may be"
        assert one.high_db is None
    sure, _ = limits([result(90.0, -0.1), result(96.0, -1.5, u95_db=0.2)])
    assert kind_of(sure) == "between"


def test_column_text_widens_the_bracket():
    found = [result(90.0, -0.1), result(92.0, -1.5)]
    (sharp, _), (wide, _) = limits(found), limits(found, lower_bound=True)
    assert wide.low_db < sharp.low_db < sharp.high_db < wide.high_db


def test_long_term_has_no_zero_to_start_from():
    past = [result(82.0, -1.4, test="long_term", elapsed_s=120.0)]
    one, three = limits(past)
    assert (one.reached, one.level_db, one.low_db, one.high_db) == (True, None, None, 82.0)
    assert kind_of(one) == "by"
    assert kind_of(three) == "not reached"


def test_of_a_long_term_level_the_last_stage_counts():
    stages = [
        result(82.0, -0.2, test="long_term", elapsed_s=120.0),
        result(92.0, -2.0, test="long_term", elapsed_s=120.0),
        result(92.0, -0.3, test="long_term", elapsed_s=30.0),
    ]
    one, _ = limits(stages)
    assert 82.0 < one.level_db < 92.0


def test_drive_units_leave_a_third_of_an_octave_out_and_keep_to_the_bands():
    low, middle, high = drive_units([450.0, 3200.0])
    # base-10 third of an octave: 10 ** 0.1 from edge to edge
    assert middle.low_hz / low.high_hz == pytest.approx(10.0**0.1)
    assert high.low_hz / middle.high_hz == pytest.approx(10.0**0.1)
    assert (low.low_hz, high.high_hz) == (BANDS[0].low_hz, BANDS[-1].high_hz)
    assert drive_units([]) == ()
    assert len(drive_units([30.0])) == 1  # nothing of the lower one is graded
    assert [unit.name for unit in drive_units([3000.0, 3200.0])] == [
        "drive unit up to 3 kHz",
        "drive unit from 3.2 kHz",
    ]


def woofer_loss(frequency_hz, rise_db):
    return np.where(frequency_hz < 2600.0, -2.2 * (rise_db / 27.0) ** 2, 0.0)


def with_units(analysis):
    curves = (*analysis.short_term, *analysis.long_term)
    units = drive_units(analysis.session.speaker.crossovers_hz)
    found = limits_of(
        (*band_results(curves, fraction=12), *band_results(curves, bands=units, fraction=12)),
        baseline_db=72.0,
        steps=analysis.drive_steps,
    )
    return replace(analysis, limits=found)


def test_the_drive_unit_that_loses_is_told_from_the_one_that_does_not():
    analysis = with_units(make_analysis(change=woofer_loss, long_term_levels_db=()))
    by_unit = {
        one.band: kind_of(one)
        for one in analysis.limits
        if one.band.startswith("drive unit") and one.threshold_db == 1.0
    }
    assert by_unit["drive unit up to 2.6 kHz"] in ("at", "between")
    assert by_unit["drive unit from 2.6 kHz"] == "not reached"


def test_what_was_heard_as_the_stress_ended_stands_in_for_the_late_sweep():
    levels = {82.0: 0.2, 92.0: 1.6}
    playing = [
        make_playing(level_db=level, losses={band.name: loss for band in BANDS}, noise_db=0.01)
        for level, loss in levels.items()
    ]
    analysis = make_analysis(long_term_levels_db=tuple(levels), playing=playing)
    units = drive_units(analysis.session.speaker.crossovers_hz)
    results = (*analysis.bands, *band_results(analysis.long_term, bands=units, fraction=12))
    found = at_the_end(results, playing)
    for before, after in zip(results, found, strict=True):
        if before.test == "short_term":
            assert after is before
            continue
        end = end_of(*next(
            (one, track)
            for one in playing
            for track in one.groups
            if one.level_db == before.level_db and track.low_hz <= before.low_hz * 1.3
            and track.high_hz >= before.high_hz / 1.3 and track.kind in ("band", "unit")
        ))  # fmt: skip
        assert after.mean_db == pytest.approx(end.change_db, abs=1e-9)
    treble = limits_of(found, baseline_db=72.0, steps=analysis.drive_steps)
    (limit,) = [
        one
        for one in treble
        if (one.test, one.band, one.threshold_db) == ("long_term", "treble", 1.0)
    ]
    assert limit.reached
    assert 82.0 < limit.level_db < 92.0
    unsure = [make_playing(level_db=92.0, cold_known=False)]
    assert at_the_end(results, unsure) == list(results)
    assert "Left playing: when the multitone ended" in tables.limit_table(analysis).caption
    assert "as heard" not in tables.limit_table(with_units(make_analysis())).caption


def test_the_table_sets_turned_up_beside_left_playing_and_its_rows_hold_the_facts():
    analysis = with_units(make_analysis(noise_below_hz={78.0: 150.0}))
    table = tables.limit_table(analysis)
    assert table.columns[1:] == (
        "1 dB, turned up",
        "3 dB, turned up",
        "1 dB, left playing",
        "3 dB, left playing",
    )
    assert [row[0].split(",")[0] for row in table.rows] == [
        "Bass", "Presence", "Drive unit up to 2.6 kHz",
    ]  # fmt: skip
    anchors = {name for row in table.anchors for name in row.split()}
    known = facts.collect(analysis)
    named = [name for name in known if name.startswith("limit.") and "presence" in name]
    assert named
    assert {f"fact-{name}" for name in named} <= anchors
    assert {known[name].row for name in named} <= anchors
    assert "Skipped" in table.caption
    assert "bass turned up to 78 dB" in table.caption.replace("drive unit up to 2.6 kHz", "")
    assert tables.limit_table(make_analysis(levels_db=(), long_term_levels_db=())) is None


def test_what_no_level_reaches_is_said_once_and_not_in_every_cell():
    some = tables.limit_table(with_units(make_analysis(noise_below_hz={78.0: 150.0})))
    assert "not by" not in " ".join(cell for row in some.rows for cell in row)
    assert "–: not by 99 dB, or by 92 dB left playing." in some.caption
    assert "Nothing else is 1 dB short by 99 dB, or by 92 dB left playing." in some.caption
    still = with_units(make_analysis(change=no_change, warming=lambda f, *_: 0.0 * f))
    assert tables.limit_table(still) is None
    drafts = report.draft(
        still,
        facts=facts.collect(still),
        templates=narrative_templates(),
        parameters=checked_parameters(session="."),
    )
    assert "No band is 1 dB short by 99 dB, or by 92 dB left playing." in drafts["numbers"]


def test_results_list_the_limits_as_the_contract_does():
    analysis = with_units(make_analysis(noise_below_hz={99.0: 30000.0, 96.0: 30000.0}))
    none_told = make_analysis(noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 3e4))
    for one in (analysis, none_told):
        document = json.loads(data.results_json(one, tool_version="0.1.0"))
        jsonschema.validate(document, data.results_schema())
        assert document["limits"]
        for limit in document["limits"]:
            assert list(limit) == [
                "test", "band", "low_hz", "high_hz", "threshold_db", "level_db", "low_db",
                "high_db", "reached", "tested_to_db",
            ]  # fmt: skip
    assert {limit["reached"] for limit in document["limits"]} == {None, True, False}


@pytest.mark.parametrize(
    ("found", "text", "bracket"),
    [
        ([(87.0, -0.1), (90.0, -0.4), (93.0, -1.6)], "91.8 dB", "91.8 dB (91.2 to 92.5)"),
        ([(84.0, 0.0), (96.0, -3.0)], "87 to 95 dB", "87 to 95 dB"),
        ([(84.0, 0.0), (99.4, -1.2)], "95 to 99.4 dB", "95 to 99.4 dB"),
        ([(90.0, -0.3)], "not by 90 dB", "not by 90 dB"),
        ([(90.0, -0.95)], "may be, by 90 dB", "may be, by 90 dB"),
        ([(90.5, -0.3)], "not by 90.5 dB", "not by 90.5 dB"),
        ([(89.96, -0.3)], "not by 90 dB", "not by 90 dB"),
        ([(90.0, None)], "can’t tell", "can’t tell"),
    ],
)
def test_a_limit_is_written_with_no_more_digits_than_its_bracket_supports(found, text, bracket):
    one, _ = limits([result(level, mean) for level, mean in found])
    analysis = replace(make_analysis(change=no_change), limits=(one,))
    known = facts.collect(analysis)
    assert limit_text(one, facts=known) == text
    assert bracket_text(one, facts=known) == bracket


def test_nothing_is_lost_where_nothing_changes():
    analysis = make_analysis(change=no_change)
    assert all(
        kind_of(one) == "not reached" and one.tested_to_db == pytest.approx(99.0, abs=0.05)
        for one in analysis.limits
        if one.test == "short_term"
    )


def test_a_band_with_a_narrow_dip_is_not_behind_as_a_whole():
    analysis = make_analysis(change=lambda f, r: -4.0 * bump(f, 1000.0, octaves=0.1))
    mids = [one for one in analysis.limits if one.band == "mids" and one.test == "short_term"]
    assert all(kind_of(one) == "not reached" for one in mids)
