"""What rules look at: one frozen record of a day's changes, and the stretches that changed.

Changes are in dB, negative for a loss; `u95_db` is the half-width of a 95 % interval. Nothing
counts as a change that its interval does not clear.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reportlib.judge.grades import mean_u95_db
from reportlib.measure.levels import GRID_PER_OCTAVE, G, moving_octave_mean
from reportlib.measure.records import ChangeCurve, HarmonicCurves
from reportlib.session.day import Test
from reportlib.session.records import BoolArray, FloatArray


@dataclass(frozen=True, kw_only=True)
class Law:
    """loss = `share`·max(0, L − `threshold_db`), with a soft knee; where it takes something.

    `explained` is how much of the difference between frequencies it explains, `octaves` how much
    of the frequency axis it was seen to take from.
    """

    threshold_db: float
    share: float
    explained: float
    octaves: float
    low_hz: float
    high_hz: float
    worst_db: float
    levels_db: tuple[float, ...]


Growth = Literal["offset", "lone", "share", "knee", "smooth", "unclear"]
"""How a change grows with level: ``offset`` the same at every level, ``lone`` at one level alone,
``share`` a fixed share of every step, ``knee`` nothing at first and then most of each step,
``smooth`` ever more, ``unclear`` where the levels can't tell."""
Edge = Literal["open", "sharp", "soft"]
"""Where a stretch ends: ``open`` at the end of what can be told."""
Timing = Literal["at once", "builds up", "all builds up", "untold"]
"""``all builds up``: what lies beside it as well, so that something else may have come over it."""


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
    peak_slope : the same where most is missing, without the stretch's skirts
    low_edge, high_edge : how it ends
    at_low_end : change at the lowest frequency of the stretch over the largest
    flat_octaves : how far up from there it stays beyond three quarters of the largest
    unevenness_db : what its points differ by, beyond what their intervals explain
    follows_level : dB of change for each dB of the loudspeaker's own response, None where that
        response is too flat to tell
    bending : harmonics 2 to 5 over the share of the fundamental that is missing, None where not
        known: a waveform that is cut bends by a quarter and more, gain that is turned down by
        next to nothing
    bending_grows : whether those harmonics rose by 3 dB for 2 dB of level and more: those of a
        cubic, over the fundamental, rise with its square, those of turbulent air with the speed
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
    peak_slope: float
    low_edge: Edge
    high_edge: Edge
    at_low_end: float
    flat_octaves: float
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
class Overloaded:
    """Where the recording clipped or its microphone was overloaded, and at which levels."""

    low_hz: float
    high_hz: float
    levels_db: tuple[float, ...]
    worst_db: float


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All that the rules of `causes.table` may look at.

    Attributes
    ----------
    enclosure, tuning_hz : how the box is built and what its ports are tuned to, as far as known
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
    overloaded : what that took from the short-term test, None where nothing
    """

    drive: Literal["passive", "active"]
    crossovers_hz: tuple[float, ...]
    enclosure: Literal["closed", "vented", "passive radiator", "open"] | None
    tuning_hz: tuple[float, ...]
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
    overloaded: Overloaded | None = None

    @property
    def may_have_a_port(self) -> bool:
        """Whether the box has a port, or nobody wrote down how it is built."""
        return self.enclosure in (None, "vented")


LEAST_DB = 0.3
"""Below this a change is not looked at, however well it is known (a judgement)."""
LEAST_WORST_DB = 0.6
"""A stretch matters where its largest point reaches this, and clears its interval by half."""
LEAST_OCTAVES = 1.0 / 8.0
TERRACE = 2.0
"""A peak this many times as high as the rest of its stretch is a stretch of its own."""
SHARP_OCTAVES = 0.3
"""From three quarters of the change to one: a filter of the fourth order and more (computed)."""
FLATTEST_DB = 2.5
"""The response must differ by so much over a stretch to tell whether a change follows it."""
LEAST_BENDING_DB = 0.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Run:
    """Where a curve changed one way: `inside` its points, `core` those beyond half its worst."""

    sign: int
    inside: BoolArray
    core: BoolArray
    smooth_db: FloatArray


def octaves_of(low_hz: float, high_hz: float) -> float:
    """Return how many octaves (base ten) lie between two frequencies."""
    return math.log(high_hz / low_hz) / math.log(G)


def runs(curve: ChangeCurve) -> list[Run]:
    """Return the stretches of one curve that changed, the farthest from zero first."""
    smooth = moving_octave_mean(
        curve.change_db, frequency_hz=curve.frequency_hz, octaves=1 / 6, keep=curve.usable
    )
    smooth = np.where(curve.usable, smooth, np.nan)
    found: list[Run] = []
    for sign in (-1, 1):
        with np.errstate(invalid="ignore"):
            beyond = sign * smooth > np.maximum(LEAST_DB, curve.u95_db)
        for part in _contiguous(np.nan_to_num(beyond).astype(bool)):
            found += _terraces(curve, sign=sign, inside=part, smooth=smooth)
    return sorted(found, key=lambda one: -float(np.max(one.sign * one.smooth_db[one.inside])))


def _contiguous(marked: BoolArray) -> list[BoolArray]:
    """Split marked points into runs; a gap of two points does not part them."""
    index = np.flatnonzero(marked)
    if index.size == 0:
        return []
    result = []
    for part in np.split(index, np.flatnonzero(np.diff(index) > 3) + 1):
        mask = np.zeros(marked.shape, dtype=bool)
        mask[part[0] : part[-1] + 1] = True
        result.append(mask)
    return result


def _terraces(curve: ChangeCurve, *, sign: int, inside: BoolArray, smooth: FloatArray) -> list[Run]:
    """Part a peak from the plateau that it stands on, where there is one."""
    inside = inside & np.isfinite(smooth)
    size = np.where(inside, sign * smooth, 0.0)
    if not _matters(curve, inside=inside, size=size):
        return []
    plateau = float(np.median(size[inside]))
    worst = float(size.max())
    high = inside & (size > max(1.5 * plateau, 0.5 * (plateau + worst) * 0.8))
    share = np.count_nonzero(high) / np.count_nonzero(inside)
    if worst > TERRACE * plateau + 0.3 and share < 0.4:
        top = max(_contiguous(high), key=lambda one: float(np.max(size[one])))
        rest = [
            found
            for part in _contiguous(inside & ~_widened(top))
            for found in _terraces(curve, sign=sign, inside=part, smooth=smooth)
        ]
        peak = _run(sign, inside=top & inside, smooth=smooth)
        return [peak, *rest] if _matters(curve, inside=top & inside, size=size) else rest
    return [_run(sign, inside=inside, smooth=smooth)]


def _widened(mask: BoolArray, *, points: int = 6) -> BoolArray:
    """A quarter of an octave more on each side: the flank of a peak belongs to it."""
    return np.convolve(mask, np.ones(2 * points + 1), mode="same") > 0.5


def _matters(curve: ChangeCurve, *, inside: BoolArray, size: FloatArray) -> bool:
    if np.count_nonzero(inside) < LEAST_OCTAVES * GRID_PER_OCTAVE:
        return False
    worst = int(np.argmax(np.where(inside, size, 0.0)))
    top = float(size[worst])
    return top >= LEAST_WORST_DB and top >= 1.5 * float(curve.u95_db[worst])


def _run(sign: int, *, inside: BoolArray, smooth: FloatArray) -> Run:
    size = np.where(inside, sign * smooth, 0.0)
    return Run(sign=sign, inside=inside, core=size > 0.5 * size.max(), smooth_db=smooth)


def mean_over(curve: ChangeCurve, *, mask: BoolArray, fraction: int) -> tuple[float, float] | None:
    """Return a curve's mean over some points with its half-width, None where too few are usable."""
    used = mask & curve.usable & np.isfinite(curve.change_db)
    if np.count_nonzero(used) < max(2, 0.6 * np.count_nonzero(mask)):
        return None
    return float(np.mean(curve.change_db[used])), mean_u95_db(curve, used=used, fraction=fraction)


