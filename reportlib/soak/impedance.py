"""Where the impedance at the terminals tells one voice coil's resistance.

Above its resonance a moving-coil drive unit is nearly a resistance: what its cone gives back falls
with the frequency's square and its inductance is small yet, so that |Z| has its minimum and the
phase passes zero. In a box of several drive units the stretch has to lie within one unit's
range, far from its crossovers, where the others take next to no current. The unit must also be
among those of least impedance: one behind a pad shows the pad's resistance as well, and a pad
cannot be told from a coil. (Lumped model of R. H. Small, JAES 20 and 21, 1972, 1973; the limits
are judgements, no source.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reportlib.arrays import BoolArray, FloatArray
from reportlib.soak.groups import frequency_name

ComplexArray = NDArray[np.complex128]

AWAY_FROM_CROSSOVER = 2.0
"""An octave: what a unit of 12 dB an octave still takes there is 6 % of the current or less."""

_MOST_PHASE_DEG = 15.0
_CAPACITIVE_DEG = -20.0  # the far side of a resonance: what lies below such a tone is not above it
_MOST_OVER_LEAST = 1.10  # |Z| over its minimum in the unit's range
_MOST_OVER_BOX = 1.25  # the same over the whole box, else there is a pad or another unit below it
_LEAST_TONES, _LEAST_OCTAVES = 4, 1.0 / 3.0


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Tones in a row in which the impedance is that of one voice coil.

    `first` and `last` are indices of tones, both inside; `unit` says which unit it is.
    """

    unit: str
    first: int
    last: int

    @property
    def tones(self) -> slice:
        """Its tones."""
        return slice(self.first, self.last + 1)


def resistive_stretch(
    impedance: ComplexArray,
    *,
    frequency_hz: FloatArray,
    usable: BoolArray,
    crossovers_hz: Sequence[float],
) -> Stretch | None:
    """Return the stretch of least impedance in which that is nearly one coil's resistance.

    Parameters
    ----------
    impedance : shape (m,), ohm
    frequency_hz : shape (m,), rising
    usable : shape (m,), tones of which the impedance is known
    crossovers_hz : none where they are not known, or where there is one drive unit only

    Returns
    -------
    None where no drive unit has the impedance to itself over a third of an octave
    """
    size = np.where(usable, np.abs(impedance), np.inf)
    phase = np.degrees(np.angle(impedance))
    best, lowest = None, np.inf
    edges = [0.0, *sorted(crossovers_hz), np.inf]
    for (low, high), name in zip(pairwise(edges), unit_names(crossovers_hz), strict=True):
        inside = usable & (frequency_hz >= low * AWAY_FROM_CROSSOVER)
        inside &= frequency_hz <= high / AWAY_FROM_CROSSOVER
        if not inside.any() or np.min(size[inside]) > _MOST_OVER_BOX * np.min(size):
            continue
        capacitive = np.flatnonzero(inside & (phase < _CAPACITIVE_DEG))
        above = np.arange(size.size) > (capacitive[-1] if capacitive.size else -1)
        if not np.any(inside & above):
            continue
        least = np.min(size[inside & above])
        flat = inside & above & (size <= _MOST_OVER_LEAST * least)
        flat &= np.abs(phase) <= _MOST_PHASE_DEG
        for first, last in _runs(flat | ~usable):
            row = first + np.flatnonzero(flat[first : last + 1])
            if row.size < _LEAST_TONES:
                continue
            octaves = float(np.log2(frequency_hz[row[-1]] / frequency_hz[row[0]]))
            mean = float(np.mean(size[row]))
            if octaves >= _LEAST_OCTAVES and mean < lowest:
                best = Stretch(unit=name, first=int(row[0]), last=int(row[-1]))
                lowest = mean
    return best


def unit_names(crossovers_hz: Sequence[float]) -> list[str]:
    """Return what each drive unit plays, in words, the lowest first.

    >>> unit_names([3200.0, 450.0])
    ['up to 450 Hz', '450 Hz to 3.2 kHz', 'from 3.2 kHz']
    """
    named = [frequency_name(hz) for hz in sorted(crossovers_hz)]
    if not named:
        return ["the loudspeaker as a whole"]
    middle = [f"{low} to {high}" for low, high in pairwise(named)]
    return [f"up to {named[0]}", *middle, f"from {named[-1]}"]


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    steps = np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(steps > 0), np.flatnonzero(steps < 0) - 1
    return list(zip(starts.tolist(), ends.tolist(), strict=True))
