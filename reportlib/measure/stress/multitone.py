"""The multitone: what is played as stress, over and over, and where it starts in a recording.

Tones are spaced evenly over log frequency and stand on odd bins of the period's spectrum, so
that each makes a whole odd number of turns in it: the period loops without a click, and products
of even order, which fall on even bins, never hit a tone. Products of odd order do hit tones, and
belong to the result. Of each four odd bins in a row (8m + 1, 3, 5, 7) at least one, picked at
random, stays empty, so that they can be seen beside the tones even where tones stand on
neighbouring odd bins (random-grid odd multisines: R. Pintelon, J. Schoukens, *System
Identification*, 2012; from memory).

The crest factor is met by phases alone. Formulas for them (Newman 1965, Schroeder 1970) hold for
evenly spaced tones and are no better than chance here; random phases are improved by clipping
the peaks and putting the spectrum back, over and over (E. Van der Ouderaa, J. Schoukens,
J. Renneboog, IEEE Trans. Instrum. Meas. 37, 1988; from memory).
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from reportlib.errors import ReportError
from reportlib.measure.clock_within import MOST_PPM
from reportlib.measure.stress.tones import PeriodReader, Played, Stream
from reportlib.session.records import FloatArray, freeze

Spectrum = Literal["pink", "programme"]
IntArray = NDArray[np.int64]
Wave = Callable[[FloatArray, int], FloatArray]
"""One period of tones with given phases, at so many times the sample rate."""

PROGRAMME_HZ = (50.0, 4000.0)
"""Where ``"programme"`` is pink; it falls by 6 dB an octave outside. Ours, no standard's table."""

_OVERSAMPLED = 8  # a tone at 0.45 of the rate is then seen to 0.14 dB, one at half that to 0.04
_IN_ROUNDS = 2  # between rounds, where 8 would only cost time
_CLIPPED_AT = 0.7  # of the peak: deeper gets stuck sooner, less deep takes longer (tried)
_DRAWS = 30
_MOST_ROUNDS = 3000
_WITHOUT_GAIN = 300


