"""Drift from one recording of a stimulus that holds its sweep twice.

A clock moves the second sweep's answer away from the first's by drift times their distance, and
whatever the loudspeaker does to the phase it does to both.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from reportlib.clock.drift import MOST_PPM, Drift
from reportlib.clock.turning import turn_by_clock
from reportlib.errors import CaptureError
from reportlib.levels import G
from reportlib.model import FloatArray
from reportlib.stimulus import SweepLaw, find_sweep

_ALIKE = (0.45, 0.55)
"""Of the energy, where the file is laid over itself: 1/2 for two, 2/3 for three, and a little less
where the second stands between samples."""
_SILENT = 1e-3  # of the energy: less than that passes in the silence, where half of it has passed
_GAP_S = 0.1  # of silence between them at least: it becomes the first one's tail
_BEFORE_S = 0.01
_AFTER_S = 0.02
_LEAST = 0.01  # of the drive's power: less is not divided out
_SECOND = 0.5  # of the stronger answer: the other stands there
_CELL = 12.0
_CLEAR_RAD = 0.2  # a cell whose phase is less certain does not count
_EXACT_RAD = 1e-6


@dataclass(frozen=True, eq=False, kw_only=True)
class TwoSweeps:
    """A stimulus that holds its sweep twice.

    Attributes
    ----------
    played : shape (n,), the first sweep, with half of the silence after it
    start_s : where it starts in `played`
    apart_s : from one sweep to the other
    """

    played: FloatArray
    start_s: float
    apart_s: float
    sample_rate_hz: int
    law: SweepLaw


def two_sweeps(
    stimulus: FloatArray, *, law: SweepLaw, sample_rate_hz: int, source: str
) -> TwoSweeps | None:
    """Return the two sweeps of a stimulus, None where it does not hold one sweep just twice.

    Parameters
    ----------
    stimulus : shape (n,)
    source : what to call it in an error

    Raises
    ------
    CaptureError
        What it holds twice is another sweep.
    """
    least = round(sample_rate_hz * (law.duration_s + _GAP_S))
    if stimulus.size < least + round(sample_rate_hz * law.duration_s):
        return None
    length = fft.next_fast_len(2 * stimulus.size, real=True)
    alike = fft.irfft(np.abs(fft.rfft(stimulus, length)) ** 2, length)[: stimulus.size]
    apart = least + int(np.argmax(alike[least:]))
    if not _ALIKE[0] * alike[0] < alike[apart] < _ALIKE[1] * alike[0]:
        return None
    energy = np.cumsum(np.square(stimulus))
    gap = np.searchsorted(energy, energy[-1] * np.array([0.5 - _SILENT, 0.5 + _SILENT]))
    if gap[1] - gap[0] < sample_rate_hz * _GAP_S:
        return None
    played = stimulus[: int(np.sum(gap)) // 2]
    start_s = find_sweep(played, law=law, sample_rate_hz=sample_rate_hz, source=source)
    place = max(0, round(sample_rate_hz * (start_s - _BEFORE_S)))
    later = _later_s(stimulus, place=place, apart=apart, law=law, fs=sample_rate_hz)
    return TwoSweeps(
        played=played,
        start_s=start_s,
        apart_s=apart / sample_rate_hz + (later[0] if later else 0.0),
        sample_rate_hz=sample_rate_hz,
        law=law,
    )


def first_of_two(
    microphone: FloatArray, *, two: TwoSweeps, source: str
) -> tuple[FloatArray, Drift | None]:
    """Return a recording up to its second sweep, and its drift or None where it can't be told.

    Parameters
    ----------
    microphone : shape (n,), a recording of both sweeps
    two : what was played, at the recording's sample rate
    source : what to call the recording in an error

    Raises
    ------
    CaptureError
        The recording does not hold both sweeps whole.
    """
    fs, law = two.sample_rate_hz, two.law
    apart = round(two.apart_s * fs)
    answer_s = _answer_s(microphone, two=two, apart=apart)
    last_s = math.inf if answer_s is None else answer_s + two.apart_s + law.duration_s
    if answer_s is None or last_s > microphone.size / fs or answer_s < -_BEFORE_S:
        raise CaptureError(
            f"{source} does not hold both sweeps of the stimulus that [sweep] of session.toml "
            "names, which plays it twice. Record from before the first to after the second, or "
            "leave this capture out of session.toml.",
            code="no-sweep",
        )
    place = max(0, round(fs * (answer_s - _BEFORE_S)))
    later = _later_s(microphone, place=place, apart=apart, law=law, fs=fs)
    first = microphone[: round(fs * (answer_s + two.apart_s - _AFTER_S))]
    if later is None:
        return first, None
    drift = (apart / fs + later[0]) / two.apart_s - 1.0
    if abs(drift) > 1e-6 * MOST_PPM:
        return first, None
    return first, Drift(ppm=1e6 * drift, u_ppm=1e6 * later[1] / two.apart_s)


def _answer_s(microphone: FloatArray, *, two: TwoSweeps, apart: int) -> float | None:
    """Where the first sweep's answer starts in a recording, roughly; None without a second one."""
    fs = two.sample_rate_hz
    length = fft.next_fast_len(microphone.size + two.played.size, real=True)
    played = fft.rfft(two.played, length)
    power = np.square(np.abs(played))
    # Divided, not only correlated: else the bass, which a loudspeaker holds back, sets the place.
    low, high = (round(hz * length / fs) for hz in (two.law.start_hz, two.law.stop_hz))
    power += _LEAST * float(np.median(power[low : high + 1]))
    found = np.abs(fft.irfft(fft.rfft(microphone, length) * np.conj(played) / power, length))
    strongest = int(np.argmax(found))
    wide = np.arange(-1, 2, 2)[:, np.newaxis] * apart + np.arange(
        -_most(apart) - apart // 1000, _most(apart) + apart // 1000 + 1
    )
    others = found[(strongest + wide) % length]
    side, at = np.unravel_index(int(np.argmax(others)), others.shape)
    if others[side, at] < _SECOND * found[strongest]:
        return None
    first = strongest if side == 1 else int((strongest + wide[side, at]) % length)
    if first >= microphone.size:
        first -= length
    return float(two.start_s + first / fs)


