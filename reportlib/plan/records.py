"""A measuring day as it is planned: its rules and names, what is asked of it, what it holds.

Every number that a plan depends on stands here, with its source; a request is not judged yet, and
templates and writers only read a `Plan`.
"""

import math
from dataclasses import dataclass, field
from typing import Literal

from reportlib.numbers import outwards
from reportlib.session.day import Calibration, Channels, Rig, Session, Speaker, SweepFacts

OVER_NOISE_DB = 30.0
"""A baseline at least so far above the room's noise (common practice, no source)."""
STEP_DB = 6.0
"""From level to level (common practice, no source)."""
STRESS_BELOW_TOP_DB = 9.0
"""A multitone of 12 dB crest factor then peaks where the loudest sweep, of 3 dB, does."""
SELF_HEAT_DB = 0.25
"""A sweep that loses so much by its own heat is warned of: half of what a band may lose and
still *hold* (ours)."""
HEADROOM_DB = 1.0
"""What the loudest file's true peak stays below full scale (common practice, no source)."""
RECORDER_HEADROOM_DB = 6.0
"""Between the highest peak that is foreseen and the recorder's full scale: rooms and resonances
add some (common practice, no source)."""
VOLUME_CREST_DB = 9.0
"""Of the signal that the volume is set with: true-rms meters stand a crest factor of 3, 9.5 dB."""
VOLUME_S = 10.0
"""Its file, to be looped: a level is averaged over as long."""
PERSON_DOSE_PERCENT = 100.0
"""Of NIOSH's working day: what bounds the top where somebody stays in the room."""
MOST_STEPS = 40
"""Levels of a ladder: more are a slip of the keyboard."""

BASS_COIL_J_PER_K, MIDDLE_COIL_J_PER_K, TREBLE_COIL_J_PER_K = 4.0, 1.9, 0.27
"""Heat capacities of voice coils: 10 g and 5 g of copper (385 J/kg·K), 0.3 g of aluminium
(900 J/kg·K). Physical tables; the masses are typical ones (from memory)."""
BASS_COIL_S, MIDDLE_COIL_S, TREBLE_COIL_S = 60.0, 20.0, 5.0
"""Time constants of voice coils: 20 to 60 s, 5 to 20 s, 1 to 5 s (common practice, no source)."""
UNKNOWN_WAIT_S = 100.0
"""Where nobody knows what a sweep does to the coils: five times a middle one's."""
UNKNOWN_SENSITIVITY_DB = 75.0
"""At 1 m for 1 W, where nobody gave one: less than the poorest small loudspeakers (judgement)."""
COOL_DB = 0.05
"""What a coil may still lose when the next sweep begins: the repeatability assumed elsewhere."""

LEAD_IN_S, TAIL_S = 1.0, 1.0
"""Silence before and after each sweep: noise is read before, the longest gate is 0.5 s."""
SILENCE_S = 10.0
PAUSE_S = 2.0
"""From a multitone's end to the sweep: the recorder hears the room fall silent first."""
PAUSE_U_S, PAUSE_BY_HAND_U_S = 0.01, 0.5
"""Standard uncertainty of that pause: of a file, and of somebody with a watch."""
AFTER_SWEEP_S = 2.0
"""From a sweep's end to the next stage of stress."""
RAMP_S = 0.01
"""In which a multitone rises before its first whole period, and falls after its last."""
FADE_OCTAVES = 1.0 / 6.0
"""By how much a sweep begins before the reported band and ends after it; what fades lies there."""
HANDLING_S = 30.0
"""To start a recorder, name a file and write down what was heard (ours)."""
SETTING_UP_S, SETTING_VOLUME_S = 1800.0, 300.0
BEFORE_STRESS_S, BETWEEN_STRESSES_S, BEFORE_BASELINE_AGAIN_S = 600.0, 1800.0, 1200.0
"""Magnet and cabinet cool in tens of minutes (common practice, no source)."""


SWEEP, MULTITONE = "stimulus/sweep.wav", "stimulus/multitone.wav"
CALIBRATOR = "calibration/calibrator.wav"
RECORDINGS = "recordings"
TAKES = "abcdefghijklmnopqrstuvwxyz"


