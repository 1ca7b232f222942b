"""What part of a turn of phase is a clock's: that in proportion to frequency."""

import math

import numpy as np

from reportlib.model import FloatArray


def turn_by_clock(
    turn: FloatArray, *, place: FloatArray, variance: FloatArray, gain: FloatArray
) -> tuple[float, float]:
    """Return by how much the phase turns for each unit of `place`, and its standard uncertainty.

    Beyond noise a loudspeaker may turn the phase by itself (heat), by as much at low as at high
    frequencies: that spread is found from what the turns are left apart by, and those of one 1/3
    octave count as one. Heat turns in step with the levels: what taking out all that keeps step
    with them would change is not known either.

    Parameters
    ----------
    turn : shape (n,), rad
    place : shape (n,), frequency, in any unit
    variance : shape (n,), of `turn` by noise alone, rad²
    gain : shape (n,), by how much the level rose meanwhile, nepers
    """
    slope, own, weight = _weighted(turn, place=place, variance=variance)
    root = np.sqrt(weight)
    columns = np.column_stack((place, gain)) * root[:, np.newaxis]
    instead = float(np.linalg.lstsq(columns, turn * root, rcond=None)[0][0])
    return slope, math.hypot(math.sqrt(own), slope - instead)


def _weighted(
    turn: FloatArray, *, place: FloatArray, variance: FloatArray
) -> tuple[float, float, FloatArray]:
    """Slope in proportion to the place, its variance, and the weights."""
    spread = 0.0
    for _ in range(20):
        weight = 1.0 / (variance + spread)
        across = np.sum(weight * place**2)
        slope = float(np.sum(weight * place * turn) / across)
        left = turn - slope * place
        # a strong outlier (a disturbed tone) must not set the spread of all
        apart = 1.4826 * float(np.median(np.abs(left)))
        spread = max(0.0, apart**2 - float(np.median(variance)))
    groups = np.floor(3.0 * np.log2(place)).astype(np.intp)
    sums = np.array([np.sum((weight * place * left)[groups == one]) for one in np.unique(groups)])
    return slope, float(max(1.0 / across, np.sum(sums**2) / across**2)), weight