@dataclass(frozen=True, eq=False, kw_only=True)
class Multitone:
    """One period of a multitone of rms 1, to be repeated.

    Attributes
    ----------
    samples : shape (period,)
    bins : shape (tones,), odd: turns that each tone makes in the period
    shares : shape (tones,), rms of each tone; their squares sum to 1
    true_peak : largest value between the samples too, over the rms
    """

    samples: FloatArray
    bins: IntArray
    shares: FloatArray
    true_peak: float
    sample_rate_hz: int

    def __post_init__(self) -> None:
        freeze(self, ("samples", "shares"))
        freeze(self, ("bins",), dtype=np.int64)

    @property
    def period_s(self) -> float:
        """Length of the period in s."""
        return self.samples.size / self.sample_rate_hz

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies of the tones, shape (tones,)."""
        return np.asarray(self.bins * (self.sample_rate_hz / self.samples.size))

    @property
    def crest_factor_db(self) -> float:
        """True peak, between the samples too, over rms, in dB."""
        return float(20.0 * np.log10(self.true_peak))

    @property
    def sample_crest_factor_db(self) -> float:
        """Largest sample over rms, in dB: what a file shows without oversampling."""
        return float(20.0 * np.log10(np.max(np.abs(self.samples))))

    @property
    def empty_bins(self) -> IntArray:
        """Odd bins from the lowest tone to the highest that hold none: products show there."""
        odd = np.arange(self.bins[0], self.bins[-1] + 1, 2)
        return np.asarray(np.setdiff1d(odd, self.bins, assume_unique=True))


def make_multitone(
    *,
    sample_rate_hz: int = 48000,
    period_s: float = 1.0,
    range_hz: tuple[float, float] = (25.0, 16000.0),
    tones_per_octave: int = 12,
    spectrum: Spectrum = "programme",
    crest_factor_db: float = 12.0,
    seed: int | Sequence[int] = 1,
) -> Multitone:
    """Return a multitone whose true peak stands `crest_factor_db` above its rms, within 0.1 dB.

    Parameters
    ----------
    period_s : as near as an even number of samples allows; tones are at least 2/period apart, so
        a short period has fewer in the bass
    range_hz : lowest and highest tone, each to the nearest odd bin
    spectrum : ``"pink"``, as much power in each octave, or ``"programme"``, pink within
        `PROGRAMME_HZ`; each tone stands for the stretch of log frequency around it
    seed : of phases and empty bins; the same gives the same period

    Raises
    ------
    ReportError
        The tones do not fit the sample rate or the period, or have no such crest factor.
    """
    size = 2 * round(period_s * sample_rate_hz / 2.0)
    _refuse(size, sample_rate_hz=sample_rate_hz, range_hz=range_hz, per_octave=tones_per_octave)
    chance = np.random.default_rng(seed)
    wanted_hz = _log_spaced(range_hz, per_octave=tones_per_octave)
    bins = _odd_bins(wanted_hz * (size / sample_rate_hz), chance=chance)
    if bins.size < 2:
        raise ReportError(
            f"a multitone of {bins.size} tone from {range_hz[0]:g} to {range_hz[1]:g} Hz in "
            f"{period_s:g} s: give a longer period, a wider range or more tones an octave."
        )
    frequency_hz = bins * (sample_rate_hz / size)
    shares = np.sqrt(np.gradient(np.log(frequency_hz)))
    if spectrum == "programme":
        low_hz, high_hz = PROGRAMME_HZ
        shares *= np.minimum(1.0, frequency_hz / low_hz) * np.minimum(1.0, high_hz / frequency_hz)
    shares /= np.sqrt(np.sum(shares**2))

    def wave(phase_rad: FloatArray, times: int) -> FloatArray:
        return one_period(bins, shares=shares, phase_rad=phase_rad, size=size * times)

    phase_rad = _phases(wave, bins=bins, shares=shares, asked_db=crest_factor_db, chance=chance)
    samples = wave(phase_rad, 1)
    return Multitone(
        samples=samples,
        bins=bins,
        shares=shares,
        true_peak=true_peak(samples),
        sample_rate_hz=sample_rate_hz,
    )


def one_period(
    bins: IntArray, *, shares: FloatArray, phase_rad: FloatArray, size: int
) -> FloatArray:
    """Return one period of tones, √2·share·cos(2π·bin·n/size + phase) each; shape (size,)."""
    half = np.zeros(size // 2 + 1, dtype=np.complex128)
    half[bins] = shares * np.exp(1j * phase_rad) * (size / np.sqrt(2.0))
    return np.asarray(fft.irfft(half, size))


def true_peak(samples: FloatArray) -> float:
    """Return the largest value of one period of a repeated signal, between its samples too.

    By eight samples for one, exact for a periodic signal below half the rate.
    """
    size = samples.size * _OVERSAMPLED
    between = fft.irfft(fft.rfft(samples), size) * _OVERSAMPLED
    return float(np.max(np.abs(between)))


def _refuse(
    size: int, *, sample_rate_hz: int, range_hz: tuple[float, float], per_octave: int
) -> None:
    low_hz, high_hz = range_hz
    if not 0.0 < low_hz < high_hz:
        raise ReportError(
            f"a multitone from {low_hz:g} to {high_hz:g} Hz: give a lowest frequency above 0 and "
            "a highest one above it."
        )
    if high_hz > 0.45 * sample_rate_hz:
        raise ReportError(
            f"a multitone up to {high_hz:g} Hz at {sample_rate_hz} samples a second: give at most "
            f"{0.45 * sample_rate_hz:.0f} Hz, or a higher sample rate."
        )
    if low_hz * size < sample_rate_hz:
        raise ReportError(
            f"a multitone from {low_hz:g} Hz in a period of {size / sample_rate_hz:g} s, in which "
            f"the lowest tone makes no whole turn: give a period of {1.0 / low_hz:.2g} s or more."
        )
    if per_octave < 1:
        raise ReportError(f"{per_octave} tones an octave: give 1 or more.")


def _log_spaced(range_hz: tuple[float, float], *, per_octave: int) -> FloatArray:
    octaves = float(np.log2(range_hz[1] / range_hz[0]))
    count = int(octaves * per_octave + 1e-9) + 1
    return np.asarray(range_hz[0] * 2.0 ** (np.arange(count) / per_octave))


def _odd_bins(turns: FloatArray, *, chance: np.random.Generator) -> IntArray:
    """Nearest odd bins, each once, at most three of each four odd ones in a row."""
    odd = np.unique(2 * np.round((turns - 1.0) / 2.0).astype(np.int64) + 1)
    block, start, count = np.unique(odd // 8, return_index=True, return_counts=True)
    full = start[count == 4]
    return np.asarray(np.delete(odd, full + chance.integers(4, size=block.size)[count == 4]))


def _phases(
    wave: Wave,
    *,
    bins: IntArray,
    shares: FloatArray,
    asked_db: float,
    chance: np.random.Generator,
) -> FloatArray:
    """Phases with the crest factor that is asked for, of tones whose period `wave` gives."""
    most_db = 20.0 * np.log10(np.sqrt(2.0) * np.sum(shares))
    if asked_db > most_db:
        raise ReportError(
            f"a crest factor of {asked_db:g} dB: {bins.size} such tones have at most "
            f"{most_db:.1f} dB, where all their peaks meet. Give a lower one, or more tones."
        )
    for _ in range(_DRAWS):  # come down to it where possible: one grown to it has a lonely peak
        drawn = chance.uniform(0.0, 2.0 * np.pi, bins.size)
        down = _crest_db(wave, drawn) >= asked_db
        if down:
            break
    return _reached(drawn, wave=wave, bins=bins, asked_db=asked_db, down=down)


def _reached(
    phase_rad: FloatArray, *, wave: Wave, bins: IntArray, asked_db: float, down: bool
) -> FloatArray:
    """Clip peaks, or stretch them, and put the spectrum back until the crest factor is there."""
    nearest_db, since = np.inf, 0
    for _ in range(_MOST_ROUNDS):
        samples = wave(phase_rad, _IN_ROUNDS)
        peak = float(np.max(np.abs(samples)))
        if down:
            shaped = np.clip(samples, -_CLIPPED_AT * peak, _CLIPPED_AT * peak)
        else:
            shaped = samples * (1.0 + (samples / peak) ** 2)
        after = np.angle(fft.rfft(shaped)[bins])
        here_db = _crest_db(wave, after, times=_IN_ROUNDS if down else _OVERSAMPLED)
        if down and here_db <= asked_db:
            here_db = _crest_db(wave, after)  # a peak between the samples counts, too
        if (here_db <= asked_db) if down else (here_db >= asked_db):
            return _between(phase_rad, after, wave=wave, asked_db=asked_db)
        phase_rad = after
        apart_db = abs(here_db - asked_db)
        since = 0 if apart_db < nearest_db - 1e-3 else since + 1
        nearest_db = min(nearest_db, apart_db)
        if since > _WITHOUT_GAIN:
            break
    came_db = asked_db + nearest_db if down else asked_db - nearest_db
    raise ReportError(
        f"a crest factor of {asked_db:g} dB can't be met with {bins.size} such tones, whose phases "
        f"came to {came_db:.1f} dB. Give one nearer to that, or another seed."
    )


def _between(before: FloatArray, after: FloatArray, *, wave: Wave, asked_db: float) -> FloatArray:
    """Phases on the way between two, where the crest factor is what is asked for."""
    turn = np.angle(np.exp(1j * (after - before)))
    above = _crest_db(wave, before) > asked_db
    low, high = 0.0, 1.0
    for _ in range(12):
        part = 0.5 * (low + high)
        if (_crest_db(wave, before + part * turn) > asked_db) == above:
            low = part
        else:
            high = part
    return np.asarray(before + high * turn)


def _crest_db(wave: Wave, phase_rad: FloatArray, *, times: int = _OVERSAMPLED) -> float:
    return float(20.0 * np.log10(np.max(np.abs(wave(phase_rad, times)))))


_ABOVE_REST = 3.0  # peak over rms of a correlation that counts: that of a tone (hum) is 1.4
_TONAL = 0.1  # power between the tones over theirs, of half of them; in noise it is about 1
_AGAIN = 0.5  # of the next two periods' highest, at the same lag
_WHOLE = 0.75  # of the highest peak: one that a whole period makes, not half of one
_WEAKEST = 0.1  # of the strongest tone: weaker ones are not made stronger than by its inverse
_ALREADY_PLAYING = 0.25  # −6 dB: power before the first whole period over that in it


@dataclass(frozen=True, eq=False, kw_only=True)
class Start:
    """Where the first whole period of a multitone begins.

    Attributes
    ----------
    sample : of the recording
    playing_before : the multitone was playing already when the recording began
    silence : shape (n,), what the microphone heard before, at most a period of it
    """

    sample: int
    playing_before: bool
    silence: FloatArray


def find_start(
    stream: Stream, *, played: Played, channel: int = 0, drift: float = 0.0
) -> Start | None:
    """Go through a recording until its multitone starts; None where there is none.

    Two periods are looked at together, against one period of the stimulus whose tones are
    weighted so that all come out equally strong (that makes the peak narrow): a peak at a lag
    shows that a whole period stands there. It counts where the next two periods have one at the
    same place, which neither noise nor the stimulus' own sidelobes do. A multitone of odd bins
    repeats itself turned over after half a period, so that in a recording of unknown polarity the
    first of the high peaks is the start: one half a period before it is half as high. The stream
    is then at most two periods before the start.

    Parameters
    ----------
    channel : of the stream, in which it is looked for: the reference where there is one
    drift : how much faster the recorder's clock ran than the player's, as a ratio
    """
    size = played.size
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    strength = np.abs(played.drive)
    floor = _WEAKEST * float(strength.max())
    spectrum[played.bins] = played.drive / strength / np.maximum(strength, floor)
    length = fft.next_fast_len(2 * size, real=True)
    conjugate = np.conj(fft.rfft(fft.irfft(spectrum, size), length))
    near = math.ceil(1e-6 * MOST_PPM * size) + 4

    def correlated(both: FloatArray | None) -> FloatArray | None:
        """Correlation at every lag at which a whole period stands in two."""
        if both is None:
            return None
        spectrum = fft.rfft(both[channel], length)
        return np.asarray(np.abs(fft.irfft(spectrum * conjugate, length)[: size + 1]))

    reader = PeriodReader(played)
    place = stream.dropped
    past = np.zeros(0)
    here = correlated(stream.look(2 * size))
    while here is not None:
        both = stream.look(3 * size)
        following = correlated(None if both is None else both[:, size:])
        if both is None or following is None:
            return None
        lag = _first_high(here)
        again = (lag + np.arange(-near, near + 1)) % (size // 2)
        stays = max(following[again].max(), following[again + size // 2].max())
        # the last lag's slope leads to the next period's top
        whole = (
            lag < size
            and here[lag] >= _WHOLE * following.max()
            and stays >= _AGAIN * following.max()
        )
        clear = here[lag] > _ABOVE_REST * math.sqrt(float(np.mean(np.square(here))))
        if whole and clear and _tonal(reader, both[channel, lag : lag + size]):
            before = _before(stream, lag=lag, size=size, channel=channel)
            # a peak stands for the middle of its period
            sample = place + lag - round(0.5 * drift * size)
            silence = np.concatenate((past, both[0, :lag])) if not before else past[:0]
            # what was put before the recording's first sample was not heard
            silence = silence[max(0, silence.size - place - lag) :][-size:]
            return Start(sample=max(sample, place), playing_before=before, silence=silence)
        past = both[0, :size].copy()
        stream.drop(size)
        place += size
        here = following
    return None


def _first_high(correlation: FloatArray) -> int:
    """The first lag that stands out as only whole periods do."""
    first = int(np.argmax(correlation >= _WHOLE * float(correlation.max())))
    # the top of the lobe that begins there, not the slope that leads to it
    return first + int(np.argmax(correlation[first : first + max(1, correlation.size // 50)]))


def _tonal(reader: PeriodReader, period: FloatArray) -> bool:
    """Whether most tones stand out of what lies between them, as in noise and hum they do not."""
    heard = reader.heard(reader.spectrum(period), reference=None)
    return float(np.median(heard.noise)) < _TONAL


def first_periods(
    blocks: Iterable[FloatArray], *, played: Played, count: int
) -> Iterator[FloatArray]:
    """Yield the first `count` periods of a multitone, from somewhat before its start on.

    Parameters
    ----------
    blocks : shape (1, n) each; no more is read of them than is needed

    Yields
    ------
    shape (p,) each; none where there is no multitone
    """
    stream = Stream(blocks)
    if find_start(stream, played=played) is None:
        return
    for _ in range(count):
        piece = stream.look(played.size)
        if piece is None:
            return
        yield piece[0]
        stream.drop(played.size)


def _before(stream: Stream, *, lag: int, size: int, channel: int) -> bool:
    """Whether what stands before the first whole period is as loud as the period itself."""
    samples = stream.look(2 * size)
    if samples is None or stream.dropped > 0 or lag < size // 100:
        return False
    before, inside = samples[channel, :lag], samples[channel, lag : lag + size]
    return float(np.var(before)) > _ALREADY_PLAYING * float(np.var(inside))
