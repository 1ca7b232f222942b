"""What figures and captions pick out of curves: what can't be told and why, read-outs, the map."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.judge.grades import was_measured
from reportlib.judge.records import Analysis, BandResult
from reportlib.measure.levels import GRID_PER_OCTAVE, Band, G, runs
from reportlib.measure.records import ChangeCurve, Reason
from reportlib.measure.stress.records import Playing
from reportlib.numbers import db_interval, levels_text
from reportlib.session.records import BoolArray, FloatArray
from reportlib.write.readings_stress import levels_played, timeline

REASON_WORDS: dict[Reason, str] = {
    "": "too uncertain",
    "noise": "lost in noise",
    "gate": "beyond what the gate resolves",
    "range": "outside the sweep",
    "gap": "no data",
    "clipped": "recording clipped",
    "overload": "microphone overloaded",
    "dropout": "samples lost",
}
_HALF_CELL = G ** (0.5 / GRID_PER_OCTAVE)
_BRIDGED = G ** (1.0 / 6.0)
"""Usable islands narrower than this do not split a stretch."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A stretch of frequency that can't be told, for one reason.

    Attributes
    ----------
    levels_db : the levels that it holds for, at least in part
    everywhere : whether it holds for every level over the whole stretch
    """

    low_hz: float
    high_hz: float
    reason: Reason
    levels_db: tuple[float, ...]
    everywhere: bool

    @property
    def words(self) -> str:
        """The reason in words, with the levels where it is not all of them."""
        if self.everywhere:
            return REASON_WORDS[self.reason]
        if len(self.levels_db) <= 2:
            return f"{levels_text(self.levels_db)}: {REASON_WORDS[self.reason]}"
        return f"some levels: {REASON_WORDS[self.reason]}"


def hidden(curve: ChangeCurve, *, range_hz: tuple[float, float]) -> BoolArray:
    """Return which points between two frequencies may not be used; shape (n,).

    Cells that the sweep's own ends cut are left out: they are where the picture ends, not
    something that went wrong.
    """
    f = curve.frequency_hz
    cut = np.array([reason == "range" for reason in curve.reason])
    cut &= (f < range_hz[0] * _BRIDGED) | (f > range_hz[1] / _BRIDGED)
    return np.asarray(~curve.usable & ~cut & (f >= range_hz[0]) & (f <= range_hz[1]))


def cell_edges(
    frequency_hz: FloatArray, *, first: int, last: int, range_hz: tuple[float, float]
) -> tuple[float, float]:
    """Return the outer edges of two grid points' cells; the range's where they are its ends."""
    shown = np.flatnonzero((frequency_hz >= range_hz[0]) & (frequency_hz <= range_hz[1]))
    low = range_hz[0] if first <= shown[0] else float(frequency_hz[first]) / _HALF_CELL
    high = range_hz[1] if last >= shown[-1] else float(frequency_hz[last]) * _HALF_CELL
    return low, high


def why_not(curve: ChangeCurve, *, low_hz: float, high_hz: float) -> str:
    """Return in words what most of the unusable points between two frequencies suffer from."""
    if not was_measured([curve], low_hz=low_hz, high_hz=high_hz):
        return "not tested"
    inside = (curve.frequency_hz >= low_hz) & (curve.frequency_hz < high_hz) & ~curve.usable
    reasons = [reason for reason, here in zip(curve.reason, inside, strict=True) if here]
    return (
        REASON_WORDS[max(sorted(set(reasons)), key=reasons.count)] if reasons else REASON_WORDS[""]
    )


def why_band(result: BandResult | None, *, curve: ChangeCurve, band: Band) -> str:
    """Return in words why a band can't be told: no mean, or one too uncertain to grade."""
    if result is not None and result.mean_db is not None:
        return "too uncertain to grade"
    return why_not(curve, low_hz=band.low_hz, high_hz=band.high_hz)


def stretches(
    curves: Sequence[ChangeCurve], *, range_hz: tuple[float, float]
) -> tuple[Stretch, ...]:
    """Return what can't be told between two frequencies, lowest first.

    `curves` share the fixed grid; one a level.
    """
    if not curves:
        return ()
    f = curves[0].frequency_hz
    lost = np.array([hidden(curve, range_hz=range_hz) for curve in curves])
    why = np.array([curve.reason for curve in curves], dtype=object)
    found = []
    for reason in REASON_WORDS:
        here = lost & (why == reason)
        for first, last in _bridged(runs(here.any(axis=0)), f):
            part = here[:, first : last + 1]
            levels = tuple(
                curve.level_db for curve, row in zip(curves, part, strict=True) if row.any()
            )
            low, high = cell_edges(f, first=first, last=last, range_hz=range_hz)
            found.append(
                Stretch(
                    low_hz=low,
                    high_hz=high,
                    reason=reason,
                    levels_db=levels,
                    everywhere=bool(part.all()),
                )
            )
    return tuple(sorted(found, key=lambda stretch: stretch.low_hz))


