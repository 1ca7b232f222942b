"""Why something can't be told, in words."""

from collections.abc import Sequence

from reportlib.judge.thresholds import LARGEST_UNUSABLE_SHARE
from reportlib.measure.levels import BANDS
from reportlib.measure.records import ChangeCurve, Reason
from reportlib.numbers import frequency
from reportlib.write.writer import Writer

CHAIN: tuple[Reason, ...] = ("clipped", "overload", "dropout")
"""Faults of microphone or recorder."""
UNTOLD_WORDINGS: dict[Reason, str] = {
    "": "turned-up/untold-interval",
    "gate": "turned-up/untold-gate",
    "noise": "turned-up/untold-noise",
    "range": "turned-up/untold-range",
    "gap": "turned-up/untold-gap",
    "clipped": "turned-up/untold-clipped",
    "overload": "turned-up/untold-overload",
    "dropout": "turned-up/untold-dropout",
}


def why_untold(writer: Writer, bands: Sequence[str], *, curves: Sequence[ChangeCurve] = ()) -> str:
    """Give the most frequent reason of the points in these bands, in words; a chain's fault first.

    Where a take clipped, what else is missing may be due to that; where most points can be used,
    it is the interval. `curves` are those that it is asked of, else every level turned up.
    """
    counted: dict[Reason, int] = {}
    points = 0
    edges = [(one.low_hz, one.high_hz) for one in BANDS if one.name in bands]
    for curve in curves or writer.analysis.short_term:
        for point, reason in enumerate(curve.reason):
            hz = float(curve.frequency_hz[point])
            if any(low <= hz < high for low, high in edges):
                counted[reason] = counted.get(reason, 0) + 1
                points += 1
    usable = counted.pop("", 0) >= (1.0 - LARGEST_UNUSABLE_SHARE) * points
    faults = {reason: counted[reason] for reason in CHAIN if reason in counted}
    counted = faults or ({} if usable else counted)
    if set(bands) <= set(writer.short.untested):
        return writer.say(UNTOLD_WORDINGS["range"])
    most: Reason = max(counted, key=lambda reason: counted[reason], default="")
    lowest = frequency(max(writer.analysis.lowest_hz, 1.0))
    return writer.say(UNTOLD_WORDINGS[most], lowest=lowest)
