"""Need against ability: what one loudspeaker must make, what it loses there, and the answer."""

import math
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from hypothesis import given
from hypothesis import strategies as st

from reportlib.judge.need import (
    NEEDS,
    Ability,
    Loss,
    LossAt,
    Need,
    abilities,
    answer_need,
    band_share_db,
    combined,
    judged,
    loss_over,
)
from reportlib.judge.seat import LIVING_ROOM, ROOM_METHOD, SEATS, TRADE_METHOD, Seat, arrivals
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import GroupTrack, Playing, ThermalFit

SEAT = Seat(setup="your seat", room=LIVING_ROOM, distance_m=3.0, loudspeakers=2)
MUSIC = Need(name="music", average_db=75.0, weighting="A", crest_db=15.0)


def ability(*points, band="bass"):
    return Ability(
        band=band, points=tuple(LossAt(level_db=level, loss_db=loss) for level, loss in points)
    )


def every_band(*points):
    return [ability(*points, band=band.name) for band in BANDS]


def answer(need=MUSIC, *, peaks, average, seat=SEAT, space="free field"):
    return answer_need(need, seat=seat, space=space, peaks=peaks, average=average)


HOLDS = every_band((72.0, 0.0), (99.0, 0.2))


def test_what_one_loudspeaker_must_make_is_worked_by_hand():
    """75 dBA of pink sound are 77.99 dB; the pair at 3 m takes 3.53 to 6.53 dB by the sum."""
    found = answer(peaks=HOLDS, average=HOLDS)
    trade, room = arrivals(SEAT, space="free field")
    assert found.average_high_db == pytest.approx(77.99 - 3.01 + 9.54, abs=0.01)
    assert found.average_low_db == pytest.approx(77.99 - room.high_db, abs=0.01)
    assert room.high_db > trade.high_db  # so that the room's answer is the milder end
    # crest 15 dB: a sine as high is 12 dB over the average
    assert found.peak_high_db - found.average_high_db == pytest.approx(11.99, abs=0.01)


def test_film_is_smptes_85_and_20_from_each_loudspeaker_alone():
    """85 dBC of pink noise, and a sine at full scale of 105 dB by the same scale."""
    (film,) = [need for need in NEEDS if need.name == "film at reference level"]
    found = answer(film, peaks=HOLDS, average=HOLDS)
    alone = replace(SEAT, loudspeakers=1)
    assert found == answer(film, peaks=HOLDS, average=HOLDS, seat=alone)
    assert found.peak_high_db - found.average_high_db == pytest.approx(20.0)
    assert found.average_high_db == pytest.approx(85.0 + 1.227 + 9.542, abs=0.01)


def test_bands_share_the_programmes_power_by_their_octaves():
    """Two octaves of the ten from 20 Hz to 20 kHz: −6.97 dB."""
    assert band_share_db(BANDS[0]) == pytest.approx(10 * math.log10(2 / math.log2(1000)), abs=1e-6)
    assert sum(10 ** (band_share_db(band) / 10) for band in BANDS) < 1.0


@pytest.mark.parametrize(
    ("low", "high", "beyond", "expected"),
    [
        (-0.1, 0.9, False, "yes"),
        (0.4, 1.2, False, "just"),  # either may be: the careful answer
        (1.5, 2.9, False, "just"),
        (3.1, 5.0, False, "no"),
        (2.0, 3.4, False, "can't tell"),
        (0.0, 0.5, True, "not tested"),
        (3.1, 5.0, True, "no"),  # its gentlest end is too much already
        (None, None, False, "can't tell"),
        (None, None, True, "not tested"),
    ],
)
def test_a_band_is_answered_only_as_far_as_its_range_carries(low, high, beyond, expected):
    assert judged(Loss(low_db=low, high_db=high, beyond=beyond)) == expected


def test_what_fails_once_fails():
    assert combined(["yes", "just", "no", "not tested"]) == "no"
    assert combined(["yes", "can't tell", "just"]) == "can't tell"
    assert combined(["yes", "just"]) == "just"


