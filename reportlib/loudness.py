"""Loudness level of a tone by ISO 226:2023, and what a change of level is as a change of it.

Formula 1 with the coefficients of table 1, both second-hand: as transcribed in open code, not
read in the standard. It holds for tones in a free field and a median young listener, from 20 phon
to 90 (80 from 5 kHz), at 29 frequencies; between them the coefficients are interpolated here.
"""

import math

import numpy as np

from reportlib.model import FloatArray

_NOMINAL_HZ = (
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
    if not _NOMINAL_HZ[0] <= frequency_hz <= _NOMINAL_HZ[-1]:
        raise ValueError(f"ISO 226 says nothing about {frequency_hz:g} Hz")
    position = math.log(frequency_hz)
    nominal: FloatArray = np.log(_NOMINAL_HZ)
    exponent, transfer, threshold = (
        float(np.interp(position, nominal, column))
        for column in (_EXPONENT, _TRANSFER_DB, _THRESHOLD_DB)
    )
    return exponent, transfer, threshold
