"""Finding a planned day's sweeps and stresses in a heap of recordings.

heard       what is found in a recording
sweeps      sweeps, by correlation with what was played
stresses    multitones, by their tones
slots       what the plan expects, in order
matching    which sound is which capture
outcome     what is filed as what, what is missing, what is doubtful
"""

from reportlib.intake.heard import Heard, Listen
from reportlib.intake.matching import match
from reportlib.intake.outcome import Intake, Outcome, outcome
from reportlib.intake.stresses import find_stresses
from reportlib.intake.sweeps import find_sweeps

__all__ = [
    "Heard",
    "Intake",
    "Listen",
    "Outcome",
    "find_stresses",
    "find_sweeps",
    "match",
    "outcome",
]
