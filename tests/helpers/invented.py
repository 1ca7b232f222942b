"""An invented loudspeaker in closed formulas, apart from the analysis and from the simulator.

A small vented two-way: its port gives first, then its coil heats.
"""

import numpy as np

from reportlib.measure.records import HarmonicCurves


def bump(frequency_hz, centre_hz, *, octaves):
    """Return a bell over log frequency, 1 at its centre."""
    return np.exp(-0.5 * (np.log2(frequency_hz / centre_hz) / octaves) ** 2)


def no_change(frequency_hz, rise_db):
    """Return 0 dB everywhere: a linear loudspeaker."""
    return np.zeros_like(frequency_hz)


def vented_loss(frequency_hz, rise_db, *, deepest_db=4.0):
    """Return the loss of a port that chokes, and a little heat above."""
    growth = (rise_db / 27.0) ** 2
    port = deepest_db * bump(frequency_hz, 52.0, octaves=0.45)
    heat = 0.35 + 0.5 * bump(frequency_hz, 2800.0, octaves=1.2)
    return -growth * (port + heat)


def heating(frequency_hz, rise_db, elapsed_s):
    """Return the long-term loss of a coil that warms within seconds."""
    warm = 1.0 - np.exp(-elapsed_s / 25.0)
    return -warm * (rise_db / 24.0) ** 2 * (0.5 + 1.2 * bump(frequency_hz, 3000.0, octaves=1.3))


def make_harmonics(level_db, *, frequency_hz, rise_db, stop_hz=20000.0) -> HarmonicCurves:
    """Return harmonics 2 to 5 that grow with the rise and end where they leave the sweep."""
    orders = (2, 3, 4, 5)
    rows = []
    for order in orders:
        row = -62.0 - 5.0 * order + (order - 1) * (rise_db - 12.0) * 0.45
        row = (
            row
            + 26.0 * bump(frequency_hz, 45.0, octaves=1.3)
            + 5.0 * np.cos(3.0 * np.log2(frequency_hz / 300.0) + order)
        )
        rows.append(np.where(order * frequency_hz < 0.95 * stop_hz, row, np.nan))
    return HarmonicCurves(
        level_db=level_db, frequency_hz=frequency_hz, orders=orders, relative_db=np.array(rows),
        floor_db=np.where(np.isfinite(rows), -85.0 - rise_db, np.nan),
    )  # fmt: skip
