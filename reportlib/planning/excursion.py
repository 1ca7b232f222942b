"""How loud a cone can be before it reaches its excursion: a caution, not a prediction."""

import math

from reportlib.planning.asked import Woofer

AIR_KG_M3 = 1.204
"""At 20 °C and 101.325 kPa: p/(R·T), dry air of 287.05 J/(kg·K)."""
_REFERENCE_PA = 20e-6


def volume_velocity_m3_s(level_db: float, *, frequency_hz: float, distance_m: float = 1.0) -> float:
    """Return the rms volume velocity of a small source that gives a level in free field.

    p = ρ·f·U/(2·r), a monopole's (textbook acoustics).
    """
    pressure_pa = _REFERENCE_PA * float(10.0 ** (level_db / 20.0))
    return 2.0 * distance_m * pressure_pa / (AIR_KG_M3 * frequency_hz)


def excursion_m(level_db: float, *, area_m2: float, frequency_hz: float) -> float:
    """Return how far to one side (peak) a piston moves for an rms level at 1 m in free field."""
    velocity_m_s = volume_velocity_m3_s(level_db, frequency_hz=frequency_hz) / area_m2
    return math.sqrt(2.0) * velocity_m_s / (2.0 * math.pi * frequency_hz)


def excursion_level_db(woofer: Woofer) -> float:
    """Return the level at which a closed box reaches the woofer's excursion.

    At the lowest frequency that it gives at its level; above, the cone moves less. A port takes
    over near its tuning, and below it the cone runs free: there this says too much.
    """
    at_0_db = excursion_m(0.0, area_m2=woofer.area_m2, frequency_hz=woofer.from_hz)
    return 20.0 * math.log10(woofer.excursion_m / at_0_db)
