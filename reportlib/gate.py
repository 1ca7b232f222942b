"""The gate: one window for every impulse response of a session, at the same place on each.

The place is the direct sound of the baseline; the other captures are aligned to it by
cross-correlation, to a part of a sample.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import fft

from reportlib.deconvolution import LONGEST_GATE_S, Deconvolved
from reportlib.errors import AnalysisError
from reportlib.model import FloatArray
from reportlib.stimulus import SweepLaw

_SHORTEST_GATE_S = 0.001
_FINER = 8
_ALIKE = 0.7
"""Two takes of one level are 0.99 alike and more where noise does not drown them (simulated)."""


@dataclass(frozen=True, kw_only=True)
class Gate:
    """The window on every impulse response: half-Hann up to the arrival, flat, half-Hann down.

    Attributes
    ----------
    before_s : length of the rising edge before the arrival
    length_s : from the arrival to zero; the last quarter falls
    """

    before_s: float
    length_s: float

    @property
    def lowest_hz(self) -> float:
        """2/length: below it a local change cannot be told."""
        return 2.0 / self.length_s

    def shortened(self, factor: float) -> "Gate":
        """Return the gate with its length (not its rising edge) multiplied by `factor`."""
        return Gate(before_s=self.before_s, length_s=self.length_s * factor)

    def weights(self, time_s: FloatArray) -> FloatArray:
        """Return the window at times after the arrival; shape of `time_s`."""
        rise = np.clip(-time_s / self.before_s, 0.0, 1.0)
        fall = np.clip((time_s - 0.75 * self.length_s) / (0.25 * self.length_s), 0.0, 1.0)
        weights = np.maximum(rise, fall)
        sloped = weights > 0.0  # most of a gate is flat, and cosines take their time
        flat = ~sloped
        weights[sloped] = 0.5 + 0.5 * np.cos(np.pi * weights[sloped])
        weights[flat] = 1.0
        return np.asarray(weights)


class Recorded(Protocol):
    """A capture, as far as the gate depends on it; see `deconvolution.Deconvolved`."""

    @property
    def source(self) -> str: ...  # noqa: D102
    @property
    def tail_s(self) -> float: ...  # noqa: D102


def session_gate(captures: Sequence[Recorded], *, law: SweepLaw, gate_ms: float | None) -> Gate:
    """Choose the one gate of a session: as asked, else as long as every capture allows.

    Raises
    ------
    AnalysisError
        A capture ends before its sweep's answer has arrived.
    """
    shortest = min(captures, key=lambda capture: capture.tail_s)
    if shortest.tail_s < _SHORTEST_GATE_S:
        raise AnalysisError(
            f"{shortest.source} ends {abs(min(shortest.tail_s, 0.0)) * 1e3:.0f} ms before its "
            "sweep does; record on for at least half a second after it, or leave this capture out "
            "of session.toml."
        )
    length_s = min(LONGEST_GATE_S, shortest.tail_s)
    if gate_ms is not None:
        length_s = min(length_s, gate_ms / 1e3)
    before_s = min(0.4 * law.lead_s(2), max(0.002, length_s / 10.0))
    return Gate(before_s=before_s, length_s=length_s)


def find_arrival_s(capture: Deconvolved, *, law: SweepLaw) -> float:
    """Find the direct sound: the first sample within 20 dB of the peak of the envelope.

    The envelope is that of the impulse response between 1 and 10 kHz (inside the sweep).
    """
    fs = capture.sample_rate_hz
    peak = capture.peak_lag - capture.first_lag
    first = max(0, peak - round(0.04 * fs))
    piece = capture.impulse[first : peak + round(0.02 * fs)]
    length = fft.next_fast_len(2 * piece.size)
    frequency = fft.fftfreq(length, 1.0 / fs)
    low, high = max(1000.0, law.start_hz), min(10_000.0, law.stop_hz, 0.45 * fs)
    if low >= high:
        low, high = law.start_hz, min(law.stop_hz, 0.45 * fs)
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.maximum(np.log2(low / frequency), np.log2(frequency / high))
    weight = np.where(
        frequency > 0,
        0.5 + 0.5 * np.cos(np.pi * np.clip(2.0 * np.nan_to_num(out, nan=9.0, posinf=9.0), 0, 1)),
        0.0,
    )
    envelope = np.abs(fft.ifft(fft.fft(piece, length) * weight))[: piece.size]
    arrival = int(np.argmax(envelope >= 0.1 * envelope.max()))
    return (capture.first_lag + first + arrival) / fs


def align_s(capture: Deconvolved, *, to: Deconvolved, arrival_s: float) -> float:
    """Return the arrival in `capture` that corresponds to `arrival_s` in `to`, in s.

    Cross-correlation of the impulse responses around the direct sound, to a part of a sample
    by interpolation and a parabola through the three largest values. Where they are too little
    alike they stand in noise, which dividing by the sweep has raised at high frequencies: then
    they are weighted by its spectrum, 1/f. For noise of equal power at all frequencies that is
    the matched filter (textbook, from memory).
    """
    shift, alike = _shift(capture, to=to)
    if alike < _ALIKE:
        shift, _ = _shift(capture, to=to, in_noise=True)
    return arrival_s + shift / capture.sample_rate_hz


def _shift(capture: Deconvolved, *, to: Deconvolved, in_noise: bool = False) -> tuple[float, float]:
    """Return how much later the direct sound is, in samples, and how alike the two are, up to 1."""
    fs = capture.sample_rate_hz
    search = round(0.002 * fs)

    def around(one: Deconvolved) -> FloatArray:
        centre = one.peak_lag - one.first_lag
        return one.impulse[max(0, centre - round(0.005 * fs)) : centre + round(0.01 * fs)]

    ours, theirs = around(capture), around(to)
    length = fft.next_fast_len(ours.size + theirs.size, real=True)
    cross = fft.rfft(ours, length) * np.conj(fft.rfft(theirs, length))
    if in_noise:
        cross[1:] /= np.arange(1, cross.size)
    # The peak is a few samples wide: a parabola is right only on a finer grid.
    correlation = _FINER * fft.irfft(cross, _FINER * length)
    near = np.concatenate((correlation[-search * _FINER :], correlation[: search * _FINER + 1]))
    best = int(np.argmax(np.abs(near)))  # a cable may be turned round
    near = near * np.sign(near[best])
    part = 0.0
    if 0 < best < near.size - 1:
        left, middle, right = near[best - 1 : best + 2]
        curvature = left - 2.0 * middle + right
        part = 0.5 * float(left - right) / float(curvature) if curvature < 0 else 0.0
    energy = float(np.sqrt(np.dot(ours, ours) * np.dot(theirs, theirs)))
    alike = float(near[best]) / energy if energy > 0.0 else 0.0
    return capture.peak_lag - to.peak_lag + (best + part) / _FINER - search, alike
