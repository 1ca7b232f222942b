"""What people listen to, as an average level and a crest factor at the seat.

Inputs, not results: every number here is what the report assumes, and it says so.
"""

from dataclasses import dataclass
from typing import Literal

SINE_CREST_DB = 3.0103
"""Peak over rms of a sine, 10·lg 2."""
PROGRAMME_HZ = (20.0, 20000.0)
"""What programmes are taken to fill, with the same power in every octave (pink; common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Need:
    """Something to listen to.

    Attributes
    ----------
    average_db, weighting : at the seat
    crest_db : peak over rms
    shared : whether several loudspeakers make the level together; else each by itself
    """

    name: str
    average_db: float
    weighting: Literal["A", "C"]
    crest_db: float
    shared: bool = True


NEEDS = (
    # Talk and television at home: high 50s to mid 60s dBA (E. Benjamin, AES 117, 2004, from
    # memory). Crest factors: many programme notes, 12–20 dB; no table was found in print.
    Need(name="speech and television", average_db=60.0, weighting="A", crest_db=15.0),
    # 75 dBA as normal and 85 dBA as loud are a judgement; preferred maxima were 78 dB with the
    # public, 88 with musicians (T. Somerville, S. F. Brownless, BBC Quarterly, 1949, from memory).
    Need(name="relaxed music", average_db=75.0, weighting="A", crest_db=15.0),
    Need(name="loud music", average_db=85.0, weighting="A", crest_db=12.0),
    # SMPTE RP 200 / ST 202 (from memory): 85 dBC from each loudspeaker with noise at −20 dBFS;
    # a sine at full scale is 20 dB louder.
    Need(
        name="film at reference level",
        average_db=85.0,
        weighting="C",
        crest_db=20.0 + SINE_CREST_DB,
        shared=False,
    ),
)