DAYS = {
    "yes": (HOLDS, every_band((82.0, 0.1), (92.0, 0.3))),
    "just": (every_band((72.0, 0.0), (84.0, 1.2), (99.0, 2.0)), HOLDS),
    "no": (every_band((72.0, 0.0), (78.0, 5.0), (99.0, 9.0)), HOLDS),
    "can't tell": (every_band((72.0, 0.0), (99.0, None)), HOLDS),
    "not tested": (every_band((72.0, 0.0), (90.0, 0.0)), HOLDS),
}


@pytest.mark.parametrize("expected", DAYS)
def test_every_answer_can_be_had(expected):
    peaks, average = DAYS[expected]
    assert answer(peaks=peaks, average=average).answer == expected


def test_without_a_long_term_test_minutes_are_not_tested():
    found = answer(peaks=HOLDS, average=[Ability(band=band.name, points=()) for band in BANDS])
    assert (found.peaks, found.average, found.answer) == ("yes", "not tested", "not tested")
    assert found.played_to_db is None


def test_one_band_that_gives_out_decides():
    peaks = [ability((72.0, 0.0), (78.0, 5.0), (99.0, 9.0)), *HOLDS[1:]]
    found = answer(peaks=peaks, average=HOLDS)
    assert found.answer == "no"
    assert [one.peaks for one in found.bands] == ["no", "yes", "yes", "yes", "yes"]


def test_a_hard_limiter_between_levels_lies_inside_the_range():
    """A limiter at 97 dB, tested at 94 and 100: 3 dB lost at 100, and at 97 none yet."""
    tested = ability((72.0, 0.0), (94.0, 0.0), (100.0, 3.0))
    for level in (94.5, 97.0, 98.5, 99.9):
        truth = max(level - 97.0, 0.0)
        found = loss_over(tested, low_db=level, high_db=level)
        assert found.low_db - 1e-9 <= truth <= found.high_db + 1e-9


def test_losses_that_grow_with_power_lie_inside_the_range():
    """A loss that grows in proportion to power, tested every 6 dB."""

    def truth(level):
        return 2.0 * 10.0 ** ((level - 99.0) / 10.0)

    tested = ability(*((level, truth(level)) for level in (75.0, 81.0, 87.0, 93.0, 99.0)))
    for level in (76.0, 84.0, 91.0, 98.0):
        found = loss_over(tested, low_db=level, high_db=level)
        assert found.low_db <= truth(level) <= found.high_db


def test_below_the_quietest_long_term_level_heat_leaves_what_its_law_leaves():
    """Copper 105 K hotter loses 3.0 dB (20·lg(1 + 0.00393·105)); 10 dB less leaves about 15 K."""
    hot = 20.0 * math.log10(1.0 + 0.00393 * 105.0)
    found = loss_over(ability((92.0, hot)), low_db=82.0, high_db=82.0)
    # V²/R a tenth, at the cold coil's resistance: 105·k/10 K, less what it then heats itself
    truth = 20.0 * math.log10(1.0 + 0.00393 * 105.0 * 1.4127 / 10.0 / 1.055)
    assert found.low_db == 0.0
    assert truth <= found.high_db <= 1.1 * truth


def test_a_level_that_can_not_be_told_is_passed_over_but_not_at_the_top():
    tested = ability((72.0, 0.0), (84.0, None), (96.0, 1.0), (99.0, None))
    assert loss_over(tested, low_db=80.0, high_db=90.0).high_db == pytest.approx(0.75)
    top = loss_over(tested, low_db=80.0, high_db=98.0)
    assert (top.high_db, top.beyond) == (None, False)
    assert loss_over(tested, low_db=80.0, high_db=100.0).beyond


levels = st.lists(st.floats(0.0, 6.0), min_size=2, max_size=6).map(sorted)


@given(losses=levels, at=st.floats(0.0, 1.0))
def test_the_range_lies_between_the_neighbours_of_a_growing_loss(losses, at):
    points = [(72.0 + 6.0 * index, loss) for index, loss in enumerate(losses)]
    level = 72.0 + 6.0 * (len(losses) - 1) * at
    found = loss_over(ability(*points), low_db=level, high_db=level)
    below = max(loss for where, loss in points if where <= level + 1e-9)
    above = min(loss for where, loss in points if where >= level - 1e-9)
    assert below - 1e-6 <= found.low_db <= found.high_db <= above + 1e-6


