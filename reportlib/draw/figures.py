"""The report's figures, one function each: an `Analysis` in, a picture out, or None."""

from typing import Any

from reportlib.draw.harmonics import distortion
from reportlib.draw.ladder import level_ladder
from reportlib.draw.over_frequency import turned_up
from reportlib.draw.over_time import left_playing, minute_by_minute
from reportlib.draw.pictures import Drawn
from reportlib.draw.stress import coil, stress_map
from reportlib.draw.wordings import said
from reportlib.judge.records import Analysis
from reportlib.write.readings_stress import rests_on
from reportlib.write.writer import Said

__all__ = [
    "cause",
    "coil",
    "distortion",
    "left_playing",
    "level_ladder",
    "minute_by_minute",
    "stress_map",
    "turned_up",
]
_EARLIER = {
    "asked_and_given": "figures.level_ladder shows by band and level what of the rise came out, "
    "tables.limit_table where a band is first 1 dB and 3 dB behind"
}


def cause(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw what a named cause rests on, the coil or harmonics; None where none rests on either."""
    for shown in rests_on(analysis):
        found = (coil if shown == "coil" else distortion)(analysis, said=said)
        if found is not None:
            return found
    return None


def __getattr__(name: str) -> Any:
    """Name the successor of a figure that a cell of a notebook made earlier still calls."""
    if name in _EARLIER:
        raise AttributeError(f"figures.{name} is no more: {_EARLIER[name]}")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
