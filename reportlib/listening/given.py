"""What one loudspeaker gave at 1 m, from the levels asked for and what was measured of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reportlib.day import SPACES_WITH_1_M_LEVELS, Space
from reportlib.model import BaselineCurve, ChangeCurve, DriveStep

NOMINAL_HZ = (200.0, 5000.0)
"""The stretch that a level is named by (session format, ``level_db``)."""


@dataclass(frozen=True, kw_only=True)
class GivenLevel:
    """A short-term level at 1 m: as asked, as driven (nothing lost yet), and as given, in dB."""

    asked_db: float
    driven_db: float
    given_db: float


def is_calibrated(baseline: BaselineCurve, *, space: Space) -> bool:
    """Whether the baseline's measured level is one at 1 m; else the asked-for one stands."""
    return baseline.calibrated and space in SPACES_WITH_1_M_LEVELS


def starts_at(baseline: BaselineCurve, *, space: Space) -> float:
    """Return the baseline's level at 1 m: measured where it was, else as asked, in dB."""
    if is_calibrated(baseline, space=space):
        return baseline.mean_level_db
    return baseline.level_asked_db


def driven_levels(start_db: float, *, steps: Sequence[DriveStep]) -> Mapping[float, float]:
    """Return asked-for level → what a loudspeaker that loses nothing would give at 1 m."""
    return {step.level_db: start_db + step.applied_db for step in steps}


def given_levels(
    baseline: BaselineCurve,
    *,
    curves: Sequence[ChangeCurve],
    steps: Sequence[DriveStep],
    space: Space,
) -> tuple[GivenLevel, ...]:
    """Return every short-term level that can be told, the baseline first.

    What came out of a level is told over the stretch that levels are named by; one of which
    nothing there can be told is left out.
    """
    start = starts_at(baseline, space=space)
    asked = baseline.level_asked_db
    found = [GivenLevel(asked_db=asked, driven_db=start, given_db=start)]
    driven = driven_levels(start, steps=steps)
    low, high = NOMINAL_HZ
    for curve in curves:
        inside = curve.usable & (curve.frequency_hz >= low) & (curve.frequency_hz <= high)
        if inside.any():
            level = driven[curve.level_db]
            change = float(curve.change_db[inside].mean())
            found.append(
                GivenLevel(asked_db=curve.level_db, driven_db=level, given_db=level + change)
            )
    return tuple(found)
