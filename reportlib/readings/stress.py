"""What a report says of the stress while it plays: the end of it, its course, what came after.

Selections from `Playing` records for figures, captions, words and tables alike.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.levels import BANDS
from reportlib.model import Analysis, BandResult
from reportlib.soaked import Agreement, GroupTrack, Playing, Recovery, ThermalTerm

TOLD_U95_DB = 0.5
"""A loss known no better can't be told, as for points of curves, unless it is large itself."""
_TOLD_SHARE = 0.3
_BAND_NAMES = frozenset(band.name for band in BANDS)
_MOST_POINTS = 60
_MOST_KNOTS = 160
_UNKNOWN_PAUSE_SHARE = 0.05
_LEAST_UNKNOWN_PAUSE_S = 2.0
_RECORD_FOR_A_TIME = 1.5
"""A record must be so many time constants long to tell one (method, section 4)."""
_DISTORTION_SHARE = 0.1
_LEAST_PERIODS = 3


@dataclass(frozen=True, kw_only=True)
class End:
    """How far a group of tones had changed when the stress ended.

    Attributes
    ----------
    change_db, u95_db : against the cold level where `since_cold`, else against the first period
    elapsed_s : stress behind it
    """

    level_db: float
    name: str
    low_hz: float
    high_hz: float
    elapsed_s: float
    change_db: float
    u95_db: float
    since_cold: bool

    @property
    def clear(self) -> bool:
        """Whether the change is told apart from none."""
        return abs(self.change_db) > self.u95_db


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
    `fitted_db`: the fitted curve, empty where there is none.
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


def end_of(playing: Playing, track: GroupTrack | None) -> End | None:
    """Return where a group had come to when the stress ended, None where it can't be told."""
    told = np.flatnonzero(np.isfinite(track.change_db)) if track is not None else np.zeros(0)
    if track is None or told.size == 0:
        return None
    last = int(told[-1])
    fit = track.fit
    since_cold = fit is not None and fit.cold_known
    if fit is not None and since_cold:
        change_db, u95_db = -fit.end_loss_db, fit.end_loss_u95_db
        elapsed_s = max(one.elapsed_s for one in playing.stages if one.recorded)
    else:
        fitted = float(track.fitted_db[last])
        change_db = fitted if np.isfinite(fitted) else float(track.change_db[last])
        u95_db = float(track.u95_db[last])
        elapsed_s = playing.stages[int(playing.stage[last])].elapsed_s
    if not u95_db <= max(TOLD_U95_DB, _TOLD_SHARE * abs(change_db)):
        return None
    return End(
        level_db=playing.level_db,
        name=track.name,
        low_hz=track.low_hz,
        high_hz=track.high_hz,
        elapsed_s=elapsed_s,
        change_db=change_db,
        u95_db=u95_db,
        since_cold=since_cold,
    )


def band_ends(playing: Playing) -> tuple[End, ...]:
    """Return where the bands that can be told had come to, bass first."""
    found = [end_of(playing, playing.group(band.name)) for band in BANDS]
    return tuple(end for end in found if end is not None)


def at_the_end(results: Sequence[BandResult], playing: Sequence[Playing]) -> list[BandResult]:
    """Return results whose long-term means are those heard when the stress ended, where told.

    The sweep afterwards comes late: what cools within seconds has partly recovered. Only what is
    known since cold takes its place; the rest stays as the sweeps saw it.
    """
    known = [
        (track.kind, end)
        for one in playing
        for track in one.groups
        if (end := end_of(one, track)) is not None and end.since_cold
    ]
    found = []
    for one in results:
        kind = "band" if one.band in _BAND_NAMES else "unit"
        mine = [end for of, end in known if of == kind and _same(end, one)]
        if one.test == "long_term" and mine:
            one = replace(one, mean_db=mine[0].change_db, u95_db=mine[0].u95_db)
        found.append(one)
    return found


def _same(end: End, result: BandResult) -> bool:
    """Whether both tell of one level and of one stretch: a drive unit's ends are left out."""
    middle = math.sqrt(result.low_hz * result.high_hz)
    return (
        end.level_db == result.level_db
        and end.low_hz <= middle <= end.high_hz
        and result.low_hz <= math.sqrt(end.low_hz * end.high_hz) <= result.high_hz
    )


def bands_untold(playing: Playing) -> tuple[str, ...]:
    """Return the bands of which nothing can be told while they play."""
    told = {end.name for end in band_ends(playing)}
    return tuple(band.name for band in BANDS if band.name not in told)


def why_untold(playing: Playing, band: str) -> str:
    """Return in words why a band can't be told while it plays."""
    track = playing.group(band)
    if track is None or track.tones == 0:
        return "too few tones clear of the noise"
    if not np.isfinite(track.change_db).any():
        return "lost in noise"
    return "too uncertain"


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
    knots = _picked(playing, np.isfinite(track.fitted_db), most=_MOST_KNOTS)
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
