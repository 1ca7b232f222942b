"""A measuring day as it is planned: frozen records that templates and writers only read."""

from dataclasses import dataclass
from typing import Literal

from reportlib.day import Session, SweepFacts
from reportlib.planning.asked import PlanRequest
from reportlib.planning.drive import Terminals
from reportlib.planning.heat import SelfHeat
from reportlib.planning.ladder import Bound

StepKind = Literal["prepare", "volume", "calibrator", "silence", "sweep", "stress", "end"]


@dataclass(frozen=True, kw_only=True)
class PlannedLevel:
    """One level, as a sweep or as a multitone plays it.

    Attributes
    ----------
    level_db : nominal rms level at 1 m
    drive_db : rms over that of the baseline sweep
    at_microphone_db : what the microphone should read
    terminals : what it takes; None for active ones, or where no sensitivity is known
    energy_j : of one sweep, or of all stages, into the rated impedance
    self_heat : what one sweep does to each coil; empty for a multitone, or where not known
    multitone : whether it is a multitone's
    file : that plays it, relative to the session folder
    """

    level_db: float
    drive_db: float
    at_microphone_db: float
    terminals: Terminals | None
    energy_j: float | None
    self_heat: tuple[SelfHeat, ...]
    multitone: bool
    file: str


@dataclass(frozen=True, kw_only=True)
class Step:
    """One line of the checklist.

    Attributes
    ----------
    at_s : when it begins, in s after midnight
    play : the file, relative to the session folder; empty where nothing plays
    record_to : name of the recording; empty where nothing is recorded
    level_db : None where nothing plays
    recorded_s : how long the recording is
    wait_s : for cooling, after it
    """

    kind: StepKind
    at_s: float
    play: str = ""
    record_to: str = ""
    level_db: float | None = None
    drive_db: float = 0.0
    recorded_s: float = 0.0
    wait_s: float = 0.0
    what: str = ""


@dataclass(frozen=True, kw_only=True)
class PlanDose:
    """What the whole plan gives a person beside the microphone, without protectors.

    In percent of NIOSH's and OSHA's working day, and of WHO–ITU's week.
    """

    distance_m: float
    sounding_s: float
    loudest_dba: float
    niosh_percent: float
    osha_percent: float
    weekly_percent: float


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A whole day.

    Attributes
    ----------
    session : the facts of the day, with the captures that it will have
    sweep : what is played, with its fades
    sweeps, stresses : levels of the two tests, rising
    bounds : what bounds the top apart from the dose
    departures : where the reviewer went beyond the rules, a sentence each
    ends_s : in s after midnight
    """

    request: PlanRequest
    session: Session
    sweep: SweepFacts
    sweeps: tuple[PlannedLevel, ...]
    stresses: tuple[PlannedLevel, ...]
    bounds: tuple[Bound, ...]
    dose: PlanDose
    departures: tuple[str, ...]
    steps: tuple[Step, ...]
    ends_s: float
