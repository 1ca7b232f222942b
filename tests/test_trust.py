"""A stranger's code in a notebook: left out by every run, until its reader trusts it."""

import shutil

import loop
import nbformat
import pytest
from click.testing import CliRunner
from nbformat.sign import NotebookNotary
from nbformat.v4 import new_code_cell, new_output

from reportlib.cli import main
from reportlib.kinds import COMPARISON, REPORT
from reportlib.refreshing.worker import take_up
from reportlib.trust import is_trusted, sign


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


def test_report_and_refresh_leave_a_strangers_cell_out_and_jupyter_does_not_sign_it(
    reported, tmp_path, at_home
):
    session = shutil.copytree(reported, tmp_path / "trivet-6")
    ran = tmp_path / "ran"
    put_in(session, new_code_cell(f"open({str(ran)!r}, 'a').close()"))
    at_home("mine")
    said = CliRunner().invoke(main, ["report", str(session)])
    assert "was not run" in said.output
    assert take_up(session, whatever=True)["not_run"] == 1
    said = CliRunner().invoke(main, ["archive", str(tmp_path), "--refresh", "--all", "--jobs", "1"])
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
    assert "not run" not in CliRunner().invoke(main, ["report", str(session)]).output
    assert ran.exists()
