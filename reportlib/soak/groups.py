"""Which tones sound together: bands, 1/3 octaves, drive units; and their level over time.

A group's level is the mean of its tones' levels in dB, each tone with the stretch of log frequency
that it stands for (to the geometric means with its neighbours, cut at the group's edges). Log
frequency, because that is how the bands of sweeps are averaged and how broad a change sounds: with
equal weights the lower end, where tones stand closer, would count more. Decibels, because the mean
of a complex ratio's logarithm is not moved by noise as long as the tone stands above it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.levels import BANDS, G, band_centres_hz, cell_edges_hz
from reportlib.soaked import GroupKind
from reportlib.uncertainty import DB_PER_NOISE_RATIO

_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal frequencies of 1/3 octaves (ISO 266), a decade of them."""
_CLEAR = 0.1  # noise over a tone's power, in the middle of the stress, that is still averaged
_LEAST_COVERED = 0.6  # of a group's log frequency: less, and it can't be told (as for sweeps)
_BESIDE_CROSSOVER = G ** (1.0 / 3.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Group:
    """Tones that are averaged.

    Attributes
    ----------
    weight : shape (m,), share of each tone; their sum is 1, or 0 where the group can't be told
    tones : how many have a share
    within : shape (m,), 1 for the tones that lie in it, heard or not, else 0
    """

    kind: GroupKind
    name: str
    low_hz: float
    high_hz: float
    weight: FloatArray
    tones: int
    within: FloatArray


def tone_groups(
    frequency_hz: FloatArray, *, noise: FloatArray, crossovers_hz: Sequence[float]
) -> tuple[Group, ...]:
    """Return the groups that have tones: bands, 1/3 octaves, drive units.

    Where two drive units sound together, 1/3 octave to either side of a crossover, tones belong to
    neither.

    Parameters
    ----------
    frequency_hz : shape (m,)
    noise : shape (m,), each tone's usual noise over its power
    """
    stretches: list[tuple[GroupKind, str, float, float]] = [
        ("band", band.name, band.low_hz, band.high_hz) for band in BANDS
    ]
    lowest, highest = float(frequency_hz[0]), float(frequency_hz[-1])
    centres = band_centres_hz(3, start_hz=lowest / G**0.2, stop_hz=highest * G**0.2)
    for centre, low, high in zip(centres, *cell_edges_hz(centres, fraction=3), strict=True):
        stretches.append(("third", frequency_name(nominal_hz(centre)), low, high))
    stretches += units(crossovers_hz, lowest_hz=lowest, highest_hz=highest)
    groups = [
        _group(frequency_hz, kind=kind, name=name, low_hz=low, high_hz=high, noise=noise)
        for kind, name, low, high in stretches
    ]
    return tuple(group for group in groups if group is not None)


def units(
    crossovers_hz: Sequence[float], *, lowest_hz: float, highest_hz: float
) -> list[tuple[GroupKind, str, float, float]]:
    """Return kind, name and edges of every drive unit, the lowest first; none without crossovers.

    >>> [unit[1] for unit in units((450.0, 3200.0), lowest_hz=25.0, highest_hz=16000.0)]
    ['up to 450 Hz', '450 Hz to 3.2 kHz', 'from 3.2 kHz']
    """
    found: list[tuple[GroupKind, str, float, float]] = []
    at = sorted(crossovers_hz)
    for index in range(len(at) + 1 if at else 0):
        below = at[index - 1] if index else None
        above = at[index] if index < len(at) else None
        if below is None:
            name = f"up to {frequency_name(at[0])}"
        elif above is None:
            name = f"from {frequency_name(below)}"
        else:
            name = f"{frequency_name(below)} to {frequency_name(above)}"
        low = lowest_hz if below is None else below * _BESIDE_CROSSOVER
        high = highest_hz * (1.0 + 1e-9) if above is None else above / _BESIDE_CROSSOVER
        if low < high:
            found.append(("unit", name, low, high))
    return found


def frequency_name(hz: float) -> str:
    """Return a frequency as it stands in names.

    >>> frequency_name(450.0), frequency_name(3150.0), frequency_name(31.5)
    ('450 Hz', '3.15 kHz', '31.5 Hz')
    """
    return f"{hz:g} Hz" if hz < 1000.0 else f"{hz / 1000.0:g} kHz"


def nominal_hz(centre_hz: float) -> float:
    """Return the nominal frequency of a 1/3 octave by its exact middle (ISO 266).

    >>> nominal_hz(1258.925), nominal_hz(31.623)
    (1250.0, 31.5)
    """
    step = round(10.0 * math.log10(centre_hz))
    return float(f"{_NOMINAL[step % 10] * 10.0 ** (step // 10):.4g}")


def group_level(level_db: FloatArray, *, group: Group) -> FloatArray:
    """Return a group's level, shape (n,), of its tones' levels, shape (n, m); NaN without tones."""
    if group.tones == 0:
        return np.full(level_db.shape[0], np.nan)
    return np.asarray(level_db @ group.weight)


def group_u_db(noise: FloatArray, *, group: Group) -> FloatArray:
    """Return the standard uncertainty of a group's level, shape (n,), by its tones' noise.

    Parameters
    ----------
    noise : shape (n, m), of which each tone's is independent
    """
    return np.asarray(DB_PER_NOISE_RATIO * np.sqrt(noise @ np.square(group.weight)))


def _group(
    frequency_hz: FloatArray,
    *,
    kind: GroupKind,
    name: str,
    low_hz: float,
    high_hz: float,
    noise: FloatArray,
) -> Group | None:
    inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
    if not inside.any():
        return None
    clear = inside & (noise <= _CLEAR)
    middles = np.sqrt(frequency_hz[:-1] * frequency_hz[1:])
    low, high = np.append(frequency_hz[0], middles), np.append(middles, frequency_hz[-1])
    # tones at the ends reach as far to their other side
    low[0], high[-1] = low[0] ** 2 / high[0], high[-1] ** 2 / low[-1]
    width = np.log(np.minimum(high, high_hz) / np.maximum(low, low_hz))
    told = float(np.sum(width[clear]))
    whole = math.log(high_hz / low_hz)
    if kind == "third":  # narrow: a tone that stands at its edge speaks for it all the same
        whole = float(np.sum(width[inside]))
    weight = np.where(clear, width, 0.0) / max(told, 1e-300)
    if told < _LEAST_COVERED * whole:
        weight = np.zeros(frequency_hz.size)
    return Group(
        kind=kind,
        name=name,
        low_hz=low_hz,
        high_hz=high_hz,
        weight=weight,
        tones=int(np.count_nonzero(weight)),
        within=inside.astype(np.float64),
    )
