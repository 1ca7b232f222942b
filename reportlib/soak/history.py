"""Stand-in until the thermal fit's own module takes its place: one level's stages and pauses."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reportlib.arrays import FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class History:
    """One level's stress on its own clock.

    Attributes
    ----------
    spans_s : shape (stages, 2), start and end of each multitone
    centre_s, stage : shape (n,), middle of each used period, and the stage that it lies in
    """

    period_s: float
    spans_s: FloatArray
    centre_s: FloatArray
    stage: NDArray[np.intp]
