"""What the gate keeps of a recording once its samples are gone: a few numbers by time.

An exponential sweep is one sine at a time, so that a stretch of the recording is a stretch of
frequency, t = L·ln(f/f1) (Farina 2000). Shape of the waveform: the kurtosis m₄/m₂² of a sine
is 1.5; a third harmonic of relative amplitude h in the phase that flattens the tops lowers it
by 2h (trigonometry: the mean of sin³φ·sin 3φ is −1/8).
"""

import math
from dataclasses import dataclass, fields

import numpy as np
from scipy import fft

from reportlib.measure.noise import hann
from reportlib.measure.sweep import SweepLaw
from reportlib.session.records import BoolArray, Capture, FloatArray, freeze, same_length

FRAME_OCTAVES = 1.0 / 6.0
BLOCK_S = 0.08
OCTAVES_HZ = (20.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
MAINS_HZ = (50.0, 60.0)
HUM_ORDERS = 6
_SILENCE_HZ = (200.0, 8000.0)
_SHORTEST_S, _HUM_SHORTEST_S = 0.15, 0.3
_TOP, _NEAR_TOP = 0.999, 0.9
_FEWEST_TOPS = 40
_STEPS_FROM = 4000
_FEWEST_CYCLES = 5.0
_LOWER_MEAN = (
    2.29  # mean of exponential values over the mean of the lower 6 of 10 (order statistics)
)


@dataclass(frozen=True, eq=False, kw_only=True)
class Trace:
    """A recording in brief.

    Attributes
    ----------
    source : path in the session folder
    frame_hz : shape (m,), frequency that the sweep passes in the middle of each frame
    level_db, kurtosis, skewness : shape (m,), of the microphone in each frame, dB re full
        scale (rms); NaN where the frame lies outside the recording or holds too few periods
    frame_tops : shape (m,), how near each frame comes to the recording's largest sample of
        either side, 1 where it reaches it; NaN outside
    blocks : shape (b, 8), power of the microphone in octaves, block by block of `block_s`,
        half overlapping, from the sweep's start on
    block_dof : shape (8,), degrees of freedom of one value of it
    block_s : seconds from block to block
    silence_db, after_db : noise before and after the sweep, 200–8000 Hz, dB re full scale; NaN
        where less than 0.15 s was recorded
    hum_power, hum_around : shape (2, 6), power of the first six harmonics of 50 and 60 Hz in
        the silence before the sweep (mean square, full scale 1), and of the noise around in
        the same bandwidth; NaN without silence
    microphone_tops, reference_tops : share of the samples above 0.9 of the largest that stand
        within 0.1 % of it, the flatter side; NaN where the steps are too coarse to tell
    peak, reference_peak : largest sample of each channel
    """

    source: str
    frame_hz: FloatArray
    level_db: FloatArray
    kurtosis: FloatArray
    skewness: FloatArray
    frame_tops: FloatArray
    blocks: FloatArray
    block_dof: FloatArray
    block_s: float
    silence_db: float
    after_db: float
    hum_power: FloatArray
    hum_around: FloatArray
    microphone_tops: float
    reference_tops: float
    peak: float
    reference_peak: float

    def __post_init__(self) -> None:
        freeze(self, (field.name for field in fields(self) if field.type is FloatArray))
        same_length(self, ("frame_hz", "level_db", "kurtosis", "skewness", "frame_tops"))
        same_length(self, ("blocks", "block_dof"))
        same_length(self, ("hum_power", "hum_around"))

    @property
    def cut_hz(self) -> FloatArray:
        """What the sweep passed while the microphone reached its largest sample; shape (2k,)."""
        return self.frames_hz(self.frame_tops >= _TOP)

    def frames_hz(self, chosen: BoolArray) -> FloatArray:
        """Return lowest and highest frequency of each chosen frame and two beside it; shape (2k,).

        A waveform that begins to bend is heard for a while around that moment.
        """
        wide = 2.0 ** (2.5 * FRAME_OCTAVES)
        middle = self.frame_hz[chosen]
        return np.asarray(np.stack((middle / wide, middle * wide), axis=1).ravel())


def listen(capture: Capture, *, law: SweepLaw, sweep_start_s: float) -> Trace:
    """Keep of a recording what the gate needs.

    Parameters
    ----------
    sweep_start_s : where the sweep's answer starts in the recording; may be negative
    """
    fs, sound = capture.sample_rate_hz, capture.microphone
    start = round(sweep_start_s * fs)
    end = start + round(law.duration_s * fs)
    frame_hz, level, kurtosis, skewness, tops = _frames(sound, fs=fs, start=start, law=law)
    blocks, dof, block_s = _blocks(sound, fs=fs, start=start, end=end)
    before = sound[: max(0, start - round(0.02 * fs))]
    # The last part of what follows, so that a room's tail has had time to die.
    after = sound[max(0, end + round(0.35 * fs)) :]
    silence = _Silence.of(before, fs=fs, shortest_s=_SHORTEST_S)
    hum, around = _hum(silence if before.size >= _HUM_SHORTEST_S * fs else None)
    high, low = float(sound.max()), float(sound.min())
    reference, reference_tops, reference_peak = capture.reference, math.nan, 0.0
    if reference is not None:
        highest, lowest = float(reference.max()), float(reference.min())
        reference_tops = _tops(reference, high=highest, low=lowest)
        reference_peak = max(highest, -lowest)
    return Trace(
        source=capture.source,
        frame_hz=frame_hz,
        level_db=level,
        kurtosis=kurtosis,
        skewness=skewness,
        frame_tops=tops,
        blocks=blocks,
        block_dof=dof,
        block_s=block_s,
        silence_db=_noise_db(silence),
        after_db=_noise_db(_Silence.of(after, fs=fs, shortest_s=_SHORTEST_S)),
        hum_power=hum,
        hum_around=around,
        microphone_tops=_tops(sound, high=high, low=low),
        reference_tops=reference_tops,
        peak=max(high, -low),
        reference_peak=reference_peak,
    )


def _frames(
    sound: FloatArray, *, fs: int, start: int, law: SweepLaw
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    step = law.rate_s * math.log(2.0) * FRAME_OCTAVES
    count = int(law.duration_s / step)
    edges = start + np.round(np.arange(count + 1) * step * fs).astype(np.intp)
    frame_hz = law.start_hz * np.exp((np.arange(count) + 0.5) * step / law.rate_s)
    inside = (edges[:-1] >= 0) & (edges[1:] <= sound.size)
    moments, tops = np.full((4, count), np.nan), np.full(count, np.nan)
    clipped = np.clip(edges, 0, sound.size)
    first, last = int(clipped[0]), int(clipped[-1])
    piece = sound[first:last]
    if piece.size:
        cuts = np.clip(clipped[:-1] - first, 0, piece.size - 1)
        length = np.maximum(np.diff(clipped), 1)
        square = piece * piece
        for row, values in enumerate((piece, square, square * piece, square * square)):
            moments[row] = np.add.reduceat(values, cuts) / length
        high, low = max(float(sound.max()), 1e-12), min(float(sound.min()), -1e-12)
        of_side = np.maximum.reduceat(piece, cuts) / high, np.minimum.reduceat(piece, cuts) / low
        tops = np.where(inside, np.maximum(*of_side), np.nan)
    mean, second, third, fourth = (np.where(inside, row, np.nan) for row in moments)
    told = frame_hz * step >= _FEWEST_CYCLES
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.where(inside, 10.0 * np.log10(second), np.nan)
        kurtosis = np.where(told, fourth / second**2, np.nan)
        skewness = np.where(told, (third - 3.0 * mean * second) / second**1.5, np.nan)
    return frame_hz, level, kurtosis, skewness, tops


def _blocks(
    sound: FloatArray, *, fs: int, start: int, end: int
) -> tuple[FloatArray, FloatArray, float]:
    size = 2 ** round(math.log2(BLOCK_S * fs))
    hop = size // 2
    bins = np.arange(size // 2 + 1) * fs / size
    low = np.searchsorted(bins, OCTAVES_HZ[:-1])
    high = np.searchsorted(bins, np.minimum(OCTAVES_HZ[1:], 0.45 * fs))
    count = np.maximum(high - low, 1)
    # A Hann window spreads one value over 1.5 bins.
    dof = np.maximum(2.0 * count / 1.5, 2.0)
    starts = np.arange(start, end, hop)
    starts = starts[(starts >= 0) & (starts + size <= sound.size)]
    if not starts.size:
        return np.full((0, low.size), np.nan), dof, hop / fs
    piece = sound[starts[0] : starts[-1] + size]
    scale = max(float(piece.max()), -float(piece.min()), 1e-300)
    # Single precision errs by less than a recording of 24 bits: 140 dB below a block's largest.
    single = (piece / scale).astype(np.float32)
    window = hann(size).astype(np.float32)
    views = np.lib.stride_tricks.sliding_window_view(single, size)[::hop]
    powers = np.empty((starts.size, low.size))
    edges = np.minimum(np.append(low, high[-1]), bins.size - 1)  # octaves above half the rate
    for part in range(0, starts.size, 32):
        spectrum = fft.rfft(views[part : part + 32] * window)
        power = np.square(spectrum.real) + np.square(spectrum.imag)
        sums = np.add.reduceat(power, edges, axis=1, dtype=np.float64)[:, :-1]
        powers[part : part + 32] = np.where(high > low, sums / count, np.nan)
    return powers * scale**2, dof, hop / fs


@dataclass(frozen=True, eq=False)
class _Silence:
    """Power spectrum of a stretch of noise, so scaled that its sum is the mean square."""

    power: FloatArray
    spacing_hz: float

    @classmethod
    def of(cls, samples: FloatArray, *, fs: int, shortest_s: float) -> "_Silence | None":
        if samples.size < shortest_s * fs:
            return None
        samples = samples[: _fast_length(samples.size)]
        window = hann(samples.size)
        spectrum = fft.rfft(samples * window)
        power = np.square(spectrum.real) + np.square(spectrum.imag)
        power *= 2.0 / (samples.size * float(np.sum(np.square(window))))
        return cls(power, fs / samples.size)


def _fast_length(most: int) -> int:
    """Return a length up to `most`, shorter by less than 1/16, without a large prime factor."""
    step: int = 1 << max(0, most.bit_length() - 5)
    return most // step * step


def _noise_db(silence: _Silence | None) -> float:
    if silence is None:
        return math.nan
    bins = np.arange(silence.power.size) * silence.spacing_hz
    inside = (bins >= _SILENCE_HZ[0]) & (bins < _SILENCE_HZ[1])
    return 10.0 * math.log10(max(float(np.sum(silence.power[inside])), 1e-30))


def _hum(silence: _Silence | None) -> tuple[FloatArray, FloatArray]:
    """Power of mains lines and of the noise around them; both shape (2, 6)."""
    shape = (len(MAINS_HZ), HUM_ORDERS)
    if silence is None:
        return np.full(shape, np.nan), np.full(shape, np.nan)
    power, spacing = silence.power, silence.spacing_hz
    line, around = np.zeros(shape), np.zeros(shape)
    for row, mains in enumerate(MAINS_HZ):
        for column in range(HUM_ORDERS):
            centre = round((column + 1) * mains / spacing)
            lobe = power[max(0, centre - 2) : centre + 3]
            beside = [
                power[max(1, round(centre + sign * 20.0 / spacing)) + shift]
                for sign in (-1, 1)
                for shift in range(-2, 3)
            ]
            line[row, column] = np.sum(lobe)
            around[row, column] = 5.0 * _LOWER_MEAN * np.mean(np.sort(beside)[:6])
    return line, around


def _tops(samples: FloatArray, *, high: float, low: float) -> float:
    """Share of the samples near the largest that stand within 0.1 % of it, the flatter side.

    A sine of constant amplitude gives acos(0.999)/acos(0.9) = 10 %, one whose amplitude passes
    a maximum about 1 %; cut 0.3 dB below its tops a sine gives half.

    Parameters
    ----------
    high, low : largest and smallest of the samples
    """
    shares = []
    for largest, beyond in ((high, np.greater), (low, np.less)):
        if largest == 0.0:  # without its mean a signal has both sides
            continue
        near = beyond(samples, _NEAR_TOP * largest)
        count = int(np.count_nonzero(near))
        # some thousand values tell the step that all of them stand on
        every = slice(None, None, max(1, count // _STEPS_FROM))
        steps = np.diff(np.sort(samples[every][near[every]]))
        steps = steps[steps > 1e-9]
        step = float(steps.min()) if steps.size else abs(largest)
        if (1.0 - _TOP) * abs(largest) < 4.0 * step:
            continue
        tops = int(np.count_nonzero(beyond(samples, _TOP * largest)))
        shares.append(tops / count if tops >= _FEWEST_TOPS else 0.0)
    return max(shares) if shares else math.nan
