"""What curves say frequency by frequency, in words: every second point of the grid."""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.levels import GRID_PER_OCTAVE, G
from reportlib.model import ChangeCurve, FloatArray
from reportlib.numbers import db_interval
from reportlib.readings.untold import REASON_WORDS

_EVERY = GRID_PER_OCTAVE // 12
"""Twelve points an octave: no fewer than a twelfth-octave smoothing holds."""


def read_points(
    frequency_hz: FloatArray, *, range_hz: tuple[float, float]
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return the indices of the points that can be read between two frequencies, 1 kHz among them.

    Parameters
    ----------
    frequency_hz : shape (n,), a stretch of the fixed grid
    """
    steps = np.rint(np.log(frequency_hz / 1000.0) / math.log(G) * GRID_PER_OCTAVE).astype(np.intp)
    inside = (frequency_hz >= range_hz[0] * 0.999) & (frequency_hz <= range_hz[1] * 1.001)
    return np.flatnonzero(inside & (steps % _EVERY == 0))


def frequency_words(frequency_hz: float) -> str:
    """Write a frequency so that a neighbour a twelfth of an octave away reads differently.

    >>> frequency_words(1059.25), frequency_words(39.81)
    ('1.06 kHz', '39.8 Hz')
    """
    if frequency_hz >= 999.5:
        return f"{frequency_hz / 1000.0:.3g} kHz"
    return f"{frequency_hz:.3g} Hz"


def curve_words(curve: ChangeCurve, *, points: Sequence[int] | np.ndarray) -> tuple[str, ...]:
    """Return what a curve says at each of the points: its change and half-width, or why not."""
    return tuple(
        db_interval(float(curve.change_db[point]), u95_db=float(curve.u95_db[point]))
        if curve.usable[point]
        else f"can’t tell: {REASON_WORDS[curve.reason[point]]}"
        for point in points
    )


def where_most(curve: ChangeCurve, *, points: Sequence[int] | np.ndarray) -> int:
    """Return at which of the points a curve changes most; the middle one where it tells nothing."""
    told = np.where(curve.usable[points], np.abs(curve.change_db[points]), -1.0)
    return int(np.argmax(told)) if told.max() >= 0.0 else told.size // 2
