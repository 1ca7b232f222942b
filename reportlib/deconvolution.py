"""From one recording to its impulse response, before any gate.

The drive is divided out in the frequency domain, H = Y·conj(X)/(|X|² + ε), with ε in
proportion to the drive's own power, so that it cancels in every ratio. The transform is as
long as the recording, not as recording and drive together: the drive ends within the
recording and so does its answer, so nothing wraps that would not be zero, and the noise in
the impulse response is then the same at every lag, which is what measuring it there needs.

Lags are circular: the linear response stands at the arrival, harmonic k stands L·ln k before
it, and what lies outside all of them is noise, as it was *while* the sweep ran.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft

from reportlib.errors import CaptureError
from reportlib.levels import G, cell_edges_hz, cell_mean
from reportlib.model import Capture, FloatArray
from reportlib.stimulus import SweepLaw, find_sweep

LONGEST_GATE_S = 0.5
HIGHEST_HARMONIC = 5
_NOISE_SEGMENT_S = 1.2
_NOISE_FRACTION = 3.0  # noise is averaged over 1/3 octave


@dataclass(frozen=True, eq=False, kw_only=True)
class Deconvolved:
    """The impulse response of one capture around its arrival, and the noise that it stands in.

    Attributes
    ----------
    source : path in the session folder
    impulse : shape (n,), per unit of drive; sample `origin` is lag 0 of `first_lag`
    first_lag : lag of ``impulse[0]``, in samples, may be negative
    peak_lag : lag of the largest sample
    frequency_hz : shape (m,), the grid
    drive_amplitude : peak amplitude of the drive's sweep
    drive_power : shape (m,), smoothed |X|²
    drive_noise : shape (m,), noise over signal in the smoothed reference (power)
    noise_density : shape (m,), noise of the impulse response: power per bin of an
        unnormalised transform and per sample, so that a window w gathers Σw² times it
    noise_dof : shape (m,)
    noise_excess_db : shape (m,), noise during the sweep over noise before it; NaN if unknown
    sweep_start_s, tail_s : see `model.Response`
    """

    source: str
    sample_rate_hz: int
    impulse: FloatArray
    first_lag: int
    peak_lag: int
    frequency_hz: FloatArray
    drive_amplitude: float
    drive_power: FloatArray
    drive_noise: FloatArray
    noise_density: FloatArray
    noise_dof: FloatArray
    noise_excess_db: FloatArray
    sweep_start_s: float
    tail_s: float


def regularisation(frequency_hz: FloatArray, *, start_hz: float, stop_hz: float) -> FloatArray:
    """Return κ(f): 1e-6 inside the sweep, 1 outside, raised cosine over 1/6 octave beyond it.

    Parameters
    ----------
    frequency_hz : shape (n,), rising
    """
    kappa = np.ones(frequency_hz.shape)
    first, last = np.searchsorted(frequency_hz, (start_hz, stop_hz * (1.0 + 1e-12)))
    kappa[first:last] = 1e-6
    wide = 2.0 ** (1.0 / 6.0)
    begin, end = np.searchsorted(frequency_hz, (start_hz / wide, stop_hz * wide))
    for edge, out in (
        (slice(begin, first), np.log2(start_hz / np.maximum(frequency_hz[begin:first], 1e-9))),
        (slice(last, end), np.log2(frequency_hz[last:end] / stop_hz)),
    ):
        outside = 0.5 - 0.5 * np.cos(np.pi * np.clip(6.0 * out, 0.0, 1.0))
        kappa[edge] = 10.0 ** (-6.0 * (1.0 - outside))
    return kappa


def deconvolve(
    capture: Capture,
    *,
    law: SweepLaw,
    frequency_hz: FloatArray,
    fraction: int,
    stimulus: FloatArray | None = None,
) -> Deconvolved:
    """Divide the drive out of a capture.

    Parameters
    ----------
    capture : the recording; its reference channel, where it has one, is the drive
    law : the sweep
    frequency_hz : shape (m,), grid for noise and drive
    fraction : smoothing, as the n of 1/n octave
    stimulus : shape (s,), what was played, at the capture's sample rate; used where the
        capture has no reference channel

    Raises
    ------
    CaptureError
        No drive, no sweep in the drive, or no answer to it in the microphone's channel.
    """
    fs = capture.sample_rate_hz
    microphone = capture.microphone
    if capture.reference is not None:
        drive, drive_name = capture.reference, f"{capture.source} (reference channel)"
    elif stimulus is not None:
        drive, drive_name = stimulus, "[sweep] stimulus"
    else:
        raise CaptureError(
            f"{capture.source} has no reference channel and [sweep] names no stimulus; "
            "name the file that was played."
        )
    drive_start_s = find_sweep(drive, law=law, sample_rate_hz=fs, source=drive_name)

    length = fft.next_fast_len(max(microphone.size, drive.size), real=True)
    x = fft.rfft(drive, length)
    h = fft.rfft(microphone, length)
    spacing = fs / length
    x_power = np.square(x.real)
    x_power += np.square(x.imag)
    first, last = math.ceil(law.start_hz / spacing), math.floor(law.stop_hz / spacing)
    # A sweep's |X|² falls smoothly, so that every 16th bin has the same median.
    median = float(np.median(x_power[first : last + 1 : 16]))
    np.conj(x, out=x)
    h *= x
    denominator = _floor(length, fs=fs, law=law) * median
    denominator += x_power
    h /= denominator
    circular = fft.irfft(h, length, overwrite_x=True)

    low, high = cell_edges_hz(frequency_hz, fraction=fraction)
    inside = {"low_hz": np.maximum(low, law.start_hz), "high_hz": np.minimum(high, law.stop_hz)}
    drive_power = cell_mean(x_power, spacing_hz=spacing, **inside)

    peak = int(np.argmax(np.abs(circular)))
    _require_answer(circular, peak=peak, source=capture.source)
    latest_s = microphone.size / fs - law.duration_s - drive_start_s
    peak_lag = peak if peak / fs <= latest_s + 0.05 else peak - length
    sweep_start_s = drive_start_s + peak_lag / fs
    lead = round(fs * (law.lead_s(HIGHEST_HARMONIC + 1) + 0.06))
    after = round(fs * (LONGEST_GATE_S + 0.1))
    during, during_dof = _noise_in_record(
        circular,
        fs=fs,
        first=peak + after,
        last=peak + length - lead,
        frequency_hz=frequency_hz,
        drive_power=drive_power,
        law=law,
    )
    before, before_dof = _noise_before_sweep(
        microphone[: max(0, int(fs * (sweep_start_s - 0.02)))],
        fs=fs,
        frequency_hz=frequency_hz,
        law=law,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        before *= microphone.size / length / drive_power
        excess_db = 10.0 * np.log10(during / before)
    density, dof = _pool(during, before, during_dof=during_dof, before_dof=before_dof)
    if not np.all(np.isfinite(density)):
        raise CaptureError(
            f"{capture.source} leaves no stretch without the sweep's answer to measure noise in; "
            "record at least half a second of silence before the sweep."
        )
    take = np.arange(peak - lead, peak + after)
    return Deconvolved(
        source=capture.source,
        sample_rate_hz=fs,
        impulse=circular.take(take, mode="wrap"),
        first_lag=peak_lag - lead,
        peak_lag=peak_lag,
        frequency_hz=frequency_hz,
        drive_amplitude=math.sqrt(2.0 * float(np.dot(drive, drive)) / (law.duration_s * fs)),
        drive_power=drive_power,
        drive_noise=_drive_noise(
            capture,
            drive_start_s=drive_start_s,
            drive_power=drive_power,
            frequency_hz=frequency_hz,
            law=law,
        ),
        noise_density=density,
        noise_dof=dof,
        noise_excess_db=excess_db,
        sweep_start_s=sweep_start_s,
        tail_s=microphone.size / fs - sweep_start_s - law.duration_s,
    )


def _floor(length: int, *, fs: int, law: SweepLaw) -> FloatArray:
    return regularisation(
        fft.rfftfreq(length, 1.0 / fs), start_hz=law.start_hz, stop_hz=law.stop_hz
    )


def _require_answer(circular: FloatArray, *, peak: int, source: str) -> None:
    """Noise alone peaks 17 dB over its own median (largest of 3e5 normal values); ask for 20."""
    if abs(circular[peak]) < 10.0 * float(np.median(np.abs(circular[::16]))):
        raise CaptureError(
            f"{source} does not hold the sweep's answer: after dividing the drive out nothing "
            "stands above the noise. Check that the microphone's channel is right and was "
            "recorded while this sweep played."
        )


def _spectral_density(
    pieces: FloatArray,
    *,
    fs: int,
    low_hz: FloatArray,
    high_hz: FloatArray,
    weight: Callable[[FloatArray], FloatArray] | None = None,
) -> FloatArray:
    """Average Hann-windowed power spectra, per sample, over cells.

    `weight` gives a factor for each bin's frequency, applied before the average.
    """
    length = pieces.shape[-1]
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)
    padded = fft.next_fast_len(length, real=True)
    spectrum = fft.rfft(pieces * window, padded)
    density = np.mean(np.square(spectrum.real) + np.square(spectrum.imag), axis=0)
    density /= np.sum(np.square(window))
    if weight is not None:
        density *= weight(fft.rfftfreq(padded, 1.0 / fs))
    return cell_mean(density, spacing_hz=fs / padded, low_hz=low_hz, high_hz=high_hz)


def _noise_cells(frequency_hz: FloatArray, *, law: SweepLaw) -> tuple[FloatArray, FloatArray]:
    """Cells that noise is averaged over: 1/3 octave, clear of the sweep's faded ends."""
    low, high = cell_edges_hz(frequency_hz, fraction=_NOISE_FRACTION)
    clear = G ** (1 / 24)
    return (
        np.clip(low, law.start_hz * clear, law.stop_hz / clear**3),
        np.clip(high, law.start_hz * clear**3, law.stop_hz / clear),
    )


