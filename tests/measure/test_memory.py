"""What a measurement holds in memory, counted in arrays as long as its recording."""

import tracemalloc

import numpy as np
from days import GRID, LAW, RATE, SWEEP

from reportlib import simulate
from reportlib.measure import deconvolution
from reportlib.session.records import Capture


def test_deconvolution_holds_few_arrays_as_long_as_the_recording():
    """Forty captures at 192 kHz, four at a time, stay below 1 GB with five such arrays each.

    Two spectra, two powers and one of passing use; what it returns is an impulse response of
    about half the length. (numpy tells tracemalloc of its arrays.)
    """
    drive = np.pad(simulate.sweep_signal(SWEEP, sample_rate_hz=RATE), (RATE // 2, 2 * RATE))
    noise = 1e-5 * np.random.default_rng(91).standard_normal(drive.size)
    capture = Capture(
        source="a", sample_rate_hz=RATE, microphone=np.roll(drive, 100) + noise, reference=drive
    )

    def run():
        return deconvolution.deconvolve(capture, law=LAW, frequency_hz=GRID, fraction=12)

    run()  # imports and plans once
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        found = run()
        after, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    length = 8 * drive.size
    assert (peak - before) / length < 5.0
    held = sum(one.nbytes for one in vars(found).values() if isinstance(one, np.ndarray))
    assert after - before < held + 0.05 * length  # nothing longer hangs on to a view
