"""A stranger's code in a notebook: left out by every run, until its reader trusts it."""

import copy
import shutil

import loop
import nbformat
import pytest
from commands import run
from nbformat.sign import NotebookNotary
from nbformat.v4 import new_code_cell, new_markdown_cell, new_output

from reportlib.errors import NotebookError
from reportlib.publish.execution import execute, is_trusted, sign
from reportlib.publish.kinds import COMPARISON, REPORT, Last
from reportlib.publish.merge import merge


@pytest.fixture
def at_home(tmp_path, monkeypatch):
    """Be somebody: each has signatures of their own."""

    def at(who):
        monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "homes" / who))

    return at


def put_in(folder, cell, *, kind=REPORT):
    made = loop.saved(folder, kind=kind)
    made.cells.insert(2, cell)
    loop.save(folder, made, kind=kind)


@pytest.mark.parametrize("kind", [REPORT, COMPARISON])
def test_a_strangers_cell_is_left_out_run_after_run_until_it_is_trusted(tmp_path, at_home, kind):
    folder = tmp_path / "day"
    folder.mkdir()
    at_home("mine")
    loop.run(folder, 1, kind=kind, signing=True)
    assert is_trusted(loop.saved(folder, kind=kind))
    at_home("theirs")
    put_in(folder, new_code_cell("theirs()"), kind=kind)
    sign(loop.saved(folder, kind=kind))
    assert loop.run(folder, 2, kind=kind, signing=True).not_run == 0
    assert is_trusted(loop.saved(folder, kind=kind))
    at_home("mine")
    for number in (3, 4, 5):
        done = loop.run(folder, number, kind=kind, signing=True)
        assert done.not_run == 1
        assert any("1 code cell that somebody added or changed was not run" in line
                   for line in done.lines())  # fmt: skip
        assert not is_trusted(loop.saved(folder, kind=kind))
    sign(loop.saved(folder, kind=kind))  # as "Trust Notebook" does
    for number in (6, 7):
        assert loop.run(folder, number, kind=kind, signing=True).not_run == 0


def test_ones_own_code_goes_on_running_after_the_tool_wrote_the_notebook(tmp_path, at_home):
    at_home("mine")
    loop.run(tmp_path, 1, signing=True)
    put_in(tmp_path, new_code_cell("mine()"))
    sign(loop.saved(tmp_path))
    for number in (2, 3):
        assert loop.run(tmp_path, number, signing=True).not_run == 0
        assert is_trusted(loop.saved(tmp_path))
    put_in(tmp_path, new_code_cell("theirs()"))  # not in Jupyter: neither is told from the other
    for number in (4, 5):
        assert loop.run(tmp_path, number, signing=True).not_run == 2
    assert [cell.source for cell in loop.saved(tmp_path).cells[2:4]] == ["theirs()", "mine()"]


def test_a_copy_of_the_tools_code_that_is_told_not_to_run_brings_no_output_in(tmp_path, at_home):
    at_home("mine")
    loop.run(tmp_path, 1, signing=True)
    shown = new_output("display_data", data={"text/html": "<script>theirs()</script>"})
    source = loop.saved(tmp_path).cells[2].source
    tags = {"tags": ["skip-execution"]}
    put_in(tmp_path, new_code_cell(source, metadata=tags, outputs=[shown]))
    for number in (2, 3):
        assert loop.run(tmp_path, number, signing=True).not_run == 1
        assert not is_trusted(loop.saved(tmp_path))


def test_a_signature_that_jupyter_gives_on_any_saving_is_none(tmp_path, at_home):
    at_home("theirs")
    loop.run(tmp_path, 1, signing=True)
    put_in(tmp_path, new_code_cell("theirs()"))
    made = loop.saved(tmp_path)
    for cell in made.cells:
        if cell.cell_type == "code":
            cell.outputs = []
    loop.save(tmp_path, made)
    at_home("mine")
    assert NotebookNotary().check_cells(made)
    sign(loop.saved(tmp_path))  # so that JupyterLab does it when a word was typed
    assert loop.run(tmp_path, 2, signing=True).not_run == 1


@pytest.mark.parametrize("kind", ["code", "markdown"])
def test_a_strangers_tag_does_not_move_the_parameters(tmp_path, kind):
    new = new_code_cell if kind == "code" else new_markdown_cell
    theirs = new("not = python", metadata={"tags": ["parameters"]})
    template = loop.template()
    template.cells[0].metadata["tags"] = ["parameters"]
    mine = copy.deepcopy(template)
    mine.cells.insert(0, theirs)
    merged = merge(template, mine, last=Last(), trusted=False).notebook
    tagged = [one for one in merged.cells if "parameters" in one.metadata.get("tags", [])]
    assert [one.source for one in tagged] == ["x = 1"]


def test_parameters_that_are_no_python_are_said_in_one_line(tmp_path):
    made = loop.template()
    made.cells[0] |= {"source": "session: str =", "metadata": {"tags": ["parameters"]}}
    with pytest.raises(NotebookError, match=r"report\.ipynb: the cell tagged 'parameters' is no"):
        execute(made, parameters=loop.ASKED, folder=tmp_path)


def test_report_and_refresh_leave_a_strangers_cell_out_and_jupyter_does_not_sign_it(
    undrawn, tmp_path, at_home
):
    session = shutil.copytree(undrawn, tmp_path / "trivet-6")
    ran = tmp_path / "ran"
    put_in(session, new_code_cell(f"open({str(ran)!r}, 'a').close()"))
    at_home("mine")
    said = run("report", session)
    assert "was not run" in said.output
    said = run("archive", tmp_path, "--refresh", "--all", "--jobs", "1")
    assert "  not run: code that somebody put into its notebook (1)" in said.output
    assert not ran.exists()
    assert "This cell was not run" not in (session / "out/report.html").read_text("utf-8")
    made = loop.saved(session)
    notary = NotebookNotary()
    notary.mark_cells(made, notary.check_signature(made))  # JupyterLab opens it
    for cell in made.cells:
        if cell.cell_type == "code" and str(ran) not in cell.source:
            cell.metadata["trusted"] = True  # every cell but theirs is run there
    assert not notary.check_cells(made)  # so that saving doesn't sign it
    made = loop.saved(session)
    notary.mark_cells(made, True)
    assert notary.check_cells(made)
    sign(nbformat.from_dict(loop.saved(session)))
    assert "not run" not in run("report", session).output
    assert ran.exists()