def _most(apart: int) -> int:
    """By how many samples two clocks may move sweeps that are so many apart."""
    return math.ceil(1e-6 * MOST_PPM * apart) + 2


def _later_s(
    signal: FloatArray, *, place: int, apart: int, law: SweepLaw, fs: int
) -> tuple[float, float] | None:
    """By how much more than `apart` samples the second sweep comes later, and its u, in s.

    From the phase between the stretch from `place` on and the one `apart` later; its noise is
    that which their coherence tells (Bendat & Piersol, Random Data).
    """
    size = apart - round(_AFTER_S * fs)
    length = fft.next_fast_len(size, real=True)
    f = fft.rfftfreq(length, 1.0 / fs)
    inside = (f >= law.start_hz) & (f <= min(0.95 * law.stop_hz, 0.45 * fs))
    f = f[inside]
    one, other = (
        fft.rfft(signal[first : first + size], length)[inside] for first in (place, place + apart)
    )
    cell = np.floor(_CELL * np.log(f / f[0]) / np.log(G)).astype(np.intp)
    count = np.bincount(cell)
    full = count >= 4

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, weights=values)[full])

    power, power_other = total(np.abs(one) ** 2), total(np.abs(other) ** 2)
    cross = other * np.conj(one)
    if np.count_nonzero(power * power_other > 0.0) < power.size:
        return None
    spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
    spectrum[inside] = cross / np.maximum(np.abs(cross), 1e-300)
    peaks = fft.irfft(spectrum, length)
    near = np.arange(-_most(apart), _most(apart) + 1)
    later_s = float(near[np.argmax(peaks[near])]) / fs
    gain = 0.5 * np.log(power_other / power)
    centre = total(f) / count[full]
    u_s = math.inf
    for _ in range(4):
        turned = cross * np.exp(2j * np.pi * f * later_s)
        together = total(turned.real) + 1j * total(turned.imag)
        coherence = np.minimum(np.abs(together) ** 2 / (power * power_other), 1.0)
        variance = (1.0 - coherence) / np.maximum(2.0 * count[full] * coherence, 1e-12)
        clear = variance < _CLEAR_RAD**2
        if np.count_nonzero(clear) < 2 * _CELL:
            return None
        slope, u = turn_by_clock(
            np.angle(together)[clear],
            place=centre[clear],
            variance=variance[clear] + _EXACT_RAD**2,
            gain=gain[clear],
        )
        later_s -= slope / (2.0 * np.pi)
        u_s = u / (2.0 * np.pi)
    return later_s, u_s
