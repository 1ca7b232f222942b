"""How long each figure takes, printed and never asserted: ``-m benchmarks -n0 -s``."""

import time
from dataclasses import replace

import pytest
from browser import whole_day
from figure_texts import drawn

from reportlib.draw import figures
from reportlib.draw.pictures import png_bytes
from reportlib.draw.style import PAGE, PHONE

pytestmark = pytest.mark.benchmarks
DRAWN = (
    "level_ladder", "turned_up", "distortion", "left_playing",
    "minute_by_minute", "stress_map", "coil",
)  # fmt: skip
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
    sheet = drawn(figure, analysis)
    sizes = {"width_px": sheet.width_px, "height_px": sheet.height_px}
    jobs = (
        lambda: getattr(figures, figure)(analysis),
        lambda: drawn(figure, analysis, paper=PAGE),
        lambda: drawn(figure, analysis, paper=PHONE),
        lambda: png_bytes(sheet.svg.replace("<svg", "<svg id='x'", 1), **sizes),
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
