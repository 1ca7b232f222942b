"""What is played in the simulation, exponential sweeps and multitones; their spectra.

Part of the simulation (``reportlib.simulate``), made apart from the analysis's own stimuli.
Sweeps have peaks of 1, multitones an rms of 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import fft, ifft, irfft, next_fast_len, rfft

from reportlib.session.day import SweepFacts
from reportlib.session.records import FloatArray, frozen_array

Seed = int | Sequence[int]

FADE_IN_S = 0.020
FADE_OUT_S = 0.004


@dataclass(frozen=True, eq=False, kw_only=True)
class Multitone:
    """One period of a multitone of rms 1: tones on odd bins, so that no even product hits one.

    Attributes
    ----------
    samples : shape (period,)
    bins : shape (tones,), whole periods that each tone makes in it
    shares : shape (tones,), rms of each tone
    """

    samples: FloatArray
    bins: NDArray[np.int64]
    shares: FloatArray
    sample_rate_hz: int

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies of the tones, shape (tones,)."""
        return np.asarray(self.bins * self.sample_rate_hz / self.samples.size)

    @property
    def crest_factor_db(self) -> float:
        """Peak over rms, in dB."""
        return float(20.0 * np.log10(np.max(np.abs(self.samples))))


def sweep_rate_s(sweep: SweepFacts) -> float:
    """Return L = T / ln(f2/f1): seconds in which an exponential sweep grows by e."""
    return sweep.duration_s / float(np.log(sweep.stop_hz / sweep.start_hz))


def sweep_time_s(sweep: SweepFacts, frequency_hz: ArrayLike) -> FloatArray:
    """Return when the sweep passes a frequency, seconds after its start."""
    return np.asarray(sweep_rate_s(sweep) * np.log(np.asarray(frequency_hz) / sweep.start_hz))


def sweep_signal(sweep: SweepFacts, *, sample_rate_hz: int = 48000, order: int = 1) -> FloatArray:
    """Return the exponential sweep with peaks of 1, or its `order`-th harmonic.

    Phase 2π·f1·L·(e^(t/L) − 1), times the order (Farina 2000). Ends rise and fall by
    half a cosine within milliseconds; a harmonic ends where it nears half the sample rate.

    Returns
    -------
    shape (round(duration_s · sample_rate_hz),)
    """
    time_s = np.arange(round(sweep.duration_s * sample_rate_hz)) / sample_rate_hz
    growth = np.exp(time_s / sweep_rate_s(sweep))
    signal = np.sin((2.0 * np.pi * order * sweep.start_hz * sweep_rate_s(sweep)) * (growth - 1.0))
    rise, fall = (round(fade_s * sample_rate_hz) for fade_s in (FADE_IN_S, FADE_OUT_S))
    signal[:rise] *= _half_cosine(rise)
    signal[signal.size - fall :] *= _half_cosine(fall)[::-1]
    if order > 1:
        first, last = np.searchsorted(
            order * sweep.start_hz * growth, (0.41 * sample_rate_hz, 0.45 * sample_rate_hz)
        )
        signal[first:last] *= _half_cosine(int(last - first))[::-1]
        signal[last:] = 0.0
    return np.asarray(signal)


def multitone_signal(
    *,
    sample_rate_hz: int = 48000,
    period_s: float = 1.0,
    range_hz: tuple[float, float] = (25.0, 16000.0),
    flat_hz: tuple[float, float] = (50.0, 4000.0),
    tones_per_octave: int = 12,
    crest_factor_db: float = 12.0,
    seed: Seed,
) -> Multitone:
    """Return a multitone that stands for music: pink within `flat_hz`, −6 dB an octave outside.

    The spectrum is an invention of the demo, not that of a standard. Random phases are drawn
    until they have more crest factor than asked for, and are then improved by clipping and
    putting the spectrum back until they have less; half-way between the last two is met in
    ever smaller steps.

    Raises
    ------
    ValueError
        No phases with such a crest factor were found.
    """
    size = 2 * round(period_s * sample_rate_hz / 2.0)
    count = int(tones_per_octave * np.log2(range_hz[1] / range_hz[0])) + 1
    wanted = range_hz[0] * 2.0 ** (np.arange(count) / tones_per_octave)
    odd = np.unique(2 * np.round((wanted * size / sample_rate_hz - 1.0) / 2.0).astype(int) + 1)
    bins = _with_gaps(odd)
    frequency = bins * sample_rate_hz / size
    slope = np.minimum(1.0, frequency / flat_hz[0]) * np.minimum(1.0, flat_hz[1] / frequency)
    shares = slope * np.sqrt(np.gradient(np.log(frequency)))
    shares /= np.sqrt(np.sum(shares**2))
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    peak = float(10.0 ** (crest_factor_db / 20.0))

    def sounding(phasors: ComplexArray) -> FloatArray:
        spectrum[bins] = shares * phasors / np.abs(phasors) * (size / np.sqrt(2.0))
        return np.asarray(irfft(spectrum, size))

    generator = np.random.default_rng(seed)
    for _ in range(500):
        phasors = np.exp(2j * np.pi * generator.random(bins.size))
        samples = sounding(phasors)
        if np.max(np.abs(samples)) > peak:
            break
    else:
        raise ValueError(f"no phases with a crest factor of {crest_factor_db:g} dB")
    for _ in range(1000):
        above = phasors
        clipped = 0.85 * np.max(np.abs(samples))
        phasors = rfft(np.clip(samples, -clipped, clipped))[bins]
        phasors /= np.abs(phasors)
        samples = sounding(phasors)
        if np.max(np.abs(samples)) <= peak:
            break
    else:
        raise ValueError(f"no phases with a crest factor of {crest_factor_db:g} dB")
    for _ in range(12):
        middle = above + phasors
        samples = sounding(middle)
        if np.max(np.abs(samples)) > peak:
            above = middle / np.abs(middle)
        else:
            phasors = middle / np.abs(middle)
    return Multitone(
        samples=frozen_array(sounding(phasors)),
        bins=bins,
        shares=shares,
        sample_rate_hz=sample_rate_hz,
    )


def _half_cosine(count: int) -> FloatArray:
    """Rise from 0 to 1, shape (count,)."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / count))


def _with_gaps(bins: NDArray[np.int64]) -> NDArray[np.int64]:
    """Leave a fourth odd bin empty after three tones on neighbouring ones, to see products in."""
    kept: list[int] = []
    for tone in bins:
        if kept[-3:] != [tone - 6, tone - 4, tone - 2]:
            kept.append(int(tone))
    return np.array(kept, dtype=np.int64)


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
