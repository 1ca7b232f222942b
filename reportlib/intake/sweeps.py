"""Sweeps in a recording of any length, by their correlation with what was played."""

import math

import numpy as np
from scipy import fft

from reportlib.arrays import FloatArray
from reportlib.intake.heard import Heard, Listen

LIKE_IN_REFERENCE, LIKE_IN_SOUND = 0.5, 0.2
"""Correlation, 0 to 1, from which something is the sweep: in the drive it is 1, in the sound of a
loudspeaker 0.3 to 0.8, in noise, talk and multitones below 0.15 (simulated)."""
_APART = 0.9  # of a sweep's length: two can't stand nearer
_BLOCKS = 4  # sweeps' lengths that are looked at together
_NOTHING = 1e-12  # mean power that counts as digital silence


def find_sweeps(
    listen: Listen,
    *,
    samples: int,
    sweep: FloatArray,
    recording: int = 0,
    like: float = LIKE_IN_SOUND,
) -> tuple[Heard, ...]:
    """Find every whole sweep of a recording, in blocks that grow with the sweep alone.

    The correlation is normalised by the energy of the stretch that it is taken over, so that
    loud noise passes for nothing; of the peaks nearer than a sweep's length (a sweep's own
    harmonics make such) the highest counts.

    Parameters
    ----------
    samples : length of the recording
    sweep : shape (n,), what was played, at the recording's rate
    like : from which correlation on
    """
    size = sweep.size
    length = fft.next_fast_len(_BLOCKS * size, real=True)
    step = length - size + 1
    conjugate = np.conj(fft.rfft(sweep, length))
    own = float(sweep @ sweep)
    found: list[Heard] = []
    for first in range(0, max(samples - size + 1, 0), step):
        heard = listen(first, length)
        lags = min(step, samples - size + 1 - first)
        correlation = fft.irfft(fft.rfft(heard) * conjugate, length)[:lags]
        energy = np.concatenate(([0.0], np.cumsum(np.square(heard))))
        within = np.maximum(energy[size : size + lags] - energy[:lags], _NOTHING * size)
        alike = np.abs(correlation) / np.sqrt(within * own)
        for lag in _peaks(alike, like=like, apart=round(_APART * size)):
            one = Heard(
                kind="sweep",
                recording=recording,
                start=first + lag,
                samples=size,
                level_db=10.0 * math.log10(float(within[lag]) / size),
                likeness=min(float(alike[lag]), 1.0),
            )
            if found and one.start - found[-1].start < round(_APART * size):
                if one.likeness > found[-1].likeness:
                    found[-1] = one
            else:
                found.append(one)
    return tuple(found)


def _peaks(alike: FloatArray, *, like: float, apart: int) -> list[int]:
    """Highest places above a threshold, none nearer to another than so many samples."""
    left = alike.copy()
    found = []
    while left.size and left.max() >= like:
        peak = int(np.argmax(left))
        found.append(peak)
        left[max(0, peak - apart) : peak + apart] = 0.0
    return sorted(found)
