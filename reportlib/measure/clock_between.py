"""Two clocks: how much faster the recorder's ran than the player's, where no reference tells.

One sweep cannot tell this: a clock that runs fast delays each frequency by so much a second of
sweep, and so does a loudspeaker whose group delay rises towards the bass. Three things
can: a multitone that is repeated, whose tones advance in phase from period to period by the clocks
alone; a sweep that is played twice in one recording, by its distance from itself; and two sweeps
against each other, which tell the difference of their clocks.

Sign: positive where the recorder runs fast, so that a recording holds the player's second in
1 + drift seconds; in ppm.

Here: two sweeps, by the phase of the ratio of their responses; which captures of a day to bring to
one clock, and by how much. What one recording tells by itself, `clock_within` reads.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reportlib.measure.clock_within import MOST_PPM, SHORT_GATE_S, Drift
from reportlib.measure.deconvolution import Deconvolved
from reportlib.measure.levels import G
from reportlib.measure.sweep import SweepLaw
from reportlib.session.records import FloatArray

ComplexArray = NDArray[np.complex128]

_BEFORE_S, _AFTER_S = 0.005, 0.02
_NOISE_S = 0.09
_CELL = 12.0
_CLEAR = 0.1  # noise over signal of a cell that counts
_LEAST_RAD = 0.003  # what cells are left apart by in any case
_SMOOTH_RAD = np.geomspace(0.003, 1.0, 10)
_SMOOTH_OCTAVES = (0.3, 0.6, 1.2)


def relative_drift(capture: Deconvolved, *, to: Deconvolved, law: SweepLaw) -> Drift | None:
    """Return how much faster the clocks ran apart in `capture` than in `to`.

    A sweep passes f at t = L·ln(f/f1), so that a drift d delays f by d0 + d·t and the phase of
    the ratio of the two responses is −2πf·(d0 + d·L·ln(f/f1) − d·L) (its derivative is the
    delay). Fitted by generalised least squares over 1/12 octave, since the loudspeaker too turns
    its phase with level: by none to all of the least phase that goes with its change of level
    (a slow gain has none), give or take a smooth turn whose size and width are those that the
    fit's own residuals make likeliest (restricted likelihood, Patterson & Thompson 1971).

    Parameters
    ----------
    capture, to : two captures of the same sweep, each divided by the same stimulus
    law : the sweep

    Returns
    -------
    Drift, or None where the sound does not suffice
    """
    fs = capture.sample_rate_hz
    ours, theirs = _direct(capture, law=law), _direct(to, law=law)
    length = fft.next_fast_len(4 * ours.size, real=True)
    bins = fft.rfftfreq(length, 1.0 / fs)
    low_hz = max(law.start_hz, 4.0 * fs / ours.size)
    inside = (bins >= low_hz) & (bins <= min(0.95 * law.stop_hz, 0.45 * fs))
    f = bins[inside]
    cell = np.floor(_CELL * np.log(f / f[0]) / np.log(G)).astype(np.intp)
    count = np.bincount(cell)
    full = count > 0

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(cell, weights=values)[full] / count[full])

    spectra = [fft.rfft(one, length)[inside] for one in (ours, theirs)]
    noise_ratio = np.zeros(np.count_nonzero(full))
    for one, spectrum in zip((capture, to), spectra, strict=True):
        own = _noise(one, like=ours.size, length=length)[inside]
        noise_ratio += mean(own) / np.maximum(mean(np.abs(spectrum) ** 2), 1e-300)
    clear = noise_ratio < _CLEAR
    if np.count_nonzero(clear) < 2 * _CELL:
        return None
    product = spectra[0] * np.conj(spectra[1])
    product /= np.maximum(np.abs(product), 1e-300)
    product *= np.repeat(clear / (1e-3 + noise_ratio), count[full])

    time_s = law.rate_s * (np.log(f / law.start_hz) - 1.0)
    drift, lag_s = _search(product, inside=inside, length=length, fs=fs, time_s=time_s, law=law)
    independent = np.maximum(1.0, count[full] * ours.size / length)
    variance = (_LEAST_RAD**2 + 0.5 * noise_ratio / independent)[clear]
    centre = mean(f)[clear]
    centre_time_s = law.rate_s * (np.log(centre / law.start_hz) - 1.0)
    design = -2.0 * np.pi * np.stack((centre, centre * centre_time_s), axis=1)
    powers = [mean(np.abs(one) ** 2)[clear] for one in spectra]
    own = _least_phase(0.5 * np.log(powers[0] / powers[1]), frequency_hz=centre)
    u = math.inf
    for _ in range(3):
        turned = product * np.exp(2j * np.pi * f * (lag_s + drift * time_s))
        phase = np.arctan2(mean(turned.imag), mean(turned.real))[clear]
        step, u = _likeliest(
            phase - 0.5 * own,
            design=design,
            covariance=np.diag(variance) + 0.25 * np.outer(own, own),
            frequency_hz=centre,
        )
        lag_s, drift = lag_s + float(step[0]), drift + float(step[1])
    if abs(drift) > 1e-6 * MOST_PPM:
        return None
    return Drift(ppm=1e6 * drift, u_ppm=1e6 * u)


def _direct(capture: Deconvolved, *, law: SweepLaw) -> FloatArray:
    """The direct sound of an impulse response, softly cut."""
    fs = capture.sample_rate_hz
    wider_s = 1e-6 * MOST_PPM * law.duration_s
    before, after = round(fs * (_BEFORE_S + wider_s)), round(fs * (_AFTER_S + wider_s))
    peak = capture.peak_lag - capture.first_lag
    place = np.arange(-before, after)
    window = np.cos(0.5 * np.pi * np.where(place < 0, place / before, place / after)) ** 2
    return np.asarray(capture.impulse[peak - before : peak + after] * window)


def _least_phase(magnitude: FloatArray, *, frequency_hz: FloatArray) -> FloatArray:
    """Phase in rad that goes with a magnitude in nepers, which is flat beyond the ends.

    (1/π)·∫ dm/du·ln coth(|u − u0|/2) du with u = ln f (H. W. Bode, 1945).
    """
    u = np.log(frequency_hz)
    away = np.abs(0.5 * (u[:-1] + u[1:]) - u[:, np.newaxis])
    return np.asarray(-np.log(np.tanh(0.5 * away)) @ np.diff(magnitude) / np.pi)


def _noise(capture: Deconvolved, *, like: int, length: int) -> FloatArray:
    """Power that noise has in the spectrum of a direct sound of `like` samples.

    From the end of the impulse response, half a second after the sound; what still rings there
    only lets the noise look larger.
    """
    last = capture.impulse[-round(_NOISE_S * capture.sample_rate_hz) :]
    window = np.hanning(last.size)
    # either window, a cos² over its length, keeps 3/8 of the power
    power = np.abs(fft.rfft(last * window, length * math.ceil(last.size / length))) ** 2
    every = math.ceil(last.size / length)
    power = power[: (length // 2) * every + 1 : every]
    return np.asarray(power * (like / last.size))


def _search(
    product: ComplexArray,
    *,
    inside: NDArray[np.bool_],
    length: int,
    fs: int,
    time_s: FloatArray,
    law: SweepLaw,
) -> tuple[float, float]:
    """Drift and lag, roughly, by the highest of all cross-correlations, drift by drift."""
    f = fft.rfftfreq(length, 1.0 / fs)[inside]
    step = 0.25 / (f[-1] * law.rate_s)
    side = math.ceil(1e-6 * MOST_PPM / step)
    best = (-1.0, 0.0, 0.0)
    spectrum = np.zeros(inside.size, dtype=np.complex128)
    for drift in step * np.arange(-side, side + 1):
        spectrum[inside] = product * np.exp(2j * np.pi * f * drift * time_s)
        correlation = fft.irfft(spectrum, length)
        at = int(np.argmax(correlation))
        if correlation[at] > best[0]:
            lag = at if at <= length // 2 else at - length
            best = (float(correlation[at]), float(drift), lag / fs)
    return best[1], best[2]


def _likeliest(
    phase: FloatArray, *, design: FloatArray, covariance: FloatArray, frequency_hz: FloatArray
) -> tuple[FloatArray, float]:
    """Fit by the likeliest of all smooth phases of the loudspeaker's own, and u of the last."""
    apart = np.log2(frequency_hz[:, np.newaxis] / frequency_hz)
    scale = np.sqrt(np.sum(design**2, axis=0))
    columns = design / scale
    tried = []
    for octaves in _SMOOTH_OCTAVES:
        alike = np.exp(-0.5 * (apart / octaves) ** 2)
        at_this = []
        for turn in _SMOOTH_RAD:
            root = np.linalg.cholesky(covariance + turn**2 * alike)
            whitened = np.linalg.solve(root, np.column_stack((columns, phase)))
            a, b = whitened[:, :-1], whitened[:, -1]
            normal = a.T @ a
            found = np.linalg.solve(normal, a.T @ b)
            likelihood = -0.5 * float(np.sum((b - a @ found) ** 2))
            likelihood -= float(np.sum(np.log(np.diag(root))))
            likelihood -= 0.5 * float(np.linalg.slogdet(normal)[1])
            u = math.sqrt(float(np.linalg.inv(normal)[-1, -1])) / float(scale[-1])
            at_this.append((likelihood, u, found / scale))
        tried.append(max(at_this, key=lambda one: one[0]))
    # How wide a turn is one sound tells badly: the least certain of the widths counts.
    return max(tried, key=lambda one: one[0])[2], max(one[1] for one in tried)


