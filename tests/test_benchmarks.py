"""Timings, printed and never asserted: ``pytest -m benchmarks -s``.

Each is set against a floor: the least that the same machine could do for the same job.
"""

import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest
import soundfile
from scipy import fft

from reportlib import simulate
from reportlib.judge import measuring
from reportlib.judge.analysis import analyse
from reportlib.judge.measuring import sweep_captures
from reportlib.session import captures
from reportlib.session.day import SweepFacts
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session

pytestmark = pytest.mark.benchmarks
DEMO = Path(__file__).parents[1] / "demo_inputs" / "trivet-6"


def told(name, mine, floor):
    """Print medians and ratios, by the clock and by what processors spent (with children's)."""
    for kind, index in (("", 0), ("of processor ", 1)):
        ratios = [a[index] / b[index] for a, b in zip(mine, floor, strict=True)]
        print(
            f"\n{name}: {statistics.median(one[index] for one in mine):.2f} s {kind}, floor "
            f"{statistics.median(one[index] for one in floor):.2f} s, "
            f"ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
        )


def paired(mine, floor, *, runs):
    """Run two jobs in turn, so that a drifting machine meets both alike."""
    mine(), floor()
    pairs = []
    for _ in range(runs):
        pairs.append((spent(mine), spent(floor)))
    return [one for one, _ in pairs], [one for _, one in pairs]


def spent(job):
    """Return the seconds that a job took, and those that processors spent on it."""
    before, start = os.times(), time.perf_counter()
    job()
    took, after = time.perf_counter() - start, os.times()
    return took, sum(after[:4]) - sum(before[:4])


def three_transforms(paths):
    """Read every sweep, one forward and two more transforms of each in scipy."""
    for path in paths:
        samples, _ = soundfile.read(DEMO / path, always_2d=True)
        microphone = np.ascontiguousarray(samples[:, 0])
        length = fft.next_fast_len(microphone.size, real=True)
        spectrum = fft.rfft(microphone, length)
        again = fft.irfft(spectrum, length)
        fft.rfft(again, length)


def a_transform_a_period(session):
    """Read every stress recording, one transform of each period and channel in scipy."""
    period = soundfile.info(DEMO / session.multitone.stimulus).frames
    stages = (stage for level in session.long_term for stage in level.stages)
    for path in (stage.stress for stage in stages if stage.stress is not None):
        for block in soundfile.blocks(DEMO / path, blocksize=period, always_2d=True):
            fft.rfft(block, axis=0)


@pytest.mark.parametrize("job", ["measuring", "the whole analysis"])
def test_analysis_against_reading_and_transforms(job):
    """Sweeps and stress; the whole analysis also fits, judges and seeks causes."""
    session = read_session(DEMO)
    parameters, paths = checked_parameters(session="."), sweep_captures(session)
    run = measuring.measure_captures if job == "measuring" else analyse

    def floor():
        three_transforms(paths)
        a_transform_a_period(session)

    told(job, *paired(lambda: run(session, parameters=parameters, keep=False), floor, runs=5))


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
from reportlib.write.shown import Picture

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
    """Floor: as many empty figures through papermill and the same exporters."""
    from click.testing import CliRunner

    from reportlib.cli import main
    from reportlib.publish import execution, notebook, outputs
    from reportlib.session import files

    # an installed package is compiled once, not in every kernel
    monkeypatch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
    session = tmp_path / "trivet-6"
    shutil.copytree(DEMO, session, ignore=shutil.ignore_patterns("out", ".upheld", "report.ipynb"))
    bare = tmp_path / "bare.ipynb"
    template = notebook.read_notebook(files.notebooks_folder() / "compression.ipynb")
    (given,) = (one for one in template.cells if "parameters" in one.metadata.get("tags", []))
    figures = sum(one.source.startswith("figures.") for one in template.cells)
    cells = [given, nbformat.v4.new_code_cell(EMPTY)]
    cells += [nbformat.v4.new_code_cell(f"empty('figure-{index}')") for index in range(figures)]
    kernel = {"kernelspec": {"name": "python3", "language": "python", "display_name": "x"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), bare)
    about = {
        "format": 1, "title": "Nothing", "kind": "Nothing?", "date": None, "verdict": "Nothing.",
        "tool_version": "0", "language": "en", "description": "", "colophon": "",
    }  # fmt: skip

    def floor():
        executed = execution.execute(
            nbformat.read(bare, as_version=4),
            parameters=checked_parameters(session="."),
            folder=tmp_path,
        )
        executed.metadata["upheld"] = about
        outputs.write_outputs(executed, out=tmp_path / "bare-out", data={})

    def report():
        result = CliRunner().invoke(main, ["report", str(session)])
        assert result.exit_code == 0, result.output

    told("upheld report", *paired(report, floor, runs=5))


def test_publish_against_its_exporters(tmp_path):
    """Floor: page, section and PDF of the same notebook, made and thrown away."""
    from click.testing import CliRunner

    from reportlib.cli import main
    from reportlib.publish import notebook, outputs, results
    from reportlib.publish import publication as publish_publication
    from reportlib.publish.typeset import pdf_bytes

    session = tmp_path / "trivet-6"
    shutil.copytree(DEMO, session, ignore=shutil.ignore_patterns("out", ".upheld", "report.ipynb"))
    assert CliRunner().invoke(main, ["report", str(session)]).exit_code == 0
    about = results.read_results(session).about
    book = notebook.for_readers(notebook.read_notebook(session / "report.ipynb"), about=about)
    publication = publish_publication.read_publication(book)

    def floor():
        for make in (outputs.page_html, outputs.section_html, pdf_bytes):
            make(book, publication=publication)

    def publish():
        result = CliRunner().invoke(main, ["publish", str(session)])
        assert result.exit_code == 0, result.output

    told("upheld publish", *paired(publish, floor, runs=7))


