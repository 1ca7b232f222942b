"""What arrives at a listener: seats and rooms, and two ways to carry a level there.

*The trade's sum*: one loudspeaker's level at 1 m, 10·lg n for n of them, 0 to +3 dB of room
gain, less 20·lg(d): common practice, no source; it knows neither room nor directivity.
*Hopkins–Stryker*: direct and diffuse sound, which needs the room's size and
reverberation time. They answer differently, in large rooms by 10 dB: print both, as ranges.

Seats are four settings, and the reader's own, from the report's parameters.

Sizes and reverberation times are what such rooms commonly have (common practice, no source);
the living room is that of a worked example. Whoever knows the own room gives its numbers.

Levels in a room:

Above the Schroeder frequency f_S a room holds many modes at once, and the level is that of the
direct sound and a diffuse field together (H. F. Hopkins, N. R. Stryker, Proc. IRE 36, 1948).
Below it single modes decide, place by place, and no statistical level is given: only a range, from
the power sum in free field to 6 dB above the pressure sum, in free field or in a diffuse field,
whichever is more. (Free field alone would leave out most seats of an image-source model, in the
bass as above: walls return bass too.) Changes in dB are against the
free-field level on axis at 1 m; Q is the directivity factor, 10^(DI/10).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reportlib.judge.records import SEAT_SETUP, BandResult, SeatBand, SeatLevel
from reportlib.measure.levels import (
    BANDS,
    NOMINAL_HZ,
    Band,
    db,
    distance_change_db,
    grid_hz,
    nominal,
    power,
)
from reportlib.measure.records import BaselineCurve, ChangeCurve, DriveStep
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Space
from reportlib.session.parameters import ReportParameters
from reportlib.session.records import FloatArray

SABINE_S_PER_M = 0.161
"""W. C. Sabine's T = 0.161·V/A in SI units (textbook; 55.3/c at 20 °C)."""
DIRECTIVITY_HZ = (100.0, 300.0, 1000.0, 3000.0, 5000.0, 10000.0)
DIRECTIVITY_INDEX_DB = (0.5, 2.5, 5.0, 7.0, 7.0, 10.0)
"""A loudspeaker in a box (common practice, no source): 0–1 dB to 100 Hz, 2–3 at 300 Hz, 4–6 at
1 kHz, 6–8 at 3–5 kHz, 8–12 at 10 kHz."""
DIRECTIVITY_TOLERANCE_DB = 2.0
"""How far a real box may lie from it (common practice, no source)."""
MODAL_GAIN_DB = 6.0206
"""One reflecting surface beside source or listener doubles the pressure (image source)."""
HALF_SPACE_DB = 6.0206
"""What one reflecting plane adds to the free field, pressure doubled (image source)."""


@dataclass(frozen=True, kw_only=True)
class Room:
    """A rectangular room and its reverberation time."""

    name: str
    length_m: float
    width_m: float
    height_m: float
    reverberation_s: float

    @property
    def volume_m3(self) -> float:
        """Length, width and height multiplied."""
        return self.length_m * self.width_m * self.height_m

    @property
    def surface_m2(self) -> float:
        """Walls, floor and ceiling."""
        across = self.length_m * self.width_m
        return 2.0 * (across + self.height_m * (self.length_m + self.width_m))

    @property
    def schroeder_hz(self) -> float:
        """f_S = 2000·√(T/V), below which single modes decide (Schroeder, from memory).

        >>> round(LIVING_ROOM.schroeder_hz, 1)
        163.3
        """
        return 2000.0 * math.sqrt(self.reverberation_s / self.volume_m3)

    def resized(self, volume_m3: float) -> "Room":
        """Return a room of the same shape with another volume."""
        scale = (volume_m3 / self.volume_m3) ** (1.0 / 3.0)
        return replace(
            self,
            length_m=scale * self.length_m,
            width_m=scale * self.width_m,
            height_m=scale * self.height_m,
        )


LIVING_ROOM = Room(name="living room", length_m=6.0, width_m=4.0, height_m=2.5, reverberation_s=0.4)
"""60 m³ and 0.4 s: the room of the worked example that the tests check."""


def sabine_absorption(room: Room) -> float:
    """Return the mean absorption coefficient by Sabine, A/S; 1 or more where T is too short."""
    area_m2 = SABINE_S_PER_M * room.volume_m3 / room.reverberation_s
    return area_m2 / room.surface_m2


