"""What a report says first: the worse of turned up and left playing, and what gives first.

Decided here from graded results, once; whoever words it, draws it or counts it reads the record.

The gravest grade comes first: gives out, falls short, slips, rises much, rises, holds; "X, may be
Y" lies between both. A band is named for its mean, or for its worst point where that alone earned
the grade. Bands of one grade whose intervals overlap that of the largest change are *together*:
they are put in no order, and share one number.
"""

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

from reportlib.judge.causes.table import INSTRUMENTS, NONE_SHOWN
from reportlib.judge.grades import GAIN_GRADES, LOSS_GRADES, grade_of, played_results, was_measured
from reportlib.judge.limits import kind_of
from reportlib.judge.records import Analysis, BandResult, Finding, Grade, Limit
from reportlib.judge.thresholds import BEHIND_DB, TEXT_UNKNOWN_DB
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.measure.records import CHAIN_FAULTS, Reason
from reportlib.session.day import Test
from reportlib.session.records import QualityNote

_ORDER: tuple[Grade, ...] = ("holds", *GAIN_GRADES[1:], *LOSS_GRADES[1:])
POINT_BEYOND_DB = 1.0
"""A worst point that exceeds its band's mean by this is named beside it."""
_EXPLAINS = 1.0 / 3.0
"""A finding in less of a band than this does not explain what the band as a whole does."""
_OF_THE_SETUP = ("baseline-alone", "gate-shortened", "gate-too-short", "level-off",
                 "distance-unlikely")  # fmt: skip
"""Warnings that say what was measured, and put none of it in doubt."""


def gravity(grade: Grade, may_be: Grade | None = None) -> float:
    """Return where a grade stands in the order, a part of a step more where it may be another.

    What may be a loss is graver than what may be a gain.

    >>> gravity("holds"), gravity("rises") < gravity("slips", "falls short") < gravity("gives out")
    (0.0, True)
    """
    if grade == "can't tell":
        return -1.0
    beyond = 0.0 if may_be is None else 0.6 if may_be in LOSS_GRADES else 0.5
    return float(_ORDER.index(grade)) + beyond


@dataclass(frozen=True, kw_only=True)
class Group:
    """Bands that one test gives the same grade at one level, bass first.

    Attributes
    ----------
    by_mean, by_point : bands that earned it as a whole, and by their worst point alone
    every : whether these are all the bands that can be told there
    """

    by_mean: tuple[BandResult, ...]
    by_point: tuple[BandResult, ...]
    every: bool

    @property
    def results(self) -> tuple[BandResult, ...]:
        """All of them, bass first."""
        return tuple(sorted((*self.by_mean, *self.by_point), key=lambda one: one.low_hz))

    @property
    def bands(self) -> tuple[str, ...]:
        """Their names, bass first."""
        return tuple(one.band for one in self.results)

    @property
    def test(self) -> Test:
        """The test that found it."""
        return self.results[0].test

    @property
    def level_db(self) -> float:
        """The asked-for level."""
        return self.results[0].level_db

    @property
    def elapsed_s(self) -> float:
        """Stress behind it; 0 turned up."""
        return self.results[0].elapsed_s

    @property
    def grade(self) -> Grade:
        """What they do, surely."""
        return self.results[0].grade

    @property
    def may_be(self) -> Grade | None:
        """What they may do."""
        return self.results[0].grade_may_be

    @property
    def gravity(self) -> float:
        """How grave that is."""
        return gravity(self.grade, self.may_be)

    @property
    def at_least(self) -> bool:
        """Whether sizes are lower bounds: what a sweep sees after the stress has cooled."""
        return any(one.test == "long_term" and one.source != "multitone" for one in self.results)

    @property
    def changes(self) -> bool:
        """Whether they do anything but hold, or may."""
        return self.gravity > 0.0

    @property
    def loses(self) -> bool:
        """Whether what they do, or may do, is a loss."""
        return (self.may_be or self.grade) in LOSS_GRADES[1:]

    @property
    def together_db(self) -> float | None:
        """The mean change of several bands as a whole whose intervals overlap, else None."""
        if len(self.by_mean) < 2:
            return None
        most = max(self.by_mean, key=_size)
        if any(_size(most) - _size(one) > _u95(one) + _u95(most) for one in self.by_mean):
            return None
        return math.fsum(_mean(one) for one in self.by_mean) / len(self.by_mean)

    def says(self, other: "Group | None") -> bool:
        """Whether it is of the same test, level and bands as another."""
        if other is None:
            return False
        mine, theirs = ((one.test, one.level_db, one.bands) for one in (self, other))
        return mine == theirs

    @property
    def beyond(self) -> BandResult | None:
        """The one band, where its worst point earned the grade or lies far beyond its mean."""
        one = self.results[0]
        if len(self.results) != 1 or one.worst_db is None:
            return None
        far = math.copysign(1.0, _mean(one)) * one.worst_db - _size(one) >= POINT_BEYOND_DB
        return one if self.by_point or far else None


