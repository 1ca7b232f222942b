"""What rules look at: one frozen record of a day's changes, distilled from an `Analysis`.

Changes are in dB, negative for a loss; `u95_db` is the half-width of a 95 % interval. Nothing
counts as a change that its interval does not clear.
"""

import math
from dataclasses import dataclass
from typing import Literal

from reportlib.causes.law import Law
from reportlib.model import Test

Growth = Literal["offset", "lone", "share", "knee", "smooth", "unclear"]
"""How a change grows with level: ``offset`` the same at every level, ``lone`` at one level alone,
``share`` a fixed share of every step, ``knee`` nothing at first and then most of each step,
``smooth`` ever more, ``unclear`` where the levels can't tell."""
Edge = Literal["open", "sharp", "soft"]
"""Where a stretch ends: ``open`` at the end of what can be told."""
Timing = Literal["at once", "builds up", "untold"]


@dataclass(frozen=True, kw_only=True)
class Point:
    """A stretch at one level: `rise_db` over the baseline, and its mean change there."""

    level_db: float
    rise_db: float
    change_db: float
    u95_db: float

    @property
    def shows(self) -> bool:
        """Whether the change clears its interval."""
        return abs(self.change_db) > self.u95_db


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A contiguous stretch of frequency that changed, one way.

    Attributes
    ----------
    sign : −1 for a loss, 1 for a gain
    low_hz, high_hz, worst_hz, octaves : where
    core_octaves : how wide the part is that changed by half of the largest or more
    level_db, elapsed_s : the loudest level at which it shows, and the stress behind it
    mean_db, worst_db, u95_db : mean over the stretch, its largest point (over 1/6 octave), the
        mean's half-width
    points : the same stretch at every level that can be told, quietest first
    growth, onset_db : how it grows; lowest level from which on it shows
    last_slope : of the last step of level, the share that went missing (dB per dB)
    low_edge, high_edge : how it ends
    at_low_end : change at the lowest frequency of the stretch over the largest
    unevenness_db : what its points differ by, beyond what their intervals explain
    follows_level : dB of change for each dB of the loudspeaker's own response, None where that
        response is too flat to tell
    bending : harmonics 2 to 5 over the share of the fundamental that is missing, None where not
        known: a waveform that is cut bends by a quarter and more, gain that is turned down by
        next to nothing
    bending_grows : whether those harmonics rose faster than the level
    snr_db : median of the baseline's signal over noise
    drift_db : median of what the baseline itself moved by over the day
    timing : whether it is there at once or builds up as the loudspeaker plays
    late_share : of the long-term test, the share of the change that came after the first stage
        of two minutes or more; None where stages can't tell
    """

    test: Test
    sign: int
    low_hz: float
    high_hz: float
    worst_hz: float
    octaves: float
    core_octaves: float
    level_db: float
    elapsed_s: float
    mean_db: float
    worst_db: float
    u95_db: float
    points: tuple[Point, ...]
    growth: Growth
    onset_db: float
    last_slope: float
    low_edge: Edge
    high_edge: Edge
    at_low_end: float
    unevenness_db: float
    follows_level: float | None
    bending: float | None
    bending_grows: bool
    snr_db: float
    drift_db: float
    timing: Timing
    late_share: float | None = None

    @property
    def levels_db(self) -> tuple[float, ...]:
        """The levels at which it shows."""
        return tuple(one.level_db for one in self.points if one.shows)

    def overlap(self, low_hz: float, high_hz: float) -> float:
        """Return which share of this stretch, over log frequency, lies within two frequencies."""
        shared = math.log(min(high_hz, self.high_hz) / max(low_hz, self.low_hz) + 1e-12)
        return max(0.0, shared) / max(math.log(self.high_hz / self.low_hz), 1e-9)


@dataclass(frozen=True, kw_only=True)
class WhilePlaying:
    """A band or a drive unit while the stress plays.

    Attributes
    ----------
    kind, name, low_hz, high_hz, level_db : which group of tones, at which level
    grown_db, u95_db : change from the first period to the last
    end_db : change at the end against the cold level where that is known, else `grown_db`
    step_db, step_at_s : the largest change from one moment to the next, and when; 0 where none
        stands out of the scatter
    late_share : share of the growth that came after the first two minutes, None where the
        stress was not twice as long
    constants_s : time constants of the fit that are identifiable
    explained : whether an exponential describes it
    recovery : whether the sweep afterwards agrees with the fit's cooling; empty where not told
    heat_k : by how much the coil would have to be hotter, were all of it heat
    """

    kind: str
    name: str
    low_hz: float
    high_hz: float
    level_db: float
    grown_db: float
    u95_db: float
    end_db: float
    step_db: float
    step_at_s: float
    late_share: float | None
    constants_s: tuple[float, ...]
    explained: bool
    recovery: str
    heat_k: float


@dataclass(frozen=True, kw_only=True)
class Coil:
    """A voice coil at the end of the stress, by its resistance.

    `expected_db` is the change that its warmth brings about on a voltage drive, `heard_db` the
    change of that drive unit's tones; `u95_db` of the two together.
    """

    level_db: float
    low_hz: float
    high_hz: float
    rise_k: float
    expected_db: float
    heard_db: float
    u95_db: float


@dataclass(frozen=True, kw_only=True)
class Missing:
    """What is missing from one volume step at the terminals: asked − measured, dB."""

    level_db: float
    missing_db: float
    u95_db: float


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """A curve that goes up and down over frequency: how far (rms), and how often.

    `grows` is whether the ripple of the level below is markedly less.
    """

    test: Test
    level_db: float
    rms_db: float
    turns_per_octave: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All that the rules of `causes.table` may look at.

    Attributes
    ----------
    reference : where the drive was recorded, empty where steps are taken as asked
    levels_db : short-term levels above the baseline
    long_levels_db : long-term levels that can be told
    lowest_hz, highest_hz : what can be told at the highest level
    short, long : stretches that changed, the largest first
    playing : groups of tones while the stress plays
    coils : voice coils whose resistance was followed
    law : the law of level that explains all of the short-term loss, None where none does
    missing : volume steps that came out smaller than asked (measured ones alone)
    ripples : curves that go up and down
    mids : of the long-term test, the mean change at each level, well above resonance
        in the range of the drive unit that has the bass
    hints : whether a band as a whole changed by more than its interval and `HINT_DB`, though no
        stretch did by enough to look at
    drift_db : the most that the baseline moved by over the day, beyond its own interval
    codes : code of each quality note → the captures that it is about
    severe : codes that are warnings, or captures left out
    """

    drive: Literal["passive", "active"]
    crossovers_hz: tuple[float, ...]
    reference: Literal["terminals", "loop-back", ""]
    levels_db: tuple[float, ...]
    long_levels_db: tuple[float, ...]
    lowest_hz: float
    highest_hz: float
    short: tuple[Stretch, ...]
    long: tuple[Stretch, ...]
    playing: tuple[WhilePlaying, ...]
    coils: tuple[Coil, ...]
    law: Law | None
    missing: tuple[Missing, ...]
    ripples: tuple[Ripple, ...]
    mids: tuple[Point, ...]
    hints: bool
    drift_db: float
    severe: frozenset[str]