def sweep_file(level_db: float) -> str:
    """Return the file that plays a sweep at a level.

    >>> sweep_file(72.0), sweep_file(82.5)
    ('stimulus/levels/sweep-72.wav', 'stimulus/levels/sweep-82.5.wav')
    """
    return f"stimulus/levels/sweep-{level_db:g}.wav"


def volume_file(level_db: float) -> str:
    """Return the file that the volume is set with.

    >>> volume_file(72.0)
    'stimulus/set-volume-72.wav'
    """
    return f"stimulus/set-volume-{level_db:g}.wav"


def stress_file(level_db: float) -> str:
    """Return the file that plays all stages of a long-term level."""
    return f"stimulus/levels/stress-{level_db:g}.wav"


def captures(stem: str, *, takes: int) -> tuple[str, ...]:
    """Return the captures of some takes of one kind.

    >>> captures("short-72", takes=2)
    ('captures/short-72-a.wav', 'captures/short-72-b.wav')
    """
    return tuple(f"captures/{stem}-{letter}.wav" for letter in TAKES[:takes])


def stress_capture(level_db: float, *, stage: int) -> str:
    """Return the capture of a stage's multitone, stages counted from 1."""
    return f"captures/long-{level_db:g}-stress-{stage}.wav"


def after_capture(level_db: float, *, stage: int) -> str:
    """Return the capture of the sweep after a stage."""
    return f"captures/long-{level_db:g}-after-{stage}.wav"


def recording(capture: str) -> str:
    """Return what a recorder should call a capture.

    >>> recording("captures/short-72-a.wav")
    'short-72-a.wav'
    """
    return capture.rpartition("/")[2]


@dataclass(frozen=True, kw_only=True)
class Woofer:
    """What bounds the excursion.

    Attributes
    ----------
    diameter_m : of the cone, effective
    excursion_m : how far it may move to one side
    from_hz : the lowest frequency at which the loudspeaker still gives its level; of a vented one
        whose tuning is known, the tuning counts
    """

    diameter_m: float
    excursion_m: float
    from_hz: float

    @property
    def area_m2(self) -> float:
        """The cone's effective area."""
        return math.pi * (0.5 * self.diameter_m) ** 2


@dataclass(frozen=True, kw_only=True)
class RoomNoise:
    """What the place sounds like with nothing played.

    Attributes
    ----------
    level_db : dB SPL at the microphone
    about : what it is the level of, e.g. ``"its loudest third of an octave, at 100 Hz"``
    """

    level_db: float
    about: str


@dataclass(frozen=True, kw_only=True)
class PlanRequest:
    """A measuring day as it is asked for.

    Attributes
    ----------
    speaker : `sensitivity_db` is at 1 m for 2.83 V, mean of the power over 200–5000 Hz
    rig, channels, calibration : as they will stand in ``session.toml``
    sweep : the reported band, and how long the sweep takes through it; what is played is wider
    sample_rate_hz : of the files that are played
    levels_db : the reviewer's own ladder; empty for equal steps
    baseline_db, top_db : None for the lowest and the highest that the rules allow
    takes : of each level
    stress_db : levels of the long-term test; None for the one that peaks where the top's sweep
        does, empty for none
    stages_s : seconds of each stage of stress, whole periods
    start_s : when the day begins, in s after midnight
    date : ISO 8601
    room_noise : None where nobody listened yet
    woofer : None where the cone is not known
    level_files : whether each level has a file of its own at its own digital gain; else the volume
        is turned
    nobody_in_room : whether everybody stays outside while something plays
    beyond_rating : the reviewer's reason to go beyond the maker's rating; empty for none
    """

    speaker: Speaker
    rig: Rig
    sweep: SweepFacts
    date: str
    channels: Channels = field(default_factory=Channels)
    calibration: Calibration | None = None
    sample_rate_hz: int = 48000
    levels_db: tuple[float, ...] = ()
    baseline_db: float | None = None
    top_db: float | None = None
    takes: int = 2
    stress_db: tuple[float, ...] | None = None
    stages_s: tuple[float, ...] = (30.0, 90.0, 480.0)
    crest_factor_db: float = 12.0
    start_s: float = 9.5 * 3600.0
    room_noise: RoomNoise | None = None
    woofer: Woofer | None = None
    level_files: bool = True
    nobody_in_room: bool = False
    beyond_rating: str = ""
    notes: str = ""


