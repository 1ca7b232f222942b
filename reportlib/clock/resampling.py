"""A recording as another clock would have sampled it."""

import itertools
import math

import numpy as np
from scipy import fft

from reportlib.model import FloatArray

_TERMS = 11  # (0.45·π)^11/11! = 1e-6: −118 dB at 0.45 of the sample rate, −109 dB at half


def resampled(signal: FloatArray, *, ppm: float) -> FloatArray:
    """Return a recording as a clock without the drift would have sampled it.

    Sample n is read at n·(1 + drift), which lies at most half a sample from another: a Taylor
    series from there, whose derivatives are exact for a band-limited signal (multiplications
    by iω of its spectrum).

    Parameters
    ----------
    signal : shape (n,)
    ppm : how much too fast its clock ran

    Returns
    -------
    shape (m,), the part of the result that lies within the recording
    """
    drift = 1e-6 * ppm
    count = math.floor((signal.size - 1) / (1.0 + drift)) + 1
    length = fft.next_fast_len(signal.size + 256, real=True)
    spectrum = fft.rfft(signal, length)
    turn = 2j * np.pi * fft.rfftfreq(length)
    if length % 2 == 0:
        turn[-1] = 0.0
    place = drift * np.arange(count)
    shift = np.rint(place).astype(np.intp)
    part = place - shift
    edges = [0, *(np.flatnonzero(np.diff(shift)) + 1), count]
    stretches = [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]
    result = np.zeros(count)
    power = np.ones(count)
    for order in range(_TERMS):
        derivative = fft.irfft(spectrum, length)
        for stretch in stretches:
            moved = slice(stretch.start + shift[stretch.start], stretch.stop + shift[stretch.start])
            result[stretch] += power[stretch] * derivative[moved]
        spectrum *= turn
        spectrum /= order + 1
        power *= part
    return result
