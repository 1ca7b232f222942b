"""Two clocks: how much faster the recorder's ran than the player's, where no reference tells.

One sweep cannot tell this: a clock that runs fast delays each frequency by so much a second of
sweep, and so does a loudspeaker whose group delay rises towards the bass. Three things
can: a multitone that is repeated, whose tones advance in phase from period to period by the clocks
alone; a sweep that is played twice in one recording, by its distance from itself; and two sweeps
against each other, which tell the difference of their clocks.

Sign: positive where the recorder runs fast, so that a recording holds the player's second in
1 + drift seconds; in ppm.
"""

from reportlib.clock.drift import CORRECT_ABOVE_PPM, SHORT_GATE_S, Drift
from reportlib.clock.multitone import multitone_drift
from reportlib.clock.resampling import resampled
from reportlib.clock.sweeps import relative_drift
from reportlib.clock.together import Clocks, compare_clocks, own_drift
from reportlib.clock.twice import TwoSweeps, first_of_two, two_sweeps

__all__ = [
    "CORRECT_ABOVE_PPM",
    "SHORT_GATE_S",
    "Clocks",
    "Drift",
    "TwoSweeps",
    "compare_clocks",
    "first_of_two",
    "multitone_drift",
    "own_drift",
    "relative_drift",
    "resampled",
    "two_sweeps",
]
