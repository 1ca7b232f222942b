"""Room acoustics, against worked examples, and against a shoebox room in another library.

The worked room: 6 × 4 × 2.5 m, T 0.4 s. Its figures follow from Hopkins & Stryker (Proc. IRE 36,
1948), Sabine's and Eyring's formulas, worked by hand once and kept.
"""

import math

import numpy as np
import pytest

from reportlib.judge import seat
from reportlib.judge.seat import LIVING_ROOM
from reportlib.measure.levels import grid_hz

R_M2 = seat.room_constant_m2(LIVING_ROOM, absorption=seat.sabine_absorption(LIVING_ROOM))


def test_the_worked_rooms_size_absorption_and_constant():
    assert (LIVING_ROOM.volume_m3, LIVING_ROOM.surface_m2) == (60.0, 98.0)
    absorption = seat.sabine_absorption(LIVING_ROOM)
    assert absorption * LIVING_ROOM.surface_m2 == pytest.approx(24.15, abs=0.005)
    assert absorption == pytest.approx(0.24643, abs=5e-6)
    assert pytest.approx(32.047, abs=5e-4) == R_M2


WORKED = [
    (1.0, 0.798, (4.10, 2.60, 2.25, 2.12)),
    (2.0, 1.129, (2.51, 0.15, -0.48, -0.72)),
    (5.0, 1.785, (1.18, -2.49, -3.72, -4.25)),
    (10.0, 2.525, (0.63, -3.91, -5.72, -6.59)),
]


@pytest.mark.parametrize(("q", "critical_m", "levels_db"), WORKED)
def test_levels_and_critical_distances_of_the_worked_room(q, critical_m, levels_db):
    assert seat.critical_distance_m(q, constant_m2=R_M2) == pytest.approx(critical_m, abs=5e-4)
    for distance_m, level_db in zip((1.0, 2.0, 3.0, 4.0), levels_db, strict=True):
        found = seat.hopkins_stryker_db(q, distance_m=distance_m, constant_m2=R_M2)
        assert float(found) == pytest.approx(level_db, abs=0.006)


def test_a_pair_at_three_metres_of_the_worked_room():
    """90 dB at 1 m, Q 5: 90 − 3.72 + 3.01 = 89.29 dB, where the trade's sum says 83.5 to 86.5."""
    at_seat = 90.0 + float(seat.hopkins_stryker_db(5.0, distance_m=3.0, constant_m2=R_M2))
    assert at_seat + 10.0 * math.log10(2.0) == pytest.approx(89.29, abs=0.006)


def test_without_reflections_the_level_falls_as_in_the_free_field():
    found = seat.hopkins_stryker_db(3.0, distance_m=4.0, constant_m2=math.inf)
    assert float(found) == pytest.approx(-20.0 * math.log10(4.0))


def test_a_room_too_dead_for_sabine_is_a_free_field_by_him_and_nearly_one_by_eyring():
    dead = seat.Room(name="dead", length_m=6.0, width_m=4.0, height_m=2.5, reverberation_s=0.05)
    assert seat.sabine_absorption(dead) > 1.0
    assert seat.room_constant_m2(dead, absorption=seat.sabine_absorption(dead)) == math.inf
    assert 0.8 < seat.eyring_absorption(dead) < 1.0


def test_a_room_of_another_size_keeps_its_shape():
    larger = LIVING_ROOM.resized(480.0)
    assert larger.volume_m3 == pytest.approx(480.0)
    assert larger.length_m / larger.height_m == pytest.approx(6.0 / 2.5)
    # Schroeder's 2000·√(T/V): eight times the volume, √8 times lower
    assert larger.schroeder_hz == pytest.approx(LIVING_ROOM.schroeder_hz / math.sqrt(8.0))


def carried(**changes):
    facts = {"room": LIVING_ROOM, "distance_m": 3.0, "loudspeakers": 1} | changes
    return seat.carried(grid_hz(start_hz=20.0, stop_hz=20000.0), **facts)


def test_below_the_schroeder_frequency_only_the_modal_range_is_given():
    """From the power sum in free field to 6 dB above the pressure sum of the diffuse field."""
    found = carried(loudspeakers=2)
    low = found.frequency_hz < LIVING_ROOM.schroeder_hz
    np.testing.assert_allclose(found.low_db[low], -20.0 * math.log10(3.0) + 3.0103, atol=1e-3)
    # Eyring's R = 98·0.2184/0.7816 = 27.38 m²; Q 1 at 3 m: 10·lg(1/9 + 16π/27.38) = 2.89 dB
    np.testing.assert_allclose(found.high_db[low], 2.89 + 6.02 + 6.02, atol=0.01)


def test_the_range_is_wide_enough_and_never_turns_over():
    """A statistical level below the Schroeder frequency wants ± 5 dB at least, for several."""
    found = carried(loudspeakers=2)
    width = found.high_db - found.low_db
    assert np.all(width > 0.0)
    assert np.all(width[found.frequency_hz < LIVING_ROOM.schroeder_hz] >= 10.0)
    for end in (found.low_db, found.high_db):
        assert np.all(np.abs(np.diff(end)) < 0.6)  # no step where methods meet


def test_above_twice_that_frequency_the_typical_loudspeaker_lies_inside():
    found = carried()
    high = found.frequency_hz > 2.0 * LIVING_ROOM.schroeder_hz
    q = 10.0 ** (seat.directivity_index_db(found.frequency_hz[high]) / 10.0)
    middle = seat.hopkins_stryker_db(q, distance_m=3.0, constant_m2=R_M2)
    assert np.all(found.low_db[high] < middle)
    assert np.all(middle < found.high_db[high])


@pytest.mark.parametrize("count", [2, 3, 8])
def test_more_loudspeakers_add_as_powers_above(count):
    one, more = carried().over(1000.0, 4000.0), carried(loudspeakers=count).over(1000.0, 4000.0)
    assert more == pytest.approx([level + 10.0 * math.log10(count) for level in one])
