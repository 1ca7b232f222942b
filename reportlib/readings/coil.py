"""What the electrical channels say of the coil, at the loudest level that has them."""

from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.model import Analysis
from reportlib.readings.stress import Timeline, timeline
from reportlib.soaked import CoilTrack, Playing

_MOST_POINTS = 120


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
    each = max(-(-int(told.sum()) // _MOST_POINTS), 1)
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