def test_abilities_are_read_from_the_results_on_the_scale_of_the_drive():
    analysis = make_analysis()
    common = {"session": analysis.session, "start_db": 70.0, "steps": analysis.drive_steps}
    short = abilities(analysis.bands, test="short_term", **common)
    assert [one.band for one in short] == [band.name for band in BANDS]
    # steps were measured 0.02 dB large; levels count from where the day really started
    assert [point.level_db for point in short[0].points] == pytest.approx(
        [70.0, 76.02, 82.02, 88.02, 94.02, 97.02]
    )
    mids = analysis.band("mids", test="short_term", level_db=99.0)
    assert short[2].points[-1].loss_db == -mids.mean_db
    assert short[2].points[0].loss_db == 0.0
    long = abilities(analysis.bands, test="long_term", **common)
    assert [point.level_db for point in long[2].points] == [80.0, 90.0]
    last = analysis.band("mids", test="long_term", level_db=92.0)
    assert long[2].points[-1].loss_db == -last.mean_db  # the last stage


def played(level_db, *, end_db, cold_known):
    """A recorded stress of three periods in the mids, with or without a fit to the cold level."""
    three = np.array([-0.1, -0.3, end_db])
    fit = ThermalFit(
        terms=(), cold_db=0.0, cold_u95_db=0.1, cold_known=cold_known, end_loss_db=2.0,
        end_loss_u95_db=0.2, cooling_ratio=None, projected_600_s_db=None, projected_u95_db=None,
        refusal="", residual_db=0.0, effective_count=3.0,
    )  # fmt: skip
    mids = GroupTrack(
        kind="band", name="mids", low_hz=500.0, high_hz=2000.0, change_db=three,
        u95_db=np.full(3, 0.1), distortion_db=np.full(3, -40.0), fitted_db=three, tones=9, fit=fit,
    )  # fmt: skip
    tones = np.zeros((3, 1))
    return Playing(
        level_db=level_db, period_s=1.0, stages=(), elapsed_s=np.arange(3.0),
        clock_s=np.arange(3.0), stage=np.zeros(3), settled=np.array([False, True, True]),
        frequency_hz=np.array([1000.0]), change_db=np.zeros((3, 1)),
        u95_db=tones, usable=tones == 0.0, cold_known=cold_known,
        distortion_db=np.full(3, -40.0), groups=(mids,),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("end_db", "cold_known", "expected"),
    [(-0.5, True, 2.0), (-3.0, False, 3.0), (+0.5, False, None)],
)
def test_what_the_stress_itself_lost_counts_where_it_is_more(end_db, cold_known, expected):
    """A coil cools before the sweep: the end of the stress, or the sweep where that lost more."""
    analysis = make_analysis()
    common = {"session": analysis.session, "start_db": 72.0, "steps": analysis.drive_steps}
    track = played(92.0, end_db=end_db, cold_known=cold_known)
    found = abilities(analysis.bands, test="long_term", playing=[track], **common)
    sweep = -analysis.band("mids", test="long_term", level_db=92.0).mean_db
    assert 0.0 < sweep < 2.0
    assert found[2].points[-1].loss_db == pytest.approx(sweep if expected is None else expected)
    without = abilities(analysis.bands, test="long_term", **common)
    assert found[0] == without[0]  # the bass was not heard
    short = abilities(analysis.bands, test="short_term", playing=[track], **common)
    assert short == abilities(analysis.bands, test="short_term", **common)


def test_every_preset_has_both_methods_and_asks_more_the_farther_it_is():
    asked = []
    for seat in SEATS:
        found = arrivals(seat, space="free field")
        assert [one.method for one in found] == [TRADE_METHOD, ROOM_METHOD]
        asked.append(answer(peaks=HOLDS, average=HOLDS, seat=seat).average_high_db)
    assert asked[0] < asked[1] < asked[3] < asked[2]
