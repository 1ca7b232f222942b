"""Decibels, the frequency grid, bands, weightings, and what a change of level is as loudness.

Conventions: powers are linear, levels in dB; a cell is the stretch of frequency that one
smoothed value speaks for. G is the base-10 octave ratio of IEC 61260-1:2014.

Loudness level by ISO 226:2023:

Formula 1 with the coefficients of table 1, both second-hand: as transcribed in open code, not
read in the standard. It holds for tones in a free field and a median young listener, from 20 phon
to 90 (80 from 5 kHz), at 29 frequencies; between them the coefficients are interpolated here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import fft

from reportlib.numbers import slug
from reportlib.session.records import BoolArray, FloatArray

G = 10.0**0.3
"""Octave ratio, base 10 (IEC 61260-1:2014, 5.2): 1.995262."""

GRID_PER_OCTAVE = 24


@dataclass(frozen=True)
class Band:
    """A named stretch of frequency, half-open: low_hz ≤ f < high_hz."""

    name: str
    low_hz: float
    high_hz: float

    @property
    def slug(self) -> str:
        """The name as it stands in fact names and anchors, e.g. ``"low-mids"``."""
        return slug(self.name)

    def holds(self, frequency_hz: ArrayLike) -> BoolArray:
        """Return which frequencies lie in the band."""
        f = np.asarray(frequency_hz)
        return np.asarray((f >= self.low_hz) & (f < self.high_hz))


BANDS = (
    Band("bass", 40.0, 160.0),
    Band("low mids", 160.0, 500.0),
    Band("mids", 500.0, 2000.0),
    Band("presence", 2000.0, 6000.0),
    Band("treble", 6000.0, 16000.0),
)
NOMINAL_HZ = (200.0, 5000.0)
"""The stretch that a level is named by (session format, ``level_db``)."""
SLUGS = {band.name: band.slug for band in BANDS}
"""Names of bands as they stand in names of facts."""


def db(power: ArrayLike) -> FloatArray:
    """Return 10·lg of a power ratio; −inf for 0, NaN below."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(power, dtype=np.float64)))


def power(level_db: ArrayLike) -> FloatArray:
    """Return the power ratio of a level in dB.

    >>> float(power(20.0))
    100.0
    """
    return np.asarray(10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0))


def energy_sum_db(levels_db: ArrayLike) -> float:
    """Return the level of incoherent sources together.

    >>> round(energy_sum_db([85.0, 85.0]), 2)
    88.01
    """
    return float(db(np.sum(power(levels_db))))


def distance_change_db(*, from_m: float, to_m: float) -> float:
    """Return how the free-field level of a point source changes with distance, in dB.

    >>> round(distance_change_db(from_m=1.0, to_m=3.0), 2)
    -9.54
    """
    return -20.0 * math.log10(to_m / from_m)


def grid_hz(*, start_hz: float, stop_hz: float, per_octave: int = GRID_PER_OCTAVE) -> FloatArray:
    """Return the frequencies 1000·G^(k/per_octave) from `start_hz` to `stop_hz`.

    A sampling grid through 1 kHz on purpose; bands proper follow :func:`band_centres_hz`.

    Returns
    -------
    shape (n,), strictly increasing
    """
    step = math.log(G) / per_octave
    first = math.ceil(math.log(start_hz / 1000.0) / step - 1e-9)
    last = math.floor(math.log(stop_hz / 1000.0) / step + 1e-9)
    return np.asarray(1000.0 * G ** (np.arange(first, last + 1) / per_octave))


