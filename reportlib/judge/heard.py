"""Whether a change would be heard, in direct comparison with what was asked, and what it does.

What counts is how wide the change is: the whole range alike, or a narrow dip. A stretch is where
the curve stays beyond half of its worst, without a break that can't be told. Stretches lie
within each other, a deep dip within a broad loss: each is judged by its own width and mean
against ``thresholds.HEARD_LIMITS_DB``, and what lies deeper within it counts no more there than
its own worst. Between the widths listed the limits are linear over the logarithm of the width.

An interval that crosses one limit gives the milder word, which is certain, and "may be" for the
other; one that crosses two can't tell.

What it does to the balance:

A band that loses as much as all the others makes the sound softer, not different. So each is
compared with the median of all bands of the same level, and a difference counts from where
a change as wide as the band is possibly audible (``heard_limits_db``). The words are
our own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.judge.grades import mean_u95_db
from reportlib.judge.records import SEAT_SETUP, Audible, BandResult, Heard, SeatLevel
from reportlib.judge.thresholds import (
    BASS_BELOW_HZ,
    BASS_FACTOR,
    GAIN_WIDTH_OCTAVES,
    HEARD_LIMITS_DB,
    TEXT_UNKNOWN_DB,
    TOP_ABOVE_HZ,
    TOP_FACTOR,
)
from reportlib.measure.levels import BANDS, GRID_PER_OCTAVE, G, phon_change, runs
from reportlib.measure.records import BaselineCurve, ChangeCurve
from reportlib.session.records import BoolArray

WORDS: tuple[Heard, ...] = ("inaudible in practice", "possibly audible", "clearly audible")
_LOWEST_HZ = 20.0
"""Where ISO 226 begins; the bands begin higher, but what lies below them is heard too."""
_MUCH_WIDER_OCTAVES = 2.0
"""A stretch around another is worth its own words if it is wider by this."""
_BRIDGED_OCTAVES = 1.0 / 6.0
"""A gap that can't be told and is narrower than this does not end a stretch."""


def heard_limits_db(width_octaves: float, *, centre_hz: float) -> tuple[float, float]:
    """Return from which change a loss is possibly, and from which it is clearly audible.

    >>> heard_limits_db(1.0, centre_hz=1000.0)
    (1.0, 2.0)
    >>> heard_limits_db(2.0, centre_hz=80.0)
    (0.3, 0.9)
    """
    widths, possibly, clearly = zip(*HEARD_LIMITS_DB, strict=True)
    factor = 1.0
    if centre_hz < BASS_BELOW_HZ:
        factor = BASS_FACTOR
    elif centre_hz > TOP_ABOVE_HZ:
        factor = TOP_FACTOR
    at = math.log2(max(width_octaves, widths[0]))
    known = np.log2(widths)
    first, second = (factor * float(np.interp(at, known, row)) for row in (possibly, clearly))
    return round(first, 9), round(second, 9)


def heard_word(
    change_db: float, *, u95_db: float, width_octaves: float, centre_hz: float
) -> tuple[Heard, Heard | None]:
    """Return the milder certain word for a change, and the next where the interval allows two.

    >>> heard_word(-1.4, u95_db=0.2, width_octaves=1.0, centre_hz=1000.0)
    ('possibly audible', None)
    >>> heard_word(-1.9, u95_db=0.2, width_octaves=1.0, centre_hz=1000.0)
    ('possibly audible', 'clearly audible')
    """
    if change_db > 0.0:
        width_octaves = max(width_octaves, GAIN_WIDTH_OCTAVES)
    limits = heard_limits_db(width_octaves, centre_hz=centre_hz)
    size = abs(change_db)
    certain = sum(size - u95_db >= limit for limit in limits)
    allowed = sum(size + u95_db >= limit for limit in limits)
    if allowed - certain > 1:
        return "can't tell", None
    return WORDS[certain], WORDS[allowed] if allowed > certain else None


