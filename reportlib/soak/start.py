"""Where a multitone starts in a recording, by its correlation with the stimulus."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft

from reportlib.arrays import FloatArray
from reportlib.clock.drift import MOST_PPM
from reportlib.soak.stream import Stream
from reportlib.soak.tones import PeriodReader, Played

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
