"""The answers: yes, just, no, can't tell, not tested.

One loudspeaker must make at 1 m what the seat asks for, less what is gained or lost on the way
(a range, by two methods). A peak of average + crest is that of a sine 3.0 dB lower in rms: the
short-term loss at that level is the most that peaks can lose, and the loss at that level less
the band's share of the programme's power the least. What minutes of it cost is the long-term
loss at the average level.
"""

import math
from collections.abc import Sequence

from reportlib.day import Space
from reportlib.judged import Answer, NeedAnswer, NeedBand
from reportlib.levels import BANDS, Band, db, pink_weighted_db
from reportlib.listening import Seat, arrivals, span
from reportlib.need.ability import Ability, Loss, loss_over
from reportlib.need.wants import (
    PROGRAMME_HZ,
    SINE_CREST_DB,
    Need,
)
from reportlib.thresholds import NEED_LIMITS_DB

GRAVEST_FIRST: tuple[Answer, ...] = ("no", "not tested", "can't tell", "just", "yes")


def band_share_db(band: Band) -> float:
    """Return a band's share of pink sound's power, in dB.

    >>> round(band_share_db(BANDS[0]), 1)
    -7.0
    """
    whole = math.log(PROGRAMME_HZ[1] / PROGRAMME_HZ[0])
    return float(db(math.log(band.high_hz / band.low_hz) / whole))


def judged(loss: Loss) -> Answer:
    """Answer for one band, where the whole range of its loss allows no other answer.

    On the limit between *yes* and *just* the careful answer stands.
    """
    if loss.low_db is not None and loss.low_db > NEED_LIMITS_DB[1]:
        return "no"
    if loss.beyond:
        return "not tested"
    if loss.high_db is None or loss.high_db > NEED_LIMITS_DB[1]:
        return "can't tell"
    return "yes" if loss.high_db <= NEED_LIMITS_DB[0] else "just"


def combined(answers: Sequence[Answer]) -> Answer:
    """Return the gravest of several answers: what fails once fails."""
    return min(answers, key=GRAVEST_FIRST.index)


def answer_need(
    need: Need,
    *,
    seat: Seat,
    space: Space,
    peaks: Sequence[Ability],
    average: Sequence[Ability],
) -> NeedAnswer:
    """Answer for one need at one seat.

    Parameters
    ----------
    space : where the level at 1 m holds
    peaks, average : what the short-term and the long-term test say of each band, bass first
    """
    on_the_way = span(arrivals(seat, space=space, shared=need.shared))
    wanted = need.average_db - pink_weighted_db(need.weighting)
    low, high = wanted - on_the_way[1], wanted - on_the_way[0]
    to_peak = need.crest_db - SINE_CREST_DB
    bands = []
    for band, sweeps, stress in zip(BANDS, peaks, average, strict=True):
        least = low + to_peak + band_share_db(band)
        peak = loss_over(sweeps, low_db=least, high_db=high + to_peak)
        steady = loss_over(stress, low_db=low, high_db=high)
        bands.append(
            NeedBand(
                band=band.name,
                peaks=judged(peak),
                peak_loss_low_db=peak.low_db,
                peak_loss_high_db=peak.high_db,
                average=judged(steady),
                average_loss_low_db=steady.low_db,
                average_loss_high_db=steady.high_db,
            )
        )
    in_peaks = combined([one.peaks for one in bands])
    in_average = combined([one.average for one in bands])
    return NeedAnswer(
        need=need.name,
        setup=seat.setup,
        wanted_db=need.average_db,
        weighting=need.weighting,
        crest_db=need.crest_db,
        loudspeakers=seat.loudspeakers if need.shared else 1,
        average_low_db=low,
        average_high_db=high,
        peak_low_db=low + to_peak,
        peak_high_db=high + to_peak,
        tested_to_db=_loudest(peaks),
        played_to_db=_loudest(average),
        peaks=in_peaks,
        average=in_average,
        answer=combined([in_peaks, in_average]),
        bands=tuple(bands),
    )


def _loudest(abilities: Sequence[Ability]) -> float | None:
    levels = [one.points[-1].level_db for one in abilities if one.points]
    return max(levels, default=None)
