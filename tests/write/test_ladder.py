"""How much of the rise arrived: by the definition of the decibel, and at its limits."""

import numpy as np
import pytest
from builders import make_analysis

from reportlib.write.readings_sweeps import (
    applied_step_db,
    driven_levels,
    rise_share,
    rungs,
)

HALF_DB = 10.0 * np.log10(2.0)  # 3.0103 dB, by definition of the bel


@pytest.mark.parametrize("asked_db", [0.5, 3.0, 6.0, 27.0, 60.0])
def test_as_asked_is_all_of_it(asked_db):
    assert rise_share(0.0, asked_db=asked_db) == 1.0


def test_double_the_power_asked_and_none_come_is_nothing():
    assert rise_share(-HALF_DB, asked_db=HALF_DB) == pytest.approx(0.0, abs=1e-12)


def test_less_than_the_baseline_is_nothing_not_less():
    assert rise_share(-8.0, asked_db=6.0) == 0.0


def test_four_times_asked_and_twice_come_is_a_third():
    # powers 1 → 4 asked, 1 → 2 came: one of three
    assert rise_share(-HALF_DB, asked_db=2.0 * HALF_DB) == pytest.approx(1.0 / 3.0)


def test_far_above_the_baseline_the_share_is_the_power_ratio():
    assert rise_share(-10.0, asked_db=80.0) == pytest.approx(0.1, rel=1e-6)


def test_more_than_asked_is_more_than_all():
    assert rise_share(1.0, asked_db=20.0) > 1.2


def test_no_rise_asked_has_no_share():
    assert rise_share(-1.0, asked_db=0.0) is None


def test_a_lower_baseline_does_not_make_the_loss_look_smaller():
    shares = [rise_share(-2.0, asked_db=asked_db) for asked_db in (20.0, 30.0, 40.0)]
    np.testing.assert_allclose(shares, shares[0], atol=0.005)


def test_the_measured_step_counts_where_there_is_one():
    assert applied_step_db(make_analysis(), 99.0) == pytest.approx(27.02)
    assert applied_step_db(make_analysis(measured_steps=False), 99.0) == 27.0


def test_rungs_run_from_bass_up_and_from_quiet_to_loud():
    found = rungs(make_analysis())
    assert [rung.band for rung in found[::5]] == ["bass", "low mids", "mids", "presence", "treble"]
    assert tuple(rung.level_db for rung in found[:5]) == driven_levels(make_analysis())
    assert all(rung.share is not None for rung in found)


def test_a_band_that_cannot_be_told_has_no_numbers():
    bass = rungs(make_analysis(gate_s=0.006))[0]
    assert (bass.change_db, bass.share, bass.grade) == (None, None, "can't tell")
    assert not bass.clear


def test_a_grade_that_cannot_be_told_hides_its_mean_too():
    # 0.6 dB of interval around −0.6 dB allows three grades: the builder says "can't tell"
    unsure = [rung for rung in rungs(make_analysis(band_u95_db=0.6)) if rung.grade == "can't tell"]
    assert unsure
    assert all(rung.share is None for rung in unsure)
