"""The stretch of a heap of recordings in which the place is heard with nothing played."""

from collections.abc import Sequence

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.intake.heard import Heard, Listen

SHORTEST_S, LONGEST_S = 4.0, 10.0
_PIECE_S = 0.5
_BEFORE_S, _AFTER_S = 0.3, 2.0  # a recorder's click; a room's reverberation


def piece_powers(listen: Listen, *, samples: int, sample_rate_hz: int) -> FloatArray:
    """Return the mean power of each half second of a recording; shape (n,)."""
    size = round(_PIECE_S * sample_rate_hz)
    return np.array([np.var(listen(first, size)) for first in range(0, samples - size + 1, size)])


def quietest(
    powers: Sequence[FloatArray], *, heard: Sequence[Heard], sample_rate_hz: int
) -> tuple[int, int, int] | None:
    """Return recording, first sample and length of the longest quiet stretch; None for none.

    Away from all that was played. Of stretches of the same length, the one whose loudest half
    second is the quietest: nobody talks in it.

    Parameters
    ----------
    powers : of the half seconds of each recording
    """
    size = round(_PIECE_S * sample_rate_hz)
    wanted, least = (round(seconds / _PIECE_S) for seconds in (LONGEST_S, SHORTEST_S))
    best: tuple[int, float, int, int] | None = None
    for recording, power in enumerate(powers):
        free = np.isfinite(power) & (power > 0.0)
        for one in heard:
            if one.recording == recording:
                first = (one.start - round(_BEFORE_S * sample_rate_hz)) // size
                last = (one.end + round(_AFTER_S * sample_rate_hz)) // size
                free[max(first, 0) : last + 1] = False
        for length in range(wanted, least - 1, -1):
            if best is not None and length < -best[0]:
                break
            for first in range(free.size - length + 1):
                stretch = slice(first, first + length)
                if free[stretch].all():
                    one_best = (-length, float(power[stretch].max()), recording, first * size)
                    best = one_best if best is None else min(best, one_best)
    if best is None:
        return None
    return best[2], best[3], -best[0] * size
