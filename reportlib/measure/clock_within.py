"""Drift of a recorder's clock by what one recording repeats: a multitone, a sweep played twice.

What part of a turn of phase is a clock's: that in proportion to frequency. A multitone tells by how
far its tones advance from period to period.

A clock moves the second sweep's answer away from the first's by drift times their distance, and
whatever the loudspeaker does to the phase it does to both.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reportlib.errors import CaptureError
from reportlib.measure.levels import G
from reportlib.measure.sweep import SweepLaw, find_sweep
from reportlib.session.records import FloatArray

CORRECT_ABOVE_PPM = 20.0
"""A smaller difference is left: with a sweep of 2 s it moves a change by 0.002 dB behind a gate of
50 ms or more, by 0.03 dB close to the lowest frequency of one of 6 ms (simulated)."""

SMEARED_S = 40e-6
"""What a drift may spread a sweep by behind a short gate: 20 ppm of 2 s, less of a longer one."""

SHORT_GATE_S = 0.05

SIGNIFICANT = 4.0
"""A difference below so many standard uncertainties is not taken for one."""

MOST_PPM = 500.0
"""Two clocks that are 500 ppm apart are broken (crystals keep within 100; common
practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Drift:
    """How much faster one clock ran than another, and its standard uncertainty."""

    ppm: float
    u_ppm: float

    @property
    def to_correct(self) -> bool:
        """Whether it is both large enough to matter and larger than chance and level explain."""
        return abs(self.ppm) > max(CORRECT_ABOVE_PPM, SIGNIFICANT * self.u_ppm)

    def to_correct_behind(self, *, gate_s: float, sweep_s: float) -> bool:
        """The same for a sweep of this length behind a gate of that length.

        Behind a short gate it is taken off above `SMEARED_S` over the sweep, where that is less
        than `CORRECT_ABOVE_PPM`.
        """
        if gate_s >= SHORT_GATE_S:
            return self.to_correct
        limit = min(CORRECT_ABOVE_PPM, 1e6 * SMEARED_S / sweep_s)
        return abs(self.ppm) > max(limit, SIGNIFICANT * self.u_ppm)


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


ComplexArray = NDArray[np.complex128]

_HEARD = 5  # periods for a first estimate: two to settle, three to compare
_SETTLING = 2  # the period that holds the start, and the first whole one, which rings in
_TONE = 1e-3  # of the strongest: weaker bins of the stimulus are no tones (rounding)
_STEADY = 0.9  # half of the tones keep their phase at least so well, or it is no such multitone
_OFF_BIN = 0.3  # a tone further from its bin than this is not read there


def multitone_drift(blocks: Iterable[FloatArray], *, period: FloatArray) -> Drift | None:
    """Return the drift of a recording of a repeated multitone, None where it can't be told.

    A tone of k periods in the stimulus gains −2πk·drift/(1 + drift) of phase from one period to
    the next. A first estimate from the low tones, which no drift turns by half a period, places
    the high ones; products of ever longer lags then tell more and more without ever having to
    unwrap. What heating does to the phase does not grow with frequency as a clock's does; what it
    leaves open is in the uncertainty.

    Parameters
    ----------
    blocks : shape (n,) each, the microphone's samples in order; silence before and after may be
        among them. Five periods and one block are held at a time.
    period : shape (p,), what was repeated, at the recording's sample rate
    """
    size = period.size
    magnitude = np.abs(fft.rfft(period))
    magnitude[0] = 0.0
    bins = np.flatnonzero(magnitude > _TONE * magnitude.max())
    if bins.size < 3:
        return None
    kept: list[ComplexArray] = []
    held: list[FloatArray] = []
    loudest = 0.0
    first: float | None = None
    for piece in _pieces(blocks, size=size):
        power = float(np.sum(np.square(piece)))
        if power > 2.0 * loudest:  # this, not what came before, is the multitone
            held, kept, first = [], [], None
        loudest = max(loudest, power)
        if power <= 0.5 * loudest:
            continue
        if first is None:
            held.append(piece.copy())
            if len(held) < _HEARD:
                continue
            first = _first_estimate(np.array(held[_SETTLING:]), bins=bins)
            kept = [_tones(one, bins=bins, drift=first) for one in held[_SETTLING:]]
            held = []
        else:
            kept.append(_tones(piece, bins=bins, drift=first))
    if first is None or len(kept) < 4:
        return None
    # The last one may hold the multitone's end.
    return _refined(np.array(kept[:-1]), bins=bins, drift=first)


def _pieces(blocks: Iterable[FloatArray], *, size: int) -> Iterator[FloatArray]:
    """Cut blocks of any length into periods; what is left over at the end is dropped."""
    rest = np.empty(0)
    for block in blocks:
        rest = np.concatenate((rest, np.ravel(block)))
        whole = rest.size // size * size
        yield from rest[:whole].reshape(-1, size)
        rest = rest[whole:].copy()


def _first_estimate(periods: FloatArray, *, bins: NDArray[np.intp]) -> float:
    """Drift from the tones that stay near their bins, starting with those that no drift turns."""
    spectra = fft.rfft(periods)[:, bins]
    product = np.sum(np.conj(spectra[:-1]) * spectra[1:], axis=0)
    drift = 0.0
    for most in (1e-6 * MOST_PPM, 1e-4, 2e-5):
        near = bins * max(most, abs(drift)) < _OFF_BIN
        if not near.any():
            near[:1] = True
        drift = _common(product, bins=bins, near=near, lag=1, drift=drift)
    return drift


def _common(
    product: ComplexArray,
    *,
    bins: NDArray[np.intp],
    near: NDArray[np.bool_],
    lag: int,
    drift: float,
) -> float:
    """Drift that fits the phases of all tones' products over `lag` periods, near one known."""
    turned = product * np.exp(2j * np.pi * np.mod(bins * lag * drift / (1.0 + drift), 1.0))
    advance = 2.0 * np.pi * bins * lag
    weight = np.abs(turned) * near
    rest = float(np.sum(weight * advance * np.angle(turned)) / np.sum(weight * advance**2))
    # −drift/(1 + drift) = slope; the product's own phase adds to that already taken off
    slope = rest - drift / (1.0 + drift)
    return -slope / (1.0 + slope)


def _tones(piece: FloatArray, *, bins: NDArray[np.intp], drift: float) -> ComplexArray:
    """Amplitudes of the tones in one period of a recording, where the drift has put them."""
    from scipy.signal import czt

    spectrum = czt(
        piece,
        m=int(bins[-1]) + 1,
        w=np.exp(-2j * np.pi / (piece.size * (1.0 + drift))),
    )
    return np.asarray(spectrum[bins])


def _refined(tones: ComplexArray, *, bins: NDArray[np.intp], drift: float) -> Drift | None:
    """Drift and its uncertainty from the tones' amplitudes, shape (periods, tones)."""
    count = tones.shape[0]
    everywhere = np.ones(bins.size, dtype=np.bool_)
    lag = 1
    while lag < count:
        product = np.sum(np.conj(tones[:-lag]) * tones[lag:], axis=0)
        drift = _common(product, bins=bins, near=everywhere, lag=lag, drift=drift)
        lag *= 2
    advance = np.mod(np.outer(np.arange(count), bins * drift / (1.0 + drift)), 1.0)
    still = tones * np.exp(2j * np.pi * advance)
    mean = np.mean(still, axis=0)
    if np.median(np.abs(mean) / np.sqrt(np.mean(np.abs(still) ** 2, axis=0))) < _STEADY:
        return None
    relative = still / mean
    time = np.arange(count) - 0.5 * (count - 1)
    # real: nepers a period, imaginary: radians a period
    slope = time @ relative / np.sum(time**2)
    left = relative.imag - relative.imag.mean(axis=0) - np.outer(time, slope.imag)
    noise = np.sum(left**2, axis=0) / max(count - 2, 1) / np.sum(time**2)
    turn, u = turn_by_clock(
        slope.imag, place=bins.astype(np.float64), variance=noise, gain=slope.real
    )
    total = turn / (2.0 * np.pi) - drift / (1.0 + drift)
    ppm = -1e6 * total / (1.0 + total)
    if abs(ppm) > MOST_PPM:
        return None
    return Drift(ppm=ppm, u_ppm=1e6 * u / (2.0 * np.pi))


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

    Both are one take: the first sweep is measured, the second is only the clock.

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
