"""Multitones in a recording of any length, by how much of it stands on their tones."""

import math
from collections.abc import Iterator

import numpy as np
from scipy import fft

from reportlib.arrays import FloatArray
from reportlib.intake.heard import Heard, Listen
from reportlib.soak.start import find_start
from reportlib.soak.stream import Stream
from reportlib.soak.tones import Played, played_tones

_ON_TONES = 0.6  # share of a period's power: 1 in a multitone, some 0.1 to 0.3 in other sounds
_NOTHING = 1e-12
_LOWER = 0.25  # −6 dB against the middle one: a period that is not whole


def find_stresses(
    listen: Listen, *, samples: int, period: FloatArray, sample_rate_hz: int, recording: int = 0
) -> tuple[Heard, ...]:
    """Find every multitone of three periods or more, and how many whole periods it has.

    Parameters
    ----------
    samples : length of the recording
    period : shape (p,), one period of what was played, at the recording's rate
    """
    played = played_tones(period, sample_rate_hz=sample_rate_hz, source="the multitone")
    size, hop = period.size, period.size // 2
    shares = [
        _share(listen(first, size), played=played)[0] for first in range(0, samples - size + 1, hop)
    ]
    found = []
    for begin, end in _runs(np.array(shares) > _ON_TONES):
        if end - begin < 2:
            continue
        first, last = begin * hop, (end - 1) * hop + size
        one = _whole(
            listen, played=played, span=(first, last), samples=samples, recording=recording
        )
        if one is not None:
            found.append(one)
    return tuple(found)


def _whole(
    listen: Listen, *, played: Played, span: tuple[int, int], samples: int, recording: int
) -> Heard | None:
    """From somewhere inside a multitone to its first whole period and how many there are."""
    size = played.size
    first, last = max(span[0] - 2 * size, 0), min(span[1] + 2 * size, samples)
    begun = find_start(Stream(_blocks(listen, first=first, last=last, size=size)), played=played)
    if begun is None:
        return None
    start = first + begun.sample
    powers: list[float] = []
    likes: list[float] = []
    for at in range(start, last - size + 1, size):
        share, power = _share(listen(at, size), played=played)
        if share < _ON_TONES or (powers and power < _LOWER * float(np.median(powers))):
            break
        powers.append(power)
        likes.append(share)
    if not powers:
        return None
    return Heard(
        kind="stress",
        recording=recording,
        start=start,
        samples=len(powers) * size,
        level_db=10.0 * math.log10(max(float(np.median(powers)), _NOTHING)),
        likeness=min(float(np.median(likes)), 1.0),
    )


def _blocks(listen: Listen, *, first: int, last: int, size: int) -> Iterator[FloatArray]:
    for at in range(first, last, size):
        yield listen(at, min(size, last - at))[np.newaxis]


def _share(heard: FloatArray, *, played: Played) -> tuple[float, float]:
    """How much of a stretch's power stands on the tones, and its power."""
    spectrum = np.abs(fft.rfft(heard - heard.mean())) ** 2
    inside = spectrum[played.bins[0] : played.bins[-1] + 1]
    power = float(np.mean(np.square(heard)))
    if power < _NOTHING:
        return 0.0, power
    return float(np.sum(spectrum[played.bins]) / max(float(np.sum(inside)), 1e-300)), power


def _runs(inside: np.ndarray) -> list[tuple[int, int]]:
    """First and last + 1 of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
