"""Need against ability: whether what is listened to at a seat is within what was measured.

What people listen to, as an average level and a crest factor, is an input and not a result: every
such number is what the report assumes, and it says so. What was measured of each band:

Levels are those that a loudspeaker without loss would give at 1 m, so that a volume step that
was not made as asked is counted as made. Losses are positive.

Between two tested levels the loss lies between two lines: the straight one (losses grow faster
the louder it gets), and the one along which the output did not rise any more on the way to the
louder level, which is what a hard limiter does. Nothing is said above the loudest level. Below
the quietest the loss is at most what heat would leave of it; whatever else limits an output
falls off faster.

The answers are yes, just, no, can't tell, not tested:

One loudspeaker must make at 1 m what the seat asks for, less what is gained or lost on the way
(a range, by two methods). A peak of average + crest is that of a sine 3.0 dB lower in rms: the
short-term loss at that level is the most that peaks can lose, and the loss at that level less
the band's share of the programme's power the least. What minutes of it cost is the long-term
loss at the average level.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reportlib.judge.records import Answer, BandResult, NeedAnswer, NeedBand
from reportlib.judge.seat import Seat, arrivals, span
from reportlib.judge.thresholds import NEED_LIMITS_DB
from reportlib.measure.levels import BANDS, Band, db, pink_weighted_db
from reportlib.measure.records import DriveStep
from reportlib.measure.stress.records import Playing
from reportlib.session.day import Session, Space, Test

SINE_CREST_DB = 3.0103
"""Peak over rms of a sine, 10·lg 2."""
PROGRAMME_HZ = (20.0, 20000.0)
"""What programmes are taken to fill, with the same power in every octave (pink; common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Need:
    """Something to listen to.

    Attributes
    ----------
    average_db, weighting : at the seat
    crest_db : peak over rms
    shared : whether several loudspeakers make the level together; else each by itself
    """

    name: str
    average_db: float
    weighting: Literal["A", "C"]
    crest_db: float
    shared: bool = True


NEEDS = (
    # Talk and television at home: high 50s to mid 60s dBA (E. Benjamin, AES 117, 2004, from
    # memory). Crest factors: many programme notes, 12–20 dB; no table was found in print.
    Need(name="speech and television", average_db=60.0, weighting="A", crest_db=15.0),
    # 75 dBA as normal and 85 dBA as loud are a judgement; preferred maxima were 78 dB with the
    # public, 88 with musicians (T. Somerville, S. F. Brownless, BBC Quarterly, 1949, from memory).
    Need(name="relaxed music", average_db=75.0, weighting="A", crest_db=15.0),
    Need(name="loud music", average_db=85.0, weighting="A", crest_db=12.0),
    # SMPTE RP 200 / ST 202 (from memory): 85 dBC from each loudspeaker with noise at −20 dBFS;
    # a sine at full scale is 20 dB louder.
    Need(
        name="film at reference level",
        average_db=85.0,
        weighting="C",
        crest_db=20.0 + SINE_CREST_DB,
        shared=False,
    ),
)


@dataclass(frozen=True, kw_only=True)
class LossAt:
    """One band at one level; `loss_db` is None where it can't be told."""

    level_db: float
    loss_db: float | None
    u95_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Ability:
    """One band in one test, levels rising; empty where the test was not made."""

    band: str
    points: tuple[LossAt, ...]


@dataclass(frozen=True, kw_only=True)
class Loss:
    """A range of loss, with its intervals, over a range of levels.

    Attributes
    ----------
    low_db, high_db : None where nothing can be told
    beyond : whether part of the levels lies above the loudest tested
    """

    low_db: float | None
    high_db: float | None
    beyond: bool


def abilities(
    bands: Sequence[BandResult],
    *,
    test: Test,
    session: Session,
    start_db: float,
    steps: Sequence[DriveStep],
    playing: Sequence[Playing] = (),
) -> tuple[Ability, ...]:
    """Return what one test says of every band, bass first.

    Of the long-term test the larger loss counts: what the sweep after the stress saw, or, where
    the stress itself was recorded, the end of it, before anything cooled.

    Parameters
    ----------
    start_db : the baseline's level at 1 m; the short-term test counts from it, without loss
    playing : the long-term levels whose stress was recorded
    """
    if test == "short_term":
        levels = {step.level_db: start_db + step.applied_db for step in steps}
        first = [LossAt(level_db=start_db, loss_db=0.0)]
    else:
        levels = {entry.level_db: start_db + entry.drive_db for entry in session.long_term}
        first = []
    found = []
    for name in (band.name for band in BANDS):
        own: dict[float, LossAt] = {}
        for one in bands:
            if one.test != test or one.band != name or one.level_db not in levels:
                continue
            # Of several stages the last stands: it replaces those before.
            level = levels[one.level_db]
            after = LossAt(
                level_db=level,
                loss_db=None if one.mean_db is None else -one.mean_db,
                u95_db=one.u95_db or 0.0,
            )
            heard = [track for track in playing if track.level_db == one.level_db]
            at_the_end = [_at_the_end(track, band=name, level_db=level) for track in heard]
            own[level] = _larger([after, *(at_the_end if test == "long_term" else ())])
        points = (*first, *(own[level] for level in sorted(own))) if own else ()
        found.append(Ability(band=name, points=points))
    return tuple(found)


def _at_the_end(playing: Playing, *, band: str, level_db: float) -> LossAt:
    """The loss at the end of the stress, against the cold level where it is known.

    Else since the first period, which leaves out what was lost in it.
    """
    track = playing.group(band)
    if track is None:
        return LossAt(level_db=level_db, loss_db=None)
    if track.fit is not None and track.fit.cold_known:
        loss, u95 = track.fit.end_loss_db, track.fit.end_loss_u95_db
        return LossAt(level_db=level_db, loss_db=loss, u95_db=u95)
    told = np.flatnonzero(np.isfinite(track.change_db) & np.isfinite(track.u95_db))
    if told.size == 0:
        return LossAt(level_db=level_db, loss_db=None)
    last = int(told[-1])
    return LossAt(
        level_db=level_db,
        loss_db=-float(track.change_db[last]),
        u95_db=float(track.u95_db[last]),
    )


def _larger(found: Sequence[LossAt]) -> LossAt:
    """The one with the largest loss; one that can't be told only where none can."""
    return max(found, key=lambda one: -math.inf if one.loss_db is None else one.loss_db)


def loss_over(ability: Ability, *, low_db: float, high_db: float) -> Loss:
    """Return the range of loss from one level to another.

    Levels that can't be told are passed over; above the loudest that can be told nothing is
    known, and the loss is None.
    """
    if not ability.points or low_db > ability.points[-1].level_db:
        return Loss(low_db=None, high_db=None, beyond=True)
    beyond = high_db > ability.points[-1].level_db
    told = [point for point in ability.points if point.loss_db is not None]
    reach_db = min(high_db, ability.points[-1].level_db)
    if not told or reach_db > told[-1].level_db + 1e-9:
        return Loss(low_db=None, high_db=None, beyond=beyond)
    inside = [one.level_db for one in told if low_db < one.level_db < reach_db]
    ranges = [_loss_at(level, told=told) for level in (low_db, *inside, reach_db)]
    return Loss(
        low_db=min(low for low, _ in ranges), high_db=max(high for _, high in ranges), beyond=beyond
    )


def _loss_at(level_db: float, *, told: Sequence[LossAt]) -> tuple[float, float]:
    """The range at one level, at most the loudest that can be told."""
    upper = next(point for point in told if point.level_db >= level_db - 1e-9)
    below = [point for point in told if point.level_db < level_db - 1e-9]
    assert upper.loss_db is not None
    if not below and level_db < upper.level_db - 1e-9:
        return _under_the_quietest(upper, level_db=level_db)
    if not below:
        return upper.loss_db - upper.u95_db, upper.loss_db + upper.u95_db
    lower = below[-1]
    assert lower.loss_db is not None
    share = (level_db - lower.level_db) / (upper.level_db - lower.level_db)
    straight = lower.loss_db + share * (upper.loss_db - lower.loss_db)
    # Both levels share the baseline's error, so that their half-widths are not averaged down.
    u95 = lower.u95_db + share * (upper.u95_db - lower.u95_db)
    level_off = upper.loss_db - (upper.level_db - level_db)
    latest = min(straight, max(lower.loss_db, level_off))
    return latest - u95, straight + u95


def _under_the_quietest(quietest: LossAt, *, level_db: float) -> tuple[float, float]:
    """From no loss to what a coil that heats with the power in it would still lose.

    With k the hot coil's resistance over the cold one's, the loss is 20·lg k and k − 1 grows with
    V²/R, so that a quieter level leaves at most (k − 1)·k·10^(ΔL/10) of it (voltage drive).
    """
    assert quietest.loss_db is not None
    most = max(quietest.loss_db + quietest.u95_db, 0.0)
    hot = 10.0 ** (most / 20.0)
    left = (hot - 1.0) * hot * 10.0 ** ((level_db - quietest.level_db) / 10.0)
    return min(quietest.loss_db - quietest.u95_db, 0.0), min(most, 20.0 * math.log10(1.0 + left))


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
