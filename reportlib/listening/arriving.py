"""What arrives at a listener, by two methods that are shown side by side.

*The trade's sum*: one loudspeaker's level at 1 m, 10·lg n for n of them, 0 to +3 dB of room
gain, less 20·lg(d): common practice, no source; it knows neither room nor directivity.
*Hopkins–Stryker*: direct and diffuse sound (`rooms`), which needs the room's size and
reverberation time. They answer differently, in large rooms by 10 dB: print both, as ranges.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.day import Space
from reportlib.judged import SeatBand
from reportlib.levels import BANDS, Band, db, distance_change_db, grid_hz, power
from reportlib.listening.given import NOMINAL_HZ, GivenLevel
from reportlib.listening.seats import Seat
from reportlib.model import BandResult, BaselineCurve, SeatLevel
from reportlib.rooms import HALF_SPACE_DB, carried

ROOM_GAIN_DB = (0.0, 3.0)
"""What a furnished room adds to the free field (common practice, no source)."""
TRADE_METHOD = "trade's sum"
ROOM_METHOD = "Hopkins–Stryker"
GRID_HZ = (20.0, 20000.0)
WHOLE_FROM_HZ = 1000.0
"""Up to here single modes are left out of a level as a whole; in smaller rooms they count."""


def trade_sum_db(
    level_1m_db: float, *, distance_m: float, loudspeakers: int
) -> tuple[float, float]:
    """Return the range at the seat by the trade's sum, in dB.

    Parameters
    ----------
    level_1m_db : what one loudspeaker gives at 1 m
    loudspeakers : incoherent, of equal level: 3 dB more for the second

    >>> low, high = trade_sum_db(90.0, distance_m=3.0, loudspeakers=2)
    >>> round(low, 2), round(high, 2)
    (83.47, 86.47)
    """
    level = level_1m_db + distance_change_db(from_m=1.0, to_m=distance_m)
    level += float(db(loudspeakers))
    return level + ROOM_GAIN_DB[0], level + ROOM_GAIN_DB[1]


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """By how much a level at 1 m of one loudspeaker changes on its way to a seat."""

    method: str
    low_db: float
    high_db: float


def arrivals(
    seat: Seat,
    *,
    space: Space,
    stretch_hz: tuple[float, float] | None = None,
    shared: bool = True,
) -> tuple[Arrival, Arrival]:
    """Return the range by each method, for sound with the same power in every octave.

    Parameters
    ----------
    space : where the level at 1 m holds; one of a half space is 6 dB above the free field's,
        which the room's acoustics start from and the trade's sum does not ask about
    stretch_hz : from where to where; as a whole the stretch that levels are named by, as far as it
        lies above the single modes of the room
    shared : whether all of the seat's loudspeakers play together, or one by itself
    """
    count = seat.loudspeakers if shared else 1
    low, high = trade_sum_db(0.0, distance_m=seat.distance_m, loudspeakers=count)
    if stretch_hz is None:
        start_hz = min(max(NOMINAL_HZ[0], 2.0 * seat.room.schroeder_hz), WHOLE_FROM_HZ)
        stretch_hz = (start_hz, NOMINAL_HZ[1])
    in_room = carried(
        grid_hz(start_hz=GRID_HZ[0], stop_hz=GRID_HZ[1]),
        room=seat.room,
        distance_m=seat.distance_m,
        loudspeakers=count,
    ).over(*stretch_hz)
    free = -HALF_SPACE_DB if space == "half space" else 0.0
    return (
        Arrival(method=TRADE_METHOD, low_db=low, high_db=high),
        Arrival(method=ROOM_METHOD, low_db=in_room[0] + free, high_db=in_room[1] + free),
    )


def span(found: Sequence[Arrival]) -> tuple[float, float]:
    """Return the range that holds those of every method."""
    return min(one.low_db for one in found), max(one.high_db for one in found)


def seat_levels(
    levels: Sequence[GivenLevel], *, seats: Sequence[Seat], space: Space
) -> tuple[SeatLevel, ...]:
    """Return what arrives at each seat from each level tested, by each method."""
    return tuple(
        SeatLevel(
            setup=seat.setup,
            listeners_distance_m=seat.distance_m,
            level_db=level.asked_db,
            low_db=level.given_db + arrival.low_db,
            high_db=level.given_db + arrival.high_db,
            loudest_db=max(one.given_db for one in levels) + arrival.high_db,
            method=arrival.method,
        )
        for seat in seats
        for arrival in arrivals(seat, space=space)
        for level in levels
    )


def seat_bands(
    seat: Seat,
    *,
    level: GivenLevel,
    bands: Sequence[BandResult],
    baseline: BaselineCurve,
    space: Space,
) -> tuple[SeatBand, ...]:
    """Return band by band what arrives of one level's sweep at one seat, and what it lost.

    Parameters
    ----------
    bands : short-term results; those of the level are picked out
    """
    results = {
        one.band: one
        for one in bands
        if one.test == "short_term" and one.level_db == level.asked_db
    }
    found = []
    for band in BANDS:
        result = results.get(band.name)
        own = None
        if result is not None and result.mean_db is not None:
            own = level.driven_db + _tilt_db(baseline, band=band) + result.mean_db
        for arrival in arrivals(seat, space=space, stretch_hz=(band.low_hz, band.high_hz)):
            found.append(
                SeatBand(
                    setup=seat.setup,
                    level_db=level.asked_db,
                    band=band.name,
                    low_hz=band.low_hz,
                    high_hz=band.high_hz,
                    method=arrival.method,
                    low_db=None if own is None else own + arrival.low_db,
                    high_db=None if own is None else own + arrival.high_db,
                    change_db=None if own is None or result is None else result.mean_db,
                    u95_db=None if own is None or result is None else result.u95_db,
                )
            )
    return tuple(found)


def _tilt_db(baseline: BaselineCurve, *, band: Band) -> float:
    """How far the sweep's level in a band lies above the level that it is named by."""
    inside = band.holds(baseline.frequency_hz) & baseline.usable
    if not inside.any():
        return 0.0
    return float(db(power(baseline.level_db[inside]).mean())) - baseline.mean_level_db
