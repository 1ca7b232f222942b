"""Where people sit: four settings, and the reader's own, from the report's parameters.

Sizes and reverberation times are what such rooms commonly have (common practice, no source);
the living room is that of a worked example. Whoever knows the own room gives its numbers.
"""

from dataclasses import dataclass, replace

from reportlib.judged import SEAT_SETUP
from reportlib.parameters import ReportParameters
from reportlib.rooms import LIVING_ROOM, Room


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
