"""What arrives at a seat, by both methods, against worked examples."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from builders import make_analysis

from reportlib.judge import seat
from reportlib.judge.seat import (
    LIVING_ROOM,
    ROOM_METHOD,
    TRADE_METHOD,
    GivenLevel,
    Seat,
    arrivals,
    given_levels,
    starts_at,
)
from reportlib.session.parameters import SeatRoom, checked_parameters


def parameters(**given):
    return checked_parameters(session=".", **given)


def level(asked_db, given_db=None):
    return GivenLevel(
        asked_db=asked_db, driven_db=asked_db, given_db=asked_db if given_db is None else given_db
    )


SEAT = Seat(setup="your seat", room=LIVING_ROOM, distance_m=3.0, loudspeakers=2)


def test_the_worked_example_of_the_trades_sum():
    # common practice, no source: 90 dB at 1 m, a pair, 3 m: 90 + 3.01 + (0…3) − 9.54 dB
    assert seat.trade_sum_db(90.0, distance_m=3.0, loudspeakers=2) == pytest.approx(
        (83.47, 86.47), abs=0.005
    )


def test_one_loudspeaker_at_one_metre_is_its_own_level():
    assert seat.trade_sum_db(80.0, distance_m=1.0, loudspeakers=1) == (80.0, 83.0)


def test_the_two_methods_together_say_about_83_to_89_db():
    """The worked example of both: 83.47 to 86.47 dB, and 89.29 dB with a directivity of 5."""
    trade, room = arrivals(SEAT, space="free field")
    assert (90.0 + trade.low_db, 90.0 + trade.high_db) == pytest.approx((83.47, 86.47), abs=0.005)
    assert 90.0 + room.low_db < 89.29 < 90.0 + room.high_db
    assert room.high_db - room.low_db < 6.0  # a range, not a shrug


def test_a_level_of_a_half_space_is_six_decibels_less_in_free_field():
    """An image source doubles the pressure: 6.02 dB; only the room's acoustics ask for it."""
    free, half = arrivals(SEAT, space="free field"), arrivals(SEAT, space="half space")
    assert half[0] == free[0]
    assert free[1].low_db - half[1].low_db == pytest.approx(6.0206, abs=1e-4)


def test_every_seat_gets_every_level_by_both_methods_and_its_own_loudest():
    far = Seat(setup="far", room=LIVING_ROOM, distance_m=4.0, loudspeakers=2)
    found = seat.seat_levels(
        [level(72.0), level(96.0, 94.0)], seats=[SEAT, far], space="free field"
    )
    assert len(found) == len({(one.setup, one.method, one.level_db) for one in found}) == 8
    trade = [one for one in found if (one.setup, one.method) == ("far", TRADE_METHOD)]
    assert {one.loudest_db for one in trade} == {trade[1].high_db}
    # what was given counts, not what was asked
    assert trade[1].high_db == pytest.approx(94.0 + 3.01 + 3.0 - 12.04, abs=0.01)
    assert {one.method for one in found} == {TRADE_METHOD, ROOM_METHOD}


def test_the_parameters_know_the_presets():
    assert set(get_args(SeatRoom)) == {seat.setup for seat in seat.SEATS}


def test_a_preset_stands_until_the_reader_says_otherwise():
    hall = seat.reader_seat(parameters(seat_room="film night in a hall"))
    assert (hall.room.volume_m3, hall.distance_m, hall.loudspeakers) == (1200.0, 8.0, 2)
    own = seat.reader_seat(
        parameters(
            seat_room="film night in a hall",
            seat_distance_m=5.0,
            seat_loudspeakers=4,
            seat_volume_m3=300.0,
            seat_reverberation_s=1.0,
        )
    )
    assert (own.distance_m, own.loudspeakers, own.room.reverberation_s) == (5.0, 4, 1.0)
    assert own.room.volume_m3 == pytest.approx(300.0)


def test_a_preset_that_is_the_readers_own_is_not_listed_twice():
    assert [seat.setup for seat in seat.all_seats(parameters())] == [
        "your seat", "kitchen desk", "film night in a hall", "small stage",
    ]  # fmt: skip
    assert len(seat.all_seats(parameters(seat_distance_m=2.0))) == 5


def test_a_measured_level_counts_where_it_is_one_at_1_m():
    analysis = make_analysis()
    baseline = replace(analysis.baseline, calibrated=True, mean_level_db=70.0)
    assert starts_at(baseline, space="gated") == 70.0
    assert starts_at(baseline, space="room") == baseline.level_asked_db == 72.0
    assert starts_at(analysis.baseline, space="gated") == 72.0


def test_what_cannot_be_told_is_not_claimed_to_arrive():
    analysis = make_analysis(noise_below_hz={99.0: 20000.0})
    found = given_levels(
        analysis.baseline,
        curves=analysis.short_term,
        steps=analysis.drive_steps,
        space="free field",
    )
    assert [one.asked_db for one in found] == [72.0, 78.0, 84.0, 90.0, 96.0]
    assert found[0].given_db == found[0].driven_db == 72.0


def test_bands_arrive_with_what_the_sweep_gave_there():
    analysis = make_analysis()
    top = analysis.short_term[-1]
    found = seat.seat_bands(
        SEAT,
        level=GivenLevel(asked_db=99.0, driven_db=99.02, given_db=98.0),
        bands=analysis.bands,
        baseline=analysis.baseline,
        space="free field",
    )
    assert len(found) == 10
    mids = next(one for one in found if (one.band, one.method) == ("mids", TRADE_METHOD))
    # the sweep's own level in the band at the baseline, the step, the change, the way
    f = analysis.baseline.frequency_hz
    inside = (f >= 500.0) & (f < 2000.0)
    own = 10.0 * np.log10(np.mean(10.0 ** (analysis.baseline.level_db[inside] / 10.0)))
    change = top.change_db[inside].mean()
    assert mids.low_db == pytest.approx(own + 27.02 + change + 3.01 - 9.54, abs=0.01)
    assert mids.change_db == pytest.approx(change)
