"""The report's figures, one function each: an `Analysis` in, a picture out, or None."""

from reportlib.draw.harmonics import distortion
from reportlib.draw.ladder import asked_and_given, level_ladder
from reportlib.draw.over_frequency import turned_up
from reportlib.draw.over_time import left_playing, minute_by_minute
from reportlib.draw.stress import coil, stress_map

__all__ = [
    "asked_and_given",
    "coil",
    "distortion",
    "left_playing",
    "level_ladder",
    "minute_by_minute",
    "stress_map",
    "turned_up",
]