_HANN_DOF = 0.514  # (Σw²)²/(n·Σw⁴) of a Hann window: the share of its length that counts


def _noise_in_record(
    circular: FloatArray,
    *,
    fs: int,
    first: int,
    last: int,
    frequency_hz: FloatArray,
    drive_power: FloatArray,
    law: SweepLaw,
) -> tuple[FloatArray, FloatArray]:
    """Noise density outside every window of the record; NaN where the record is too short.

    Half-overlapping Hann segments (P. D. Welch, 1967). The density rises as 1/|X|² and is
    averaged after taking that out.
    """
    available = last - first
    segment = min(round(_NOISE_SEGMENT_S * fs), available)
    if segment < 0.15 * fs:
        return np.full(frequency_hz.shape, np.nan), np.zeros(frequency_hz.shape)
    count = max(1, 2 * available // segment - 1)
    starts = first + np.linspace(0, available - segment, count).astype(np.intp)
    pieces = circular.take(starts[:, np.newaxis] + np.arange(segment), mode="wrap")
    low, high = _noise_cells(frequency_hz, law=law)
    density = _spectral_density(
        pieces,
        fs=fs,
        low_hz=low,
        high_hz=high,
        weight=lambda bins: np.interp(bins, frequency_hz, drive_power),
    )
    # Neighbouring half-overlapped Hann segments share 1/36 of their power (Welch 1967).
    independent = count / (1.0 + 2.0 / 36.0 * (count - 1) / count)
    dof = 2.0 * independent * np.maximum(1.0, (high - low) * segment / fs * _HANN_DOF)
    return density / drive_power, dof


def _noise_before_sweep(
    silence: FloatArray, *, fs: int, frequency_hz: FloatArray, law: SweepLaw
) -> tuple[FloatArray, FloatArray]:
    """Noise density of the recording before the sweep; NaN where less than 0.15 s is silent."""
    if silence.size < 0.15 * fs:
        return np.full(frequency_hz.shape, np.nan), np.zeros(frequency_hz.shape)
    low, high = _noise_cells(frequency_hz, law=law)
    density = _spectral_density(silence[np.newaxis, :], fs=fs, low_hz=low, high_hz=high)
    dof = 2.0 * np.maximum(1.0, (high - low) * silence.size / fs * _HANN_DOF)
    # A stretch shorter than two periods says nothing about a frequency.
    known = frequency_hz * silence.size / fs >= 2.0
    return np.where(known, density, np.nan), np.where(known, dof, 0.0)


def _pool(
    during: FloatArray, before: FloatArray, *, during_dof: FloatArray, before_dof: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Combine two estimates of one noise: pooled where they agree, else the larger.

    The larger of two estimates would lie too high on average wherever they only differ by
    chance; so it counts only where they differ by more than chance allows (2.5 standard
    deviations of the logarithm of their ratio).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.abs(np.log(during / before)) > 2.5 * np.sqrt(2 / during_dof + 2 / before_dof)
        pooled = (during * during_dof + before * before_dof) / (during_dof + before_dof)
    larger = np.fmax(during, before)
    larger_dof = np.where(larger == during, during_dof, before_dof)
    known = np.isfinite(during) & np.isfinite(before)
    agree = known & ~apart
    return (
        np.where(agree, pooled, larger),
        np.where(agree, during_dof + before_dof, larger_dof),
    )


def _drive_noise(
    capture: Capture,
    *,
    drive_start_s: float,
    drive_power: FloatArray,
    frequency_hz: FloatArray,
    law: SweepLaw,
) -> FloatArray:
    """Noise over signal in the smoothed reference; 0 where it cannot be seen."""
    fs = capture.sample_rate_hz
    if capture.reference is None:
        return np.zeros(frequency_hz.shape)
    silence = capture.reference[: max(0, int(fs * (drive_start_s - 0.02)))]
    density, _ = _noise_before_sweep(silence, fs=fs, frequency_hz=frequency_hz, law=law)
    return np.nan_to_num(density * capture.reference.size / drive_power)
