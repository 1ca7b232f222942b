"""Why something can't be told, in words: for bands, and for what a fault took from a level."""

from collections.abc import Sequence

import numpy as np

from reportlib.measure.records import Reason
from reportlib.numbers import frequency
from reportlib.write.readings_curves import cell_edges
from reportlib.write.writer import Writer, decibels

CHAIN_WORDS: dict[Reason, str] = {
    "clipped": "the recording clipped",
    "overload": "the microphone or its preamplifier was overloaded",
    "dropout": "the recording lost samples",
}


def why_untold(writer: Writer, bands: Sequence[str]) -> str:
    """Give the most frequent reason of the points in these bands, in words; a chain's fault first.

    Where a take clipped, what else is missing may be due to that.
    """
    counted: dict[Reason, int] = {}
    edges = [(one.low_hz, one.high_hz) for one in writer.analysis.bands if one.band in bands]
    for curve in writer.analysis.short_term:
        for point, reason in enumerate(curve.reason):
            hz = float(curve.frequency_hz[point])
            if reason and any(low <= hz < high for low, high in edges):
                counted[reason] = counted.get(reason, 0) + 1
    if not counted:
        return "the interval allows too many answers"
    of_chain = {reason: count for reason, count in counted.items() if reason in CHAIN_WORDS}
    counted = of_chain or counted
    most = max(counted, key=lambda reason: counted[reason])
    if most == "gate":
        return f"the gate resolves nothing below {frequency(writer.analysis.lowest_hz)}"
    words: dict[Reason, str] = {
        "noise": "too much is lost in noise",
        "range": "the sweep did not reach there",
        "gap": "the captures have a gap there",
        **CHAIN_WORDS,
    }
    return words[most]


def chain_faults(writer: Writer) -> list[str]:
    """Say of every level what a fault of microphone or recorder took from it, and which fault."""
    sentences = []
    for curve in writer.analysis.short_term:
        for fault, why in CHAIN_WORDS.items():
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
                    why=why,
                )
            )
    return sentences
