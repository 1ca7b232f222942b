"""The stress while it plays: a multitone's tones, period by period, and what they lose.

tones      the multitone's tones, and what one period says of them
stream     a long recording, a few periods at a time
start      where the multitone starts in it
periods    one recording, period by period
joined     the stages of a level in a row
groups     bands, 1/3 octaves, drive units
tracks     their change over time, and each tone's
rows       the same as curves for the data file
history    stages and pauses on one clock
fit        the thermal fit
recovery   what the sweep after a stage saw of it
"""

from reportlib.soak.groups import tone_groups
from reportlib.soak.joined import joined
from reportlib.soak.periods import ClocksDifferError, StressTones, stress_tones
from reportlib.soak.recovery import recoveries
from reportlib.soak.rows import multitone_curves
from reportlib.soak.tones import Played, played_tones
from reportlib.soak.tracks import group_track, tone_changes

__all__ = [
    "ClocksDifferError",
    "Played",
    "StressTones",
    "group_track",
    "joined",
    "multitone_curves",
    "played_tones",
    "recoveries",
    "stress_tones",
    "tone_changes",
    "tone_groups",
]
