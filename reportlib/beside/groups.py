"""Who can be compared with whom: sessions split by what they have in common, band by band."""

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from reportlib.beside.equal_output import surely_given_db
from reportlib.compared import Compared, OutputTrack, StressEnd

SAME_STRETCH_OCTAVES = 1.0 / 6.0
"""Means over stretches whose ends differ by more are of different things (a judgement)."""
SAME_STRESS_DB = 0.5
"""Long-term levels within this are one level: what a level may be off its drive by in the session
format."""
SAME_STRESS_SHARE = 0.1
"""Durations of stress within this share are one: whatever the time constant, a tenth more of stress
adds at most a tenth of d/dx (1 − e^−x)·x = 1/e, 4 % of what a loss comes to in the end."""
SAME_PAUSE_S = 0.5
"""Pauses within this are one where a sweep afterwards is all there is: as well as one by hand is
known (session format, ``pause_u_s``)."""
FREE_SPACES = ("free field", "gated")
"""A gate leaves of a room what a free field would be, above what it resolves."""


class Heard(Protocol):
    """Something heard over a stretch of frequency."""

    @property
    def stretch_hz(self) -> tuple[float, float] | None:
        """What of a band was heard."""


T = TypeVar("T")
H = TypeVar("H", bound=Heard)


def scale_of(session: Compared) -> Hashable | None:
    """Return what kind of level a session's output is; None where it is not one at 1 m.

    Free field and gated levels are alike; over a reflecting floor everything is 6 dB up; in a
    room or near the cone the level stays at the microphone.
    """
    if session.space in FREE_SPACES:
        return "free"
    return "half space" if session.space == "half space" else None


def measured_alike(session: Compared) -> Hashable:
    """Return what sessions of one comparison have in common: the scale, and the smoothing."""
    return scale_of(session), round(session.smoothing_octaves, 3)


def split(items: Sequence[T], *, by: Callable[[T], Hashable]) -> tuple[tuple[T, ...], ...]:
    """Return items grouped by a key, the largest group first, else in their order."""
    groups: dict[Hashable, list[T]] = {}
    for item in items:
        groups.setdefault(by(item), []).append(item)
    return tuple(sorted((tuple(group) for group in groups.values()), key=lambda one: -len(one)))


def one_scale(sessions: Sequence[Compared]) -> bool:
    """Whether the levels of all sessions mean the same, at 1 m."""
    scales = {scale_of(one) for one in sessions}
    return len(scales) == 1 and None not in scales


def same_stretch(items: Sequence[H]) -> tuple[tuple[H, ...], ...]:
    """Split what was heard of one band by the stretch of it, the largest group first.

    What heard nothing of it is in no group.
    """
    left = [item for item in items if item.stretch_hz is not None]
    found = []
    while left:
        largest = max((_together(left, model=one, alike=_one_stretch) for one in left), key=len)
        found.append(largest)
        left = [item for item in left if item not in largest]
    return tuple(sorted(found, key=lambda one: -len(one)))


def _together(items: Sequence[T], *, model: T, alike: Callable[[T, T], bool]) -> tuple[T, ...]:
    """Return those that are like a model and like each other, in their order."""
    chosen = [model]
    for item in items:
        if item is not model and all(alike(item, other) for other in chosen):
            chosen.append(item)
    return tuple(item for item in items if any(item is one for one in chosen))


def _one_stretch(one: Heard, other: Heard) -> bool:
    if one.stretch_hz is None or other.stretch_hz is None:
        return False
    return all(
        abs(math.log2(here / there)) <= SAME_STRETCH_OCTAVES
        for here, there in zip(one.stretch_hz, other.stretch_hz, strict=True)
    )


@dataclass(frozen=True, kw_only=True)
class CommonOutput:
    """Tracks with outputs in common: from where all begin to what all surely gave."""

    tracks: tuple[OutputTrack, ...]
    start_db: float
    highest_db: float


def common_output(tracks: Sequence[OutputTrack]) -> tuple[CommonOutput, ...]:
    """Split tracks into the largest sets that share a whole decibel of output.

    Of sets of one size, the one that reaches highest counts.
    """
    left = [track for track in tracks if track.told]
    found = []
    while left:
        starts = [float(track.given_db[0]) for track in left]
        sets = [_sharing(left, start_db=start) for start in starts]
        best = max(sets, key=lambda one: (len(one.tracks), one.highest_db))
        if not best.tracks:
            break
        found.append(best)
        left = [track for track in left if track not in best.tracks]
    return tuple(found)


def _sharing(tracks: Sequence[OutputTrack], *, start_db: float) -> CommonOutput:
    """Return those that gave a whole decibel above `start_db` and begin no higher."""
    first = math.floor(start_db + 1e-6) + 1.0
    inside = tuple(
        track
        for track in tracks
        if track.given_db[0] <= start_db + 1e-6 and surely_given_db(track) >= first
    )
    highest = min((surely_given_db(track) for track in inside), default=-math.inf)
    begin = max((float(track.given_db[0]) for track in inside), default=start_db)
    top = float(math.floor(highest + 1e-6)) if inside else -math.inf
    return CommonOutput(tracks=inside, start_db=begin, highest_db=top)


def common_stress(ends: Sequence[StressEnd]) -> tuple[tuple[StressEnd, ...], ...]:
    """Split ends of stress in one band into sets of one level, one duration and one stretch.

    The set of the most sessions comes first, then the louder, then the longer, then the one that
    was heard while it played. A session is in one set only.
    """
    found: list[tuple[StressEnd, ...]] = []
    left = list(ends)
    while left:
        sets = [_like(left, model=end) for end in left]
        best = max(sets, key=_rank)
        if len(best) < 2:
            break
        found.append(best)
        named = {end.name for end in best}
        left = [end for end in left if end.name not in named]
    return tuple(found)


def _like(ends: Sequence[StressEnd], *, model: StressEnd) -> tuple[StressEnd, ...]:
    """Of each session the end that is most like a model, where all of them are alike."""
    alike = [model]
    for end in sorted(ends, key=lambda one: _apart(one, model)):
        new = all(end.name != one.name for one in alike)
        if new and all(_comparable(end, one) for one in alike):
            alike.append(end)
    return tuple(alike)


def _comparable(one: StressEnd, other: StressEnd) -> bool:
    longest = max(one.elapsed_s, other.elapsed_s)
    pauses = (one.pause_s or 0.0, other.pause_s or 0.0)
    return (
        one.while_playing == other.while_playing
        and _one_stretch(one, other)
        and abs(one.level_db - other.level_db) <= SAME_STRESS_DB
        and abs(one.elapsed_s - other.elapsed_s) <= SAME_STRESS_SHARE * longest
        and abs(pauses[0] - pauses[1]) <= SAME_PAUSE_S
    )


def _apart(one: StressEnd, other: StressEnd) -> float:
    return abs(one.level_db - other.level_db) + abs(math.log(one.elapsed_s / other.elapsed_s))


def _rank(ends: Sequence[StressEnd]) -> tuple[float, ...]:
    first = ends[0]
    level = min(end.level_db for end in ends)
    return (len(ends), level, min(end.elapsed_s for end in ends), float(first.while_playing))