@dataclass(frozen=True, eq=False, kw_only=True)
class Verdict:
    """What is to be said first of one analysis; see the module.

    Attributes
    ----------
    levels_db : asked-for levels of the sweeps that count, quietest first
    faulty_db : those at which a fault of microphone or recorder took a band, so that they don't
    fault : which fault
    doubts : warnings on what counts
    told, untold : bands by whether they can be told at the loudest level that counts; those that
        were not measured are in neither
    holds_to_db : up to it every told band surely holds; None where not even at the quietest
    turned_up, left_playing : the gravest that each test found, *holds* included; None where the
        test was not made or tells nothing
    first : what gives first: lowest level of either test at which anything surely does not hold
    gain : the gravest gain turned up, where there is one
    played_untold : bands that can't be told left playing
    loses_nothing : whether nothing is lost turned up, nor may be
    fails_at_once : whether anything surely does not hold at the quietest level
    """

    analysis: Analysis
    levels_db: tuple[float, ...]
    faulty_db: tuple[float, ...]
    fault: Reason
    doubts: tuple[QualityNote, ...]
    told: tuple[str, ...]
    untold: tuple[str, ...]
    holds_to_db: float | None
    turned_up: Group | None
    left_playing: Group | None
    first: Group | None
    gain: Group | None
    played_untold: tuple[str, ...]
    loses_nothing: bool
    fails_at_once: bool

    @cached_property
    def worst(self) -> tuple[Group, ...]:
        """What the verdict names: the graver test, both where they are equal, turned up first."""
        found = [one for one in (self.turned_up, self.left_playing) if one is not None]
        most = max((one.gravity for one in found), default=0.0)
        return tuple(one for one in found if one.changes and one.gravity == most)

    @property
    def sudden(self) -> bool:
        """Whether what gives first falls two grades or more at once, below the verdict's level."""
        first = self.first
        return (
            first is not None
            and self.turned_up in self.worst
            and first.test == "short_term"
            and first.level_db != self.worst[0].level_db
            and gravity("falls short") <= first.gravity < self.worst[0].gravity
        )

    @property
    def stops_short(self) -> bool:
        """Whether something does not hold turned up that neither verdict nor *first* name."""
        mine = self.turned_up
        return (
            mine is not None
            and mine.changes
            and not any(mine.says(one) for one in (self.first, *self.worst))
        )

    @property
    def none_behind(self) -> bool:
        """Whether no band that can be told is 1 dB behind, or may be, in either test."""
        every = [one for one in self.analysis.limits if one.threshold_db == BEHIND_DB[0]]
        told = [one for one in every if one.band in SLUGS and one.reached is not None]
        grave = gravity("slips", "falls short")
        return (
            bool(told)
            and all(kind_of(one) == "not reached" for one in told)
            and all(one.gravity < grave for one in self.worst)
        )

    def limit_of(self, one: BandResult) -> Limit | None:
        """Return the level at which a band is first 1 dB behind in its test."""
        found = [
            limit
            for limit in self.analysis.limits
            if (limit.test, limit.band) == (one.test, one.band)
            if limit.threshold_db == BEHIND_DB[0]
        ]
        return found[0] if found else None

    def causes_of(self, group: Group) -> tuple[Finding, ...]:
        """Return the finding that covers what a group does, and any it can't be told apart from."""
        findings = [
            one
            for one in self.analysis.findings
            if one.confidence != "low" and one.cause != NONE_SHOWN
        ]
        covering = [one for one in findings if _covers(one, group=group)]
        if not covering or covering[0].confidence == "high":
            return tuple(covering[:1])
        return tuple(one for one in covering if one.confidence == "fair")