def eyring_absorption(room: Room) -> float:
    """Return the mean absorption coefficient by Eyring, from T = 0.161·V/(−S·ln(1 − ᾱ)).

    >>> round(eyring_absorption(LIVING_ROOM), 4)
    0.2184
    """
    return 1.0 - math.exp(-sabine_absorption(room))


def room_constant_m2(room: Room, *, absorption: float) -> float:
    """Return R = S·ᾱ/(1 − ᾱ); infinite where nothing comes back.

    >>> round(room_constant_m2(LIVING_ROOM, absorption=sabine_absorption(LIVING_ROOM)), 2)
    32.05
    """
    if absorption >= 1.0:
        return math.inf
    return room.surface_m2 * absorption / (1.0 - absorption)


def critical_distance_m(q: float, *, constant_m2: float) -> float:
    """Return where direct and diffuse sound are equal, √(Q·R/16π)."""
    return math.sqrt(q * constant_m2 / (16.0 * math.pi))


def hopkins_stryker_db(q: ArrayLike, *, distance_m: float, constant_m2: float) -> FloatArray:
    """Return the level at a distance against the free-field level on axis at 1 m.

    10·lg[(Q/4πr² + 4/R)/(Q/4π)]: Hopkins & Stryker's L_p from L_W = L_1m − 10·lg(Q/4π).

    >>> float(hopkins_stryker_db(5.0, distance_m=3.0, constant_m2=32.047).round(2))
    -3.72
    """
    factor = np.asarray(q, dtype=np.float64) / (4.0 * math.pi)
    return db((factor / distance_m**2 + 4.0 / constant_m2) / factor)


def directivity_index_db(frequency_hz: ArrayLike) -> FloatArray:
    """Return what a loudspeaker in a box typically has on axis, ± `DIRECTIVITY_TOLERANCE_DB`."""
    return np.interp(np.log(frequency_hz), np.log(DIRECTIVITY_HZ), DIRECTIVITY_INDEX_DB)