@dataclass(frozen=True, kw_only=True)
class Clocks:
    """What a day's clocks did, and what is to be taken off.

    Attributes
    ----------
    common : drift that all captures share, None where it can't be told
    differing : by capture, drift against the baseline, where it is to be taken off
    taken_off : whether the common drift is, too
    """

    common: Drift | None
    differing: Mapping[str, Drift]
    taken_off: bool

    def to_take_off_ppm(self, captures: Sequence[Deconvolved]) -> dict[str, float]:
        """By capture, the drift to take off it, where there is any."""
        shared_ppm = self.common.ppm if self.common is not None and self.taken_off else 0.0
        moved = {one.source: shared_ppm for one in captures if self.taken_off}
        for path, drift in self.differing.items():
            moved[path] = drift.ppm + shared_ppm * (1.0 + 1e-6 * drift.ppm)
        return moved


def own_drift(capture: Deconvolved) -> Drift | None:
    """Return the drift that two sweeps in one recording told, None where they did not."""
    if capture.own_clock_ppm.size == 0:
        return None
    return Drift(ppm=float(capture.own_clock_ppm[0]), u_ppm=float(capture.own_clock_ppm[1]))


def compare_clocks(
    captures: Sequence[Deconvolved], *, law: SweepLaw, gate_s: float, common: Drift | None
) -> Clocks:
    """Compare every capture's clocks with those of the baseline, the first of `captures`.

    By each recording's own two sweeps where it holds two, else by the phase of their ratio. What
    all share cancels in every ratio, but not wholly behind a short gate, where it is taken off
    too: left there, 150 ppm moves a level by 0.34 dB behind 6 ms (simulated).

    Parameters
    ----------
    common : drift that all share, None where it can't be told
    """
    differing = {}
    for one in captures[1:]:
        drift = _against(one, captures[0], law=law)
        if drift is not None and drift.to_correct_behind(gate_s=gate_s, sweep_s=law.duration_s):
            differing[one.source] = drift
    off = (
        common is not None
        and gate_s < SHORT_GATE_S
        and common.to_correct_behind(gate_s=gate_s, sweep_s=law.duration_s)
    )
    return Clocks(common=common, differing=differing, taken_off=off)


