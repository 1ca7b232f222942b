"""Why something can't be told, in words: for bands, and for what a fault took from a level."""

from collections.abc import Sequence

import numpy as np

from reportlib.measure.levels import BANDS
from reportlib.measure.records import ChangeCurve, Reason
from reportlib.numbers import frequency
from reportlib.write.readings_curves import cell_edges
from reportlib.write.writer import Writer, decibels

CHAIN: tuple[Reason, ...] = ("clipped", "overload", "dropout")
"""Faults of microphone or recorder."""
_WORDINGS: dict[Reason, str] = {
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

    Where a take clipped, what else is missing may be due to that. `curves` are those that it is
    asked of, else every level turned up.
    """
    graded = [
        one.mean_db
        for one in writer.analysis.bands
        for curve in curves
        if one.band in bands
        and (one.test, one.level_db, one.elapsed_s) == (curve.test, curve.level_db, curve.elapsed_s)
    ]
    if graded and None not in graded:  # enough was usable: it is the mean that is too uncertain
        return writer.say(_WORDINGS[""])
    counted: dict[Reason, int] = {}
    edges = [(one.low_hz, one.high_hz) for one in BANDS if one.name in bands]
    for curve in curves or writer.analysis.short_term:
        for point, reason in enumerate(curve.reason):
            hz = float(curve.frequency_hz[point])
            if reason and any(low <= hz < high for low, high in edges):
                counted[reason] = counted.get(reason, 0) + 1
    counted = {reason: counted[reason] for reason in CHAIN if reason in counted} or counted
    most: Reason = max(counted, key=lambda reason: counted[reason], default="")
    lowest = frequency(writer.analysis.lowest_hz)
    return writer.say(_WORDINGS[most], lowest=lowest)


def chain_faults(writer: Writer) -> list[str]:
    """Say of every level what a fault of microphone or recorder took from it, and which fault."""
    sentences = []
    for curve in writer.analysis.short_term:
        for fault in CHAIN:
            hz = curve.frequency_hz[[reason == fault for reason in curve.reason]]
            if not hz.size:
                continue
            low, high = cell_edges(
                curve.frequency_hz,
                first=int(np.searchsorted(curve.frequency_hz, hz[0])),
                last=int(np.searchsorted(curve.frequency_hz, hz[-1])),
                range_hz=writer.analysis.sweep_range_hz,
            )
            sentences.append(
                writer.say(
                    "in-short/chain-fault",
                    level=decibels(curve.level_db),
                    low=frequency(low),
                    high=frequency(high),
                    why=writer.say(_WORDINGS[fault]),
                )
            )
    return sentences
