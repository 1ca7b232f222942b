"""How long each figure takes, printed and never asserted: ``-m benchmarks -s``."""

import statistics
import time

import pytest
from browser import whole_day

from reportlib import figures

pytestmark = pytest.mark.benchmarks
FIGURES = (
    "level_ladder",
    "turned_up",
    "asked_and_given",
    "distortion",
    "left_playing",
    "minute_by_minute",
    "stress_map",
    "coil",
)
RUNS = 15


def test_time_of_each_figure_in_a_warm_process():
    """The whole picture: drawn and saved as vector and pixels, and again for a phone."""
    analysis = whole_day()
    print(f"\n{'':18}{'median':>8} {'least':>7} ms")
    for name in FIGURES:
        draw = getattr(figures, name)
        draw(analysis)
        times = []
        for _ in range(RUNS):
            start = time.perf_counter()
            draw(analysis)
            times.append(1e3 * (time.perf_counter() - start))
        print(f"{name:18}{statistics.median(times):8.0f} {min(times):7.0f}")
