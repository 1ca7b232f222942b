"""What can't be told, and why: stretches of frequency where curves may not be used."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.levels import GRID_PER_OCTAVE, Band, G
from reportlib.model import BandResult, BoolArray, ChangeCurve, FloatArray, Reason
from reportlib.numbers import levels_text

REASON_WORDS: dict[Reason, str] = {
    "": "too uncertain",
    "noise": "lost in noise",
    "gate": "below what the gate resolves",
    "range": "outside the sweep",
    "gap": "no data",
    "clipped": "recording overloaded",
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


def runs(mask: Sequence[bool] | np.ndarray) -> tuple[tuple[int, int], ...]:
    """Return the stretches of True as (first, last) indices.

    >>> runs([True, True, False, True])
    ((0, 1), (3, 3))
    """
    edges = np.diff(np.concatenate(([0], np.asarray(mask, dtype=np.int8), [0])))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple((int(a), int(b)) for a, b in zip(first, last, strict=True))


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


def reached(curves: Sequence[ChangeCurve], *, low_hz: float, high_hz: float) -> bool:
    """Whether any point between two frequencies lies inside what was swept, or what files hold."""
    return any(
        low_hz <= hz < high_hz and reason != "range"
        for curve in curves
        for hz, reason in zip(curve.frequency_hz.tolist(), curve.reason, strict=True)
    )


def why_not(curve: ChangeCurve, *, low_hz: float, high_hz: float) -> str:
    """Return in words what most of the unusable points between two frequencies suffer from."""
    if not reached([curve], low_hz=low_hz, high_hz=high_hz):
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
