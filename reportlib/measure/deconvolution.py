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
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from reportlib.errors import CaptureError
from reportlib.measure import noise
from reportlib.measure.levels import adjoining_means, cell_edges_hz, cell_mean
from reportlib.measure.sweep import SweepLaw, energy_passed, find_sweep
from reportlib.session.records import Capture, FloatArray

LONGEST_GATE_S = 0.5
HIGHEST_HARMONIC = 5
_CLIPPED_AROUND_S = 0.02
_DROPPED_BEFORE, _DROPPED_AFTER = 10.0, 5.0
"""Times √(L/f), the time in which a sweep stays within its own resolution: of up to 1,000 lost
samples no more than 0.1 dB is left outside (simulated: sweeps of 1.5 and 4 s, 130 Hz to 14 kHz)."""
_FADED_S = 0.005  # at its ends a sweep stands still by itself
"""The sound of a moment that carries weight reaches the microphone within this (common practice,
no source): what clips touches the frequencies that the sweep passed so shortly before."""
_LATE_S = 0.01  # what a drive's start is uncertain by, and what a sweep's fade leaves of its start


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
    during_broad, during_lines, before_broad, before_lines : the impulse response's noise, from
        the record outside every window and from the silence before the sweep; the other fields
        of `noise.Parted` beside them
    clipped_hz, dropped_hz : shape (2k,), what the sweep passed while the recording clipped, and
        what it loses where samples were lost: lowest and highest frequency of each stretch
    own_clock_ppm : shape (2,), the recording's clock drift and its u, where two sweeps in it told
        them; else shape (0,)
    sweep_start_s, tail_s : see `records.Response`
    highest_harmonic : up to which it holds them; 1 where it holds none
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
    during_broad: FloatArray
    during_lines: FloatArray
    during_segments: float
    during_length_s: float
    before_broad: FloatArray
    before_lines: FloatArray
    before_segments: float
    before_length_s: float
    clipped_hz: FloatArray
    dropped_hz: FloatArray
    own_clock_ppm: FloatArray
    sweep_start_s: float
    tail_s: float
    highest_harmonic: int = HIGHEST_HARMONIC

    @property
    def during(self) -> noise.Parted:
        """Noise while the sweep ran."""
        return noise.Parted(
            broad=self.during_broad,
            lines=self.during_lines,
            segments=self.during_segments,
            length_s=self.during_length_s,
        )

    @property
    def before(self) -> noise.Parted:
        """Noise before the sweep, as deconvolution makes it look."""
        return noise.Parted(
            broad=self.before_broad,
            lines=self.before_lines,
            segments=self.before_segments,
            length_s=self.before_length_s,
        )


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
        drive, drive_name = stimulus, "the stimulus that [sweep] of session.toml names"
    else:
        raise CaptureError(
            f"{capture.source} has no reference channel and [sweep] of session.toml names no "
            "stimulus; name the file that was played."
        )
    drive_start_s = find_sweep(drive, law=law, sample_rate_hz=fs, source=drive_name)

    # Every array here is as long as the recording, and fresh memory costs as much as arithmetic:
    # so they are few and used again. numpy's transforms pad without a copy and take `out`.
    length = fft.next_fast_len(max(microphone.size, drive.size), real=True)
    x, h = np.fft.rfft(drive, length), np.fft.rfft(microphone, length)
    spacing = fs / length
    x_power, inverse = np.square(x.real), np.square(x.imag)
    x_power += inverse
    first, last = math.ceil(law.start_hz / spacing), math.floor(law.stop_hz / spacing)
    # A sweep's |X|² falls smoothly, so that every 16th bin has the same median.
    median = float(np.median(x_power[first : last + 1 : 16]))
    np.conj(x, out=x)
    h *= x
    _set_floor(inverse, spacing_hz=spacing, law=law)
    inverse *= median
    inverse += x_power
    np.divide(1.0, inverse, out=inverse)
    h *= inverse
    circular = np.fft.irfft(h, length, out=x.view(np.float64)[:length])
    del h

    low, high = cell_edges_hz(frequency_hz, fraction=fraction)
    inside = {"low_hz": np.maximum(low, law.start_hz), "high_hz": np.minimum(high, law.stop_hz)}
    drive_power = cell_mean(x_power, spacing_hz=spacing, **inside)

    highest, lowest = int(np.argmax(circular)), int(np.argmin(circular))
    peak = highest if circular[highest] >= -circular[lowest] else lowest
    _require_answer(circular, peak=peak, source=capture.source)
    peak_lag = max(
        (peak, peak - length),
        key=lambda lag: _overlap_s(drive_start_s + lag / fs, law=law, end_s=microphone.size / fs),
    )
    sweep_start_s = drive_start_s + peak_lag / fs
    if sweep_start_s < -_LATE_S:
        raise CaptureError(
            f"{capture.source} starts {-1e3 * sweep_start_s:.0f} ms after its sweep does; start "
            "the recording at least half a second before it, or leave this capture out of "
            "session.toml.",
            code="starts-late",
        )
    lead = round(fs * (law.lead_s(HIGHEST_HARMONIC + 1) + 0.06))
    after = round(fs * (LONGEST_GATE_S + 0.1))
    outside = _stretch(circular, first=peak + after, last=peak + length - lead)
    during = noise.spectrum(outside, sample_rate_hz=fs)
    silence = microphone[: max(0, int(fs * (sweep_start_s - 0.02)))]
    before = noise.spectrum(silence, sample_rate_hz=fs)
    if during.segments == before.segments == 0.0:
        raise CaptureError(
            f"{capture.source} leaves no stretch without the sweep's answer to measure noise in; "
            "record at least half a second of silence before the sweep.",
            code="no-sweep",
        )
    if before.segments:
        # What deconvolution makes of noise: |X|²/(|X|² + ε)², over the bins of noise spectra.
        np.square(inverse, out=inverse)
        x_power *= inverse
        bins = np.arange(before.density.size + 1, dtype=np.float64)
        edges_hz = (bins - 0.5) * (fs / noise.segment_length(fs))
        gain = adjoining_means(x_power, spacing_hz=spacing, edges_hz=edges_hz)
        before = replace(before, density=before.density * gain * (microphone.size / length))
    parted = [noise.parted(one, sample_rate_hz=fs, law=law) for one in (during, before)]
    return Deconvolved(
        source=capture.source,
        sample_rate_hz=fs,
        impulse=_stretch(circular, first=peak - lead, last=peak + after).copy(),
        first_lag=peak_lag - lead,
        peak_lag=peak_lag,
        frequency_hz=frequency_hz,
        drive_amplitude=_amplitude(drive, start_s=drive_start_s, law=law, fs=fs),
        drive_power=drive_power,
        drive_noise=_drive_noise(
            capture,
            drive_start_s=drive_start_s,
            drive_power=drive_power,
            frequency_hz=frequency_hz,
            law=law,
        ),
        during_broad=parted[0].broad,
        during_lines=parted[0].lines,
        during_segments=parted[0].segments,
        during_length_s=parted[0].length_s,
        before_broad=parted[1].broad,
        before_lines=parted[1].lines,
        before_segments=parted[1].segments,
        before_length_s=parted[1].length_s,
        clipped_hz=_clipped_hz(capture, starts_s=(drive_start_s, sweep_start_s), law=law),
        dropped_hz=_dropped_hz(capture, starts_s=(drive_start_s, sweep_start_s), law=law),
        own_clock_ppm=np.empty(0),
        sweep_start_s=sweep_start_s,
        tail_s=microphone.size / fs - sweep_start_s - law.duration_s,
    )


