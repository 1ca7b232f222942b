"""Rankings: sessions in order by one question in one band, as far as their intervals part."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from reportlib import thresholds
from reportlib.beside.equal_output import Estimate, counted_from, per_db
from reportlib.beside.groups import (
    CommonOutput,
    common_output,
    common_stress,
    measured_alike,
    same_stretch,
    scale_of,
    split,
)
from reportlib.beside.parting import finite, in_order, partings, places, simultaneous
from reportlib.compared import Compared, OutputTrack, Parting, Ranking, Standing, StressEnd
from reportlib.judged import Limit
from reportlib.levels import BANDS, Band
from reportlib.limits import Crossing, first_crossing

BEHIND_DB = thresholds.BEHIND_DB[0]
"""The loss whose level is ranked."""


def rankable(sessions: Sequence[Compared]) -> tuple[Compared, ...]:
    """Return the sessions that a ranking may name.

    Column text has only a lower bound of its uncertainty, and a level that stays at the
    microphone is none at 1 m.
    """
    return tuple(one for one in sessions if one.source != "text" and scale_of(one) is not None)


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
