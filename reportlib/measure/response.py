"""From impulse responses to gated, smoothed responses on one grid (method: README, "How").

All captures of a session get the same window at the same place: the baseline's arrival, to
which the others are aligned by cross-correlation, to a part of a sample. Powers are smoothed before
any ratio is taken; the noise's own power is taken off, less the share that the logarithm's
curvature takes anyway.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from scipy import fft
from scipy.special import fdtri

from reportlib.errors import AnalysisError
from reportlib.measure import noise
from reportlib.measure.deconvolution import LONGEST_GATE_S, Deconvolved
from reportlib.measure.levels import G, cell_edges_hz, cell_mean
from reportlib.measure.records import Response
from reportlib.measure.sweep import SweepLaw
from reportlib.measure.untold import untold
from reportlib.session.records import FloatArray

_SHORTEST_GATE_S = 0.001
BEFORE_HARMONIC = 0.4
"""How far a gate rises at most into the time since the second harmonic, as a share of it."""
RISE_S = 0.002
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

    def moved(self, *, law: SweepLaw) -> "tuple[Gate, Gate]":
        """Return the gates that show what either edge does: one ends sooner, one rises sooner.

        The first has 0.6 times the length. The second rises as long before the arrival as the
        gate lasts after it, or as long as the second harmonic leaves.
        """
        before_s = min(BEFORE_HARMONIC * law.lead_s(2), self.length_s)
        return (
            replace(self, length_s=0.6 * self.length_s),
            replace(self, before_s=max(self.before_s, before_s)),
        )

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
    before_s = min(BEFORE_HARMONIC * law.lead_s(2), max(RISE_S, length_s / 10.0))
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


def independent_cells(
    window: FloatArray, energy: FloatArray, *, sample_rate_hz: float, width_hz: FloatArray
) -> FloatArray:
    """Return K, how many independent values of noise one smoothed value averages.

    1/K = Σ_m e[m] Σ_n w²[n]·sinc²(B·(n − m)/fs) / (Σw²·Σe), computed where it is a product:
    the transform of sinc²(Bt) is a triangle of half-width B.

    Parameters
    ----------
    window : shape (n,), the gate's weights w
    energy : shape (n,), where the energy of the response lies in it; one spike for a direct
        sound alone
    width_hz : shape (m,), widths B of the smoothing cells

    Returns
    -------
    shape (m,), at least 1
    """
    block = max(1, int(sample_rate_hz * 1e-4))
    edges = np.arange(0, window.size, block)
    squared = np.add.reduceat(np.square(window), edges)
    energy = np.add.reduceat(energy, edges)
    length = fft.next_fast_len(16 * edges.size, real=True)
    product = (fft.rfft(squared, length) * np.conj(fft.rfft(energy, length))).real
    product /= product[0]
    spacing = sample_rate_hz / block / length
    bins = np.arange(product.size) * spacing
    zero = {"spacing_hz": spacing, "low_hz": np.zeros(width_hz.size), "high_hz": width_hz}
    plain = cell_mean(product, **zero)
    ramp = cell_mean(product * bins, **zero)
    inverse = 2.0 * (plain - ramp / width_hz)
    return np.asarray(1.0 / np.clip(inverse, 1e-9, 1.0))


def _cut(capture: Deconvolved, *, gate: Gate, arrival_s: float) -> tuple[FloatArray, FloatArray]:
    """Return the stretch of impulse response under the gate, and the gate's weights on it."""
    fs = capture.sample_rate_hz
    first = max(0, math.ceil((arrival_s - gate.before_s) * fs) - capture.first_lag)
    last = min(
        capture.impulse.size, math.floor((arrival_s + gate.length_s) * fs) - capture.first_lag + 1
    )
    time_s = (capture.first_lag + np.arange(first, last)) / fs - arrival_s
    return capture.impulse[first:last], gate.weights(time_s)


