"""What a day may change in a simulated loudspeaker, beyond warm coils.

Part of the simulation (``reportlib.simulate``). Each function returns another loudspeaker that
plays from the same voltages as the one before: what differs is the part alone.
"""

from dataclasses import replace

import numpy as np

from reportlib.simulate.loudspeaker import LEVEL_RANGE_HZ, cold_shape
from reportlib.simulate.parts import DriveUnit, Loudspeaker


def softened(loudspeaker: Loudspeaker, *, unit: int, share: float) -> Loudspeaker:
    """Lower a unit's own resonance by a share, as a worked suspension does; the box stays."""
    old = loudspeaker.units[unit]
    kept = 1.0 - share
    vent = old.vent
    if vent is not None:  # the air's stiffness over the suspension's rises
        vent = replace(vent, compliance_ratio=vent.compliance_ratio / kept**2)
    return _with_unit(
        loudspeaker,
        unit=unit,
        new=replace(
            old,
            resonance_hz=old.resonance_hz * kept,
            mechanical_q=old.mechanical_q * kept,
            vent=vent,
        ),
    )


def weakened(loudspeaker: Loudspeaker, *, unit: int, share: float) -> Loudspeaker:
    """Take a share of a unit's force factor away, as a warm magnet does (ferrite: 0.2 %/K)."""
    return _with_unit(
        loudspeaker, unit=unit, new=replace(loudspeaker.units[unit], magnet_loss=share)
    )


def tripped(loudspeaker: Loudspeaker, *, unit: int, series_ohm: float) -> Loudspeaker:
    """Put a resistance in front of a unit, as a resettable fuse does when it trips."""
    return _with_unit(
        loudspeaker, unit=unit, new=replace(loudspeaker.units[unit], series_ohm=series_ohm)
    )


def _with_unit(loudspeaker: Loudspeaker, *, unit: int, new: DriveUnit) -> Loudspeaker:
    """Exchange one unit, with sensitivity and baseline level such that voltages stay."""
    units = tuple(new if index == unit else one for index, one in enumerate(loudspeaker.units))
    made = replace(loudspeaker, units=units)
    moved_db = _mean_db(made) - _mean_db(loudspeaker)
    return replace(
        made,
        sensitivity_db=loudspeaker.sensitivity_db + moved_db,
        baseline_level_db=loudspeaker.baseline_level_db + moved_db,
        panels=tuple(
            replace(one, half_level_db=one.half_level_db + moved_db) for one in loudspeaker.panels
        ),
    )


def _mean_db(loudspeaker: Loudspeaker) -> float:
    power = np.abs(cold_shape(loudspeaker, np.geomspace(*LEVEL_RANGE_HZ, 401))) ** 2
    return float(10.0 * np.log10(np.mean(power)))