def points_of(
    curves: Sequence[ChangeCurve], *, run: Run, rises_db: Sequence[float], fraction: int
) -> tuple[Point, ...]:
    """Return a stretch's core at every level where it can be told."""
    found = []
    for curve, rise in zip(curves, rises_db, strict=True):
        mean = mean_over(curve, mask=run.core, fraction=fraction)
        if mean is not None:
            found.append(
                Point(level_db=curve.level_db, rise_db=rise, change_db=mean[0], u95_db=mean[1])
            )
    return tuple(found)


def edges(curve: ChangeCurve, *, run: Run) -> tuple[Edge, Edge]:
    """Return how a stretch ends, below and above."""
    return _edge(curve, run=run, step=-1), _edge(curve, run=run, step=1)


def _edge(curve: ChangeCurve, *, run: Run, step: int) -> Edge:
    size = run.sign * run.smooth_db
    told = np.flatnonzero(np.isfinite(size))
    core = np.flatnonzero(run.core)
    level = float(np.median(size[core]))
    here = int(core[0] if step < 0 else core[-1])
    last = int(told[0] if step < 0 else told[-1])
    high = np.flatnonzero(run.core & (size >= 0.75 * level))
    start = int(high[0] if step < 0 else high[-1]) if high.size else here
    for place in range(here, last + step, step):
        if np.isfinite(size[place]) and size[place] < 0.25 * level:
            return "sharp" if abs(place - start) / GRID_PER_OCTAVE <= SHARP_OCTAVES else "soft"
    return "open"


