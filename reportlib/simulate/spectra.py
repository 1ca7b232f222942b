"""Spectra that the simulation needs and numpy does not have.

Part of the simulation (``reportlib.simulate``).
"""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft, ifft, next_fast_len

from reportlib.model import FloatArray

ComplexArray = NDArray[np.complex128]


def evenly_spaced_spectrum(signal: FloatArray, turns: FloatArray) -> ComplexArray:
    """Spectrum at evenly spaced turns a sample, by a convolution with a chirp (Bluestein 1970)."""
    count, wanted = signal.size, turns.size
    spacing = (turns[-1] - turns[1]) / (wanted - 2)
    first = turns[-1] - spacing * (wanted - 1)
    index = np.arange(max(count, wanted), dtype=np.float64)
    chirp = np.exp(-1j * np.pi * np.mod(spacing * index**2, 2.0))
    size = next_fast_len(count + wanted - 1)
    kernel = np.zeros(size, dtype=np.complex128)
    kernel[:wanted] = chirp[:wanted].conj()
    kernel[size - count + 1 :] = chirp[1:count][::-1].conj()
    turned = signal * np.exp(-2j * np.pi * first * index[:count]) * chirp[:count]
    return np.asarray(ifft(fft(turned, size) * fft(kernel))[:wanted] * chirp[:wanted])


def least_phase(magnitude: FloatArray, *, octaves: float) -> FloatArray:
    """Return the phase in rad that a minimum-phase filter of this magnitude has.

    Parameters
    ----------
    magnitude : shape (n,), on frequencies `octaves` apart each, flat outside them

    Notes
    -----
    (1/π)·∫ d ln|m|/du · ln coth(|u − u0|/2) du with u = ln f (Bode 1945); the slope between
    two points is taken to stand midway.
    """
    rise = np.diff(np.log(magnitude))
    away = (np.arange(1 - magnitude.size, magnitude.size - 1) + 0.5) * octaves * np.log(2.0)
    kernel = -np.log(np.tanh(np.abs(away) / 2.0)) / np.pi
    return np.convolve(rise, kernel)[magnitude.size - 2 :][: magnitude.size]
