"""Whether all that is missing follows one law of the asked-for level, whatever the frequency.

A limiter that foresees the level (and a microphone that overloads) takes a share k of every
decibel above a threshold t: loss = k·max(0, L − t), L the level asked for at that frequency. A
loudspeaker whose own response differs by some decibels over frequency shows it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.levels import GRID_PER_OCTAVE, moving_octave_mean
from reportlib.model import ChangeCurve

LEAST_SPREAD_DB = 1.5
LEAST_LOSS_DB = 0.6
KNEES_DB = (0.0, 3.0, 6.0)
EXPLAINED = 0.65
"""Share of what the frequencies of one level differ by that the law must explain."""
MOST_SPARED = 0.08
"""Share of what the law would take that may be spared: a resonance that rings along, not a band."""


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


def level_law(
    curves: Sequence[ChangeCurve], *, rises_db: Sequence[float], response_db: FloatArray
) -> Law | None:
    """Fit the law to every level at once; None where it does not explain what is missing.

    Parameters
    ----------
    curves, rises_db : short-term levels, and how far each lies over the baseline
    response_db : shape (n,), the baseline's level over frequency
    """
    levels, losses, which, hz = [], [], [], []
    for index, (curve, rise) in enumerate(zip(curves, rises_db, strict=True)):
        smooth = moving_octave_mean(
            curve.change_db, frequency_hz=curve.frequency_hz, octaves=1 / 6, keep=curve.usable
        )
        used = curve.usable & np.isfinite(smooth) & np.isfinite(response_db)
        levels.append(response_db[used] + rise)
        losses.append(-smooth[used])
        which.append(np.full(np.count_nonzero(used), index))
        hz.append(curve.frequency_hz[used])
    if not levels or levels[-1].size < 24:
        return None
    spread = float(np.percentile(levels[-1], 95) - np.percentile(levels[-1], 5))
    if spread < LEAST_SPREAD_DB or float(np.percentile(losses[-1], 98)) < LEAST_LOSS_DB:
        return None
    x, y, level, at = (np.concatenate(one) for one in (levels, losses, which, hz))
    best = (np.inf, 0.0, 0.0, np.zeros_like(y))
    for knee in KNEES_DB:
        for threshold in np.arange(np.percentile(x, 30), x.max(), 0.25):
            over = _soft(x - threshold, knee=knee)
            share = float(over @ y / max(over @ over, 1e-12))
            left = float(np.sum((y - share * over) ** 2))
            if 0.0 < share <= 1.3 and left < best[0]:
                best = (left, float(threshold), share, share * over)
    _, threshold, share, foreseen = best
    within = sum(
        float(np.sum((y[level == one] - np.mean(y[level == one])) ** 2)) for one in set(level)
    )
    apart = sum(
        float(np.sum(((y - foreseen)[level == one] - np.mean((y - foreseen)[level == one])) ** 2))
        for one in set(level)
    )
    explained = 1.0 - apart / max(within, 1e-12)
    # What it foresees must also be there as a whole, level by level.
    off = max(abs(float(np.mean((y - foreseen)[level == one]))) for one in set(level))
    if explained < EXPLAINED or off > 0.3 + 0.2 * float(foreseen.max()):
        return None
    top = level == level.max()
    due = top & (foreseen > max(0.5, 0.3 * foreseen.max()))
    if np.mean(y[due] < 0.35 * foreseen[due]) > MOST_SPARED:
        return None
    taken = top & (foreseen > max(0.2, 0.25 * foreseen.max()))
    return Law(
        threshold_db=threshold,
        share=share,
        explained=explained,
        octaves=float(np.count_nonzero(taken & (y > 0.5 * foreseen)) / GRID_PER_OCTAVE),
        low_hz=float(at[taken].min()),
        high_hz=float(at[taken].max()),
        worst_db=-float(foreseen.max()),
        levels_db=tuple(
            curve.level_db
            for index, curve in enumerate(curves)
            if float(foreseen[level == index].max(initial=0.0)) > 0.3
        ),
    )


def _soft(over_db: FloatArray, *, knee: float) -> FloatArray:
    """What lies above the threshold, with a quadratic knee."""
    half = max(knee, 1e-9) / 2.0
    return np.where(over_db < half, np.maximum(over_db + half, 0.0) ** 2 / (4.0 * half), over_db)
