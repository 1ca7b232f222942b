"""The trade's sum at the seat, against its worked example."""

import pytest

from reportlib.listening import METHOD, seat_levels, trade_sum_db


def test_the_worked_example_of_the_trades_sum():
    # common practice, no source: 90 dB at 1 m, a pair, 3 m: 90 + 3.01 + (0…3) − 9.54 dB
    assert trade_sum_db(90.0, distance_m=3.0, loudspeakers=2) == pytest.approx(
        (83.47, 86.47), abs=0.005
    )


def test_one_loudspeaker_at_one_metre_is_its_own_level():
    assert trade_sum_db(80.0, distance_m=1.0, loudspeakers=1) == (80.0, 83.0)


def test_every_setting_gets_every_level_and_its_own_loudest():
    found = seat_levels([(72.0, 72.0), (96.0, 94.0)], settings=[("near", 1.0, 1), ("far", 4.0, 2)])
    assert [(one.setup, one.level_db) for one in found] == [
        ("near", 72.0), ("near", 96.0), ("far", 72.0), ("far", 96.0),
    ]  # fmt: skip
    assert {one.method for one in found} == {METHOD}
    assert found[1].loudest_db == found[0].loudest_db == 97.0  # what was given, not asked
    assert found[3].high_db == pytest.approx(94.0 + 3.01 + 3.0 - 12.04, abs=0.01)
