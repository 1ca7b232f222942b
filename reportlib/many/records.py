"""The frozen records of a comparison: two to eight sessions side by side.

As in `measure.records`, `change_db` is negative for a loss, half-widths and intervals are of
95 %. *Output* is the asked-for level at 1 m, as driven, plus the band's own change: what came out
when the whole sound was asked for. *Counted from* is the output at which every one compared
begins: the loudest of their baselines.
"""

from dataclasses import dataclass
from typing import Literal

from reportlib.judge.records import Answer, Limit
from reportlib.measure.levels import NOMINAL_HZ
from reportlib.session.records import FloatArray, freeze, same_length

Question = Literal["equal output", "1 dB behind", "left playing"]
Given = Literal["given", "gives out before", "not tested so high", "starts above", "can't tell"]
Kind = Literal[
    "text",
    "noise not known",
    "space",
    "stretch",
    "no common output",
    "no common stress",
    "levels assumed",
    "distance",
    "baseline",
    "sweep length",
    "reference",
    "drive step",
    "crest factor",
    "smoothing",
]


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One session of a comparison: how it is named, and how it was measured.

    Attributes
    ----------
    name : the loudspeaker's, with date or folder where two would be alike; unique
    slug : the same as it stands in facts' names, unique
    baseline_db, top_db : quietest and loudest short-term level asked for; None where none was
        driven above the baseline
    long_term_db : levels of the long-term test
    gate_s, lowest_hz : inf and 0 where not known
    reference : where the drive was read; None where it was not recorded
    steps_measured : whether the volume steps are read from it
    source : ``"text"`` where the curves were read from column text, ``"impulse response"`` where
        from such without their noise: their uncertainty is a lower bound
    level_hz : the stretch that its levels are named by
    """

    name: str
    slug: str
    speaker: str
    date: str | None
    drive: Literal["passive", "active"]
    baseline_db: float
    top_db: float | None
    long_term_db: tuple[float, ...]
    distance_m: float
    space: str
    gate_s: float
    lowest_hz: float
    smoothing_octaves: float
    calibrated: bool
    takes: tuple[int, int]
    sweep_s: float | None
    crest_factor_db: float | None
    reference: str | None
    steps_measured: bool
    source: Literal["sweep", "text", "impulse response"]
    level_hz: tuple[float, float] = NOMINAL_HZ


@dataclass(frozen=True, eq=False, kw_only=True)
class OutputTrack:
    """What one session gave in one band, level by level, the baseline first.

    Attributes
    ----------
    name : of the session
    driven_db : shape (n,), level at 1 m as driven, strictly rising
    change_db, u95_db : shape (n,), the band's mean change and its half-width; 0 for the baseline
    dof : shape (n,), degrees of freedom behind the half-width
    stretch_hz : what of the band was heard at the loudest of these levels; None where nothing was
    untold_db : asked-for levels that were skipped, since they can't be told
    measured : whether enough of the band was, for a grade
    """

    name: str
    band: str
    low_hz: float
    high_hz: float
    driven_db: FloatArray
    change_db: FloatArray
    u95_db: FloatArray
    dof: FloatArray
    stretch_hz: tuple[float, float] | None
    untold_db: tuple[float, ...] = ()
    measured: bool = True

    def __post_init__(self) -> None:
        arrays = ("driven_db", "change_db", "u95_db", "dof")
        freeze(self, arrays)
        same_length(self, arrays)

    @property
    def given_db(self) -> FloatArray:
        """The output that came of each level, shape (n,)."""
        return self.driven_db + self.change_db

    @property
    def told(self) -> bool:
        """Whether any level above the baseline can be told."""
        return self.driven_db.size > 1


@dataclass(frozen=True, kw_only=True)
class OutputPoint:
    """How far one session lags in one band when it gives a certain output.

    Attributes
    ----------
    given : whether it gives that output; ``"gives out before"``: it was asked for as much and
        is surely 1 dB behind
    change_db : None where it does not; counted from the session's own baseline
    low_db, high_db : 95 % interval of `change_db`, what is unknown between two tested levels
        included; `low_db` is None where it may not have given so much
    driven_db : level, as driven, that the output needs
    unique : False where the output falls below this again at a higher level tested
    most_db, asked_to_db : the most that it gave, and was asked for, of the levels tested
    """

    name: str
    band: str
    output_db: float
    given: Given
    change_db: float | None = None
    low_db: float | None = None
    high_db: float | None = None
    driven_db: float | None = None
    unique: bool = True
    most_db: float | None = None
    asked_to_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Standing:
    """One session in a ranking.

    Attributes
    ----------
    value_db : change, or the level of a limit; None where only a bound is known
    low_db, high_db : its interval; None for an open end
    best_place, worst_place : from first to last; alike where the place is sure
    per_db : by how much `value_db` moves where the levels asked for were 1 dB off; at equal output
    """

    name: str
    value_db: float | None
    low_db: float | None
    high_db: float | None
    best_place: int
    worst_place: int
    per_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Parting:
    """Two sessions that a ranking tells apart.

    Attributes
    ----------
    better, worse : names
    apart_db : by how much, positive; None where only a bound is known
    least_db : the least that it is, by the simultaneous 95 % interval of the whole question
    """

    better: str
    worse: str
    apart_db: float | None
    least_db: float

    def __str__(self) -> str:
        """One line, for people."""
        return f"{self.better} before {self.worse}, by at least {self.least_db:.1f} dB"


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """Sessions in order, by one question in one band, only as far as their intervals part.

    Attributes
    ----------
    at_db : the output, or the level left playing; None for limits
    counted_from_db : output that changes are counted from; None for the other questions
    elapsed_s : seconds of stress; 0 for the other questions
    while_playing : whether the change is that heard when the stress ended, else that of the sweep
        after it
    standings : the best first
    partings : every pair that is told apart
    """

    question: Question
    band: str
    low_hz: float
    high_hz: float
    standings: tuple[Standing, ...]
    partings: tuple[Parting, ...]
    at_db: float | None = None
    counted_from_db: float | None = None
    elapsed_s: float = 0.0
    while_playing: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """Who takes part, the best first."""
        return tuple(one.name for one in self.standings)

    def standing(self, name: str) -> Standing:
        """Return one session's standing."""
        return next(one for one in self.standings if one.name == name)


