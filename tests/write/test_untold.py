"""What can't be told: stretches, the levels they hold for, and their words."""

import numpy as np
import pytest
from builders import make_analysis, make_curve

from reportlib.measure.levels import grid_hz, runs
from reportlib.write.readings_curves import stretches, why_not

RANGE_HZ = (20.0, 20000.0)


def found(**changed):
    return stretches(make_analysis(**changed).short_term, range_hz=RANGE_HZ)


def test_everything_usable_leaves_nothing():
    assert found() == ()


def test_the_gate_hides_the_same_from_every_level():
    (stretch,) = found(gate_s=0.006)
    assert stretch.everywhere
    assert stretch.words == "beyond what the gate resolves"
    assert stretch.low_hz == 20.0
    # 2/6 ms = 333 Hz, to half a cell of the 1/24-octave grid (3 %)
    assert stretch.high_hz == pytest.approx(2.0 / 0.006, rel=0.03)


def test_noise_at_two_levels_names_them():
    (stretch,) = found(noise_above_hz={78.0: 5000.0, 84.0: 9000.0})
    assert stretch.levels_db == (78.0, 84.0)
    assert stretch.words == "78 and 84 dB: lost in noise"


def test_noise_at_many_levels_says_some():
    (stretch,) = found(noise_below_hz={78.0: 120.0, 84.0: 80.0, 90.0: 50.0})
    assert stretch.words == "some levels: lost in noise"


def test_reasons_are_kept_apart_and_in_order():
    noisy = found(gate_s=0.02, noise_above_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 8e3))
    assert [stretch.reason for stretch in noisy] == ["gate", "noise"]


def test_narrow_islands_do_not_split_a_stretch():
    f = grid_hz(start_hz=20.0, stop_hz=20000.0)
    curve = make_curve(frequency_hz=f, change_db=np.zeros(f.size), noise_below_hz=100.0)
    usable = curve.usable.copy()
    reason = list(curve.reason)
    usable[10:12], reason[10], reason[11] = True, "", ""
    gappy = type(curve)(**{**curve.__dict__, "usable": usable, "reason": tuple(reason)})
    (stretch,) = stretches([gappy], range_hz=RANGE_HZ)
    assert stretch.high_hz == pytest.approx(100.0, rel=0.03)
    assert not stretch.everywhere


def test_the_reason_of_most_points_counts():
    f = grid_hz(start_hz=40.0, stop_hz=170.0)
    curve = make_curve(
        frequency_hz=f, change_db=np.zeros(f.size), noise_below_hz=110.0, lowest_hz=55.0, u95_db=0.1
    )
    assert why_not(curve, low_hz=40.0, high_hz=55.0) == "beyond what the gate resolves"
    assert why_not(curve, low_hz=55.0, high_hz=160.0) == "lost in noise"


def test_runs_cover_what_is_true():
    mask = np.random.default_rng(3).random(200) > 0.4
    again = np.zeros(200, dtype=bool)
    for first, last in runs(mask):
        again[first : last + 1] = True
    np.testing.assert_array_equal(again, mask)
