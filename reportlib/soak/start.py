"""Where a multitone starts in a recording, by its correlation with the stimulus."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy import fft

from reportlib.arrays import FloatArray
from reportlib.clock.drift import MOST_PPM
from reportlib.soak.stream import Stream
from reportlib.soak.tones import Played

_ABOVE_REST = 4.0  # peak over rms of a correlation that counts
_WHOLE = 0.75  # of the highest peak: one that a whole period makes, not half of one
_WEAKEST = 0.1  # of the strongest tone: weaker ones are not made stronger than by its inverse
_ALREADY_PLAYING = 0.25  # −6 dB: power before the first whole period over that in it


@dataclass(frozen=True, kw_only=True)
class Start:
    """Where the first whole period of a multitone begins.

    Attributes
    ----------
    sample : of the recording
    playing_before : the multitone was playing already when the recording began
    """

    sample: int
    playing_before: bool


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
    near = 1e-6 * MOST_PPM * size + 4.0
    place = stream.dropped

    def peak(both: FloatArray | None) -> tuple[int, float, float] | None:
        """Lag of the highest correlation, its height, and that over the rms of all."""
        if both is None:
            return None
        ours = fft.rfft(both[channel], length)
        correlation = np.abs(fft.irfft(ours * conjugate, length)[:size])
        rms = math.sqrt(float(np.mean(np.square(correlation))))
        first = int(np.argmax(correlation >= _WHOLE * float(correlation.max())))
        # the lobe that begins there, not the slope that leads to its top
        at = first + int(np.argmax(correlation[first : first + max(1, size // 50)]))
        return at, float(correlation[at]), float(correlation[at]) / max(rms, 1e-300)

    here = peak(stream.look(2 * size))
    while here is not None:
        both = stream.look(3 * size)
        after = None if both is None else both[:, size:]
        following = peak(after)
        if following is None:
            return None
        half = size // 2
        apart = abs((following[0] - here[0] + half // 2) % half - half // 2)
        clear = min(here[2], following[2]) > _ABOVE_REST
        if clear and apart <= near and here[1] >= _WHOLE * following[1]:
            # a peak stands for the middle of its period
            sample = place + here[0] - round(0.5 * drift * size)
            before = _before(stream, lag=here[0], size=size, channel=channel)
            return Start(sample=max(sample, place), playing_before=before)
        stream.drop(size)
        place += size
        here = following
    return None


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
