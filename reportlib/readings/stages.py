"""What a long-term test says stage by stage, in the order that figures and captions need."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.levels import Band
from reportlib.model import Analysis, BandResult, ChangeCurve, FloatArray
from reportlib.numbers import duration


@dataclass(frozen=True, eq=False, kw_only=True)
class Track:
    """A band's mean at one level, from before the stress to after its last stage.

    Attributes
    ----------
    elapsed_s, mean_db, u95_db : shape (1 + stages,); starts with 0 s and 0 dB, which is
        "before"; NaN where it can't be told
    """

    level_db: float
    elapsed_s: FloatArray
    mean_db: FloatArray
    u95_db: FloatArray


def long_term_levels(analysis: Analysis) -> tuple[float, ...]:
    """Return the levels of the long-term test, quietest first."""
    return tuple(sorted({curve.level_db for curve in analysis.long_term}))


def last_curves(analysis: Analysis) -> tuple[ChangeCurve, ...]:
    """Return the sweep after the last stage of every level, quietest first."""
    swept = [curve for curve in analysis.long_term if curve.source != "multitone"]
    last = {curve.level_db: curve for curve in sorted(swept, key=lambda c: c.elapsed_s)}
    return tuple(last[level_db] for level_db in sorted(last))


def after_text(curves: Sequence[ChangeCurve]) -> str:
    """Return how long the stress behind these curves lasted: "after 2 min", where it is one."""
    lengths = {curve.elapsed_s for curve in curves}
    if len(lengths) == 1:
        return f"after {duration(lengths.pop())}"
    return f"after {duration(min(lengths))} to {duration(max(lengths))}"


def tracks(analysis: Analysis, *, band: Band) -> tuple[Track, ...]:
    """Return a band's tracks, one a long-term level, quietest first."""
    found = []
    for level_db in long_term_levels(analysis):
        results = sorted(
            (
                result
                for result in analysis.bands
                if result.test == "long_term"
                and result.band == band.name
                and result.level_db == level_db
            ),
            key=lambda result: result.elapsed_s,
        )
        means = [
            np.nan if r.mean_db is None or r.grade == "can't tell" else r.mean_db for r in results
        ]
        found.append(
            Track(
                level_db=level_db,
                elapsed_s=np.array([0.0, *(result.elapsed_s for result in results)]),
                mean_db=np.array([0.0, *means]),
                u95_db=np.array([0.0, *(result.u95_db or 0.0 for result in results)]),
            )
        )
    return tuple(found)


def last_result(analysis: Analysis, *, band: str, curve: ChangeCurve) -> BandResult | None:
    """Return a band's result at the level and stage of a long-term curve, if there is one."""
    found = [
        result
        for result in analysis.bands
        if result.test == "long_term"
        and result.band == band
        and result.level_db == curve.level_db
        and result.elapsed_s == curve.elapsed_s
    ]
    return found[-1] if found else None
