"""How loud a silent recording is: the third of an octave that a quiet baseline must clear."""

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.errors import PlanError
from reportlib.levels import band_centres_hz, cell_edges_hz, cell_mean, db
from reportlib.numbers import frequency
from reportlib.planning.asked import RoomNoise

RANGE_HZ = (50.0, 10000.0)
"""Where it is looked at: below, no living room is quiet, and little is played."""
_SHORTEST_S = 1.0


def room_noise(
    samples: FloatArray, *, sample_rate_hz: int, full_scale_db: float, source: str
) -> RoomNoise:
    """Return the level of the loudest third of an octave of a recording with nothing played.

    A sweep is in one third of an octave at a time, with all of its level: that is what a
    baseline is held against. Spectrum by Welch's method, bands of IEC 61260-1.

    Parameters
    ----------
    samples : shape (n,), full scale at ±1
    full_scale_db : dB SPL (rms) of a sine that just reaches full scale

    Raises
    ------
    PlanError
        It is too short, or digitally silent.
    """
    from scipy.signal import welch

    size = round(_SHORTEST_S * sample_rate_hz)
    if samples.size < size:
        raise PlanError(f"{source}: shorter than {_SHORTEST_S:g} s. Record some 10 s of silence.")
    frequency_hz, density = welch(samples, sample_rate_hz, nperseg=size)
    centres = band_centres_hz(
        3, start_hz=RANGE_HZ[0], stop_hz=min(RANGE_HZ[1], 0.4 * sample_rate_hz)
    )
    low_hz, high_hz = cell_edges_hz(centres, fraction=3)
    mean = cell_mean(density, spacing_hz=float(frequency_hz[1]), low_hz=low_hz, high_hz=high_hz)
    levels_db = full_scale_db + db(2.0 * mean * (high_hz - low_hz))
    if not np.any(np.isfinite(levels_db)):
        raise PlanError(f"{source}: holds nothing at all. Check the cable, and record it again.")
    loudest = int(np.argmax(levels_db))
    return RoomNoise(
        level_db=float(levels_db[loudest]),
        about=f"its loudest third of an octave, at {frequency(float(centres[loudest]))}",
    )
