"""What a report says of the stress while it plays: its course, what came after, and the coil.

Selections from `Playing` records for figures, captions, words and tables alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from reportlib.judge.records import Analysis
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import (
    Agreement,
    CoilTrack,
    End,
    GroupTrack,
    Playing,
    Recovery,
    ThermalTerm,
    band_ends,
    end_of,
    fit_stays,
)
from reportlib.session.records import FloatArray

"""A loss known no better can't be told, as for points of curves, unless it is large itself."""


_FAULT_WORDS = {"clipped": "recording clipped", "gap": "samples lost"}
_MOST_POINTS = 60
_MOST_KNOTS = 160
_UNKNOWN_PAUSE_SHARE = 0.05
_LEAST_UNKNOWN_PAUSE_S = 2.0
_RECORD_FOR_A_TIME = 1.5
"""A record must be so many time constants long to tell one (method, section 4)."""
_DISTORTION_SHARE = 0.1
_LEAST_PERIODS = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class Timeline:
    """Where stages and periods stand on a level's time axis, in seconds.

    Attributes
    ----------
    starts_s, ends_s : shape (stages,)
    centre_s : shape (n,), middle of each period
    exact : whether every pause is as long as it was; else a short one stands for it
    """

    starts_s: FloatArray
    ends_s: FloatArray
    centre_s: FloatArray
    exact: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class Course:
    """One band at one level over time, thinned for drawing.

    `at_s`, `change_db`, `u95_db`: measured periods, a gap (NaN) where a stage ends; `knots_s`,
    `fitted_db`: the fitted curve, empty where there is none, or none that stays with the periods.
    """

    level_db: float
    end: End | None
    at_s: FloatArray
    change_db: FloatArray
    u95_db: FloatArray
    knots_s: FloatArray
    fitted_db: FloatArray


@dataclass(frozen=True, kw_only=True)
class Swept:
    """What the sweep after a stage saw of a band, and the true value when the stage ended."""

    end_s: float
    end_db: float
    at_s: float
    seen_db: float
    seen_u95_db: float
    agreement: Agreement


def levels_played(analysis: Analysis) -> tuple[Playing, ...]:
    """Return the levels of which anything can be told while they play, quietest first."""
    told = [one for one in analysis.playing if any(end_of(one, track) for track in one.groups)]
    return tuple(sorted(told, key=lambda one: one.level_db))


def changed_by_playing(analysis: Analysis) -> bool:
    """Whether any band moved by what a grade counts, while it played or in the sweep afterwards."""
    ends = [end for one in levels_played(analysis) for end in band_ends(one)]
    moved = [end.change_db for end in ends]
    for result in analysis.bands:
        if result.test == "long_term" and result.grade != "can't tell":
            moved += [db for db in (result.mean_db,) if db is not None]
    return any(abs(db) >= MEAN_LIMITS_DB[0] for db in moved)


_RESTS_ON: dict[str, Literal["coil", "harmonics"]] = {
    "amplifier": "harmonics",
    "excursion": "harmonics",
    "limiter-band": "harmonics",
    "limiter-broad": "harmonics",
    "crossover-heat": "coil",
    "heat-coil": "coil",
}


def rests_on(analysis: Analysis) -> tuple[Literal["coil", "harmonics"], ...]:
    """Return what the named causes rest on that a figure shows, the likeliest cause's first."""
    named = (one.cause for one in analysis.findings if one.confidence != "low")
    return tuple(dict.fromkeys(_RESTS_ON[cause] for cause in named if cause in _RESTS_ON))


def bands_untold(playing: Playing) -> tuple[str, ...]:
    """Return the bands with tones of which nothing can be told while they play."""
    told = {end.name for end in band_ends(playing)}
    return tuple(
        band.name
        for band in BANDS
        if band.name not in told and band.holds(playing.frequency_hz).any()
    )


def why_untold(playing: Playing, band: str) -> str:
    """Return in words why a band can't be told while it plays."""
    track = playing.group(band)
    if track is not None and np.isfinite(track.change_db).any():
        return "too uncertain"
    if any(playing.reason):
        return why_hidden(playing)
    if track is None or track.tones == 0:
        return "too few tones clear of the noise"
    return why_hidden(playing)


