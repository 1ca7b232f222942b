"""Levels in a room: what one loudspeaker's level at 1 m becomes at a listener.

Above the Schroeder frequency f_S a room holds many modes at once, and the level is that of the
direct sound and a diffuse field together (H. F. Hopkins, N. R. Stryker, Proc. IRE 36, 1948).
Below it single modes decide, place by place, and no statistical level is given: only a range, from
the power sum in free field to 6 dB above the pressure sum, in free field or in a diffuse field,
whichever is more. (Free field alone would leave out most seats of an image-source model, in the
bass as above: walls return bass too.) Changes in dB are against the
free-field level on axis at 1 m; Q is the directivity factor, 10^(DI/10).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reportlib.levels import db, distance_change_db, power
from reportlib.model import FloatArray

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