StepKind = Literal["prepare", "volume", "calibrator", "silence", "sweep", "stress", "end"]


@dataclass(frozen=True, kw_only=True)
class Terminals:
    """A drive at the terminals.

    `watt` is into the rated impedance, averaged over the sound; None where no impedance is known.
    """

    volt: float
    peak_volt: float
    watt: float | None

    @property
    def amplifier_watt(self) -> float | None:
        """What an amplifier must be able to give, as the power of a sine of the same peak."""
        if self.watt is None:
            return None
        return self.watt * 0.5 * (self.peak_volt / self.volt) ** 2


@dataclass(frozen=True, kw_only=True)
class SelfHeat:
    """What a drive unit's coil takes from one sweep.

    Attributes
    ----------
    unit : ``"bass"``, ``"middle"``, ``"treble"``, or ``"whole range"`` where nobody says
    rise_k : at most, when the sweep leaves its range
    loss_db : what that costs in level
    coil_s : the coil's time constant
    """

    unit: str
    low_hz: float
    high_hz: float
    energy_j: float
    rise_k: float
    loss_db: float
    coil_s: float


@dataclass(frozen=True, kw_only=True)
class PlannedLevel:
    """One level, as a sweep or as a multitone plays it.

    Attributes
    ----------
    level_db : nominal rms level at 1 m
    drive_db : rms over that of the baseline sweep
    at_microphone_db : what the microphone should read
    terminals : what it takes; None for active ones, or where no sensitivity is known
    heats : whether any coil may lose `COOL_DB` by it
    self_heat : what one sweep does to each coil; empty for a multitone, or where not known
    multitone : whether it is a multitone's
    file : that plays it, relative to the session folder
    """

    level_db: float
    drive_db: float
    at_microphone_db: float
    terminals: Terminals | None
    heats: bool
    self_heat: tuple[SelfHeat, ...]
    multitone: bool
    file: str


@dataclass(frozen=True, kw_only=True)
class VolumeSignal:
    """The steady signal that the volume is set with, and what meters at the microphone read.

    Attributes
    ----------
    file : that plays it, relative to the session folder
    z_db, c_db, a_db : unweighted, and by the two weightings
    """

    file: str
    z_db: float
    c_db: float
    a_db: float


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
class Bound:
    """A level that something says not to exceed.

    Attributes
    ----------
    level_db : as levels are named: at 1 m, or at the microphone
    about : what happens there, and how it was reckoned
    """

    kind: Literal["rating", "excursion"]
    level_db: float
    about: str

    @property
    def text(self) -> str:
        """The level, rounded down as a limit is."""
        return f"{outwards(self.level_db, digits=1, up=False):.1f} dB"

    def exceeded_by(self, level_db: float) -> bool:
        """Whether a level lies above."""
        return level_db > self.level_db + SLACK_DB


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A whole day.

    Attributes
    ----------
    session : the facts of the day, with the captures that it will have
    sweep : what is played, with its fades
    volume : what the volume is set with
    sweeps, stresses : levels of the two tests, rising
    bounds : what bounds the top apart from the dose
    departures : where the reviewer went beyond the rules, a sentence each
    ends_s : in s after midnight
    """

    request: PlanRequest
    session: Session
    sweep: SweepFacts
    volume: VolumeSignal
    sweeps: tuple[PlannedLevel, ...]
    stresses: tuple[PlannedLevel, ...]
    bounds: tuple[Bound, ...]
    dose: PlanDose
    departures: tuple[str, ...]
    steps: tuple[Step, ...]
    ends_s: float


SLACK_DB = 0.05  # levels are typed to a tenth
