"""The frozen records of what the curves mean: bands, limits, causes, what is heard, need, exposure.

An `Analysis` holds all of them. Field names are those of ``results.json`` (session format).
Conventions as in `measure.records`.
"""

from dataclasses import dataclass
from typing import Literal

from reportlib.measure.records import BaselineCurve, ChangeCurve, DriveStep, HarmonicCurves
from reportlib.measure.stress.records import Playing
from reportlib.numbers import db_interval, duration, hz_range_text, levels_text
from reportlib.session.day import Session, Test
from reportlib.session.records import QualityNote

Grade = Literal["holds", "slips", "falls short", "gives out", "rises", "rises much", "can't tell"]


@dataclass(frozen=True, kw_only=True)
class BandResult:
    """One band at one level: mean over log frequency, worst point, grade.

    Numbers are None where the band can't be told. `grade_may_be` is the next worse grade
    where the interval allows two, else None. `source` is what was heard: a sweep, its curve as
    text, or the multitone when the stress ended, which has no worst point. `lower_bound` says
    that `u95_db` is one, since nobody knows the noise.
    """

    test: Test
    source: Literal["sweep", "multitone", "text"] = "sweep"
    lower_bound: bool = False
    level_db: float
    elapsed_s: float
    band: str
    low_hz: float
    high_hz: float
    mean_db: float | None
    worst_db: float | None
    worst_hz: float | None
    u95_db: float | None
    grade: Grade
    grade_may_be: Grade | None

    def __str__(self) -> str:
        """One line, for people."""
        after = f", {duration(self.elapsed_s)} of stress" if self.elapsed_s else ""
        told = f"{self.test} {self.level_db:g} dB{after}, {self.band}: {self.grade}"
        if self.mean_db is None or self.u95_db is None:
            return told
        may = f" or {self.grade_may_be}" if self.grade_may_be else ""
        return f"{told}{may}, {db_interval(self.mean_db, u95_db=self.u95_db)}"


Confidence = Literal["low", "fair", "high"]
Heard = Literal["inaudible in practice", "possibly audible", "clearly audible", "can't tell"]
Answer = Literal["yes", "just", "no", "can't tell", "not tested"]
SEAT_SETUP = "your seat"
"""The `setup` of what is said for the reader's own seat."""


@dataclass(frozen=True, kw_only=True)
class Limit:
    """The level, as driven, at which a band's loss first reaches a threshold.

    Attributes
    ----------
    band : a band's name, or a drive unit's words
    level_db : None where it was not reached, or was by the quietest level already
    low_db, high_db : its bracket. Where reached, `low_db` is None if the quietest level may be
        past it already, `high_db` if the loudest may not be; where not reached, `low_db` is from
        where on the interval allows that it is, else None
    reached : False where no tested level loses so much; None in place of it where the levels
        can't be told
    tested_to_db : highest level that could be told
    untold_db : asked-for levels that were skipped, since they can't be told
    """

    test: Test
    band: str
    low_hz: float
    high_hz: float
    threshold_db: float
    level_db: float | None
    low_db: float | None
    high_db: float | None
    reached: bool | None
    tested_to_db: float | None
    untold_db: tuple[float, ...] = ()

    def __str__(self) -> str:
        """One line, for people."""
        told = f"{self.test}, {self.band}, {self.threshold_db:g} dB short: "
        if self.level_db is not None:
            return f"{told}at {self.level_db:.1f} dB"
        if self.reached:
            return f"{told}by {self.high_db:.1f} dB already" if self.high_db else f"{told}already"
        until = "" if self.tested_to_db is None else f" by {self.tested_to_db:g} dB"
        return f"{told}{'can’t tell' if self.reached is None else 'not'}{until}"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """A cause that the data fits, or that it does not: never "is", always "fits".

    `cause` is a code of `table.CAUSES`; `low_hz` to `high_hz` is where it shows; `levels_db` at
    which levels; the evidence is plain sentences; `to_confirm` the one measurement that would
    settle it.
    """

    cause: str
    confidence: Confidence
    low_hz: float
    high_hz: float
    levels_db: tuple[float, ...]
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    to_confirm: str

    def __str__(self) -> str:
        """One line, for people."""
        where = hz_range_text(self.low_hz, self.high_hz)
        return f"{self.cause}, {self.confidence}, {where} at {levels_text(self.levels_db)}"


