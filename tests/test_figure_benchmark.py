"""How long each figure takes, printed and never asserted: ``-m benchmarks -n0 -s``."""

import time

import pytest
from browser import whole_day

from reportlib.figures import (
    asked_and_given_panels,
    coil_panels,
    distortion_panels,
    ladder_rows,
    left_playing_panels,
    minute_panels,
    stress_map_panel,
    style,
    turned_up_panel,
)
from reportlib.figures.paper import PAGE, PHONE

pytestmark = pytest.mark.benchmarks
DRAWN = (
    ladder_rows,
    turned_up_panel,
    asked_and_given_panels,
    distortion_panels,
    left_playing_panels,
    minute_panels,
    stress_map_panel,
    coil_panels,
)
RUNS = 15


def drawn(module, analysis, *, paper):
    """Draw and save as a notebook cell does; return how long that took, on the wall and the CPU."""
    wall, cpu = time.perf_counter(), time.thread_time()
    with style.drawing():
        sheet = module.draw(analysis, paper=paper)
        if paper.narrow:
            sheet.svg()
        else:
            sheet.picture(name="figure", caption="", alt="")
    return 1e3 * (time.perf_counter() - wall), 1e3 * (time.thread_time() - cpu)


def test_time_of_each_figure_in_a_warm_process():
    """For the page as vector and pixels, for a phone as vector; least of some runs."""
    analysis = whole_day()
    print(f"\n{'ms, wall / own thread':24}{'page':>12}{'phone':>14}")
    for module in DRAWN:
        least = []
        for paper in (PAGE, PHONE):
            times = [drawn(module, analysis, paper=paper) for _ in range(RUNS)]
            least.append(tuple(min(values) for values in zip(*times, strict=True)))
        row = "".join(f"{wall:8.0f} / {cpu:3.0f}" for wall, cpu in least)
        print(f"{module.__name__.rpartition('.')[2]:24}{row}")