def _against(one: Deconvolved, baseline: Deconvolved, *, law: SweepLaw) -> Drift | None:
    ours, theirs = own_drift(one), own_drift(baseline)
    if ours is None or theirs is None:
        return relative_drift(one, to=baseline, law=law)
    ppm = (ours.ppm - theirs.ppm) / (1.0 + 1e-6 * theirs.ppm)
    return Drift(ppm=ppm, u_ppm=math.hypot(ours.u_ppm, theirs.u_ppm))


_TERMS = 11  # (0.45·π)^11/11! = 1e-6: −118 dB at 0.45 of the sample rate, −109 dB at half


def resampled(signal: FloatArray, *, ppm: float) -> FloatArray:
    """Return a recording as a clock without the drift would have sampled it.

    Sample n is read at n·(1 + drift), which lies at most half a sample from another: a Taylor
    series from there, whose derivatives are exact for a band-limited signal (multiplications
    by iω of its spectrum).

    Parameters
    ----------
    signal : shape (n,)
    ppm : how much too fast its clock ran

    Returns
    -------
    shape (m,), the part of the result that lies within the recording
    """
    drift = 1e-6 * ppm
    count = math.floor((signal.size - 1) / (1.0 + drift)) + 1
    length = fft.next_fast_len(signal.size + 256, real=True)
    spectrum = fft.rfft(signal, length)
    turn = 2j * np.pi * fft.rfftfreq(length)
    if length % 2 == 0:
        turn[-1] = 0.0
    place = drift * np.arange(count)
    shift = np.rint(place).astype(np.intp)
    part = place - shift
    edges = [0, *(np.flatnonzero(np.diff(shift)) + 1), count]
    stretches = [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]
    result = np.zeros(count)
    power = np.ones(count)
    for order in range(_TERMS):
        derivative = fft.irfft(spectrum, length)
        for stretch in stretches:
            moved = slice(stretch.start + shift[stretch.start], stretch.stop + shift[stretch.start])
            result[stretch] += power[stretch] * derivative[moved]
        spectrum *= turn
        spectrum /= order + 1
        power *= part
    return result