def audible_changes(
    curves: Sequence[ChangeCurve],
    *,
    baseline: BaselineCurve,
    in_room: Sequence[SeatLevel],
    fraction: int,
) -> tuple[Audible, ...]:
    """Judge every short-term level, and every long-term level after its last stage.

    Of each the stretch that is heard most and, beside it or much wider around it, another one
    if there is; where nothing would be heard, the whole range that can be told. A level that
    can't be told has none.

    Parameters
    ----------
    in_room : where it would be listened to, the reader's seat among them
    fraction : smoothing of the curves, as the n of 1/n octave
    """
    last = {
        (curve.test, curve.level_db): curve
        for curve in sorted(curves, key=lambda curve: (curve.level_db, curve.elapsed_s))
        if curve.source != "multitone"
    }
    quieter_db = _carried_db(in_room)
    found = []
    for curve in last.values():
        judged = [
            _judge(
                curve,
                used=used,
                change_db=change,
                baseline=baseline,
                carried_db=quieter_db,
                fraction=fraction,
            )
            for used, change in _stretches(curve)
        ]
        found += _told_most(judged)
    return tuple(sorted(found, key=lambda one: (one.test == "long_term", one.level_db)))


def _carried_db(in_room: Sequence[SeatLevel]) -> float:
    """By how much the reader's seat is quieter than 1 m, from what the quietest level gives."""
    mine = [seat for seat in in_room if seat.setup == SEAT_SETUP]
    lowest = min((seat.level_db for seat in mine), default=0.0)
    middles = [0.5 * (s.low_db + s.high_db) for s in mine if s.level_db == lowest]
    return float(np.mean(middles)) - lowest if middles else 0.0


def _stretches(curve: ChangeCurve) -> list[tuple[BoolArray, float]]:
    """Which points each stretch holds, and its mean change; first all that can be told.

    From the largest change down: the stretch around it beyond half of it, then the same around
    the largest change outside of the stretches so far, losses and gains apart.
    """
    f = curve.frequency_hz
    usable = curve.usable & (f >= _LOWEST_HZ) & (f < BANDS[-1].high_hz)
    if not usable.any():
        return []
    least = BASS_FACTOR * min(possibly for _, possibly, _ in HEARD_LIMITS_DB)
    found = [(usable, float(curve.change_db[usable].mean()))]
    for sign in (-1.0, 1.0):
        size = np.where(usable, sign * curve.change_db, -np.inf)
        rest = size.copy()
        while (worst := float(rest.max())) >= least:
            around = _around(int(np.argmax(rest)), beyond=size >= 0.5 * worst, usable=usable)
            found.append((around, sign * float(np.minimum(size[around], worst).mean())))
            rest[around] = -np.inf
    return found


def _around(seed: int, *, beyond: BoolArray, usable: BoolArray) -> BoolArray:
    """Return the points beyond, around one of them, over gaps that are narrow."""
    bridged = beyond.copy()
    for first, last in runs(~usable):
        if last - first + 1 <= _BRIDGED_OCTAVES * GRID_PER_OCTAVE:
            bridged[first : last + 1] = (
                beyond[max(first - 1, 0)] and beyond[min(last + 1, beyond.size - 1)]
            )
    first, last = next((a, b) for a, b in runs(bridged) if a <= seed <= b)
    inside = np.zeros_like(beyond)
    inside[first : last + 1] = beyond[first : last + 1]
    return inside


def _judge(
    curve: ChangeCurve,
    *,
    used: BoolArray,
    change_db: float,
    baseline: BaselineCurve,
    carried_db: float,
    fraction: int,
) -> Audible:
    f = curve.frequency_hz[used]
    half = G ** (0.5 / GRID_PER_OCTAVE)
    low, high = float(f[0]) / half, float(f[-1]) * half
    centre = math.sqrt(low * high)
    width = math.log2(high / low)
    u95 = mean_u95_db(curve, used=used, fraction=fraction)
    if curve.lower_bound:
        u95 = math.hypot(u95, TEXT_UNKNOWN_DB)
    heard, may_be = heard_word(change_db, u95_db=u95, width_octaves=width, centre_hz=centre)
    phon = None
    if centre < BASS_BELOW_HZ:
        tilt = float(np.interp(centre, baseline.frequency_hz, baseline.level_db))
        at_seat = curve.level_db + carried_db + tilt - baseline.mean_level_db
        if math.isfinite(at_seat):
            phon = phon_change(at_seat, change_db=change_db, frequency_hz=centre)
    return Audible(
        test=curve.test,
        level_db=curve.level_db,
        elapsed_s=curve.elapsed_s,
        low_hz=low,
        high_hz=high,
        width_octaves=width,
        change_db=change_db,
        u95_db=u95,
        phon=phon,
        heard=heard,
        heard_may_be=may_be,
    )


