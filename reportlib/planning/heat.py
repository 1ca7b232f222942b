"""How much a sweep heats the coils while it measures them: an upper bound.

Energy over heat capacity, with nothing carried away (dT/dt = P/C), all power in the coil of the
drive unit whose range the sweep passes, into the rated impedance, nothing lost in the crossover.
The loss is 20·lg(R_hot/R_cold) of a copper coil under voltage drive.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from reportlib.planning import rules
from reportlib.soak.electrical import COPPER_PER_K
from reportlib.stimulus import SweepLaw

MOST_K = 200.0
"""A coil that much above its cold self is about to fail: larger numbers mean no more than that."""


@dataclass(frozen=True, kw_only=True)
class SelfHeat:
    """What a drive unit's coil takes from one sweep.

    Attributes
    ----------
    unit : ``"bass"``, ``"middle"``, ``"treble"``, or ``"whole range"`` where nobody says
    rise_k : at most, when the sweep leaves its range
    loss_db : what that costs in level
    coil_s : the coil's time constant
    """

    unit: str
    low_hz: float
    high_hz: float
    energy_j: float
    rise_k: float
    loss_db: float
    coil_s: float


def adiabatic_rise_k(*, watt: float, seconds: float, coil_j_per_k: float) -> float:
    """Return how much a coil warms where no heat leaves it.

    >>> adiabatic_rise_k(watt=50.0, seconds=1.0, coil_j_per_k=4.0)
    12.5
    """
    return watt * seconds / coil_j_per_k


def copper_loss_db(rise_k: float) -> float:
    """Return what a copper coil that much above 20 °C costs in level under voltage drive.

    >>> round(copper_loss_db(100.0), 2)
    2.88
    """
    return 20.0 * math.log10(1.0 + COPPER_PER_K * rise_k)


def copper_rise_k(loss_db: float) -> float:
    """Return the rise that costs so much: the inverse of `copper_loss_db`."""
    return float(10.0 ** (loss_db / 20.0) - 1.0) / COPPER_PER_K


def self_heat(
    law: SweepLaw, *, watt: float, crossovers_hz: Sequence[float]
) -> tuple[SelfHeat, ...]:
    """Return what one sweep of so many watts does to each coil, from the bass up."""
    inside = [hz for hz in sorted(crossovers_hz) if law.start_hz < hz < law.stop_hz]
    edges = [law.start_hz, *inside, law.stop_hz]
    found = []
    for index, (low_hz, high_hz) in enumerate(pairwise(edges)):
        unit, coil_j_per_k, coil_s = _unit(index, count=len(edges) - 1)
        seconds = law.time_s(high_hz) - law.time_s(low_hz)
        rise_k = adiabatic_rise_k(watt=watt, seconds=seconds, coil_j_per_k=coil_j_per_k)
        found.append(
            SelfHeat(
                unit=unit,
                low_hz=low_hz,
                high_hz=high_hz,
                energy_j=watt * seconds,
                rise_k=rise_k,
                loss_db=copper_loss_db(rise_k),
                coil_s=coil_s,
            )
        )
    return tuple(found)


def cooling_wait_s(parts: Sequence[SelfHeat]) -> float:
    """Return how long until no coil costs more than `rules.COOL_DB`.

    τ·ln(rise/rest), at most 5 τ, in whole 10 s and at least that; a fixed time where nothing is
    known of the coils.
    """
    if not parts:
        return rules.UNKNOWN_WAIT_S
    rest_k = copper_rise_k(rules.COOL_DB)
    waits = [part.coil_s * min(math.log(max(part.rise_k / rest_k, 1.0)), 5.0) for part in parts]
    return 10.0 * math.ceil(max(*waits, 10.0) / 10.0 - 1e-9)


def _unit(index: int, *, count: int) -> tuple[str, float, float]:
    """Name, heat capacity and time constant of a drive unit, counted from the bass up."""
    if count == 1:
        return "whole range", rules.MIDDLE_COIL_J_PER_K, rules.MIDDLE_COIL_S
    if index == 0:
        return "bass", rules.BASS_COIL_J_PER_K, rules.BASS_COIL_S
    if index == count - 1:
        return "treble", rules.TREBLE_COIL_J_PER_K, rules.TREBLE_COIL_S
    return "middle", rules.MIDDLE_COIL_J_PER_K, rules.MIDDLE_COIL_S