def is_instrument(finding: Finding) -> bool:
    """Whether what was found may be the measurement's own doing."""
    return finding.cause in INSTRUMENTS


def reached(limits: Sequence[Limit | None]) -> list[Limit]:
    """Return the limits that were surely reached."""
    return [one for one in limits if one is not None and kind_of(one) in ("at", "between", "by")]


@functools.lru_cache(maxsize=2)
def conclude_first(analysis: Analysis) -> Verdict:
    """Decide what is to be said first; once for all that ask."""
    short = [one for one in analysis.bands if one.test == "short_term"]
    faulty, fault = _faulty(analysis, short)
    levels = tuple(sorted({one.level_db for one in short} - set(faulty)))
    by_level = [
        [one for one in short if one.level_db == level and one.grade != "can't tell"]
        for level in levels
    ]
    told = tuple(one.band for one in by_level[-1]) if by_level else ()
    holds_to = None
    for level, results in zip(levels, by_level, strict=True):
        if any(_gravity(one) > 0.0 for one in results):
            break
        holds_to = level if results else holds_to
    ends, played_untold = ends_of(analysis)
    return Verdict(
        analysis=analysis,
        levels_db=levels,
        faulty_db=faulty,
        fault=fault,
        doubts=_doubts(analysis, faulty),
        told=told,
        untold=tuple(
            band.name
            for band in BANDS
            if band.name not in told
            and was_measured(analysis.short_term, low_hz=band.low_hz, high_hz=band.high_hz)
        ),
        holds_to_db=holds_to,
        turned_up=_gravest(by_level),
        left_playing=_gravest(ends),
        first=_first(by_level, ends),
        gain=_gravest(by_level, of=lambda one: one.grade in GAIN_GRADES[1:]),
        played_untold=played_untold,
        loses_nothing=not any(
            {one.grade, one.grade_may_be} & {*LOSS_GRADES[1:]}
            for results in by_level
            for one in results
        ),
        fails_at_once=any(gravity(one.grade) > 0.0 for results in by_level[:1] for one in results),
    )


def _faulty(analysis: Analysis, short: Sequence[BandResult]) -> tuple[tuple[float, ...], Reason]:
    """Levels at which a fault took a band that others tell, and the loudest one's fault."""
    told = {one.band for one in short if one.grade != "can't tell"}
    found: list[float] = []
    fault: Reason = ""
    for curve in analysis.short_term:
        mine = [reason for reason in CHAIN_FAULTS if reason in curve.reason]
        at = [one for one in short if one.level_db == curve.level_db]
        if mine and any((one.grade == "can't tell" and one.band in told) or not told for one in at):
            found.append(curve.level_db)
            fault = mine[0]
    return tuple(sorted(found)), fault


def _doubts(analysis: Analysis, faulty_db: Sequence[float]) -> tuple[QualityNote, ...]:
    left_out = {
        path
        for entry in analysis.session.short_term
        if entry.level_db in faulty_db
        for path in entry.captures
    }
    return tuple(
        note
        for note in analysis.quality
        if note.severity == "warning"
        if note.capture not in left_out and note.code not in _OF_THE_SETUP
    )