@dataclass(frozen=True, eq=False, kw_only=True)
class Carried:
    """How a level at 1 m changes on its way to a seat, over frequency: a range in dB.

    `low_db`, `high_db` have the shape of `frequency_hz`.
    """

    frequency_hz: FloatArray
    low_db: FloatArray
    high_db: FloatArray

    def over(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """Return the range for sound with the same power in every octave of a stretch."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz < high_hz)
        low, high = (float(db(np.mean(power(one[inside])))) for one in (self.low_db, self.high_db))
        return low, high


def carried(
    frequency_hz: FloatArray, *, room: Room, distance_m: float, loudspeakers: int
) -> Carried:
    """Carry one loudspeaker's free-field level at 1 m to a seat that several equal ones serve.

    Above 2·f_S Hopkins–Stryker, several as incoherent sources: the low end from Q 2 dB above the
    typical and R by Sabine, the high end from Q 2 dB below (never under 1) and R by Eyring.
    Below f_S from the power sum in free field to 6 dB above the pressure sum, Q 1. Blended over
    log frequency between.

    Parameters
    ----------
    frequency_hz : shape (n,)
    """
    typical = directivity_index_db(frequency_hz)
    sharp = power(typical + DIRECTIVITY_TOLERANCE_DB)
    blunt = power(np.maximum(typical - DIRECTIVITY_TOLERANCE_DB, 0.0))
    dead = room_constant_m2(room, absorption=sabine_absorption(room))
    live = room_constant_m2(room, absorption=eyring_absorption(room))
    power_sum_db = float(db(loudspeakers))
    low = power_sum_db + hopkins_stryker_db(sharp, distance_m=distance_m, constant_m2=dead)
    high = power_sum_db + hopkins_stryker_db(blunt, distance_m=distance_m, constant_m2=live)

    free_db = distance_change_db(from_m=1.0, to_m=distance_m)
    modal_low = free_db + power_sum_db
    diffuse_db = float(hopkins_stryker_db(1.0, distance_m=distance_m, constant_m2=live))
    modal_high = max(free_db, diffuse_db) + 2.0 * power_sum_db + MODAL_GAIN_DB
    statistical = np.clip(np.log2(frequency_hz / room.schroeder_hz), 0.0, 1.0)
    return Carried(
        frequency_hz=frequency_hz,
        low_db=modal_low + statistical * (low - modal_low),
        high_db=modal_high + statistical * (high - modal_high),
    )


@dataclass(frozen=True, kw_only=True)
class Seat:
    """A listener, a room, and how many equal loudspeakers play there."""

    setup: str
    room: Room
    distance_m: float
    loudspeakers: int


SEATS = (
    Seat(
        setup="kitchen desk",
        room=Room(name="kitchen", length_m=4.0, width_m=3.0, height_m=2.5, reverberation_s=0.5),
        distance_m=1.0,
        loudspeakers=1,
    ),
    Seat(setup="living room", room=LIVING_ROOM, distance_m=3.0, loudspeakers=2),
    Seat(
        setup="film night in a hall",
        room=Room(name="hall", length_m=20.0, width_m=12.0, height_m=5.0, reverberation_s=1.4),
        distance_m=8.0,
        loudspeakers=2,
    ),
    Seat(
        setup="small stage",
        room=Room(
            name="small stage", length_m=12.0, width_m=8.0, height_m=4.0, reverberation_s=0.8
        ),
        distance_m=6.0,
        loudspeakers=2,
    ),
)
"""The settings that every report answers for."""


def reader_seat(parameters: ReportParameters) -> Seat:
    """Return the reader's own seat: a preset, with what the parameters change about it.

    A volume alone keeps the room's shape and its reverberation time.
    """
    preset = next(seat for seat in SEATS if seat.setup == parameters.seat_room)
    room = preset.room
    if parameters.seat_volume_m3 is not None:
        room = room.resized(parameters.seat_volume_m3)
    if parameters.seat_reverberation_s is not None:
        room = replace(room, reverberation_s=parameters.seat_reverberation_s)
    return Seat(
        setup=SEAT_SETUP,
        room=room,
        distance_m=_chosen(parameters.seat_distance_m, preset.distance_m),
        loudspeakers=int(_chosen(parameters.seat_loudspeakers, preset.loudspeakers)),
    )


def _chosen(given: float | None, usual: float) -> float:
    return usual if given is None else given


def all_seats(parameters: ReportParameters) -> tuple[Seat, ...]:
    """Return the reader's seat first, then every setting that is not the very same."""
    own = reader_seat(parameters)
    others = (seat for seat in SEATS if replace(seat, setup=SEAT_SETUP) != own)
    return (own, *others)


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


@dataclass(frozen=True, kw_only=True)
class GivenLevel:
    """A short-term level at 1 m: as asked, as driven (nothing lost yet), and as given, in dB."""

    asked_db: float
    driven_db: float
    given_db: float


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


def is_calibrated(baseline: BaselineCurve, *, space: Space) -> bool:
    """Whether the baseline's measured level is one at 1 m; else the asked-for one stands."""
    return baseline.calibrated and space in SPACES_WITH_1_M_LEVELS


def starts_at(baseline: BaselineCurve, *, space: Space) -> float:
    """Return the baseline's level at 1 m: measured where it was, else as asked, in dB."""
    if is_calibrated(baseline, space=space):
        return baseline.mean_level_db
    return baseline.level_asked_db


def driven_levels(start_db: float, *, steps: Sequence[DriveStep]) -> Mapping[float, float]:
    """Return asked-for level → what a loudspeaker that loses nothing would give at 1 m."""
    return {step.level_db: start_db + step.applied_db for step in steps}


def given_levels(
    baseline: BaselineCurve,
    *,
    curves: Sequence[ChangeCurve],
    steps: Sequence[DriveStep],
    space: Space,
) -> tuple[GivenLevel, ...]:
    """Return every short-term level that can be told, the baseline first.

    What came out of a level is told over the stretch that levels are named by; one of which
    nothing there can be told is left out.
    """
    start = starts_at(baseline, space=space)
    asked = baseline.level_asked_db
    found = [GivenLevel(asked_db=asked, driven_db=start, given_db=start)]
    driven = driven_levels(start, steps=steps)
    for curve in curves:
        inside = curve.usable & nominal(curve.frequency_hz)
        if inside.any():
            level = driven[curve.level_db]
            change = float(curve.change_db[inside].mean())
            found.append(
                GivenLevel(asked_db=curve.level_db, driven_db=level, given_db=level + change)
            )
    return tuple(found)
