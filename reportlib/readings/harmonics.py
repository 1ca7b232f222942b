"""Which harmonics a report shows, and how their numbers are named."""

from collections.abc import Sequence

import numpy as np

from reportlib.model import Analysis, ChangeCurve, HarmonicCurves


def two_levels(analysis: Analysis) -> tuple[HarmonicCurves, ...]:
    """Return the harmonics of a middle level and of the highest, as far as there are any."""
    driven = {curve.level_db for curve in analysis.short_term}
    found = sorted(
        (
            curves
            for curves in analysis.harmonics
            if curves.level_db in driven and np.isfinite(curves.relative_db).any()
        ),
        key=lambda curves: curves.level_db,
    )
    if len(found) < 2:
        return tuple(found)
    return found[(len(found) - 1) // 2], found[-1]


def shown_beside(analysis: Analysis, shown: Sequence[HarmonicCurves]) -> tuple[ChangeCurve, ...]:
    """Return the short-term curves of the levels whose harmonics are shown."""
    curve_of = {curve.level_db: curve for curve in analysis.short_term}
    return tuple(curve_of[harmonics.level_db] for harmonics in shown)


def ordinal(order: int) -> str:
    """Return the name of a harmonic: 2nd, 3rd, 4th.

    >>> ordinal(2), ordinal(3), ordinal(5)
    ('2nd', '3rd', '5th')
    """
    ending = {2: "nd", 3: "rd"}.get(order, "th")
    return f"{order}{ending}"


def percent_text(relative_db: float) -> str:
    """Return a harmonic's level against its tone as a share of the amplitude.

    >>> percent_text(-40.0)
    '1 %'
    """
    return f"{100.0 * 10.0 ** (relative_db / 20.0):.3g} %"