def _gated_power(
    capture: Deconvolved,
    *,
    gate: Gate,
    arrival_s: float,
    oversampling: int,
    centre_hz: FloatArray,
    fraction: int,
    lowest_hz: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return smoothed |H|² at `centre_hz` and the weights that were used.

    The spectrum is sampled `oversampling` times as finely as the gate asks for; from `lowest_hz`
    on at least twice a cell.
    """
    piece, weights = _cut(capture, gate=gate, arrival_s=arrival_s)
    if lowest_hz is not None:
        edges_hz = cell_edges_hz(np.array([lowest_hz]), fraction=fraction)
        narrowest_hz = float((edges_hz[1] - edges_hz[0])[0])
        finest = 2.0 * capture.sample_rate_hz / narrowest_hz / piece.size
        oversampling = max(oversampling, math.ceil(finest))
    length = fft.next_fast_len(oversampling * piece.size, real=True)
    spectrum = fft.rfft(piece * weights, length)
    low, high = cell_edges_hz(centre_hz, fraction=fraction)
    smoothed = cell_mean(
        np.square(spectrum.real) + np.square(spectrum.imag),
        spacing_hz=capture.sample_rate_hz / length,
        low_hz=low,
        high_hz=high,
    )
    return smoothed, weights


@dataclass(frozen=True, eq=False, kw_only=True)
class SmoothingCells:
    """What smoothing does to noise behind the session's gate; the same for every capture.

    Attributes
    ----------
    cells : shape (m,), K on the grid
    harmonic_cells : shape (k, m), K in the harmonics' own windows
    gate_noise_share : shape (2, m), see `records.Response`
    noise_taper : the gate as noise spectra see it, of `noise.taper`
    """

    cells: FloatArray
    harmonic_cells: FloatArray
    gate_noise_share: FloatArray
    noise_taper: FloatArray


def smoothing_cells(
    capture: Deconvolved,
    *,
    law: SweepLaw,
    gate: Gate,
    arrival_s: float,
    fraction: int,
    spread: bool,
) -> SmoothingCells:
    """Work out K for the gate of a session, from its baseline.

    `spread`: the space is reverberant, so the energy lies all over the gate; otherwise it is
    taken at the arrival.
    """
    piece, weights = _cut(capture, gate=gate, arrival_s=arrival_s)
    arrival = min(piece.size - 1, round(gate.before_s * capture.sample_rate_hz))
    energy = np.square(piece * weights) if spread else np.zeros(piece.size)
    if not spread:
        energy[arrival] = 1.0
    low, high = cell_edges_hz(capture.frequency_hz, fraction=fraction)

    def cells(window: FloatArray) -> FloatArray:
        before = window.size - energy.size
        return independent_cells(
            window,
            np.pad(energy, (before, 0)),
            sample_rate_hz=capture.sample_rate_hz,
            width_hz=high - low,
        )

    own = cells(weights)
    shorter, sooner = gate.moved(law=law)
    first = -round(sooner.before_s * capture.sample_rate_hz)
    time_s = np.arange(min(first, -arrival), piece.size - arrival) / capture.sample_rate_hz
    differences = (one.weights(time_s) - gate.weights(time_s) for one in (shorter, sooner))
    # a gate that rises as soon as it can already makes no difference
    share = [np.sum(np.square(one)) / (cells(one) if one.any() else own) for one in differences]
    share = np.array(share) * own / np.sum(np.square(weights))
    harmonic = []
    for order in range(2, capture.highest_harmonic + 1):
        window = _harmonic_gate(order, law=law, gate=gate)
        time_s = np.arange(-window.before_s, window.length_s, 1.0 / capture.sample_rate_hz)
        spike = np.zeros(time_s.size)
        spike[np.argmin(np.abs(time_s))] = 1.0
        harmonic.append(
            independent_cells(
                window.weights(time_s),
                spike,
                sample_rate_hz=capture.sample_rate_hz,
                width_hz=order * (high - low),
            )
        )
    return SmoothingCells(
        cells=own,
        harmonic_cells=np.reshape(harmonic, (-1, own.size)),
        gate_noise_share=share,
        noise_taper=noise.taper(weights, sample_rate_hz=capture.sample_rate_hz),
    )


def _harmonic_gate(order: int, *, law: SweepLaw, gate: Gate) -> Gate:
    """The window of one harmonic: 0.4 of the gap to the next, at most 0.5 of that to the last."""
    return Gate(
        before_s=0.4 * law.rate_s * math.log((order + 1) / order),
        length_s=min(gate.length_s, 0.5 * law.rate_s * math.log(order / (order - 1))),
    )


def measure_response(
    capture: Deconvolved,
    *,
    law: SweepLaw,
    gate: Gate,
    arrival_s: float,
    fraction: int,
    smoothing: SmoothingCells,
) -> Response:
    """Gate and smooth one capture, and separate its harmonics.

    Parameters
    ----------
    capture : as deconvolved
    arrival_s : arrival in this capture, aligned to the baseline's
    fraction : smoothing, as the n of 1/n octave
    smoothing : of :func:`smoothing_cells`
    """
    grid, cells = capture.frequency_hz, smoothing.cells
    common: dict[str, Any] = {"arrival_s": arrival_s, "centre_hz": grid, "fraction": fraction}
    common["lowest_hz"] = max(gate.lowest_hz, law.start_hz)
    (power, weights), *moved = (
        _gated_power(capture, gate=one, oversampling=4, **common)
        for one in (gate, *gate.moved(law=law))
    )
    density, dof, excess_db = _noise_seen(
        capture, law=law, fraction=fraction, gate_taper=smoothing.noise_taper
    )
    noise_power = density * np.sum(np.square(weights))
    off = (1.0 - 1.0 / cells) * density
    power = power - (1.0 - 1.0 / cells) * noise_power
    harmonics, harmonic_noise = _harmonics(
        capture,
        law=law,
        gate=gate,
        arrival_s=arrival_s,
        fraction=fraction,
        fundamental=power,
        smoothing=smoothing,
        density=density,
        dof=dof,
    )
    return Response(
        source=capture.source,
        frequency_hz=grid,
        power=power,
        power_moved_gate=np.array([found - off * np.sum(window**2) for found, window in moved]),
        noise_power=noise_power,
        noise_dof=dof,
        cells=cells,
        gate_noise_share=smoothing.gate_noise_share,
        drive_amplitude=capture.drive_amplitude,
        drive_power=capture.drive_power * np.maximum(1.0 - capture.drive_noise, 0.0),
        drive_noise=capture.drive_noise,
        harmonic_power=harmonics,
        harmonic_noise=harmonic_noise,
        noise_excess_db=excess_db,
        arrival_s=arrival_s,
        sweep_start_s=capture.sweep_start_s,
        tail_s=capture.tail_s,
        untold=untold(capture, fraction=fraction),
    )


def _noise_seen(
    capture: Deconvolved, *, law: SweepLaw, fraction: int, gate_taper: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Noise density behind the gate, its degrees of freedom, and during over before in dB."""
    seen = [
        noise.gated_density(
            one,
            gate_taper=gate_taper,
            sample_rate_hz=capture.sample_rate_hz,
            frequency_hz=capture.frequency_hz,
            drive_power=capture.drive_power,
            law=law,
            fraction=fraction,
        )
        for one in (capture.during, capture.before)
    ]
    density, dof = noise.pooled(*seen)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess_db = 10.0 * np.log10(seen[0][0] / seen[1][0])
    # Below two periods of all that was recorded without the answer, noise is not known.
    return np.nan_to_num(density, nan=np.inf), np.maximum(dof, 1.0), excess_db


_BY_CHANCE = 1e-5
"""How often noise alone passes for a harmonic at a point; a day looks at some thousand points."""


def _harmonics(
    capture: Deconvolved,
    *,
    law: SweepLaw,
    gate: Gate,
    arrival_s: float,
    fraction: int,
    fundamental: FloatArray,
    smoothing: SmoothingCells,
    density: FloatArray,
    dof: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return harmonics from 2 on over the fundamental, and the least that is told; shape (k, m).

    A smoothed power of noise over the density that it is held against follows Fisher's F with
    2·K and the density's own degrees of freedom.
    """
    fs, grid = capture.sample_rate_hz, capture.frequency_hz
    powers, noises = [], []
    for order, cells in enumerate(smoothing.harmonic_cells, start=2):
        own = _harmonic_gate(order, law=law, gate=gate)
        target = order * grid
        at: dict[str, Any] = {"arrival_s": arrival_s - law.lead_s(order), "centre_hz": target}
        power, weights = _gated_power(capture, gate=own, oversampling=2, fraction=fraction, **at)
        _, high = cell_edges_hz(target, fraction=fraction)
        there = np.exp(np.interp(np.log(target), np.log(grid), np.log(np.maximum(density, 1e-300))))
        noise_power = there * np.sum(np.square(weights))
        known = np.interp(np.log(target), np.log(grid), dof)
        floor = noise_power * (1.0 / fdtri(known, 2.0 * cells, _BY_CHANCE) - 1.0)
        power = power - noise_power
        shown = (
            # the whole cell, clear of the sweep's faded end
            (high * G ** (1 / 24) < min(law.stop_hz, 0.45 * fs))
            & (target >= 2.0 / (own.before_s + own.length_s))
            & (fundamental > 0.0)
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            powers.append(np.where(shown & (power > floor), power / fundamental, np.nan))
            noises.append(np.where(shown, floor / fundamental, np.nan))
    return np.reshape(powers, (-1, grid.size)), np.reshape(noises, (-1, grid.size))