def ends_of(analysis: Analysis) -> tuple[list[list[BandResult]], tuple[str, ...]]:
    """Told results of every long-term level after its last stage; bands untold at the loudest.

    What was heard while it played, or what the sweep afterwards saw where that alone is told or
    is graver.
    """
    played = {(one.level_db, one.band): one for one in played_results(analysis.playing)}
    swept = {
        (one.level_db, one.band): one
        for one in sorted(analysis.bands, key=lambda one: one.elapsed_s)
        if one.test == "long_term"
    }
    found = []
    untold: tuple[str, ...] = ()
    for level in sorted({level for level, _ in (*played, *swept)}):
        both = [
            [one for one in (played.get((level, band.name)), swept.get((level, band.name))) if one]
            for band in BANDS
        ]
        told = [[one for one in pair if one.grade != "can't tell"] for pair in both]
        found.append([max(pair, key=_gravity) for pair in told if pair])
        untold = tuple(band.name for band, pair in zip(BANDS, told, strict=True) if not pair)
    tested = {
        band.name
        for band in BANDS
        if was_measured(analysis.long_term, low_hz=band.low_hz, high_hz=band.high_hz)
        or any(band.holds(one.frequency_hz).any() for one in analysis.playing)
    }
    return found, tuple(band for band in untold if band in tested)


def _gravest(
    by_level: Sequence[Sequence[BandResult]],
    *,
    of: Callable[[BandResult], bool] = lambda _: True,
) -> Group | None:
    """Return the bands of the gravest grade, at the level where one of them changes the most."""
    every = [one for results in by_level for one in results if of(one)]
    if not every:
        return None
    most = max(every, key=lambda one: (_gravity(one), _extent(one)))
    results = next(results for results in by_level if most in results)
    return _group(results, like=most)


def _first(
    by_level: Sequence[Sequence[BandResult]], ends: Sequence[Sequence[BandResult]]
) -> Group | None:
    """Return the gravest at the lowest level with a sure grade other than *holds*."""
    found = [
        results
        for results in (*by_level, *ends)
        if any(gravity(one.grade) > 0.0 for one in results)
    ]
    if not found:
        return None
    lowest = min(found, key=lambda results: results[0].level_db)  # turned up comes first in a tie
    most = max(lowest, key=lambda one: (_gravity(one), _extent(one)))
    return _group(lowest, like=most)


def _group(results: Sequence[BandResult], *, like: BandResult) -> Group:
    mine = [
        one for one in results if (one.grade, one.grade_may_be) == (like.grade, like.grade_may_be)
    ]
    by_point = [one for one in mine if mean_gravity(one) < _gravity(one)]
    return Group(
        by_mean=tuple(one for one in mine if one not in by_point),
        by_point=tuple(by_point),
        every=len(mine) == len(results),
    )


def _gravity(one: BandResult) -> float:
    return gravity(one.grade, one.grade_may_be)


def mean_gravity(one: BandResult) -> float:
    """Return how grave a band's mean alone is."""
    if one.worst_db is None:
        return _gravity(one)
    unknown = TEXT_UNKNOWN_DB if one.lower_bound else 0.0
    u95 = math.hypot(_u95(one), unknown)
    return gravity(*grade_of(_mean(one), 0.0, mean_u95_db=u95, worst_u95_db=0.0))


def _covers(finding: Finding, *, group: Group) -> bool:
    """Whether a finding speaks of every band of a group, and of its level."""
    if group.level_db not in finding.levels_db:
        return False
    return all(
        finding.low_hz <= (one.worst_hz or 0.0) <= finding.high_hz for one in group.by_point
    ) and all(_share(finding, band=one) >= _EXPLAINS for one in group.by_mean)


def _share(finding: Finding, *, band: BandResult) -> float:
    """Which part of a band, in octaves, a finding speaks of."""
    low, high = max(band.low_hz, finding.low_hz), min(band.high_hz, finding.high_hz)
    return max(0.0, math.log(high / low)) / math.log(band.high_hz / band.low_hz)


def _mean(one: BandResult) -> float:
    return one.mean_db or 0.0


def _size(one: BandResult) -> float:
    return abs(_mean(one))


def _extent(one: BandResult) -> float:
    return max(_size(one), 0.5 * abs(one.worst_db or 0.0))


def _u95(one: BandResult) -> float:
    return one.u95_db or 0.0