def why_hidden(playing: Playing) -> str:
    """Return in words what hides tones while it plays: a fault of the recording comes first."""
    faults = sorted(set(playing.reason) - {""})
    return _FAULT_WORDS[faults[0]] if faults else "lost in noise"


def timeline(playing: Playing) -> Timeline:
    """Lay a level's stages out in time; a pause that nobody wrote down is drawn short."""
    total_s = playing.stages[-1].elapsed_s
    short_s = max(
        _UNKNOWN_PAUSE_SHARE * total_s,
        _LEAST_UNKNOWN_PAUSE_S,
        *(one.after_s for one in playing.recovery),
    )
    starts: list[float] = []
    ends: list[float] = []
    for stage in playing.stages:
        after = ends[-1] + short_s if ends else 0.0
        starts.append(after if stage.start_s is None else stage.start_s)
        ends.append(starts[-1] + stage.stress_s)
    before_s = np.array([one.elapsed_s - one.stress_s for one in playing.stages])
    of = playing.stage.astype(int)
    return Timeline(
        starts_s=np.array(starts),
        ends_s=np.array(ends),
        centre_s=np.array(starts)[of] + playing.elapsed_s - before_s[of],
        exact=all(one.start_s is not None for one in playing.stages),
    )


def course(playing: Playing, *, band: str) -> Course:
    """Return a band's course at one level: at most some 60 periods of it, and the fitted curve."""
    track = playing.group(band)
    centre_s = timeline(playing).centre_s
    nothing = np.zeros(0)
    if track is None:
        empty = {"at_s": nothing, "change_db": nothing, "u95_db": nothing}
        curve = {"knots_s": nothing, "fitted_db": nothing}
        return Course(level_db=playing.level_db, end=None, **empty, **curve)
    points = _picked(playing, np.isfinite(track.change_db), most=_MOST_POINTS)
    fitted = np.isfinite(track.fitted_db) & fit_stays(playing, track)
    knots = _picked(playing, fitted, most=_MOST_KNOTS)
    return Course(
        level_db=playing.level_db,
        end=end_of(playing, track),
        at_s=_at(centre_s, points),
        change_db=_at(track.change_db, points),
        u95_db=_at(track.u95_db, points),
        knots_s=_at(centre_s, knots),
        fitted_db=_at(track.fitted_db, knots),
    )


