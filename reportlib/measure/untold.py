"""Points that can't be told since microphone, preamplifier or recorder failed meanwhile."""

import numpy as np

from reportlib.measure.deconvolution import Deconvolved
from reportlib.measure.levels import cell_edges_hz
from reportlib.measure.records import Reason
from reportlib.session.records import FloatArray


def untold(capture: Deconvolved, *, fraction: int) -> tuple[Reason, ...]:
    """Why points can't be told: what lost samples, or a clipped stretch, leave nothing of."""
    reason: tuple[Reason, ...] = ()
    faults: tuple[tuple[Reason, FloatArray], ...] = (
        ("clipped", capture.clipped_hz),
        ("dropout", capture.dropped_hz),
    )
    for fault, stretches_hz in faults:
        reason = touched(
            reason,
            fault=fault,
            stretches_hz=stretches_hz,
            frequency_hz=capture.frequency_hz,
            fraction=fraction,
        )
    return reason


def touched(
    reason: tuple[Reason, ...],
    *,
    fault: Reason,
    stretches_hz: FloatArray,
    frequency_hz: FloatArray,
    fraction: int,
) -> tuple[Reason, ...]:
    """Return why points can't be told, with those into whose cells a fault reaches.

    Parameters
    ----------
    reason : one a point, or none at all; what is known stays
    stretches_hz : shape (2k,), lowest and highest frequency of each stretch
    frequency_hz : shape (n,), the points
    """
    if not stretches_hz.size:
        return reason
    low, high = cell_edges_hz(frequency_hz, fraction=fraction)
    first, last = stretches_hz[::2, np.newaxis], stretches_hz[1::2, np.newaxis]
    inside = np.any((first < high) & (last > low), axis=0)
    known: list[Reason] = list(reason) or [""] * frequency_hz.size
    for point in np.flatnonzero(inside).tolist():
        known[point] = known[point] or fault
    return tuple(known)