_SPREAD_S = 0.25
"""Half of an impulse response's energy passes in less: in a hall that takes 3 s to fall by 60 dB in
0.24 s (ln 3 over its rate). That of a sweep takes half as long as the sweep."""


def divided_already(
    capture: Capture,
    *,
    law: SweepLaw,
    frequency_hz: FloatArray,
    noise_s: tuple[float, float] | None,
) -> Deconvolved:
    """Take a capture that is an impulse response already, at the level that it has.

    Its mean is its own, and it holds neither drive nor harmonics.

    Parameters
    ----------
    capture : divided by one and the same stimulus as the session's others
    frequency_hz : shape (m,), the grid
    noise_s : from where to where in the file noise alone stands; None where nobody says: then
        noise is taken as 0, and whatever is made of it is a lower bound

    Raises
    ------
    CaptureError
        It is no impulse response, ends at its peak, or holds no such stretch of noise.
    """
    fs, impulse = capture.sample_rate_hz, capture.microphone + capture.dc_offset
    first, last = energy_passed(impulse, shares=(0.25, 0.75)) or (0, 0)
    if last - first > _SPREAD_S * fs:
        raise CaptureError(
            f"{capture.source} is no impulse response: half of its energy passes in "
            f"{(last - first) / fs:.2f} s, expected {_SPREAD_S:g} s or less. Name a recording of a "
            "sweep under captures; cut an impulse response to where it stands above its noise.",
            code="no-impulse",
        )
    peak = int(np.argmax(np.abs(impulse)))
    end, during = impulse.size, noise.unknown(fs)
    if noise_s is not None:
        start, stop = (round(fs * one) for one in noise_s)
        during = noise.spectrum(impulse[start:stop], sample_rate_hz=fs)
        if stop > impulse.size or start <= peak < stop or not during.segments:
            raise CaptureError(
                f"{capture.source} holds no noise alone from {noise_s[0]:g} to {noise_s[1]:g} s as "
                f"[impulse] of session.toml says: it lasts {impulse.size / fs:.3g} s, its sound "
                f"arrives at {peak / fs:.3g} s, and {noise.SHORTEST_S:g} s of noise are needed. "
                "Correct noise_from_s and noise_to_s, or leave [impulse] out.",
                code="no-impulse",
            )
        end = start if start > peak else end
    if end - peak < 0.001 * fs:
        raise CaptureError(
            f"{capture.source} ends where its sound arrives, {peak / fs:.3g} s after its start; "
            "export it with what follows.",
            code="no-impulse",
        )
    ones, nothing = np.ones(frequency_hz.shape), np.empty(0)
    parted = noise.parted(during, sample_rate_hz=fs, law=law)
    if noise_s is None:
        none = np.zeros(noise.segment_length(fs) // 2 + 1)
        parted = noise.Parted(broad=none, lines=nothing, segments=math.inf, length_s=math.inf)
    lead = round(LONGEST_GATE_S * fs)  # a gate may rise before the file begins
    return Deconvolved(
        source=capture.source,
        sample_rate_hz=fs,
        impulse=np.concatenate((np.zeros(lead), impulse)),
        first_lag=-lead,
        peak_lag=peak,
        frequency_hz=frequency_hz,
        drive_amplitude=1.0,
        drive_power=ones,
        drive_noise=np.zeros(frequency_hz.shape),
        during_broad=parted.broad,
        during_lines=parted.lines,
        during_segments=parted.segments,
        during_length_s=parted.length_s,
        before_broad=nothing,
        before_lines=nothing,
        before_segments=0.0,
        before_length_s=0.0,
        clipped_hz=nothing,
        dropped_hz=nothing,
        own_clock_ppm=nothing,
        sweep_start_s=0.0,
        tail_s=(end - peak) / fs,
        highest_harmonic=1,
    )


def _stretch(circular: FloatArray, *, first: int, last: int) -> FloatArray:
    """Return circular[first:last], which may run over its ends; a view where it does not."""
    start = first % circular.size
    stop = start + max(0, last - first)
    if stop <= circular.size:
        return circular[start:stop]
    if stop > 2 * circular.size:  # a sweep so short that the stretch goes round more than once
        return circular.take(np.arange(first, last), mode="wrap")
    return np.concatenate((circular[start:], circular[: stop - circular.size]))


def _clipped_hz(capture: Capture, *, starts_s: tuple[float, ...], law: SweepLaw) -> FloatArray:
    """What the sweep passed while the recording clipped, in the drive or in its answer."""
    first, last = capture.clipped_s[::2], capture.clipped_s[1::2]
    if capture.reference is None:
        starts_s = starts_s[1:]  # the stimulus stands elsewhere in its own file
    early = first - max(starts_s) - _CLIPPED_AROUND_S
    late = last - min(starts_s) + _CLIPPED_AROUND_S
    hit = (late > 0.0) & (early < law.duration_s)
    time_s = np.clip(np.stack((early[hit], late[hit]), axis=1).ravel(), 0.0, law.duration_s)
    return np.asarray(law.start_hz * np.exp(time_s / law.rate_s))


def _dropped_hz(capture: Capture, *, starts_s: tuple[float, ...], law: SweepLaw) -> FloatArray:
    """What loses where samples were lost: a hole is a click, which is heard around its moment."""
    first, last = capture.dropped_s[::2], capture.dropped_s[1::2]
    if capture.reference is None:
        starts_s = starts_s[1:]
    early, late = first - max(starts_s), last - min(starts_s)
    hit = (late > _FADED_S) & (early < law.duration_s - _FADED_S)
    early, late = (np.clip(one[hit], 0.0, law.duration_s) for one in (early, late))
    early, late = (
        one + share * np.sqrt(law.rate_s / (law.start_hz * np.exp(one / law.rate_s)))
        for one, share in ((early, -_DROPPED_BEFORE), (late, _DROPPED_AFTER))
    )
    time_s = np.clip(np.stack((early, late), axis=1).ravel(), 0.0, law.duration_s)
    return np.asarray(law.start_hz * np.exp(time_s / law.rate_s))


def _overlap_s(start_s: float, *, law: SweepLaw, end_s: float) -> float:
    """How much of a sweep that starts there lies within a recording, less the further off."""
    return min(start_s + law.duration_s, end_s) - max(start_s, 0.0)


def _set_floor(kappa: FloatArray, *, spacing_hz: float, law: SweepLaw) -> None:
    """Fill an array over all bins with κ(f), which is level but for two slopes."""
    kappa.fill(1.0)
    first, last = (round(hz / spacing_hz) for hz in (law.start_hz, law.stop_hz))
    kappa[first:last] = 1e-6
    for low, high in ((first - first // 4 - 2, first + 2), (last - 1, last + last // 4 + 2)):
        near = np.arange(max(0, low), min(high, kappa.size), dtype=np.float64)
        kappa[max(0, low) : high] = regularisation(
            near * spacing_hz, start_hz=law.start_hz, stop_hz=law.stop_hz
        )


def _require_answer(circular: FloatArray, *, peak: int, source: str) -> None:
    """Noise alone peaks 17 dB over its own median (largest of 3e5 normal values); ask for 20."""
    if abs(circular[peak]) < 10.0 * float(np.median(np.abs(circular[::16]))):
        raise CaptureError(
            f"{source} does not hold the sweep's answer: after dividing the drive out nothing "
            "stands above the noise. Check that the microphone's channel is right and was "
            "recorded while this sweep played.",
            code="no-sweep",
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
    found = noise.spectrum(silence, sample_rate_hz=fs)
    if found.segments == 0.0:
        return np.zeros(frequency_hz.shape)
    low, high = noise.broad_cells_hz(frequency_hz, law=law)
    spacing = fs / noise.segment_length(fs)
    density = cell_mean(found.density, spacing_hz=spacing, low_hz=low, high_hz=high)
    return density * capture.reference.size / drive_power


def _amplitude(drive: FloatArray, *, start_s: float, law: SweepLaw, fs: int) -> float:
    """Peak amplitude of the sweep, from its middle: its ends are faded, and would lower it."""
    first, last = (round(fs * (start_s + part * law.duration_s)) for part in (0.1, 0.9))
    middle = drive[max(0, first) : last]
    return math.sqrt(2.0 * float(np.mean(np.square(middle))))
