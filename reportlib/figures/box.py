"""A rectangle on a sheet with a scale along each side: where values stand."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reportlib.arrays import FloatArray


@dataclass(frozen=True, kw_only=True)
class Box:
    """Lengths in pixels from the sheet's top left.

    `x_range` runs logarithmically where `x_log`, so that every octave is equally wide.
    """

    left: float
    top: float
    width: float
    height: float
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    x_log: bool = False

    @property
    def right(self) -> float:
        """The right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """The lower edge."""
        return self.top + self.height

    def x(self, value: float) -> float:
        """Return where a value stands across, kept inside the box."""
        low, high = self.x_range
        if self.x_log:
            low, high, value = math.log(low), math.log(high), math.log(value)
        return self.left + min(max((value - low) / (high - low), 0.0), 1.0) * self.width

    def y(self, value: float) -> float:
        """Return where a value stands downwards, kept inside the box."""
        low, high = self.y_range
        return self.bottom - min(max((value - low) / (high - low), 0.0), 1.0) * self.height

    def place(self, xs: ArrayLike, ys: ArrayLike) -> FloatArray:
        """Return where values stand, shape (n, 2); beyond the box too."""
        low, high = self.x_range
        across = np.asarray(xs, dtype=float)
        if self.x_log:
            low, high, across = np.log(low), np.log(high), np.log(across)
        bottom, top = self.y_range
        up = (np.asarray(ys, dtype=float) - bottom) / (top - bottom)
        x = self.left + (across - low) / (high - low) * self.width
        return np.stack(np.broadcast_arrays(x, self.bottom - up * self.height), axis=-1)
