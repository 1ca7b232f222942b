"""Who can be compared with whom, and rankings: sessions in order as far as their intervals part."""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import numpy as np

from reportlib.judge import thresholds
from reportlib.judge.limits import Crossing, first_crossing
from reportlib.judge.records import Limit
from reportlib.many.equal_output import (
    Estimate,
    counted_from,
    finite,
    in_order,
    partings,
    per_db,
    places,
    simultaneous,
    surely_given_db,
)
from reportlib.many.records import Compared, OutputTrack, Parting, Ranking, Standing, StressEnd
from reportlib.measure.levels import BANDS, Band

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
    room or near the cone the level stays at the microphone. Those named by other stretches of
    frequency are not alike.
    """
    if session.space not in (*FREE_SPACES, "half space"):
        return None
    return session.space in FREE_SPACES, session.level_hz


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


BEHIND_DB = thresholds.BEHIND_DB[0]
"""The loss whose level is ranked."""


def rankable(sessions: Sequence[Compared]) -> tuple[Compared, ...]:
    """Return the sessions that a ranking may name.

    Where noise is not known there is only a lower bound of the uncertainty, and a level that stays
    at the microphone is none at 1 m.
    """
    return tuple(one for one in sessions if one.source == "sweep" and scale_of(one) is not None)


def output_sets(
    tracks: Sequence[OutputTrack], *, sessions: Sequence[Compared], band: str
) -> tuple[CommonOutput, ...]:
    """Return the sets of sessions that are comparable at equal output in one band."""
    return tuple(
        common
        for heard in heard_alike(tracks, sessions=sessions, band=band)
        for common in common_output(heard)
    )


def heard_alike(
    tracks: Sequence[OutputTrack], *, sessions: Sequence[Compared], band: str
) -> tuple[tuple[OutputTrack, ...], ...]:
    """Return tracks of a band in sets of one scale of level and one stretch of frequency."""
    of = {track.name: track for track in tracks if track.band == band}
    return tuple(
        heard
        for scale in split(rankable(sessions), by=measured_alike)
        for heard in same_stretch([of[one.name] for one in scale if one.name in of])
    )


def output_rankings(
    tracks: Sequence[OutputTrack], *, sessions: Sequence[Compared]
) -> tuple[Ranking, ...]:
    """Rank by the change at the highest output that all of a set surely gave, bass first."""
    sets = [
        (band, common)
        for band in BANDS
        for common in output_sets(tracks, sessions=sessions, band=band.name)
        if len(common.tracks) > 1
    ]
    estimates = [_at_equal_output(common) for _, common in sets]
    family = _pairs(estimates)
    return tuple(
        _with_slopes(
            _ranking(
                band,
                estimates=own,
                family=family,
                question="equal output",
                at_db=common.highest_db,
                counted_from_db=common.start_db,
            ),
            common=common,
        )
        for (band, common), own in zip(sets, estimates, strict=True)
    )


def _with_slopes(ranking: Ranking, *, common: CommonOutput) -> Ranking:
    slopes = {track.name: per_db(track, common.highest_db) for track in common.tracks}
    standings = tuple(replace(one, per_db=slopes[one.name]) for one in ranking.standings)
    return replace(ranking, standings=standings)


def _at_equal_output(common: CommonOutput) -> dict[str, Estimate]:
    found = {}
    for track in common.tracks:
        here = counted_from(track, common.highest_db, start_db=common.start_db)
        if here is not None:
            found[track.name] = here
    return found


def stress_rankings(
    ends: Sequence[StressEnd], *, sessions: Sequence[Compared]
) -> tuple[Ranking, ...]:
    """Rank by the change after the same stress, in every band where two were alike."""
    sets = [
        (band, alike)
        for band in BANDS
        for alike in stress_sets(ends, sessions=sessions, band=band.name)
    ]
    estimates = [_after_stress(alike) for _, alike in sets]
    family = _pairs(estimates)
    return tuple(
        _ranking(
            band,
            estimates=own,
            family=family,
            question="left playing",
            at_db=float(np.median([end.level_db for end in alike])),
            elapsed_s=float(np.median([end.elapsed_s for end in alike])),
            while_playing=alike[0].while_playing,
        )
        for (band, alike), own in zip(sets, estimates, strict=True)
    )


def _after_stress(alike: Sequence[StressEnd]) -> dict[str, Estimate]:
    """Return changes after stress that is nearly alike, with a slack for what differs.

    A coil's loss goes with its heating power, and a warming that is under way with the time at
    most: a loss is uncertain by as large a share of itself as either is off the set's middle.
    """
    level = float(np.median([end.level_db for end in alike]))
    elapsed = float(np.median([end.elapsed_s for end in alike]))
    found = {}
    for end in alike:
        power = 10.0 ** (0.1 * abs(end.level_db - level)) - 1.0
        slack = abs(end.change_db) * (power + abs(end.elapsed_s / elapsed - 1.0))
        found[end.name] = Estimate(
            value_db=end.change_db,
            down_db=end.u95_db,
            up_db=end.u95_db,
            slack_down_db=slack,
            slack_up_db=slack,
            dof=end.dof,
        )
    return found


def stress_sets(
    ends: Sequence[StressEnd], *, sessions: Sequence[Compared], band: str
) -> tuple[tuple[StressEnd, ...], ...]:
    """Return the sets of sessions that were left playing alike, one end of each."""
    found: list[tuple[StressEnd, ...]] = []
    for scale in split(rankable(sessions), by=measured_alike):
        names = {one.name for one in scale}
        found += common_stress(
            [
                end
                for end in ends
                if end.band == band and end.name in names and end.stretch_hz is not None
            ]
        )
    return tuple(found)


def _pairs(estimates: Sequence[Mapping[str, Estimate]]) -> int:
    """How many differences a question judges, in all bands together."""
    return sum(math.comb(len(own), 2) for own in estimates)


def _ranking(
    band: Band, *, estimates: Mapping[str, Estimate], family: int, **about: object
) -> Ranking:
    parted = partings(estimates, family=family)
    return Ranking(
        band=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        standings=in_order(estimates, parted=parted),
        partings=parted,
        **about,  # type: ignore[arg-type]
    )


def limit_rankings(
    tracks: Sequence[OutputTrack], *, sessions: Sequence[Compared]
) -> tuple[Ranking, ...]:
    """Rank by the level at which a band is 1 dB behind.

    Brackets are no chance alone, so that whole intervals are compared: one stands above another
    where its lower end lies above the other's upper end. All of them are widened until, with 95 %,
    every one in every band holds its level (Bonferroni), and then no two are in the wrong order.
    Where the level was not reached, the interval is open and begins at the highest level tested.
    """
    sets = [
        (band, heard)
        for band in BANDS
        for group in heard_alike(tracks, sessions=sessions, band=band.name)
        if len(heard := [track for track in group if track.told]) > 1
    ]
    family = sum(len(heard) for _, heard in sets)
    return tuple(_limit_ranking(band, tracks=heard, family=family) for band, heard in sets)


def _limit_ranking(band: Band, *, tracks: Sequence[OutputTrack], family: int) -> Ranking:
    crossings = {track.name: crossing_of(track) for track in tracks}
    tops = {track.name: float(track.driven_db[-1]) for track in tracks}
    own = {name: bracket(one, top_db=tops[name]) for name, one in crossings.items()}
    wide = {
        track.name: bracket(crossing_of(track, family=family), top_db=tops[track.name])
        for track in tracks
    }
    parted = []
    for one, (low, _) in wide.items():
        for other, (_, high) in wide.items():
            if one != other and low > high:
                levels = (crossings[one].level_db, crossings[other].level_db)
                apart = None if None in levels else (levels[0] or 0.0) - (levels[1] or 0.0)
                parted.append(Parting(better=one, worse=other, apart_db=apart, least_db=low - high))
    place = places(list(own), parted=parted)
    order = {
        name: _order_db(crossings[name], bracket_db=own[name], top_db=tops[name]) for name in own
    }
    ordered = sorted(own, key=lambda name: -order[name])
    return Ranking(
        question="1 dB behind",
        band=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        partings=tuple(sorted(parted, key=lambda pair: -pair.least_db)),
        standings=tuple(
            Standing(
                name=name,
                value_db=crossings[name].level_db,
                low_db=finite(own[name][0]),
                high_db=finite(own[name][1]),
                best_place=place[name][0],
                worst_place=place[name][1],
            )
            for name in ordered
        ),
    )


def crossing_of(track: OutputTrack, *, family: int = 1) -> Crossing:
    """Return where a band is 1 dB behind; with a family, by the intervals of so many together."""
    return first_crossing(
        track.driven_db,
        -track.change_db,
        u95_db=simultaneous(track.u95_db, dof=track.dof, family=family),
        threshold_db=BEHIND_DB,
    )


def limit_of(track: OutputTrack) -> Limit:
    """Return where a band is 1 dB behind, as a record, on the comparison's scale of levels."""
    crossing = crossing_of(track) if track.told else None
    return Limit(
        test="short_term",
        band=track.band,
        low_hz=track.low_hz,
        high_hz=track.high_hz,
        threshold_db=BEHIND_DB,
        level_db=crossing.level_db if crossing else None,
        low_db=crossing.low_db if crossing else None,
        high_db=crossing.high_db if crossing else None,
        reached=crossing.reached if crossing else None,
        tested_to_db=float(track.driven_db[-1]) if track.told else None,
        untold_db=track.untold_db,
    )


def bracket(crossing: Crossing, *, top_db: float) -> tuple[float, float]:
    """Return between which levels a limit lies, as far as is known; infinite for an open end."""
    if not crossing.reached:
        return (top_db if crossing.low_db is None else crossing.low_db), math.inf
    low = -math.inf if crossing.low_db is None else crossing.low_db
    return low, (math.inf if crossing.high_db is None else crossing.high_db)


def _order_db(crossing: Crossing, *, bracket_db: tuple[float, float], top_db: float) -> float:
    """By its level; what was not reached by the level that it was tested to."""
    if not crossing.reached:
        return top_db
    return bracket_db[1] if crossing.level_db is None else crossing.level_db
