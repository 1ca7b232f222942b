"""From a session folder to what is published, through the command line, as a tester does it."""

import csv
import json
import re
import shutil
from dataclasses import replace

import jsonschema
import nbformat
import numpy as np
import pikepdf
import pytest
from click.testing import CliRunner
from commands import run

from reportlib import simulate
from reportlib.cli import main
from reportlib.measure.levels import cell_edges_hz
from reportlib.publish import memory, results
from reportlib.publish.execution import sign
from reportlib.publish.merge import cell_name, slot
from reportlib.publish.ready import session_untied
from reportlib.session.lock import only_run
from reportlib.simulate.demo import SWEEP
from reportlib.simulate.speakers import SPEAKERS
from reportlib.write.data import results_schema


@pytest.fixture
def mine(undrawn, tmp_path):
    """A reported session that a test may change."""
    return shutil.copytree(undrawn, tmp_path / "trivet-6")


def read(page):
    """Return a page's text with ordinary blanks for those at which no line may break."""
    return page.read_text("utf-8").replace("&nbsp;", " ").replace("\u00a0", " ")


def rows(folder):
    with (folder / "out/data/compression.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_everything_that_the_contract_lists_is_there(reported):
    out = reported / "out"
    for name in ("report.html", "section.html", "report.pdf", "data/compression.csv"):
        assert (out / name).stat().st_size > 1000
    figures = {path.name for path in (out / "figures").iterdir()}
    for name in ("level-ladder", "turned-up", "distortion"):
        assert {f"{name}.svg", f"{name}.png"} <= figures
    document = json.loads((out / "data/results.json").read_text("utf-8"))
    jsonschema.validate(document, results_schema())
    assert (out / "report.pdf").read_bytes().startswith(b"%PDF")
    page = (out / "report.html").read_text("utf-8")
    assert "<title>Trivet 6" in page
    assert "Local rules and qualified people come first" in page


def test_the_report_finds_the_change_that_the_simulation_put_in(reported):
    # The room cancels in the ratio; its fine structure would need a fine grid here.
    speaker = replace(SPEAKERS["trivet-6"].loudspeaker, room=None)
    for level in (90.0, 99.0):
        mine = [
            row for row in rows(reported)
            if row["test"] == "short_term" and float(row["level_db"]) == level
        ]  # fmt: skip
        hz = np.array([float(row["frequency_hz"]) for row in mine])
        change = np.array([float(row["change_db"]) for row in mine])
        half = np.array([float(row["u95_db"]) for row in mine])
        usable = np.array([row["usable"] == "true" for row in mine])
        fine = np.geomspace(15.0, 23000.0, 2000)
        low, high = cell_edges_hz(hz, fraction=12)
        cells = low[:, None] + (high - low)[:, None] * (np.arange(100) + 0.5) / 100
        power = []
        for drive in (0.0, level - 72.0):
            h = simulate.sweep_transfer(speaker, fine, sweep=SWEEP, drive_db=drive)
            power.append(np.interp(cells, fine, np.abs(h) ** 2).mean(axis=1))
        error = change - 10 * np.log10(power[1] / power[0])
        assert usable.mean() > 0.85
        assert np.mean(np.abs(error[usable]) <= half[usable] + 0.03) > 0.95


def outputs(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.glob("out/**/*.*")}


def test_a_second_run_remembers_its_options_and_writes_the_same_bytes(mine):
    """But for options that another version has remembered: those are left out."""
    run("report", mine, "--seat-distance", "2.5")
    assert "2.5 m" in read(mine / "out/section.html")
    before = outputs(mine)
    path = mine / ".upheld/results/run.json"
    kept = json.loads(path.read_text("utf-8"))
    kept["parameters"] |= {"smoothing_fraction": "fine", "no_such_thing": 1}
    path.write_text(json.dumps(kept), encoding="utf-8")
    run("report", mine)
    assert outputs(mine) == before


def edit(folder, name, text):
    path = folder / "report.ipynb"
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        if slot(cell) == name:
            cell.source = text
    nbformat.write(notebook, path)


def written(folder, name):
    """Return the sources of the cells of one slot."""
    notebook = nbformat.read(folder / "report.ipynb", as_version=4)
    return [cell.source for cell in notebook.cells if slot(cell) == name]


def test_an_edited_cell_survives_a_rerun_and_is_published(mine, tmp_path):
    """In a folder whose name would trip a template, a shell and a reader of ASCII."""
    folder = mine.rename(tmp_path / "run {1} ü")
    words = "## Turned up\n\nThe port of this one gives out *first*, and my own words stay."
    edit(folder, "turned-up", words)
    result = run("report", folder)
    assert "Kept as you wrote them: turned-up." in result.output
    stages = re.findall(r"^(\d)/4 .*: \d+\.\d s$", result.stderr, re.MULTILINE)
    assert stages == ["1", "2", "3", "4"]
    assert re.search(r"^Trivet 6 .*\.$", result.stdout, re.MULTILINE)  # the verdict
    assert f"To edit: {folder / 'report.ipynb'}; then: upheld publish {folder}" in result.output
    assert written(folder, "turned-up") == [words]
    assert "my own words stay" in (folder / "out/report.html").read_text("utf-8")
    assert list((folder / ".upheld/history").glob("*.ipynb"))


def test_publish_needs_neither_captures_nor_a_kernel(mine, monkeypatch):
    edit(mine, "in-short", "## In short\n\nA port that tires.\n\nAnd a little more.")
    edit(mine, "why", "## Why\n\nBecause I say so.")
    shutil.rmtree(mine / "captures")
    shutil.rmtree(mine / "out")
    monkeypatch.setattr("papermill.execute_notebook", None)
    run("publish", mine)
    page = (mine / "out/report.html").read_text("utf-8")
    assert "A port that tires." in page
    assert "Because I say so." in page
    assert "What changes from" not in page  # as it was drafted
    assert (mine / "out/data/compression.csv").exists()


def test_the_executed_notebook_holds_no_path_of_the_machine(reported):
    assert str(reported.parent) not in (reported / "report.ipynb").read_text("utf-8")


def test_the_paper_asked_for_once_is_remembered_and_needs_no_analysis(mine):
    analysed = (mine / ".upheld/results/run.json").stat().st_mtime_ns
    for asked, width_pt in (
        (("--paper", "letter"), 612.0),
        ((), 612.0),
        (("--paper", "a4"), 595.3),
    ):
        run("publish", mine, *asked)
        with pikepdf.open(mine / "out/report.pdf") as document:
            assert float(document.pages[0].mediabox[2]) == pytest.approx(width_pt, abs=0.1)
            assert set(document.attachments) == {"compression.csv", "results.json"}
    assert (mine / ".upheld/results/run.json").stat().st_mtime_ns == analysed


def test_json_names_what_was_written(mine):
    outcome = json.loads(run("publish", mine, "--json").stdout)
    assert str(mine / "out/report.pdf") in outcome["written"]


def refused(folder, *words, verb="report"):
    """Run a verb that must end with one line, exit code 2, and nothing overwritten."""
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    result = run(verb, folder, code=2)
    line = result.output.strip()
    assert "\n" not in line
    assert line.startswith("upheld: ")
    for word in words:
        assert word in line
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert after == before


def left_out(folder):
    """Return what the results say was refused, after a report."""
    run("report", folder)
    document = json.loads((folder / "out/data/results.json").read_text("utf-8"))
    return {
        (note["code"], note["capture"]) for note in document["quality"]
        if note["severity"] == "refused"
    }  # fmt: skip


def test_captures_without_the_sweep_or_cut_short_are_left_out_and_said(mine):
    import soundfile

    path = mine / "captures/short-84-a.flac"
    samples, rate = soundfile.read(path, always_2d=True)
    samples[:, 0] = 0.001 * np.random.default_rng(1).standard_normal(samples.shape[0])
    soundfile.write(path, samples, rate, subtype="PCM_24")
    path = mine / "captures/short-90-a.flac"
    path.write_bytes(path.read_bytes()[:200_000])
    wrong = {
        ("no-sweep", "captures/short-84-a.flac"),
        ("not-readable", "captures/short-90-a.flac"),
    }
    assert wrong <= left_out(mine)
    said = run("check", mine, code=3).output
    for code, capture in wrong:
        assert f"refused: {code} {capture}: " in said


def test_no_session_stops_before_a_kernel_starts(mine):
    (mine / "session.toml").unlink()
    refused(mine, "session.toml")


def test_history_lists_and_puts_back_also_from_a_damaged_notebook(mine):
    words = "## Care\n\nFirst words."
    edit(mine, "care", words)
    run("report", mine)
    edit(mine, "care", "## Care\n\nOther words.")
    listed = json.loads(run("history", mine, "--json").stdout)
    assert {one["why"] for one in listed} == {"as it was before a run", "as a run left it"}
    kept = mine / ".upheld/history"
    numbers = [
        one["number"]
        for one in listed
        if "First words"
        in next((mine / ".upheld/history").glob(f"{one['number']:05d}-*")).read_text()
    ]
    run("history", mine, "--restore", numbers[-1])
    assert "First words" in (mine / "report.ipynb").read_text("utf-8")
    assert "There" not in run("history", mine).output
    assert "there is no version 999" in run("history", mine, "--restore", 999, code=2).output
    assert any("Other words" in path.read_text("utf-8") for path in kept.glob("*.ipynb"))
    # and a damaged notebook is moved aside, and the last kept one goes on
    (mine / "report.ipynb").write_text("{ my precious words", encoding="utf-8")
    refused(mine, "report.ipynb", "cannot be read as a notebook", verb="publish")
    said = run("report", mine).output
    assert "it was moved to report.damaged-1.ipynb" in said
    assert (mine / "report.damaged-1.ipynb").read_text("utf-8") == "{ my precious words"
    assert written(mine, "care") == ["## Care\n\nOther words."]


def test_code_and_a_caption_of_the_reviewers_own_run_with_the_report(mine, reported):
    drawn = nbformat.read(reported / "report.ipynb", as_version=4)
    (figure,) = (cell for cell in drawn.cells if cell_name(cell) == "turned-up-figure")
    figure.source += '.captioned("At 99 dB the low mids lose 9.5 dB, as I read it.")'
    path = mine / "report.ipynb"
    notebook = nbformat.read(path, as_version=4)
    names = [cell_name(cell) for cell in notebook.cells]
    after = names.index("turned-up") + 1
    own = [
        nbformat.v4.new_code_cell("print('levels', len(report.short_term))"),
        nbformat.v4.new_code_cell("1 / 0"),
    ]
    notebook.cells[after:after] = [*own, figure]
    nbformat.write(notebook, path)
    sign(nbformat.read(path, as_version=4))  # as JupyterLab does on saving
    said = run("publish", mine, code=2).output
    assert "the caption in the code of turned-up-figure is not the one shown there" in said
    assert "Run All Cells" in said
    said = run("report", mine).output
    assert "A code cell of yours stopped: ZeroDivisionError: division by zero (cell [" in said
    notebook = nbformat.read(path, as_version=4)
    outputs = [output.text for cell in notebook.cells if cell.cell_type == "code"
               for output in cell.outputs if output.output_type == "stream"]  # fmt: skip
    assert "levels 5\n" in outputs
    assert "ZeroDivisionError" not in (mine / "out/report.html").read_text("utf-8")
    run("publish", mine)
    for name in ("report", "section"):
        assert "as I read it" in (mine / f"out/{name}.html").read_text("utf-8")
    said = CliRunner().invoke(main, ["check", str(mine)]).output
    assert "caption of turned-up: “9.5 dB” is not tied to the data" in said


def test_a_second_run_at_once_says_so_and_stops(mine):
    with only_run(mine / ".upheld", what="upheld report"):
        said = run("publish", mine, code=2).output
    assert "upheld report (process" in said
    assert "is at work there" in said
    run("publish", mine)  # and is free again


def test_a_number_typed_by_hand_is_named_with_what_would_tie_it(mine):
    facts = results.read_told(mine).facts
    name = next(name for name in facts if name.endswith(".99.shortfall"))
    own = f"At 99 dB it loses [x](#fact-{name}) and 77.7 dB; the stand holds 30 kg."
    edit(mine, "care", f"## Care\n\n{own} Mind your ears.")
    for verb in ("check", "publish"):
        said = CliRunner().invoke(main, [verb, str(mine)])
        lines = [line for line in said.output.splitlines() if "is not tied" in line]
        assert [line.split("”")[0] for line in lines] == ["care: “99 dB", "care: “77.7 dB"]
        assert "[99 dB](#fact-test.top)" in lines[0]
        assert "no fact of the report rounds to it" in lines[1]


def test_nothing_is_listed_before_anybody_has_typed_anything(reported):
    assert session_untied(reported) == ()


def test_what_is_published_again_with_other_numbers_says_what_changed(mine):
    run("publish", mine)
    assert "What changed since" not in (mine / "out/report.html").read_text("utf-8")
    (published,) = memory.read(mine).published
    run("publish", mine)
    assert memory.read(mine).published == (published,)  # the same words about the same numbers
    name = next(name for name in published.numbers if name.endswith(".shortfall"))
    otherwise = replace(
        published,
        numbers={**published.numbers, name: "7.7 dB"},
        when="2026-05-06T10:00:00",
    )
    memory.change(mine, published=(otherwise,))
    run("report", mine)
    page = read(mine / "out/report.html")
    assert "published on 6 May 2026" in page
    assert "short; it was 7.7 dB." in page


def test_publishing_what_was_never_reported_says_what_to_do(session):
    refused(session, "report.ipynb is not there", "upheld report", verb="publish")


def test_a_parameter_out_of_range_is_named(mine):
    result = run("report", mine, "--seat-distance", "-3", code=2)
    assert "'seat_distance_m'" in result.output
