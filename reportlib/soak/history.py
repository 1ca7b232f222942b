"""One level's stress as one history: when the multitone played, and which periods were read."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportlib.arrays import BoolArray, FloatArray, freeze, same_length


@dataclass(frozen=True, eq=False, kw_only=True)
class History:
    """Stages and pauses of one level, and the periods that a track has values for.

    Attributes
    ----------
    period_s : the multitone's period
    spans_s : shape (stages, 2), start and end of each multitone on the level's clock, from the
        first one's start; ends before the first stage whose start is not known
    centre_s : shape (n,), middle of each used period on that clock, rising; the first period of
        each stage is left out
    stage : shape (n,), which of the spans a period lies in
    """

    period_s: float
    spans_s: FloatArray
    centre_s: FloatArray
    stage: NDArray[np.intp]

    def __post_init__(self) -> None:
        freeze(self, ("spans_s", "centre_s"))
        freeze(self, ("stage",), dtype=np.intp)
        same_length(self, ("centre_s", "stage"))

    @property
    def record_s(self) -> float:
        """Stress that was listened to, in s: in each stage up to its last used period."""
        ends = [
            float(self.centre_s[self.stage == one].max()) + 0.5 * self.period_s - start
            for one, (start, _) in enumerate(self.spans_s)
            if np.any(self.stage == one)
        ]
        return float(sum(ends))

    @property
    def stress_s(self) -> float:
        """Stress of all stages, in s."""
        return float(np.sum(self.spans_s[:, 1] - self.spans_s[:, 0]))

    @property
    def pause_measured(self) -> bool:
        """Whether a pause lies between used periods, or before the first of them."""
        return bool(self.stage.size) and int(self.stage.max()) > 0

    @property
    def follows(self) -> BoolArray:
        """Which periods follow right upon the one before, in one stage; shape (n,)."""
        right_after = np.diff(self.centre_s) < 1.5 * self.period_s
        return np.concatenate(([False], right_after & (np.diff(self.stage) == 0)))
