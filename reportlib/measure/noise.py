"""Noise of an impulse response: its spectrum, and what a gate makes of it.

Two places show it. The silence before the sweep shows the noise as it is without sound; the
record outside every window shows it as it was *while* the sweep ran. Both are kept as spectra of
the impulse response's own noise, fine enough to see a gate through: what the gate lets in at f is
the spectrum convolved with the gate's own |W|², side lobes and all, so that hum beside a band, or
what the regularisation leaves just below the sweep, counts where it leaks to.

Lines (mains hum) are kept apart from broad noise. Broad noise is averaged over 1/3 octave, a line
over the smoothing cell that it falls into: averaged as wide as the rest it would be diluted there
and blamed on its neighbours.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

from reportlib.measure.levels import G, cell_edges_hz, cell_mean
from reportlib.measure.sweep import SweepLaw
from reportlib.session.records import BoolArray, FloatArray

SEGMENT_S = 1.2
SHORTEST_S = 0.15
BROAD_FRACTION = 3.0
"""Broad noise is averaged over 1/3 octave."""

_HANN_DOF = 0.514  # (Σw²)²/(n·Σw⁴) of a Hann window: the share of its length that counts
_HANN_SHARED = 1.0 / 36.0  # power that half-overlapping Hann segments share (P. D. Welch, 1967)
_LINE_SIGMAS = 5.0
_LINE_DOF = 50.0  # a line's strength is known far better than broad noise's


@dataclass(frozen=True, eq=False, kw_only=True)
class Spectrum:
    """A noise spectrum on the common bins.

    Attributes
    ----------
    density : shape (bins,), mean |FFT(w·x)|²/Σw² over segments
    segments : how many independent segments were averaged; 0 where nothing is known
    length_s : length of one segment
    """

    density: FloatArray
    segments: float
    length_s: float

    @property
    def dof_a_bin(self) -> float:
        """Degrees of freedom of one bin."""
        return 2.0 * max(self.segments, 1.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Parted:
    """A noise spectrum in the two parts that smoothing treats apart, ready for any gate.

    Kept as autocorrelations, as a gate multiplies these (see :func:`taper`).

    Attributes
    ----------
    broad, lines : shape (n // 2 + 1,), for lags from 0; empty where nothing is known, or where
        no line stands out
    segments, length_s : see `Spectrum`
    """

    broad: FloatArray
    lines: FloatArray
    segments: float
    length_s: float

    @property
    def dof_a_bin(self) -> float:
        """Degrees of freedom of one bin."""
        return 2.0 * max(self.segments, 1.0)


def hann(size: int) -> FloatArray:
    """Return a Hann window that no sample of is lost at zero; shape (size,)."""
    half = 0.5 - 0.5 * np.cos(2.0 * np.pi / size * (np.arange((size + 1) // 2) + 0.5))
    return np.concatenate((half, half[: size // 2][::-1]))


def segment_length(sample_rate_hz: float) -> int:
    """Length of the transforms that noise spectra are kept by, in samples."""
    return int(fft.next_fast_len(round(SEGMENT_S * sample_rate_hz), real=True))


def unknown(sample_rate_hz: float) -> Spectrum:
    """Return the spectrum of which nothing is known."""
    bins = segment_length(sample_rate_hz) // 2 + 1
    return Spectrum(density=np.full(bins, np.nan), segments=0.0, length_s=0.0)


def spectrum(samples: FloatArray, *, sample_rate_hz: float) -> Spectrum:
    """Average Hann-windowed power spectra over half-overlapping segments (P. D. Welch, 1967).

    Parameters
    ----------
    samples : shape (n,), noise alone; shorter than `SHORTEST_S`: nothing is known
    """
    padded = segment_length(sample_rate_hz)
    if samples.size < SHORTEST_S * sample_rate_hz:
        return unknown(sample_rate_hz)
    segment = min(padded, samples.size)
    count = max(1, 2 * samples.size // segment - 1)
    starts = np.linspace(0, samples.size - segment, count).astype(np.intp)
    window = hann(segment)
    density = np.zeros(padded // 2 + 1)
    views = np.lib.stride_tricks.sliding_window_view(samples, segment)
    # Two at a time, which takes hardly longer than one; together they are twice the record.
    for first in range(0, count, 2):
        transformed = fft.rfft(views[starts[first : first + 2]] * window, padded)
        density += np.sum(np.square(transformed.real), axis=0)
        density += np.sum(np.square(transformed.imag), axis=0)
    density /= count * np.sum(np.square(window))
    return Spectrum(
        density=density,
        segments=count / (1.0 + 2.0 * _HANN_SHARED * (count - 1) / count),
        length_s=segment / sample_rate_hz,
    )


def taper(window: FloatArray, *, sample_rate_hz: float) -> FloatArray:
    """Return the autocorrelation of a gate, 1 at lag 0: what it multiplies a noise's by.

    Multiplying correlations is convolving spectra; shape (n // 2 + 1,), for lags from 0.
    """
    length = segment_length(sample_rate_hz)
    power = np.square(np.abs(fft.rfft(window, length)))
    correlation = fft.irfft(power, length)[: length // 2 + 1]
    return np.asarray(correlation / correlation[0])


def parted(noise: Spectrum, *, sample_rate_hz: float, law: SweepLaw) -> Parted:
    """Part a spectrum into broad noise and lines, so that a gate can be laid on each."""
    if noise.segments == 0.0:
        nothing = np.zeros(0)
        return Parted(broad=nothing, lines=nothing, segments=0.0, length_s=0.0)
    length = segment_length(sample_rate_hz)
    spacing = sample_rate_hz / length
    line = _lines(noise, spacing_hz=spacing, above_hz=0.5 * law.start_hz)
    # What the regularisation lets stand above the sweep is no noise of any band in it.
    above = min(noise.density.size, math.floor(law.stop_hz / spacing) + 1)
    broad = np.where(line.found, line.floor, noise.density)
    broad[above:] = line.floor[above:]
    parts = [broad]
    if line.found.any():
        parts.append(noise.density - broad)
        parts[1][above:] = 0.0
    correlation = fft.irfft(np.stack(parts), length)[:, : length // 2 + 1]
    return Parted(
        broad=correlation[0].copy(),
        lines=correlation[1].copy() if len(parts) > 1 else np.zeros(0),
        segments=noise.segments,
        length_s=noise.length_s,
    )


def gated_density(
    noise: Parted,
    *,
    gate_taper: FloatArray,
    sample_rate_hz: float,
    frequency_hz: FloatArray,
    drive_power: FloatArray,
    law: SweepLaw,
    fraction: int,
) -> tuple[FloatArray, FloatArray]:
    """Return what a gate lets in at the grid's points, per Σw², and its degrees of freedom.

    Parameters
    ----------
    gate_taper : of :func:`taper`
    drive_power : shape (m,), |X|² on the grid; the noise falls as its inverse, which is taken
        out before averaging over 1/3 octave and put back after
    fraction : smoothing of the curves, as the n of 1/n octave

    Returns
    -------
    shape (m,) each; NaN and 0 where nothing is known
    """
    if noise.segments == 0.0:
        return np.full(frequency_hz.shape, np.nan), np.zeros(frequency_hz.shape)
    length = segment_length(sample_rate_hz)
    spacing = sample_rate_hz / length
    parts = np.stack([noise.broad, noise.lines] if noise.lines.size else [noise.broad])
    parts *= gate_taper
    # even about lag 0, so that its transform is real
    even = np.concatenate((parts, parts[:, 1 : length - gate_taper.size + 1][:, ::-1]), axis=1)
    seen = np.maximum(fft.rfft(even).real, 0.0)
    low, high = broad_cells_hz(frequency_hz, law=law)
    bins = np.arange(length // 2 + 1) * spacing
    flat = seen[0] * np.interp(bins, frequency_hz, drive_power)
    of_broad = cell_mean(flat, spacing_hz=spacing, low_hz=low, high_hz=high) / drive_power
    dof = noise.dof_a_bin * np.maximum(1.0, (high - low) * noise.length_s * _HANN_DOF)
    # A stretch shorter than two periods says nothing about a frequency.
    known = frequency_hz * noise.length_s >= 2.0
    of_broad = np.where(known, of_broad, np.nan)
    if not noise.lines.size:
        return of_broad, np.where(known, dof, 0.0)
    low, high = cell_edges_hz(frequency_hz, fraction=fraction)
    of_lines = cell_mean(seen[1], spacing_hz=spacing, low_hz=low, high_hz=high)
    total = of_broad + of_lines
    shared = np.square(of_broad) / dof + np.square(of_lines) / _LINE_DOF
    dof = np.where(shared > 0.0, np.square(total) / np.maximum(shared, 1e-300), dof)
    return total, np.where(known, dof, 0.0)


def broad_cells_hz(frequency_hz: FloatArray, *, law: SweepLaw) -> tuple[FloatArray, FloatArray]:
    """Cells that broad noise is averaged over, clear of the sweep's faded ends."""
    low, high = cell_edges_hz(frequency_hz, fraction=BROAD_FRACTION)
    clear = G ** (1 / 24)
    return (
        np.clip(low, law.start_hz * clear, law.stop_hz / clear**3),
        np.clip(high, law.start_hz * clear**3, law.stop_hz / clear),
    )


def pooled(
    during: tuple[FloatArray, FloatArray], before: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Combine two estimates of one noise: pooled where they agree, else the larger.

    The larger of two estimates would lie too high on average wherever they only differ by
    chance; so it counts only where they differ by more than chance allows (2.5 standard
    deviations of the logarithm of their ratio).

    Parameters
    ----------
    during, before : density and degrees of freedom, shape (m,) each
    """
    (one, one_dof), (other, other_dof) = during, before
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.abs(np.log(one / other)) > 2.5 * np.sqrt(2 / one_dof + 2 / other_dof)
        mean = (one * one_dof + other * other_dof) / (one_dof + other_dof)
    agree = np.isfinite(one) & np.isfinite(other) & ~apart
    larger = np.fmax(one, other)
    larger_dof = np.where(larger == one, one_dof, other_dof)
    return np.where(agree, mean, larger), np.where(agree, one_dof + other_dof, larger_dof)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Lines:
    found: BoolArray
    floor: FloatArray


def _lines(noise: Spectrum, *, spacing_hz: float, above_hz: float) -> _Lines:
    """Find bins that stand out of the median over the octave around them, beyond chance."""
    bins = noise.density.size
    top = (bins - 1) * spacing_hz
    centre = above_hz * 2.0 ** np.arange(0.0, np.log2(top / above_hz), 1.0 / 6.0)
    first = np.maximum(1, (centre / math.sqrt(2.0) / spacing_hz).astype(np.intp))
    last = np.minimum(bins, (centre * math.sqrt(2.0) / spacing_hz).astype(np.intp) + 2)
    median = np.empty(centre.size)
    for index, (low, high) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        # np.median's own care costs six times the sorting
        near = np.sort(noise.density[low : high : max(1, (high - low) // 512)])
        median[index] = 0.5 * (near[(near.size - 1) // 2] + near[near.size // 2])
    # Median and extremes of a mean square, by Wilson and Hilferty (1931).
    spread = 2.0 / (9.0 * noise.dof_a_bin)
    mean = np.maximum(median / (1.0 - spread) ** 3, 1e-300)
    floor = np.exp(np.interp(np.arange(bins) * spacing_hz, centre, np.log(mean)))
    limit = (1.0 - spread + _LINE_SIGMAS * np.sqrt(spread)) ** 3
    found = noise.density > limit * floor
    found[: int(above_hz / spacing_hz)] = False
    return _Lines(found=found, floor=floor)
