"""Timings, printed and never asserted: ``pytest -m benchmarks -s``.

Each is set against a floor: the least that the same machine could do for the same job.
"""

import shutil
import statistics
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
import soundfile
from scipy import fft

from reportlib import captures
from reportlib.analysis import analyse, sweep_captures
from reportlib.parameters import checked_parameters
from reportlib.session import read_session

pytestmark = pytest.mark.benchmarks
DEMO = Path(__file__).parents[1] / "demo_inputs" / "marram-12"


def seconds(job, *, runs):
    """Return the seconds of several runs after one that does not count."""
    job()
    found = []
    for _ in range(runs):
        start = time.perf_counter()
        job()
        found.append(time.perf_counter() - start)
    return found


def told(name, mine, floor):
    ratios = [a / b for a, b in zip(mine, floor, strict=True)]
    print(
        f"\n{name}: {statistics.median(mine):.2f} s, floor {statistics.median(floor):.2f} s, "
        f"ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
    )


def paired(mine, floor, *, runs):
    """Run two jobs in turn, so that a drifting machine meets both alike."""
    mine(), floor()
    pairs = []
    for _ in range(runs):
        pairs.append((seconds_once(mine), seconds_once(floor)))
    return [one for one, _ in pairs], [one for _, one in pairs]


def seconds_once(job):
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def test_analysis_against_reading_and_three_transforms():
    """Floor: read every sweep, one forward and two more transforms of each in scipy."""
    session = read_session(DEMO)
    parameters = checked_parameters(session=".")
    paths = sweep_captures(session)

    def floor():
        for path in paths:
            samples, _ = soundfile.read(DEMO / path, always_2d=True)
            microphone = np.ascontiguousarray(samples[:, 0])
            length = fft.next_fast_len(microphone.size, real=True)
            spectrum = fft.rfft(microphone, length)
            again = fft.irfft(spectrum, length)
            fft.rfft(again, length)

    told(
        f"analysis of {len(paths)} sweeps",
        *paired(lambda: analyse(session, parameters=parameters), floor, runs=7),
    )


def test_reading_against_soundfile():
    session = read_session(DEMO)
    paths = sweep_captures(session)

    def plain():
        for path in paths:
            soundfile.read(DEMO / path, always_2d=True)

    told(
        "reading",
        *paired(lambda: [captures.read_capture(session, path) for path in paths], plain, runs=7),
    )


EMPTY = """
import io, base64
from matplotlib.figure import Figure
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from reportlib.shown import Picture

def empty(name):
    figure = Figure(figsize=(7.2, 4.0), layout="constrained")
    figure.subplots()
    svg, png = io.StringIO(), io.BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(png, format="png", dpi=200)
    FigureCanvasSVG(figure)
    figure.savefig(svg, format="svg")
    return Picture(name=name, svg=svg.getvalue(), png=png.getvalue(), caption="Nothing to see.",
                   alt="Nothing to see.", width_px=720.0, height_px=400.0)
"""


def test_report_against_a_notebook_of_as_many_empty_figures(tmp_path, monkeypatch):
    """Floor: five empty figures through papermill and the same exporters."""
    from click.testing import CliRunner

    from reportlib import notebook
    from reportlib.cli import main
    from reportlib.publish import render

    session = tmp_path / "marram-12"
    shutil.copytree(DEMO, session, ignore=shutil.ignore_patterns("out", ".upheld", "report.ipynb"))
    bare = tmp_path / "bare.ipynb"
    cells = [nbformat.v4.new_code_cell(
        "session: str = ''\nsmoothing_fraction: int = 12\nassumed_repeatability_db: float = 0.05\n"
        "usable_u95_db: float = 0.5\nseat_distance_m: float = 3.0\nseat_loudspeakers: int = 2",
        metadata={"tags": ["parameters"]},
    ), nbformat.v4.new_code_cell(EMPTY)]  # fmt: skip
    cells += [nbformat.v4.new_code_cell(f"empty('figure-{index}')") for index in range(5)]
    kernel = {"kernelspec": {"name": "python3", "language": "python", "display_name": "x"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), bare)
    about = {
        "format": 1, "title": "Nothing", "kind": "Nothing?", "date": None, "verdict": "Nothing.",
        "tool_version": "0", "language": "en", "description": "", "colophon": "",
    }  # fmt: skip

    def floor():
        executed = notebook.execute(
            bare, parameters=checked_parameters(session="."), folder=tmp_path
        )
        executed.metadata["upheld"] = about
        render.write_outputs(executed, out=tmp_path / "bare-out", data={})

    def report():
        result = CliRunner().invoke(main, ["report", str(session)])
        assert result.exit_code == 0, result.output

    told("upheld report", *paired(report, floor, runs=5))
