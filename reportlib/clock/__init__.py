"""Two clocks: how much faster the recorder's ran than the player's, where no reference tells.

One sweep cannot tell this: a clock that runs fast delays each frequency by so much a second of
sweep, and so does a loudspeaker whose group delay rises towards the bass. Two things can: a
multitone that is repeated, whose tones advance in phase from period to period by the clocks
alone; and two sweeps against each other, which tell the difference of their clocks.

Sign: positive where the recorder runs fast, so that a recording holds the player's second in
1 + drift seconds; in ppm.
"""

from reportlib.clock.drift import CORRECT_ABOVE_PPM, SHORT_GATE_S, Drift
from reportlib.clock.multitone import multitone_drift
from reportlib.clock.resampling import resampled
from reportlib.clock.sweeps import relative_drift

__all__ = [
    "CORRECT_ABOVE_PPM",
    "SHORT_GATE_S",
    "Drift",
    "multitone_drift",
    "relative_drift",
    "resampled",
]
