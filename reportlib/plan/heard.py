"""What is found in a heap of recordings, and what a plan expects there, in the order of the day.

Sweeps are found by their correlation with what was played, multitones by how much stands on their
tones, and the place is heard where nothing plays.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import fft

from reportlib.measure.stress.multitone import find_start
from reportlib.measure.stress.tones import Played, Stream, played_tones
from reportlib.session.day import Entry, LongTermEntry, Session
from reportlib.session.records import FloatArray

Listen = Callable[[int, int], FloatArray]
"""Gives so many samples of a recording from one on; zeros beyond its ends."""


@dataclass(frozen=True, kw_only=True)
class Heard:
    """A sweep or a multitone in a recording.

    Attributes
    ----------
    recording : its number in the heap
    start, samples : where it begins, and how long it is
    level_db : its rms over full scale, in the channel in which it was looked for
    likeness : 0 to 1, of what was played
    """

    kind: Literal["sweep", "stress"]
    recording: int
    start: int
    samples: int
    level_db: float
    likeness: float

    @property
    def end(self) -> int:
        """The first sample after it."""
        return self.start + self.samples


LIKE_IN_REFERENCE, LIKE_IN_SOUND = 0.5, 0.2
"""Correlation, 0 to 1, from which something is the sweep: in the drive it is 1, in the sound of a
loudspeaker 0.3 to 0.8, in noise, talk and multitones below 0.15 (simulated)."""
_APART = 0.9  # of a sweep's length: two can't stand nearer
_BLOCKS = 4  # sweeps' lengths that are looked at together
_NOTHING = 1e-12  # mean power that counts as digital silence


def find_sweeps(
    listen: Listen,
    *,
    samples: int,
    sweep: FloatArray,
    recording: int = 0,
    like: float = LIKE_IN_SOUND,
) -> tuple[Heard, ...]:
    """Find every whole sweep of a recording, in blocks that grow with the sweep alone.

    The correlation is normalised by the energy of the stretch that it is taken over, so that
    loud noise passes for nothing; of the peaks nearer than a sweep's length (a sweep's own
    harmonics make such) the highest counts.

    Parameters
    ----------
    samples : length of the recording
    sweep : shape (n,), what was played, at the recording's rate
    like : from which correlation on
    """
    size = sweep.size
    length = fft.next_fast_len(_BLOCKS * size, real=True)
    step = length - size + 1
    conjugate = np.conj(fft.rfft(sweep, length))
    own = float(sweep @ sweep)
    found: list[Heard] = []
    for first in range(0, max(samples - size + 1, 0), step):
        heard = listen(first, length)
        lags = min(step, samples - size + 1 - first)
        correlation = fft.irfft(fft.rfft(heard) * conjugate, length)[:lags]
        energy = np.concatenate(([0.0], np.cumsum(np.square(heard))))
        within = np.maximum(energy[size : size + lags] - energy[:lags], _NOTHING * size)
        alike = np.abs(correlation) / np.sqrt(within * own)
        for lag in _peaks(alike, like=like, apart=round(_APART * size)):
            one = Heard(
                kind="sweep",
                recording=recording,
                start=first + lag,
                samples=size,
                level_db=10.0 * math.log10(float(within[lag]) / size),
                likeness=min(float(alike[lag]), 1.0),
            )
            if found and one.start - found[-1].start < round(_APART * size):
                if one.likeness > found[-1].likeness:
                    found[-1] = one
            else:
                found.append(one)
    return tuple(found)


def _peaks(alike: FloatArray, *, like: float, apart: int) -> list[int]:
    """Highest places above a threshold, none nearer to another than so many samples."""
    left = alike.copy()
    found = []
    while left.size and left.max() >= like:
        peak = int(np.argmax(left))
        found.append(peak)
        left[max(0, peak - apart) : peak + apart] = 0.0
    return sorted(found)


_ON_TONES = 0.6  # share of a period's power: 1 in a multitone, some 0.1 to 0.3 in other sounds


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


SHORTEST_S, LONGEST_S = 4.0, 10.0
_PIECE_S = 0.5
_BEFORE_S, _AFTER_S = 0.3, 2.0  # a recorder's click; a room's reverberation


def piece_powers(listen: Listen, *, samples: int, sample_rate_hz: int) -> FloatArray:
    """Return the mean power of each half second of a recording; shape (n,)."""
    size = round(_PIECE_S * sample_rate_hz)
    return np.array([np.var(listen(first, size)) for first in range(0, samples - size + 1, size)])


def quietest(
    powers: Sequence[FloatArray], *, heard: Sequence[Heard], sample_rate_hz: int
) -> tuple[int, int, int] | None:
    """Return recording, first sample and length of the longest quiet stretch; None for none.

    Away from all that was played. Of stretches of the same length, the one whose loudest half
    second is the quietest: nobody talks in it.

    Parameters
    ----------
    powers : of the half seconds of each recording
    """
    size = round(_PIECE_S * sample_rate_hz)
    wanted, least = (round(seconds / _PIECE_S) for seconds in (LONGEST_S, SHORTEST_S))
    best: tuple[int, float, int, int] | None = None
    for recording, power in enumerate(powers):
        free = np.isfinite(power) & (power > 0.0)
        for one in heard:
            if one.recording == recording:
                first = (one.start - round(_BEFORE_S * sample_rate_hz)) // size
                last = (one.end + round(_AFTER_S * sample_rate_hz)) // size
                free[max(first, 0) : last + 1] = False
        for length in range(wanted, least - 1, -1):
            if best is not None and length < -best[0]:
                break
            for first in range(free.size - length + 1):
                stretch = slice(first, first + length)
                if free[stretch].all():
                    one_best = (-length, float(power[stretch].max()), recording, first * size)
                    best = one_best if best is None else min(best, one_best)
    if best is None:
        return None
    return best[2], best[3], -best[0] * size


Role = Literal["short", "before", "stress", "again"]


@dataclass(frozen=True, kw_only=True)
class Slot:
    """One sweep that is expected, or one stage of stress (with the sweep after it).

    Attributes
    ----------
    role, entry : which list of the session it belongs to, and which entry of that
    number : take or stage, from 0
    capture : the path that it will have
    """

    role: Role
    entry: int
    number: int
    drive_db: float
    level_db: float
    capture: str

    @property
    def kind(self) -> Literal["sweep", "stress"]:
        """What is to be heard there."""
        return "stress" if self.role == "stress" else "sweep"

    @property
    def group(self) -> tuple[Role, int]:
        """Takes of one kind share it."""
        return self.role, self.entry

    @property
    def name(self) -> str:
        """What the plan tells to call the recording, without its ending."""
        return self.capture.rpartition("/")[2].rpartition(".")[0]


def expected(session: Session) -> tuple[Slot, ...]:
    """Return all that a planned day expects, in its order; after-sweeps go with their stress."""
    slots = _takes("short", session.short_term)
    for index, level in enumerate(session.long_term):
        stresses = [
            stage.stress or f"captures/long-{level.level_db:g}-stress-{number}.wav"
            for number, stage in enumerate(level.stages, start=1)
        ]
        slots += _each("before", level.before, of=level, entry=index, drive_db=level.sweep_drive_db)
        slots += _each("stress", stresses, of=level, entry=index, drive_db=level.drive_db)
    return (*slots, *_takes("again", session.baseline_again))


def _takes(role: Role, entries: Sequence[Entry]) -> list[Slot]:
    return [
        slot
        for index, one in enumerate(entries)
        for slot in _each(role, one.captures, of=one, entry=index, drive_db=one.drive_db)
    ]


def _each(
    role: Role,
    captures: Sequence[str],
    *,
    of: Entry | LongTermEntry,
    entry: int,
    drive_db: float,
) -> list[Slot]:
    return [
        Slot(
            role=role,
            entry=entry,
            number=number,
            drive_db=drive_db,
            level_db=of.level_db,
            capture=capture,
        )
        for number, capture in enumerate(captures)
    ]
