"""What is found in a recording: a sweep or a multitone, where, and how loud."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from reportlib.arrays import FloatArray

Listen = Callable[[int, int], FloatArray]
"""Gives so many samples of a recording from one on; zeros beyond its ends."""


@dataclass(frozen=True, kw_only=True)
class Heard:
    """A sweep or a multitone in a recording.

    Attributes
    ----------
    recording : its number in the heap
    start, samples : where it begins, and how long it is
    level_db : its rms over full scale, in the channel in which it was looked for
    likeness : 0 to 1, of what was played
    """

    kind: Literal["sweep", "stress"]
    recording: int
    start: int
    samples: int
    level_db: float
    likeness: float

    @property
    def end(self) -> int:
        """The first sample after it."""
        return self.start + self.samples