def named_by_hz(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Return the stretch that a level is named by, of what was measured (session format).

    200 to 5000 Hz; all of what was measured, where that is less than two octaves of it.
    """
    enough = min(high_hz, NOMINAL_HZ[1]) >= 4.0 * max(low_hz, NOMINAL_HZ[0])
    return NOMINAL_HZ if enough else (low_hz, high_hz)


def nominal(frequency_hz: FloatArray) -> BoolArray:
    """Return which points of the grid a level is named by; shape of `frequency_hz`, which rises."""
    low, high = named_by_hz(float(frequency_hz[0]), float(frequency_hz[-1]))
    return np.asarray((frequency_hz >= low) & (frequency_hz <= high))


def band_centres_hz(fraction: int, *, start_hz: float, stop_hz: float) -> FloatArray:
    """Return exact mid-band frequencies of 1/`fraction`-octave bands (IEC 61260-1:2014, 5.4).

    Odd fractions run through 1 kHz, even ones stand half a step beside it.
    """
    offset = 0.0 if fraction % 2 else 0.5
    step = math.log(G) / fraction
    first = math.ceil(math.log(start_hz / 1000.0) / step - offset - 1e-9)
    last = math.floor(math.log(stop_hz / 1000.0) / step - offset + 1e-9)
    return np.asarray(1000.0 * G ** ((np.arange(first, last + 1) + offset) / fraction))


def cell_edges_hz(centre_hz: ArrayLike, *, fraction: float) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper edges of 1/`fraction`-octave cells, f·G^(∓1/(2·fraction)).

    Source: IEC 61260-1:2014, 5.5 (from memory).
    """
    half = G ** (0.5 / fraction)
    centre = np.asarray(centre_hz, dtype=np.float64)
    return centre / half, centre * half


def cell_mean(
    spectrum: FloatArray, *, spacing_hz: float, low_hz: ArrayLike, high_hz: ArrayLike
) -> FloatArray:
    """Average a power spectrum over cells, every hertz with the same weight.

    The spectrum is taken as linear between its bins, so that cells narrower than a bin are
    right too; one cumulative sum, no loop over bins.

    Parameters
    ----------
    spectrum : shape (..., bins), the power at 0, spacing, 2·spacing … Hz
    low_hz, high_hz : shape (n,), edges of the cells; beyond the last bin they are cut there

    Returns
    -------
    shape (..., n)
    """
    total = np.cumsum(spectrum, axis=-1)
    (upper, end), (lower, begin) = (
        _area(spectrum, total=total, position=np.asarray(edge, dtype=np.float64) / spacing_hz)
        for edge in (high_hz, low_hz)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((upper - lower) / (end - begin))


def adjoining_means(spectrum: FloatArray, *, spacing_hz: float, edges_hz: FloatArray) -> FloatArray:
    """Average as :func:`cell_mean` does over cells that adjoin; shape (n,) from n + 1 edges."""
    total = np.cumsum(spectrum, axis=-1)
    area, position = _area(spectrum, total=total, position=edges_hz / spacing_hz)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.diff(area) / np.diff(position))


def _area(
    spectrum: FloatArray, *, total: FloatArray, position: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Area under the spectrum up to positions in bins, less half its first value; and where."""
    bins = spectrum.shape[-1]
    position = np.clip(position, 0.0, bins - 1.0)
    index = np.minimum(position.astype(np.intp), bins - 2)
    part = position - index
    here, after = spectrum[..., index], spectrum[..., index + 1]
    # by trapezia: all values up to the bin, less half of it (and of the first, which cancels)
    area = total[..., index] - 0.5 * here + part * (here + 0.5 * part * (after - here))
    return area, position


def moving_octave_mean(
    values: FloatArray, *, frequency_hz: FloatArray, octaves: float, keep: BoolArray | None = None
) -> FloatArray:
    """Average values on the grid over a stretch of `octaves` around each point.

    Points that are not finite, or not in `keep`, are left out; a stretch without any gives NaN.

    Returns
    -------
    shape of `values`, averaged along the last axis
    """
    position = np.log(frequency_hz / frequency_hz[0]) / math.log(G)
    low = np.searchsorted(position, position - octaves / 2 - 1e-9, side="left")
    high = np.searchsorted(position, position + octaves / 2 + 1e-9, side="right")
    good = np.isfinite(values) & (True if keep is None else keep)
    pad = [(0, 0)] * (values.ndim - 1) + [(1, 0)]
    total = np.pad(np.cumsum(np.where(good, values, 0.0), axis=-1), pad)
    count = np.pad(np.cumsum(good, axis=-1), pad)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(
            (total[..., high] - total[..., low]) / (count[..., high] - count[..., low])
        )


def tone_amplitude(
    samples: FloatArray, *, sample_rate_hz: float, frequency_hz: float
) -> tuple[float, float]:
    """Return the peak amplitude of a tone near `frequency_hz`, and its share of all power.

    The largest line within 5 % of the frequency, its power summed over the main lobe of a Hann
    window (so that a tone between two bins loses nothing).
    """
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(samples.size) + 0.5) / samples.size)
    spectrum = np.abs(fft.rfft(samples * window)) ** 2
    bins = np.arange(spectrum.size) * sample_rate_hz / samples.size
    near = np.flatnonzero(np.abs(bins / frequency_hz - 1.0) < 0.05)
    peak = int(near[np.argmax(spectrum[near])]) if near.size else 0
    lobe = spectrum[max(0, peak - 3) : peak + 4]
    # Parseval for a windowed tone of amplitude a: Σ|FFT|² over its lobe is a²/4 · n · Σw².
    scale = samples.size * float(np.sum(np.square(window)))
    total = max(float(np.sum(spectrum)), 1e-300)
    return math.sqrt(4.0 * float(np.sum(lobe)) / scale), float(np.sum(lobe)) / total


def a_weighting_db(frequency_hz: ArrayLike) -> FloatArray:
    """Return the A weighting (IEC 61672-1:2013, Annex E, eq. E.6), 0 dB at 1 kHz.

    >>> a_weighting_db([100.0, 1000.0]).round(1)
    array([-19.1,   0. ])
    """
    f2 = np.square(np.asarray(frequency_hz, dtype=np.float64))
    shape = (12194.0**2 * f2**2) / (
        (f2 + 20.60**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    )
    return np.asarray(20.0 * np.log10(shape) + 2.000)


def c_weighting_db(frequency_hz: ArrayLike) -> FloatArray:
    """Return the C weighting (IEC 61672-1:2013, Annex E, eq. E.1), 0 dB at 1 kHz."""
    f2 = np.square(np.asarray(frequency_hz, dtype=np.float64))
    shape = (12194.0**2 * f2) / ((f2 + 20.60**2) * (f2 + 12194.0**2))
    return np.asarray(20.0 * np.log10(shape) + 0.062)


def pink_weighted_db(
    weighting: Literal["A", "C"], *, start_hz: float = 20.0, stop_hz: float = 20000.0
) -> float:
    """Return by how much a weighting changes the level of pink sound, in dB.

    Over the third-octaves between two frequencies, each with the same power, which is what pink
    means; computed from IEC 61672-1:2013, Annex E. An exponential
    sweep, which spends the same time in every octave, has the same average.

    >>> round(pink_weighted_db("A"), 2), round(pink_weighted_db("C"), 2)
    (-2.99, -1.23)
    """
    edge = G ** (1.0 / 6.0)
    centres = band_centres_hz(3, start_hz=start_hz / edge, stop_hz=stop_hz * edge)
    weigh = a_weighting_db if weighting == "A" else c_weighting_db
    return float(db(power(weigh(centres)).mean()))


_TONES_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0,
    500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0,
    8000.0, 10000.0, 12500.0,
)  # fmt: skip
_EXPONENT = (
    0.635, 0.602, 0.569, 0.537, 0.509, 0.482, 0.456, 0.433, 0.412, 0.391, 0.373, 0.357, 0.343,
    0.330, 0.320, 0.311, 0.303, 0.300, 0.295, 0.292, 0.290, 0.290, 0.289, 0.289, 0.289, 0.293,
    0.303, 0.323, 0.354,
)  # fmt: skip
_TRANSFER_DB = (
    -31.5, -27.2, -23.1, -19.3, -16.1, -13.1, -10.4, -8.2, -6.3, -4.6, -3.2, -2.1, -1.2, -0.5,
    0.0, 0.4, 0.5, 0.0, -2.7, -4.2, -1.2, 1.4, 2.3, 1.0, -2.3, -7.2, -11.2, -10.9, -3.5,
)  # fmt: skip
_THRESHOLD_DB = (
    78.1, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0,
    2.2, 2.4, 3.5, 1.7, -1.3, -4.2, -6.0, -5.4, -1.5, 6.0, 12.6, 13.9, 12.3,
)  # fmt: skip
_REFERENCE = 4.0e-10
"""Square of the reference sound pressure of 20 µPa."""
_AT_1_KHZ = 0.3
_PHON_PER_DECADE = 100.0 / 3.0
_THRESHOLD_TERM = 10.0**0.072


def level_of_phon(phon: float, *, frequency_hz: float) -> float:
    """Return the sound pressure level of a tone of a loudness level, in dB.

    Parameters
    ----------
    phon : 20 to 90
    frequency_hz : 20 to 12500

    Raises
    ------
    ValueError
        The frequency is outside the standard's.

    >>> round(level_of_phon(60.0, frequency_hz=50.0), 1)
    89.9
    """
    exponent, transfer, threshold = _coefficients(frequency_hz)
    scale = _REFERENCE ** (_AT_1_KHZ - exponent)
    above = scale * (10.0 ** (phon / _PHON_PER_DECADE) - _THRESHOLD_TERM)
    quiet = 10.0 ** (exponent * (threshold + transfer) / 10.0)
    return 10.0 / exponent * math.log10(above + quiet) - transfer


def phon_of_level(level_db: float, *, frequency_hz: float) -> float | None:
    """Return the loudness level of a tone; None outside 20 to 90 phon (80 from 5 kHz).

    The inverse of :func:`level_of_phon`.

    >>> round(phon_of_level(89.9, frequency_hz=50.0))
    60
    """
    exponent, transfer, threshold = _coefficients(frequency_hz)
    scale = _REFERENCE ** (_AT_1_KHZ - exponent)
    power = 10.0 ** (exponent * (level_db + transfer) / 10.0)
    quiet = 10.0 ** (exponent * (threshold + transfer) / 10.0)
    term = (power - quiet) / scale + _THRESHOLD_TERM
    if term <= 0.0:
        return None
    phon = _PHON_PER_DECADE * math.log10(term)
    highest = 90.0 if frequency_hz < 5000.0 else 80.0
    return phon if 20.0 <= phon <= highest else None


def phon_change(level_db: float, *, change_db: float, frequency_hz: float) -> float | None:
    """Return what a change of a tone's level is as a change of its loudness level, in phon.

    None where either lies outside the range of the standard.

    >>> round(phon_change(89.9, change_db=-1.0, frequency_hz=50.0), 1)
    -1.7
    """
    before = phon_of_level(level_db, frequency_hz=frequency_hz)
    after = phon_of_level(level_db + change_db, frequency_hz=frequency_hz)
    return None if before is None or after is None else after - before


def threshold_db(frequency_hz: float) -> float:
    """Return the threshold of hearing of a tone in quiet, in dB.

    >>> threshold_db(20.0), threshold_db(1000.0)
    (78.1, 2.4)
    """
    return _coefficients(frequency_hz)[2]


def _coefficients(frequency_hz: float) -> tuple[float, float, float]:
    """Exponent of loudness, transfer function and threshold, linear over log frequency."""
    if not _TONES_HZ[0] <= frequency_hz <= _TONES_HZ[-1]:
        raise ValueError(f"ISO 226 says nothing about {frequency_hz:g} Hz")
    position = math.log(frequency_hz)
    tones: FloatArray = np.log(_TONES_HZ)
    exponent, transfer, threshold = (
        float(np.interp(position, tones, column))
        for column in (_EXPONENT, _TRANSFER_DB, _THRESHOLD_DB)
    )
    return exponent, transfer, threshold


def runs(mask: Sequence[bool] | np.ndarray) -> tuple[tuple[int, int], ...]:
    """Return the stretches of True as (first, last) indices.

    >>> runs([True, True, False, True])
    ((0, 1), (3, 3))
    """
    edges = np.diff(np.concatenate(([0], np.asarray(mask, dtype=np.int8), [0])))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple((int(a), int(b)) for a, b in zip(first, last, strict=True))