# What is kept, threads, memory


def ten_captures(folder):
    """Make a session of the demo's first ten recordings: ten levels of one take."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("out", ".upheld", "report.ipynb"))
    paths = sweep_captures(read_session(DEMO))[:10]
    text = (folder / "session.toml").read_text("utf-8")
    (folder / "session.toml").write_text(session_text(paths, text=text), "utf-8")
    return folder, paths


def session_text(paths, *, text):
    """Return a session's text with its levels replaced: one take of a level for each path."""
    head = text[: text.index("[[short_term]]")]
    levels = (
        f'[[short_term]]\nlevel_db = {70 + index}\ndrive_db = {index}\ncaptures = ["{path}"]\n'
        for index, path in enumerate(paths)
    )
    return head + "\n".join(levels)


def test_one_new_capture_of_ten_against_a_full_run(tmp_path):
    """Reading the session with its digests is part of both; the aim is a ratio of 0.4."""
    folder, paths = ten_captures(tmp_path / "ten")
    parameters = checked_parameters(session=".")
    shelf = folder / ".upheld" / "kept"
    samples, rate = soundfile.read(folder / paths[4])
    turn = iter(range(1_000_000))

    def run():
        measuring.measure_captures(read_session(folder), parameters=parameters)

    def full():
        shutil.rmtree(shelf, ignore_errors=True)
        run()

    pairs = []
    for _ in range(9):
        of_all = spent(full)
        # the last bit of one sample makes it another recording
        samples[0] = 2.0**-23 * (1 + next(turn))
        soundfile.write(folder / paths[4], samples, rate, subtype="PCM_24")
        pairs.append((spent(run), of_all))
    told("one new capture of ten", [one for one, _ in pairs], [one for _, one in pairs])
    size = sum(path.stat().st_size for path in shelf.iterdir())
    audio = sum((folder / path).stat().st_size for path in paths)
    print(f"kept: {size / 1e6:.1f} MB of {audio / 1e6:.1f} MB of audio")
    told(
        "reading the session, against a full run",
        *paired(lambda: read_session(folder), full, runs=5),
    )


MEASURE = """
import sys, time
from pathlib import Path
from reportlib.judge import measuring
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session

session = read_session(Path(sys.argv[1]))
measuring.os.cpu_count = lambda: int(sys.argv[2])
start = time.perf_counter()
measuring.measure_captures(session, parameters=checked_parameters(session="."), keep=False)
print(f"{time.perf_counter() - start:.1f}")
try:  # a new program's own peak; ru_maxrss would keep that of the one that started it
    lines = Path("/proc/self/status").read_text().splitlines()
    print(next(int(line.split()[1]) // 1024 for line in lines if line.startswith("VmHWM")))
except OSError:
    import resource
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


@pytest.fixture(scope="module")
def long_session(tmp_path_factory):
    """Forty captures of 10 s sweeps at 192 kHz, two channels of 24 bits: 550 MB."""
    from days import TWO_WAY

    folder = tmp_path_factory.mktemp("long") / "trivet-6"
    (folder / "captures").mkdir(parents=True)
    sweep = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
    chain = simulate.Chain(reference_noise_db=-110.0, noise=simulate.Noise(white_db=20.0))
    text = (
        'format = 1\n[speaker]\nname = "Marram 12"\ndrive = "passive"\n[rig]\n'
        'distance_m = 1.0\nspace = "free field"\nreference_at = "terminals"\n[channels]\n'
        "reference = 2\n[sweep]\nstart_hz = 20.0\nstop_hz = 20000.0\nduration_s = 10.0\n"
    )
    for drive_db in (0, 6, 12, 18):
        played = simulate.sweep_sound(
            TWO_WAY, sweep, drive_db=drive_db, sample_rate_hz=192000, tail_s=1.0, lead_in_s=1.0
        )
        made = simulate.record(played, chain=chain, seed=81 + drive_db)
        samples = np.column_stack([made.microphone, made.reference])
        paths = [f"captures/{drive_db}-{take}.wav" for take in range(10)]
        soundfile.write(folder / paths[0], samples, 192000, subtype="PCM_24")
        for path in paths[1:]:
            shutil.copy(folder / paths[0], folder / path)
        named = ", ".join(f'"{path}"' for path in paths)
        text += f"[[short_term]]\nlevel_db = {70 + drive_db}\ndrive_db = {drive_db}\n"
        text += f"captures = [{named}]\n"
    (folder / "session.toml").write_text(text, "utf-8")
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize("cores", sorted({1, 2, 4, os.cpu_count() or 1}))
def test_memory_and_threads_of_a_long_session(long_session, cores):
    """Peak resident memory of a program that measures it and nothing else; the aim is 1 GB."""
    command = [sys.executable, "-c", MEASURE, str(long_session), str(cores)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    found = run.stdout.split()
    print(f"\n40 captures at 192 kHz, as on {cores} cores: {found[0]} s, peak {found[1]} MB")
