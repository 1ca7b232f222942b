"""What the simulation's tests share: a sweep, a drive unit, decibels."""

import numpy as np

from reportlib import simulate
from reportlib.session.day import SweepFacts

RATE = 48000
SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=4.0)
BRIEF = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=1.0)
WORKED_UNIT = simulate.DriveUnit(
    resistance_ohm=6.0,
    force_factor_tm=7.0,
    mass_kg=0.020,
    resonance_hz=45.0,
    mechanical_q=4.0,
    heat=simulate.Heat(),
)
OCTAVES = np.geomspace(20.0, 20000.0, 300)


def db(ratio):
    """Return an amplitude ratio in dB."""
    return 20.0 * np.log10(np.abs(ratio))


def level_db(samples):
    """Return the mean power in dB."""
    return 10.0 * np.log10(np.mean(np.square(samples)))


def one(**parts):
    """Return a loudspeaker of one drive unit."""
    return simulate.Loudspeaker(units=(simulate.DriveUnit(**parts),))
