"""What a change does to the balance: one band against the others, in plain words.

A band that loses as much as all the others makes the sound softer, not different. So each is
compared with the median of all bands of the same level, and a difference counts from where
a change as wide as the band is possibly audible (``audibility.heard_limits_db``). The words are
our own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.audibility import heard_limits_db
from reportlib.model import BandResult

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