def _told_most(judged: Sequence[Audible]) -> list[Audible]:
    """Pick what is heard most, and the widest that may be heard; else the whole range."""
    told = [one for one in judged[1:] if is_heard(one) and _shown(one)]
    if not told:
        return list(judged[:1])
    most = max(told, key=_strength)
    others = [one for one in told if _adds(one, most=most)]
    return [most, *sorted(others, key=lambda one: (*_ranks(one), one.width_octaves))[-1:]]


def _shown(one: Audible) -> bool:
    """Whether a stretch clears its own interval: of many, some wander off by chance."""
    return abs(one.change_db) > one.u95_db


def _adds(one: Audible, *, most: Audible) -> bool:
    """Whether a stretch is more than the skirts of what is heard most."""
    apart = one.low_hz >= most.high_hz or one.high_hz <= most.low_hz
    return apart or one.width_octaves >= most.width_octaves + _MUCH_WIDER_OCTAVES


def is_heard(one: Audible) -> bool:
    """Whether a change would be heard, at least possibly, or may be."""
    return one.heard in WORDS[1:] or one.heard_may_be is not None


def _ranks(one: Audible) -> tuple[int, int]:
    """How much is certain and how much is allowed; what can't be told comes last."""
    if one.heard not in WORDS:
        return -1, -1
    certain = WORDS.index(one.heard)
    return certain, certain if one.heard_may_be is None else certain + 1


def _strength(one: Audible) -> tuple[int, int, float]:
    _, clearly = heard_limits_db(one.width_octaves, centre_hz=math.sqrt(one.low_hz * one.high_hz))
    return (*_ranks(one), abs(one.change_db) / clearly)


LESS_AND_MORE = {
    "bass": ("thinner", "boomier"),
    "low mids": ("leaner", "thicker"),
    "mids": ("hollower", "more forward"),
    "presence": ("less clear", "sharper"),
    "treble": ("duller", "brighter"),
}
"""What less and what more of a band than of most sounds like."""
FEWEST_BANDS = 3
"""With fewer bands that can be told there is nothing to compare with."""


@dataclass(frozen=True, kw_only=True)
class Shift:
    """How one band stands against the others.

    Attributes
    ----------
    word : what it makes the sound, e.g. ``"thinner"``
    difference_db, u95_db : its mean change less the median of all
    certain : whether the interval leaves no doubt that it counts; else it may
    """

    band: str
    word: str
    difference_db: float
    u95_db: float
    certain: bool


@dataclass(frozen=True, kw_only=True)
class Balance:
    """What happened to the balance at one level.

    Attributes
    ----------
    shifts : bands that stand out, certain ones first, the largest first
    open_bands : bands of which it can't be told whether they do
    """

    shifts: tuple[Shift, ...]
    open_bands: tuple[str, ...]


def balance_of(results: Sequence[BandResult]) -> Balance | None:
    """Compare every band of one level with the others; None where too few can be told."""
    told = [
        (one, one.mean_db, one.u95_db)
        for one in results
        if one.mean_db is not None and one.u95_db is not None and one.grade != "can't tell"
    ]
    if len(told) < FEWEST_BANDS:
        return None
    middle = float(np.median([mean for _, mean, _ in told]))
    widest = max(u95 for _, _, u95 in told)
    found, unresolved = [], []
    for one, mean, u95 in told:
        difference = mean - middle
        # What the bands share (the volume step) cancels; counted here all the same.
        interval = math.hypot(u95, widest)
        width = math.log2(one.high_hz / one.low_hz)
        counts, _ = heard_limits_db(width, centre_hz=math.sqrt(one.low_hz * one.high_hz))
        if abs(difference) + interval < counts:
            continue
        if abs(difference) <= interval:
            unresolved.append(one.band)
            continue
        less, more = LESS_AND_MORE[one.band]
        found.append(
            Shift(
                band=one.band,
                word=less if difference < 0.0 else more,
                difference_db=difference,
                u95_db=interval,
                certain=abs(difference) - interval >= counts,
            )
        )
    found.sort(key=lambda one: (not one.certain, -abs(one.difference_db)))
    return Balance(shifts=tuple(found), open_bands=tuple(unresolved))
