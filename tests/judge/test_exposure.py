"""Exposure, against published rules and worked doses."""

import math
from dataclasses import replace

import pytest
from builders import make_session
from truth_tables import truth_rows

from reportlib.judge import exposure
from reportlib.measure.levels import pink_weighted_db
from reportlib.session.day import Entry

ROWS = truth_rows("exposure_times.csv")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["level_dba"])
def test_times_match_the_table(row):
    level = float(row["level_dba"])
    assert exposure.niosh_daily_s(level) == pytest.approx(float(row["niosh_s"]), abs=0.01)
    weekly = float(row["who_itu_s"])
    assert exposure.who_itu_weekly_s(level) == pytest.approx(
        weekly, abs=0.51 if weekly > 60 else 0.006
    )


def test_osha_by_formula_and_by_its_printed_table():
    """29 CFR 1910.95, Table G-16, which rounds; 92 dBA is 6.063 h by the formula, 6 in print."""
    printed_h = {90: 8, 92: 6, 95: 4, 97: 3, 100: 2, 102: 1.5, 105: 1, 110: 0.5, 115: 0.25}
    assert exposure.osha_daily_s(92.0) / 3600.0 == pytest.approx(6.063, abs=5e-4)
    for level, hours in printed_h.items():
        assert exposure.osha_daily_s(float(level)) / 3600.0 == pytest.approx(hours, rel=0.02)


def test_osha_against_niosh_at_100_dba():
    assert exposure.osha_daily_s(100.0) == 2.0 * 3600.0
    assert exposure.niosh_daily_s(100.0) == 0.25 * 3600.0


def test_ceilings():
    assert exposure.osha_daily_s(115.1) == 0.0
    assert exposure.niosh_daily_s(140.0) == 0.0
    assert exposure.niosh_daily_s(139.9) > 0.0  # above 115 dBA still counts
    assert exposure.niosh_dose_percent([(141.0, 0.1)]) == math.inf


def test_the_worked_dose():
    """Ten 10 s sweeps at 100 dBA, then 10 min at 95 dBA."""
    heard = [(100.0, 10 * 10.0), (95.0, 600.0)]
    dose = exposure.niosh_dose_percent(heard)
    assert dose == pytest.approx(11.11 + 21.00, abs=0.01)
    assert exposure.average_of_dose_dba(dose) == pytest.approx(80.07, abs=0.02)
    stress = exposure.sound_exposure_pa2h([(95.0, 600.0)])
    assert stress == pytest.approx(0.2108, abs=5e-5)
    assert stress / exposure.WEEKLY_PA2H == pytest.approx(0.132, abs=5e-4)


def test_who_and_itus_week_is_the_sound_exposure_that_it_stands_for():
    """ITU-T H.870: 80 dBA for 40 h are 1.6 Pa²h."""
    week = exposure.sound_exposure_pa2h([(80.0, exposure.who_itu_weekly_s(80.0))])
    assert week == pytest.approx(1.600, abs=5e-4)


def test_pink_sound_loses_what_the_weightings_take():
    """Over 31 third-octaves: −2.987 and −1.227 dB."""
    assert pink_weighted_db("A") == pytest.approx(-2.987, abs=0.01)
    assert pink_weighted_db("C") == pytest.approx(-1.227, abs=0.01)


def test_levels_are_rounded_to_the_stricter_side():
    found = exposure.exposures(94.2, basis="assumed", heard="your seat")
    assert {one.level_dba for one in found} == {95.0}
    assert [one.period for one in found] == ["day", "week", "day"]
    assert found[0].allowed_s == pytest.approx(2857.32, abs=0.01)  # 95 dBA by the table
    assert {one.level_dba for one in exposure.exposures(85.0, basis="assumed", heard="")} == {85.0}


def test_the_day_of_assumed_levels_is_rounded_up_too():
    day = {"start_db": 100.3 - pink_weighted_db("A")}
    measured = exposure.day_dose(worked_day(), basis="calibrated", **day)
    assumed = exposure.day_dose(worked_day(), basis="assumed", **day)
    assert measured.loudest_dba == pytest.approx(100.3)
    assert assumed.loudest_dba == 101.0
    assert assumed.niosh_percent > measured.niosh_percent


@pytest.mark.parametrize(
    ("seconds", "read"), [(2857.3, 47 * 60), (283.48, 4.7 * 60), (91434.3, 25 * 3600), (119.0, 110)]
)
def test_a_time_is_rounded_down_to_what_is_read(seconds, read):
    assert exposure.stricter_time_s(seconds) == pytest.approx(read)


def worked_day(**rig):
    """Ten sweeps of 10 s and 10 min of multitone, as the worked dose has them."""
    session = make_session(long_term_levels_db=(95.0,), stage_ends_s=(600.0,))
    (entry,) = session.long_term
    quiet = replace(entry.stages[0], after=())
    return replace(
        session,
        rig=replace(session.rig, **rig),
        sweep=replace(session.sweep, duration_s=10.0),
        short_term=(Entry(level_db=100.0, drive_db=0.0, captures=("sweep",) * 10),),
        long_term=(replace(entry, before=(), drive_db=-5.0, stages=(quiet,)),),
    )


def test_the_measuring_day_has_the_dose_of_its_sweeps_and_multitones():
    """The worked dose, played pink: 2.99 dB more in level for the same dBA."""
    start_db = 100.0 - pink_weighted_db("A")
    found = exposure.day_dose(worked_day(), start_db=start_db, basis="calibrated")
    assert found.niosh_percent == pytest.approx(32.11, abs=0.02)
    assert found.sounding_s == 700.0
    assert found.loudest_dba == pytest.approx(100.0)


def test_the_day_is_heard_where_the_microphone_stands():
    """20·lg d from 1 m, nearer as well; in a room levels are those at the microphone already."""
    day = {"start_db": 103.0, "basis": "calibrated"}
    near = exposure.day_dose(worked_day(), **day)
    far = exposure.day_dose(worked_day(distance_m=2.0), **day)
    closer = exposure.day_dose(worked_day(distance_m=0.5), **day)
    inside = exposure.day_dose(worked_day(distance_m=2.0, space="room"), **day)
    assert near.loudest_dba - far.loudest_dba == pytest.approx(6.02, abs=0.01)
    assert closer.loudest_dba - near.loudest_dba == pytest.approx(6.02, abs=0.01)
    assert inside.loudest_dba - near.loudest_dba == pytest.approx(3.0)
    assert [one.distance_m for one in (near, far, closer)] == [1.0, 2.0, 0.5]


def test_a_day_of_column_text_has_no_dose_to_tell():
    session = replace(make_session(), sweep=None)
    assert exposure.day_dose(session, start_db=72.0, basis="assumed") is None
