"""A step in what a fit leaves: a limiter that sets in, a fuse that trips. No heating does that."""

import numpy as np

from reportlib.arrays import BoolArray, FloatArray

_SHARP = 6.0
"""Times the usual difference of neighbours: noise alone reaches 4 once in 16 000 periods."""
_LEAST_DB = 0.3  # smaller steps are not looked for (a judgement; no source)
_BESIDE = 8  # periods on each side that a step must last for
_LASTS = 0.6  # of it at least is left of the step between their medians


def step_in(residual_db: FloatArray, *, follows: BoolArray) -> bool:
    """Return whether what a fit leaves holds a step that stays.

    A step is a difference between neighbours (or next but one, where it falls into the middle
    of a period) far beyond the usual one, most of which is still there between the medians of
    the periods before and after. A door that slams comes back and is none.

    Parameters
    ----------
    residual_db : shape (n,), track minus fit
    follows : which periods follow right upon the one before
    """
    first = np.diff(residual_db)[follows[1:]]
    usual_db = 1.4826 * float(np.median(np.abs(first - np.median(first)))) if first.size else 0.0
    least_db = max(_SHARP * usual_db, _LEAST_DB)
    for apart in (1, 2):
        for index in np.flatnonzero(np.abs(residual_db[apart:] - residual_db[:-apart]) > least_db):
            if not np.all(follows[index + 1 : index + 1 + apart]):
                continue
            before = residual_db[max(0, index - _BESIDE + 1) : index + 1]
            after = residual_db[index + apart : index + apart + _BESIDE]
            step_db = residual_db[index + apart] - residual_db[index]
            if min(before.size, after.size) < 3:
                continue
            lasting_db = float(np.median(after) - np.median(before))
            if lasting_db * np.sign(step_db) > max(_LASTS * abs(step_db), least_db):
                return True
    return False
