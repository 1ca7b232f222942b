"""The loudest level as a map: every tone against every period, in steps of so many decibels."""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray
from reportlib.model import Analysis
from reportlib.readings.stress import levels_played, timeline
from reportlib.soaked import Playing

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
