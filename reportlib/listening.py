"""What arrives at a listener: the trade's sum.

One loudspeaker's level at 1 m, +3 dB for a second one, 0 to +3 dB of room gain, less
20·lg(d): common practice, no source. It counts no direct-to-reverberant balance, so that it
is a range and says by which method.
"""

from collections.abc import Sequence

from reportlib.levels import distance_change_db
from reportlib.model import SeatLevel

ROOM_GAIN_DB = (0.0, 3.0)
"""What a furnished room adds to the free field (common practice, no source)."""
SECOND_LOUDSPEAKER_DB = 3.0103
"""Two incoherent sources of equal level: 10·lg 2."""
METHOD = "trade's sum"


def trade_sum_db(
    level_1m_db: float, *, distance_m: float, loudspeakers: int
) -> tuple[float, float]:
    """Return the range at the seat by the trade's sum, in dB.

    Parameters
    ----------
    level_1m_db : what one loudspeaker gives at 1 m
    loudspeakers : 1 or 2

    >>> low, high = trade_sum_db(90.0, distance_m=3.0, loudspeakers=2)
    >>> round(low, 2), round(high, 2)
    (83.47, 86.47)
    """
    level = level_1m_db + distance_change_db(from_m=1.0, to_m=distance_m)
    if loudspeakers == 2:
        level += SECOND_LOUDSPEAKER_DB
    return level + ROOM_GAIN_DB[0], level + ROOM_GAIN_DB[1]


def seat_levels(
    levels: Sequence[tuple[float, float]],
    *,
    settings: Sequence[tuple[str, float, int]],
) -> tuple[SeatLevel, ...]:
    """Return what arrives at each setting from each level tested.

    Parameters
    ----------
    levels : asked-for level and what one loudspeaker really gave at 1 m, dB SPL, rising
    settings : name, distance in m, number of loudspeakers
    """
    found = []
    for setup, distance_m, loudspeakers in settings:
        ranges = [
            trade_sum_db(given, distance_m=distance_m, loudspeakers=loudspeakers)
            for _, given in levels
        ]
        loudest = max(high for _, high in ranges)
        found += [
            SeatLevel(
                setup=setup,
                listeners_distance_m=distance_m,
                level_db=asked,
                low_db=low,
                high_db=high,
                loudest_db=loudest,
                method=METHOD,
            )
            for (asked, _), (low, high) in zip(levels, ranges, strict=True)
        ]
    return tuple(found)
