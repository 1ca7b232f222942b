"""A loudspeaker measured on several days: what changed from one day to the next.

A band's change at the loudest level is compared where both days went as loud, for as long; else
the brackets of its 1 dB limit. Two changes differ where they are apart by more than the interval
of their difference, and two limits where their brackets have nothing in common. Intervals are
widened for as many comparisons as are made at once (Bonferroni, of a normal distribution), so
that of the days that repeat each other one in twenty is said to differ in any band, not in each.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from statistics import NormalDist

from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many.columns import CANT_TELL, NOT_TESTED, Value, limit_column, slug
from reportlib.many.rows import limit_said
from reportlib.measure.levels import BANDS
from reportlib.numbers import db_number, level_text, listed

WITHIN = "within the interval"
"""Nothing is told apart."""
_SAME_LEVEL_DB, _SAME_STRESS_S = 0.05, 1.0
_SHARE = 0.05

Row = Mapping[str, Value]


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """By how much two days are apart in a band, with the half-width of that at 95 %."""

    words: str
    apart_db: float
    u95_db: float = 0.0


def changed(then: Row, now: Row) -> str:
    """Say what is otherwise on a later day, of rows of one loudspeaker.

    Days that were not measured the same way are not compared.

    >>> changed({"space": "room"}, {"space": "gated"})
    "can't tell (other space)"
    """
    other = [name for name in ("drive", "settings", "space") if then.get(name) != now.get(name)]
    if other:
        return f"{CANT_TELL} (other {listed(other)})"
    told = [one for prefix in ("", "long_") for one in _told(then, now, prefix=prefix)]
    if not told:
        return CANT_TELL
    normal = NormalDist()
    wider = normal.inv_cdf(1.0 - _SHARE / (2 * len(told))) / normal.inv_cdf(1.0 - _SHARE / 2)
    moved = [one.words for one in told if one.apart_db > wider * one.u95_db]
    return "; ".join(moved) or WITHIN


def _told(then: Row, now: Row, *, prefix: str) -> Iterator[_Compared]:
    alike = _near(then, now, column=f"{prefix}top_db", within=_SAME_LEVEL_DB)
    if prefix:
        alike = alike and _near(then, now, column="long_elapsed_s", within=_SAME_STRESS_S)
    for band in BANDS:
        words = f"{band.name}{', left playing,' if prefix else ''}"
        one = _changes(then, now, prefix=prefix, band=band.name, words=words) if alike else None
        one = one or _limits(then, now, prefix=prefix, band=band.name, words=words)
        if one is not None:
            yield one


def _changes(then: Row, now: Row, *, prefix: str, band: str, words: str) -> _Compared | None:
    name = slug(band)
    values = []
    for row in (then, now):
        change, u95 = row.get(f"{prefix}change_{name}"), row.get(f"{prefix}u95_{name}")
        told = row.get(f"{prefix}grade_{name}") not in (None, CANT_TELL, NOT_TESTED)
        if not told or not isinstance(change, float) or not isinstance(u95, float):
            return None
        values.append((change, u95))
    (before, one_u95), (after, other_u95) = values
    said = [db_number(change, u95_db=u95) for change, u95 in values]
    return _Compared(
        words=f"{words} {said[0]} → {said[1]} dB at {level_text(_number(now, f'{prefix}top_db'))}",
        apart_db=abs(after - before),
        u95_db=math.hypot(one_u95, other_u95),
    )


def _limits(then: Row, now: Row, *, prefix: str, band: str, words: str) -> _Compared | None:
    column = limit_column(
        test="long_term" if prefix else "short_term", threshold_db=BEHIND_DB[0], band=band
    )
    one, other = _bracket(then, column), _bracket(now, column)
    if one is None or other is None:
        return None
    return _Compared(
        words=f"{words} {level_text(BEHIND_DB[0])} behind {limit_said(then, column)} → "
        f"{limit_said(now, column)} dB",
        apart_db=max(one[0], other[0]) - min(one[1], other[1]),
    )


def _bracket(row: Row, column: str) -> tuple[float, float] | None:
    """Between which levels a limit lies, as far as is known."""
    low, high = row.get(f"{column}_low"), row.get(f"{column}_high")
    state = row.get(f"{column}_state")
    if state == "not reached":
        low, high = row.get(f"{column}_tested"), math.inf
    elif state == "may be":
        high = math.inf
    elif state == "by":
        low = -math.inf
    return (low, high) if isinstance(low, float) and isinstance(high, float) else None


def _near(then: Row, now: Row, *, column: str, within: float) -> bool:
    return abs(_number(then, column) - _number(now, column)) < within


def _number(row: Row, column: str) -> float:
    value = row.get(column)
    return value if isinstance(value, float) else math.nan
