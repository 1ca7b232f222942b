"""What lies below the lowest band: no grade tells of it, so that the verdict must."""

import math

from reportlib.audibility import WORDS
from reportlib.levels import BANDS
from reportlib.words.heard import heard_values
from reportlib.words.writer import Writer

BELOW_HZ = BANDS[0].low_hz


def deep_bass(writer: Writer, *, losses_only: bool = False) -> dict[str, str] | None:
    """Return the values of what would be heard below the bands at the loudest level.

    None where nothing would, for certain.
    """
    every = [one for one in writer.analysis.audible if one.test == "short_term"]
    loudest = max((one.level_db for one in every), default=0.0)
    mine = [one for one in every if one.level_db == loudest]
    for part, one in zip(("most", "other"), mine, strict=False):
        if losses_only and one.change_db > 0.0:
            continue
        if math.sqrt(one.low_hz * one.high_hz) < BELOW_HZ and one.heard in WORDS[1:]:
            return heard_values(writer, one, part=part, more_or_less=("short", "too loud"))
    return None
