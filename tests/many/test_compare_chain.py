"""`upheld compare` from session folders to page and PDF, and round again."""

import hashlib
import json
import re
import shutil

import nbformat
import pikepdf
import pytest
from commands import run

from reportlib.publish.merge import slot
from reportlib.session import lock


def invoke(*arguments, exit_code=0):
    return run(*arguments, code=exit_code).output


def state(folder):
    """What of a session is the reviewer's: every file but the captures that are kept."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and ".upheld/kept" not in path.as_posix()
    }


@pytest.fixture(scope="module")
def shelf(reported, tmp_path_factory):
    """Two sessions of the same recordings, the one said to be of another loudspeaker."""
    shelf = tmp_path_factory.mktemp("compared") / "shelf"
    shutil.copytree(reported, shelf / "trivet-6")
    twin = shutil.copytree(reported, shelf / "marram-12")
    toml = (twin / "session.toml").read_text("utf-8")
    (twin / "session.toml").write_text(toml.replace("Trivet 6", "Marram 12"), encoding="utf-8")
    return shelf


@pytest.fixture(scope="module")
def made(shelf):
    """Compare them once; what it said."""
    before = {name: state(shelf / name) for name in ("marram-12", "trivet-6")}
    said = run("compare", shelf / "marram-12", shelf / "trivet-6", "--json").stdout
    assert {name: state(shelf / name) for name in before} == before
    return json.loads(said)


def test_the_comparison_has_a_folder_of_its_own(shelf, made):
    folder = shelf / "comparison"
    assert made["folder"] == str(folder)
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {"comparison.ipynb", "out/report.html", "out/section.html", "out/report.pdf",
            "out/report.md", "out/data/comparison.csv", "out/data/results.json",
            "out/sharing/square.png", ".upheld/results/facts.json"} <= names  # fmt: skip
    assert not any("compression" in name or name == "report.ipynb" for name in names)
    results = json.loads((folder / "out/data/results.json").read_text("utf-8"))
    assert "Marram 12" in json.dumps(results)
    assert "NaN" not in (folder / "out/data/results.json").read_text("utf-8")


def test_the_page_is_headed_by_both_and_every_quoted_fact_has_its_row(shelf, made):
    page = (shelf / "comparison/out/report.html").read_text("utf-8")
    assert "<h1>Marram 12 and Trivet 6 compared</h1>" in page
    verdict = re.search(r'<p class="verdict">(.*?)</p>', page, re.DOTALL)
    assert verdict
    assert verdict[1].strip()
    assert 'class="calculator"' not in page
    quoted = set(re.findall(r'href="#(fact-[^"]+)"', page))
    rows = set(re.findall(r'id="(fact-[^"]+)"', page))
    facts = json.loads((shelf / "comparison/.upheld/results/facts.json").read_text("utf-8"))
    run = json.loads((shelf / "comparison/.upheld/results/run.json").read_text("utf-8"))
    drafted = set(re.findall(r"\]\(#(fact-[^)]+)\)", " ".join(run["drafts"].values())))
    assert drafted
    assert drafted == quoted  # a link whose row is not there is none in the page
    assert quoted <= rows
    assert {name.removeprefix("fact-") for name in drafted} <= facts.keys()


def test_the_pdf_carries_the_data(shelf, made):
    with pikepdf.open(shelf / "comparison/out/report.pdf") as pdf:
        assert set(pdf.attachments) == {"comparison.csv", "results.json"}
        assert pdf.docinfo["/Title"] == "Marram 12 and Trivet 6 compared"


def test_words_survive_a_run_without_naming_sessions_and_are_published(shelf, made, tmp_path):
    shutil.copytree(shelf, tmp_path / "shelf")
    folder = tmp_path / "shelf" / "comparison"
    notebook = nbformat.read(folder / "comparison.ipynb", as_version=4)
    for cell in notebook.cells:
        if slot(cell) == "in-short":
            cell.source = "## In short\n\nTake whichever is nearer.\n\nIt holds at 94 dB, I say."
    notebook.cells = [
        cell
        for cell in notebook.cells
        if slot(cell) != "care" and not cell.source.startswith("figures.")  # as quick as can be
    ]
    nbformat.write(notebook, folder / "comparison.ipynb")
    at_work = tmp_path / "shelf" / "trivet-6" / ".upheld"
    with lock.only_run(at_work, what="upheld report"):  # it only reads beside a report
        said = invoke("compare", "--into", folder)
    assert "Kept as you wrote them: in-short." in said
    assert ", care, " in said
    (folder / "out" / "report.html").unlink()
    assert "“94 dB” is not tied to the data" in invoke("publish", folder)
    page = (folder / "out" / "report.html").read_text("utf-8")
    assert '<p class="verdict">Take whichever is nearer.</p>' in page
    assert 'id="care"' not in page
    assert "as a run left it" in invoke("history", folder)
    checked = invoke("check", folder)
    assert "in-short: “94 dB” is not tied to the data" in checked
    assert "trivet-6: " in checked


def test_two_runs_in_one_folder_at_once(shelf, made):
    with lock.only_run(shelf / "comparison" / ".upheld", what="upheld compare"):
        said = invoke("compare", "--into", shelf / "comparison", exit_code=2)
    assert "upheld compare (process" in said
    assert "is at work there" in said


def test_where_nothing_comes_of_it_nothing_is_left(shelf, tmp_path):
    half = shutil.copytree(shelf / "trivet-6", tmp_path / "half")
    (half / "captures" / "short-96-a.flac").write_bytes(b"fLaC, cut short")
    for path in half.glob("captures/short-72-*.flac"):
        path.write_bytes(b"fLaC, cut short")
    before = state(half)
    said = invoke("compare", shelf / "trivet-6", half, "--into", tmp_path / "new", exit_code=2)
    assert said.startswith("upheld: ")
    assert said.count("\n") == 1
    assert "half: " in said
    assert not (tmp_path / "new").exists()
    assert state(half) == before


def test_a_report_is_not_made_of_a_comparison(shelf, made):
    said = invoke("report", shelf / "comparison", exit_code=2)
    assert "holds a comparison, not a session" in said