@dataclass(frozen=True, kw_only=True)
class ComparedLimit:
    """The level, as driven, at which one session is 1 dB behind in one band."""

    name: str
    limit: Limit


@dataclass(frozen=True, kw_only=True)
class StressEnd:
    """What one session had lost in one band after so much of one level.

    Attributes
    ----------
    while_playing : heard at the end of the stress, against cold; else by the sweep after it
    pause_s : from the end of the stress to that sweep; None while playing
    stretch_hz : what of the band it was heard over
    """

    name: str
    band: str
    level_db: float
    elapsed_s: float
    change_db: float
    u95_db: float
    dof: float
    while_playing: bool
    pause_s: float | None = None
    stretch_hz: tuple[float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class NeedBeside:
    """Whether one session's loudspeaker is enough for a need at a seat: what is asked of it there,
    and what it was found able to.

    Levels are at 1 m, on the scale that the session's own levels have.

    Attributes
    ----------
    in_peaks : only its peaks could be answered for, for want of a long-term test
    average_low_db, average_high_db : what one loudspeaker must make on average
    peak_low_db, peak_high_db : the sine that reaches as high as the peaks
    played_to_db, tested_to_db : highest level of the long-term test, and of the sweeps
    weakest_band : that loses the most at what is asked for; None where nothing is known
    loss_low_db, loss_high_db : how much, in peaks or on average, whichever is more; positive
    """

    name: str
    need: str
    setup: str
    answer: Answer
    average_low_db: float
    average_high_db: float
    peak_low_db: float
    peak_high_db: float
    in_peaks: bool = False
    played_to_db: float | None = None
    tested_to_db: float | None = None
    weakest_band: str | None = None
    loss_low_db: float | None = None
    loss_high_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class ArrivesBeside:
    """What arrives at a seat from the loudest level that one session tested, by every method."""

    name: str
    setup: str
    distance_m: float
    level_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True, kw_only=True)
class Hindrance:
    """What stands in the way of comparing sessions, or asks for care.

    Attributes
    ----------
    stops : whether no comparison is made for it, in these bands and by these questions
    groups : sessions that may be compared with each other as far as this goes; between groups
        they may not
    bands : names, bass first
    words, remedy : a plain sentence each: what it is, and what would make them comparable
    """

    kind: Kind
    stops: bool
    groups: tuple[tuple[str, ...], ...]
    bands: tuple[str, ...]
    questions: tuple[Question, ...]
    words: str
    remedy: str

    @property
    def names(self) -> tuple[str, ...]:
        """Everybody that it is about."""
        return tuple(name for group in self.groups for name in group)


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison:
    """Sessions side by side: what figures, tables, facts and words of a comparison come from.

    Attributes
    ----------
    sessions : in the order that they were named in
    tracks : one a session and band, bass first
    points : whole decibels of output that two sessions or more gave, quietest first in each band
    rankings : by question, then band
    limits, ends, needs, arrives : side by side; `ends` as each session's long-term test ended
    hindrances : those that stop a comparison first
    """

    sessions: tuple[Compared, ...]
    tracks: tuple[OutputTrack, ...]
    points: tuple[OutputPoint, ...]
    rankings: tuple[Ranking, ...]
    limits: tuple[ComparedLimit, ...]
    ends: tuple[StressEnd, ...]
    needs: tuple[NeedBeside, ...]
    arrives: tuple[ArrivesBeside, ...]
    hindrances: tuple[Hindrance, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The sessions' names, in their order."""
        return tuple(one.name for one in self.sessions)

    def session(self, name: str) -> Compared:
        """Return a session by its name."""
        return next(one for one in self.sessions if one.name == name)

    def ranked(self, question: Question, *, band: str | None = None) -> tuple[Ranking, ...]:
        """Return the rankings of a question, in one band or in all."""
        return tuple(
            one for one in self.rankings if one.question == question and band in (None, one.band)
        )

    def places(self, question: Question, *, band: str | None = None) -> frozenset[str]:
        """Return who takes a place by a question, in one band or in any."""
        return frozenset(name for one in self.ranked(question, band=band) for name in one.names)

    @property
    def unplaced(self) -> tuple[str, ...]:
        """Sessions that take no place in any ranking."""
        placed = {name for one in self.rankings for name in one.names}
        return tuple(name for name in self.names if name not in placed)