def _picked(playing: Playing, told: np.ndarray, *, most: int) -> list[int]:
    """Pick periods: evenly within each stage, and closer at its start, where most happens.

    −1 stands between stages.
    """
    picked: list[int] = []
    every = max(int(told.sum()), 1)
    for stage in np.unique(playing.stage):
        own = np.flatnonzero(told & (playing.stage == stage))
        if own.size == 0:
            continue
        count = min(max(round(most * own.size / every), 4), own.size)
        at = np.linspace(0, own.size - 1, count)
        if count < own.size:
            early = np.geomspace(1.0, own.size, count // 3) - 1.0
            at = np.concatenate((np.linspace(0, own.size - 1, count - count // 3), early))
        picked += ([-1] if picked else []) + own[np.unique(np.round(at).astype(int))].tolist()
    return picked


def _at(values: FloatArray, picked: Sequence[int]) -> FloatArray:
    return np.array([np.nan if index < 0 else values[index] for index in picked])


def swept(playing: Playing, *, band: str) -> tuple[Swept, ...]:
    """Return what the sweeps after the stages saw of a band, each at its own, later time.

    None where the zero of the band's course is not cold: sweeps are compared with a cold one.
    """
    end = end_of(playing, playing.group(band))
    if end is None or not end.since_cold:
        return ()
    ends_s = timeline(playing).ends_s
    return tuple(
        Swept(
            end_s=float(ends_s[one.stage]),
            end_db=one.end_db,
            at_s=float(ends_s[one.stage]) + one.after_s,
            seen_db=one.seen_db,
            seen_u95_db=one.seen_u95_db,
            agreement=one.agreement,
        )
        for one in playing.recovery
        if one.name == band and np.isfinite(one.seen_db)
    )


def last_recovery(playing: Playing, *, band: str) -> Recovery | None:
    """Return what the sweep after the last stage saw of a band, of those that could tell it."""
    found = [one for one in playing.recovery if one.name == band and np.isfinite(one.seen_db)]
    return max(found, key=lambda one: one.stage, default=None)


def too_slow(playing: Playing, term: ThermalTerm) -> bool:
    """Whether a time constant can't be told because the stress was too short for it."""
    longest_s = max(one.elapsed_s for one in playing.stages)
    return not term.identifiable and longest_s < _RECORD_FOR_A_TIME * term.time_constant_s


def distortion_ends(track: GroupTrack) -> tuple[float, float] | None:
    """Return distortion plus noise over the tones near the start and at the end, dB.

    Medians over the first and the last tenth of the periods, three at least; None with fewer
    than six.
    """
    told = track.distortion_db[np.isfinite(track.distortion_db)]
    count = max(round(_DISTORTION_SHARE * told.size), _LEAST_PERIODS)
    if told.size < 2 * count:
        return None
    return float(np.median(told[:count])), float(np.median(told[-count:]))


_MOST_COIL_POINTS = 120


@dataclass(frozen=True, eq=False, kw_only=True)
class CoilCourse:
    """The coil over time, thinned for drawing; NaN between stages.

    Attributes
    ----------
    rise_k, heard_db : (value, u95), shape (n,) each
    expected_db : shape (n,)
    """

    at_s: FloatArray
    rise_k: tuple[FloatArray, FloatArray]
    expected_db: FloatArray
    heard_db: tuple[FloatArray, FloatArray]
    lines: Timeline


@dataclass(frozen=True, kw_only=True)
class CoilEnd:
    """The coil when the stress ended; None where it can't be told."""

    elapsed_s: float
    ohm: float
    rise_k: float
    rise_u95_k: float
    expected_db: float
    heard_db: float | None
    heard_u95_db: float | None

    @property
    def agrees(self) -> bool | None:
        """Whether what was heard is what the heat predicts, within its interval."""
        if self.heard_db is None or self.heard_u95_db is None:
            return None
        # The predicted change is as uncertain as the rise that it comes from, in proportion.
        expected_u95_db = abs(self.expected_db) * self.rise_u95_k / max(abs(self.rise_k), 1.0)
        return abs(self.heard_db - self.expected_db) <= float(
            np.hypot(self.heard_u95_db, expected_u95_db)
        )


def with_coil(analysis: Analysis) -> tuple[Playing, CoilTrack] | None:
    """Return the loudest level whose coil can be told, and its coil."""
    found = [(one, one.coil) for one in analysis.playing if one.coil is not None]
    told = [pair for pair in found if coil_end(*pair) is not None]
    return max(told, key=lambda pair: pair[0].level_db, default=None)


def coil_end(playing: Playing, coil: CoilTrack) -> CoilEnd | None:
    """Return the last period in which the temperature can be told."""
    told = np.flatnonzero(np.isfinite(coil.rise_k) & np.isfinite(coil.expected_db))
    if told.size == 0:
        return None
    last = int(told[-1])
    heard = float(coil.heard_db[last])
    known = bool(np.isfinite(heard))
    return CoilEnd(
        elapsed_s=playing.stages[int(playing.stage[last])].elapsed_s,
        ohm=float(coil.resistance_ohm[last]),
        rise_k=float(coil.rise_k[last]),
        rise_u95_k=float(coil.rise_u95_k[last]),
        expected_db=float(coil.expected_db[last]),
        heard_db=heard if known else None,
        heard_u95_db=float(coil.heard_u95_db[last]) if known else None,
    )


def coil_course(playing: Playing, coil: CoilTrack) -> CoilCourse:
    """Return the coil's course: at most some 120 periods of it."""
    lines = timeline(playing)
    picked: list[int] = []
    told = np.isfinite(coil.rise_k)
    each = max(-(-int(told.sum()) // _MOST_COIL_POINTS), 1)
    for stage in np.unique(playing.stage):
        own = np.flatnonzero(told & (playing.stage == stage))
        if own.size:
            picked += ([-1] if picked else []) + own[::-1][::each][::-1].tolist()

    def of(values: FloatArray) -> FloatArray:
        return np.array([np.nan if index < 0 else values[index] for index in picked])

    return CoilCourse(
        at_s=of(lines.centre_s),
        rise_k=(of(coil.rise_k), of(coil.rise_u95_k)),
        expected_db=of(coil.expected_db),
        heard_db=(of(coil.heard_db), of(coil.heard_u95_db)),
        lines=lines,
    )