def _bridged(found: tuple[tuple[int, int], ...], frequency_hz: np.ndarray) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in found:
        if joined and frequency_hz[first] / frequency_hz[joined[-1][1]] < _BRIDGED:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


_EVERY = GRID_PER_OCTAVE // 12
"""Twelve points an octave: no fewer than a twelfth-octave smoothing holds."""


def read_points(
    frequency_hz: FloatArray, *, range_hz: tuple[float, float]
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return the indices of the points that can be read between two frequencies, 1 kHz among them.

    Parameters
    ----------
    frequency_hz : shape (n,), a stretch of the fixed grid
    """
    steps = np.rint(np.log(frequency_hz / 1000.0) / math.log(G) * GRID_PER_OCTAVE).astype(np.intp)
    inside = (frequency_hz >= range_hz[0] * 0.999) & (frequency_hz <= range_hz[1] * 1.001)
    return np.flatnonzero(inside & (steps % _EVERY == 0))


def frequency_words(frequency_hz: float) -> str:
    """Write a frequency so that a neighbour a twelfth of an octave away reads differently.

    >>> frequency_words(1059.25), frequency_words(39.81)
    ('1.06 kHz', '39.8 Hz')
    """
    if frequency_hz >= 999.5:
        return f"{frequency_hz / 1000.0:.3g} kHz"
    return f"{frequency_hz:.3g} Hz"


def curve_words(curve: ChangeCurve, *, points: Sequence[int] | np.ndarray) -> tuple[str, ...]:
    """Return what a curve says at each of the points: its change and half-width, or why not."""
    return tuple(
        db_interval(float(curve.change_db[point]), u95_db=float(curve.u95_db[point]))
        if curve.usable[point]
        else f"can’t tell: {REASON_WORDS[curve.reason[point]]}"
        for point in points
    )


def where_most(curve: ChangeCurve, *, points: Sequence[int] | np.ndarray) -> int:
    """Return at which of the points a curve changes most; the middle one where it tells nothing."""
    told = np.where(curve.usable[points], np.abs(curve.change_db[points]), -1.0)
    return int(np.argmax(told)) if told.max() >= 0.0 else told.size // 2


_STEPS_DB = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
_MOST_SHADES = 7
_MOST_COLUMNS = 280
_LEAST_TOLD = 0.5
_SAME_EDGE = 0.01
_LAST_SHARE = 0.1
_NEAR_SHARE = 0.75
_REACHED_BY = 0.995
"""The scale reaches what so many of the points do: the farthest few are mostly noise."""


@dataclass(frozen=True, kw_only=True)
class Deepest:
    """The stretch around the tone that has lost most when the stress ends, and its mean change."""

    low_hz: float
    high_hz: float
    change_db: float


@dataclass(frozen=True, eq=False, kw_only=True)
class StressMap:
    """Tones against time, at one level.

    Attributes
    ----------
    edges_hz : shape (m + 1,), where one tone's row ends and the next one's begins
    starts_s, ends_s : shape (n,), of the columns, on the level's time axis
    change_db : shape (n, m), NaN where it can't be told
    told : shape (n, m)
    step_db : what one shade stands for
    losses, gains : how many shades there are on either side of none
    beyond : whether some points lie beyond the last shade
    averaged : how many periods one column is the mean of, at most
    """

    level_db: float
    cold_known: bool
    edges_hz: FloatArray
    starts_s: FloatArray
    ends_s: FloatArray
    change_db: FloatArray
    told: BoolArray
    step_db: float
    losses: int
    gains: int
    beyond: bool
    averaged: int

    @property
    def shades(self) -> FloatArray:
        """Each told point's shade: 0 for no change, −1, −2, … for a loss; shape (n, m)."""
        nearest = np.round(np.nan_to_num(self.change_db) / self.step_db)
        return np.clip(nearest, -self.losses, self.gains)

    @property
    def deepest(self) -> Deepest | None:
        """Where most is lost at the end: tones that lost 3/4 as much, without a gap.

        By the mean of the last columns, a tenth of them, over three neighbouring tones. None
        where that is less than a shade.
        """
        last = max(round(_LAST_SHARE * self.starts_s.size), 1)
        told = self.told[-last:].any(axis=0)
        counts = np.maximum(self.told[-last:].sum(axis=0), 1)
        mean = np.nansum(np.where(self.told, self.change_db, 0.0)[-last:], axis=0) / counts
        smooth = np.convolve(mean * told, np.ones(3), "same") / np.maximum(
            np.convolve(told, np.ones(3), "same"), 1.0
        )
        smooth = np.where(told, smooth, 0.0)
        at = int(np.argmin(smooth))
        if smooth[at] > -self.step_db:
            return None
        near = told & (smooth <= _NEAR_SHARE * smooth[at])
        first, end = at, at + 1
        while first > 0 and near[first - 1]:
            first -= 1
        while end < near.size and near[end]:
            end += 1
        return Deepest(
            low_hz=float(self.edges_hz[first]),
            high_hz=float(self.edges_hz[end]),
            change_db=float(smooth[first:end].mean()),
        )


def stress_map(analysis: Analysis) -> StressMap | None:
    """Return the map of the loudest level; None where nothing of any can be told."""
    levels = levels_played(analysis)
    if not levels:
        return None
    playing = levels[-1]
    if not (playing.usable & playing.settled[:, np.newaxis]).any():
        return None
    columns = _columns(playing)
    change, told = _averaged(playing, columns)
    u95 = playing.u95_db[playing.usable & np.isfinite(playing.u95_db)]
    averaged = max(column.size for column in columns)
    blur_db = float(np.median(u95)) / np.sqrt(averaged) if u95.size else 0.0
    deepest, highest = _reach(-change[told]), _reach(change[told])
    finest = max(blur_db, max(deepest, highest) / (_MOST_SHADES + 0.5))
    step = next((step for step in _STEPS_DB if step >= finest), _STEPS_DB[-1])
    losses = min(max(round(deepest / step), 1), _MOST_SHADES)
    gains = min(round(highest / step), _MOST_SHADES)
    half_s = 0.5 * playing.period_s
    centre_s = timeline(playing).centre_s
    starts_s = np.array([centre_s[column[0]] - half_s for column in columns])
    ends_s = np.array([centre_s[column[-1]] + half_s for column in columns])
    # Neighbours share their edge, whatever the last bit says.
    touching = np.abs(starts_s[1:] - ends_s[:-1]) < _SAME_EDGE * playing.period_s
    ends_s[:-1][touching] = starts_s[1:][touching]
    values = change[told]
    return StressMap(
        level_db=playing.level_db,
        cold_known=playing.cold_known,
        edges_hz=_edges(playing.frequency_hz),
        starts_s=starts_s,
        ends_s=ends_s,
        change_db=change,
        told=told,
        step_db=step,
        losses=losses,
        gains=gains,
        beyond=bool(
            (values < -(losses + 0.5) * step).any() or (values > (gains + 0.5) * step).any()
        ),
        averaged=averaged,
    )


def _columns(playing: Playing) -> list[np.ndarray]:
    """Neighbouring periods of one stage that share a column, without those that ring in."""
    count = int(np.count_nonzero(playing.settled))
    each = -(-count // _MOST_COLUMNS)
    found = []
    for stage in np.unique(playing.stage):
        own = np.flatnonzero(playing.settled & (playing.stage == stage))
        found += [own[start : start + each] for start in range(0, own.size, each)]
    return found


def _averaged(playing: Playing, columns: list[np.ndarray]) -> tuple[FloatArray, BoolArray]:
    """Mean of each column over what may be used, and where that is half of it or more."""
    usable = playing.usable & np.isfinite(playing.change_db)
    values = np.where(usable, playing.change_db, 0.0)
    counts = np.array([usable[column].sum(axis=0) for column in columns])
    sums = np.array([values[column].sum(axis=0) for column in columns])
    sizes = np.array([column.size for column in columns])[:, np.newaxis]
    told = (counts > 0) & (counts >= _LEAST_TOLD * sizes)
    return np.where(told, sums / np.maximum(counts, 1), np.nan), told


def _reach(values: FloatArray) -> float:
    return max(float(np.quantile(values, _REACHED_BY)), 0.0) if values.size else 0.0


def _edges(frequency_hz: FloatArray) -> FloatArray:
    """Half way between neighbours in log frequency; the ends as far out as in."""
    f = frequency_hz
    if f.size == 1:
        return np.array([f[0] / 1.1, f[0] * 1.1])
    between = np.sqrt(f[:-1] * f[1:])
    return np.concatenate(([f[0] ** 2 / between[0]], between, [f[-1] ** 2 / between[-1]]))
