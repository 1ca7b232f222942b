"""What the reviewer asks of a plan, as one frozen record; nothing here is judged yet."""

import math
from dataclasses import dataclass, field

from reportlib.day import Calibration, Channels, Rig, Speaker, SweepFacts


@dataclass(frozen=True, kw_only=True)
class Woofer:
    """What bounds the excursion.

    Attributes
    ----------
    diameter_m : of the cone, effective
    excursion_m : how far it may move to one side
    from_hz : the lowest frequency at which the loudspeaker still gives its level
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