@dataclass(frozen=True, kw_only=True)
class Audible:
    """Whether a change would be heard, in direct comparison with what was asked.

    Attributes
    ----------
    width_octaves : width of the stretch that changed
    change_db, u95_db : its mean change
    phon : the same as a change of loudness level (ISO 226) for bass, None elsewhere
    heard : the milder certain word; `heard_may_be` the next where the interval allows two
    """

    test: Test
    level_db: float
    elapsed_s: float
    low_hz: float
    high_hz: float
    width_octaves: float
    change_db: float
    u95_db: float
    phon: float | None
    heard: Heard
    heard_may_be: Heard | None


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """How long a level may be listened to, by one source.

    `basis` is ``"calibrated"``, or ``"assumed"`` where the asked-for level is taken as met.
    `heard` is the setting, or what is listened to, that the level belongs to; `asked_db` the
    asked-for level at 1 m behind it, None where the level is that of a need.
    """

    level_dba: float
    allowed_s: float
    period: Literal["day", "week"]
    source: str
    basis: Literal["calibrated", "assumed"]
    heard: str = ""
    asked_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class DayDose:
    """What the measuring day itself would give whoever stayed in the room.

    `niosh_percent` of a working day's dose, `weekly_percent` of a week's sound allowance; the
    loudest of what was played, in dBA, and all of it in seconds.
    """

    distance_m: float
    sounding_s: float
    loudest_dba: float
    niosh_percent: float
    weekly_percent: float
    basis: Literal["calibrated", "assumed"]


@dataclass(frozen=True, kw_only=True)
class SeatBand:
    """What a band of the sweep arrives with at a seat, and what of it is lost, by one method.

    Numbers are None where the band can't be told; `change_db` is negative for a loss.
    """

    setup: str
    level_db: float
    band: str
    low_hz: float
    high_hz: float
    method: str
    low_db: float | None
    high_db: float | None
    change_db: float | None
    u95_db: float | None


@dataclass(frozen=True, kw_only=True)
class NeedBand:
    """One band's part in an answer: losses, positive, as ranges; None where not known."""

    band: str
    peaks: Answer
    peak_loss_low_db: float | None
    peak_loss_high_db: float | None
    average: Answer
    average_loss_low_db: float | None
    average_loss_high_db: float | None


@dataclass(frozen=True, kw_only=True)
class NeedAnswer:
    """Whether what is needed at a seat is within what was measured.

    Attributes
    ----------
    need, setup : what is listened to, and where
    wanted_db, weighting : average level at the seat, dBA or dBC
    crest_db : peak over rms of what is listened to
    loudspeakers : how many share it
    average_low_db, average_high_db : level that one of them must make at 1 m, by every method
    peak_low_db, peak_high_db : rms level of the sine that reaches as high as its peaks
    tested_to_db, played_to_db : highest level of the sweeps, and of the long-term test, on the
        same scale; None where the test was not made
    peaks, average : the answer by the short-term and by the long-term test
    answer : of both
    bands : bass first
    """

    need: str
    setup: str
    wanted_db: float
    weighting: Literal["A", "C"]
    crest_db: float
    loudspeakers: int
    average_low_db: float
    average_high_db: float
    peak_low_db: float
    peak_high_db: float
    tested_to_db: float | None
    played_to_db: float | None
    peaks: Answer
    average: Answer
    answer: Answer
    bands: tuple[NeedBand, ...]


@dataclass(frozen=True, kw_only=True)
class SeatLevel:
    """What arrives at a listener from one setting, by one method.

    `low_db` to `high_db` is the range; `level_db` the asked-for level at 1 m of one
    loudspeaker; `loudest_db` the top of the range at the highest level tested.
    """

    setup: str
    listeners_distance_m: float
    level_db: float
    low_db: float
    high_db: float
    loudest_db: float
    method: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Analysis:
    """Everything that one session's captures say; what figures, facts and files are made from.

    Attributes
    ----------
    sweep_range_hz : first and last frequency of the sweep
    gate_s : inf where column text does not say how it was gated
    sample_rate_hz : 0 where every capture is column text
    lowest_hz : 2/gate, below which the gate leaves nothing to use
    playing : the long-term levels whose stress was recorded, while it plays
    drift_db : what the baseline moved by over the day, None where that can't be told from nothing
    """

    session: Session
    sample_rate_hz: int
    gate_s: float
    sweep_range_hz: tuple[float, float]
    lowest_hz: float
    smoothing_fraction: int
    assumed_repeatability_db: float
    baseline: BaselineCurve
    quality: tuple[QualityNote, ...]
    drive_steps: tuple[DriveStep, ...]
    short_term: tuple[ChangeCurve, ...]
    long_term: tuple[ChangeCurve, ...]
    harmonics: tuple[HarmonicCurves, ...]
    bands: tuple[BandResult, ...]
    in_room: tuple[SeatLevel, ...]
    playing: tuple[Playing, ...] = ()
    limits: tuple[Limit, ...] = ()
    findings: tuple[Finding, ...] = ()
    audible: tuple[Audible, ...] = ()
    exposure: tuple[Exposure, ...] = ()
    needs: tuple[NeedAnswer, ...] = ()
    seat_bands: tuple[SeatBand, ...] = ()
    day_dose: DayDose | None = None
    drift_db: float | None = None

    def band(self, name: str, *, test: Test, level_db: float) -> BandResult:
        """Return one band of one level (the last stage for long-term)."""
        found = [
            result
            for result in self.bands
            if result.band == name and result.test == test and result.level_db == level_db
        ]
        if not found:
            raise KeyError(f"{test} {name} at {level_db:g} dB")
        return found[-1]
