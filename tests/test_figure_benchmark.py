"""How long each figure takes, printed and never asserted: ``-m benchmarks -n0 -s``."""

import time
from dataclasses import replace

import pytest
from browser import whole_day

from reportlib import figures
from reportlib.figures import (
    asked_and_given_panels,
    coil_panels,
    distortion_panels,
    ladder_rows,
    left_playing_panels,
    minute_panels,
    stress_map_panel,
    turned_up_panel,
)
from reportlib.figures.paper import PAGE, PHONE
from reportlib.figures.pixels import png_bytes

pytestmark = pytest.mark.benchmarks
DRAWN = {
    "level_ladder": ladder_rows,
    "turned_up": turned_up_panel,
    "asked_and_given": asked_and_given_panels,
    "distortion": distortion_panels,
    "left_playing": left_playing_panels,
    "minute_by_minute": minute_panels,
    "stress_map": stress_map_panel,
    "coil": coil_panels,
}
RUNS = 15


def named(analysis, name):
    """Return the same day of another loudspeaker: typst remembers drawings that it has seen."""
    speaker = replace(analysis.session.speaker, name=name)
    return replace(analysis, session=replace(analysis.session, speaker=speaker))


def spent(job):
    """Return what a job gave, and its milliseconds: by the clock, and of all processors."""
    wall, cpu = time.perf_counter(), time.process_time()
    made = job()
    return made, 1e3 * (time.perf_counter() - wall), 1e3 * (time.process_time() - cpu)


def parts(figure, analysis):
    """Return how long the whole figure took, and then each of its parts by itself."""
    draw = DRAWN[figure].draw
    sheet, svg = draw(analysis), draw(analysis).svg()
    sizes = {"width_px": sheet.width_px, "height_px": sheet.height_px}
    jobs = (
        lambda: getattr(figures, figure)(analysis),
        lambda: draw(analysis, paper=PAGE).svg(),
        lambda: draw(analysis, paper=PHONE).svg(),
        lambda: png_bytes(svg.replace("<svg", "<svg id='x'", 1), **sizes),
    )
    return [spent(job)[1:] for job in jobs]


def test_time_of_each_figure_in_a_warm_process():
    """Of drawings never seen before; least of some runs."""
    analysis = whole_day()
    print(f"\n{'ms, clock / processors':24}" + "".join(
        f"{part:>14}" for part in ("whole", "page", "phone", "pixels")
    ))  # fmt: skip
    for figure in DRAWN:
        runs = [parts(figure, named(analysis, f"Trivet {run}")) for run in range(RUNS)]
        least = [tuple(map(min, zip(*part, strict=True))) for part in zip(*runs, strict=True)]
        row = "".join(f"{wall:8.0f} / {cpu:3.0f}" for wall, cpu in least)
        print(f"{figure:24}{row}")