def unevenness_db(curve: ChangeCurve, *, run: Run) -> float:
    """Return what the points of a stretch differ by, beyond what noise and spread explain."""
    used = run.inside & curve.usable
    values = curve.change_db[used]
    own = np.hypot(curve.budget.noise_db, curve.budget.local_db)[used]
    own = np.hypot(own, curve.budget.gate_db[used])
    return math.sqrt(max(0.0, float(np.var(values)) - float(np.mean(np.square(own)))))


def follows_level(curve: ChangeCurve, *, run: Run, response_db: FloatArray) -> float | None:
    """Return dB more of change for each dB more of the loudspeaker's own response.

    A limiter that foresees the level takes what lies above its threshold (1 − 1/R for each dB),
    whatever the frequency; None where the response is too flat, or the change does not follow.
    """
    used = run.inside & curve.usable & np.isfinite(response_db)
    if np.count_nonzero(used) < GRID_PER_OCTAVE / 2:
        return None
    x, y = response_db[used], run.sign * run.smooth_db[used]
    if float(np.percentile(x, 95) - np.percentile(x, 5)) < FLATTEST_DB:
        return None
    slope, offset = np.polyfit(x, y, 1)
    left = float(np.std(y - slope * x - offset))
    whole = float(np.std(y))
    return float(slope) if whole > 0.1 and left < 0.5 * whole else 0.0


def bending(
    harmonics: Sequence[HarmonicCurves], *, run: Run, level_db: float, loss_db: float
) -> tuple[float | None, bool]:
    """Return the harmonics over the share of the fundamental that is missing, and their rise.

    y = x − b·x³ loses 3b/4 of its fundamental and gains a third harmonic of b/4: a third of what
    is missing; a hard clip gains about as much (Fourier series). Gain that is turned down slowly
    gains none.
    """
    found = {one.level_db: _total(one, run=run) for one in harmonics}
    here = found.get(level_db)
    if here is None or loss_db < LEAST_BENDING_DB:
        return None, False
    missing = 1.0 - 10.0 ** (-loss_db / 20.0)
    below = [level for level, one in found.items() if level < level_db and one is not None]
    grows = False
    if below:
        before = found[max(below)] or 1e-9
        step = level_db - max(below)
        grows = 20.0 * math.log10(here / max(before, 1e-9)) > 1.5 * step
    return here / missing, grows


def _total(one: HarmonicCurves, *, run: Run) -> float | None:
    inside = one.relative_db[:, run.core]
    known = np.isfinite(inside).any(axis=0)
    if np.count_nonzero(known) < 0.5 * known.size:
        return None
    power = np.nansum(10.0 ** (inside[:, known] / 10.0), axis=0)
    return math.sqrt(float(np.median(power)))
