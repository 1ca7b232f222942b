"""Runs whose kernel dies, or whose folder goes away, while they work: one line, nothing lost."""

import copy
import shutil

import nbformat
import psutil
import pytest
from commands import run, without_progress

from reportlib.errors import NotebookError, SessionError
from reportlib.publish import execution, kernels
from reportlib.session import files
from reportlib.session.parameters import checked_parameters

PARAMETERS = checked_parameters(session=".")


@pytest.fixture(scope="module")
def template():
    return nbformat.read(files.notebooks_folder() / "compression.ipynb", 4)


def notebook_that(template, code):
    """Return the template with its parameters and, for all the rest, one cell of code."""
    made = copy.deepcopy(template)
    kept = [cell for cell in made.cells if "parameters" in cell.metadata.get("tags", [])]
    made.cells = [*kept, nbformat.v4.new_code_cell(code)]
    return made


def said(folder, notebook, *, error=NotebookError, **given):
    with pytest.raises(error) as caught:
        execution.execute(notebook, parameters=PARAMETERS, folder=folder, **given)
    line = str(caught.value)
    assert line.splitlines() == [line]
    return line


def test_a_kernel_that_dies_is_said_in_one_line(tmp_path, template, capfd):
    line = said(tmp_path, notebook_that(template, "import os\nos.kill(os.getpid(), 9)"))
    assert "the kernel that ran it ended" in line
    assert "upheld report" in line
    assert capfd.readouterr() == ("", "")


def test_a_kernel_that_died_before_it_was_asked_is_too(tmp_path, template, capfd):
    before = set(psutil.Process().children())
    with kernels.started(tmp_path) as handed_out:
        (process,) = set(psutil.Process().children()) - before
        process.kill()
        line = said(tmp_path, notebook_that(template, ""), kernel=handed_out)
    assert "the kernel that ran it ended" in line
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize(
    "code",
    [
        "shutil.rmtree(here)",
        "os.rename(here, here + '-moved'); os.mkdir(here)",
        "shutil.rmtree(here); os._exit(1)",
        "shutil.rmtree(here); raise OSError(2, 'no such file')",
    ],
)
def test_a_folder_that_goes_away_is_said_in_one_line(tmp_path, template, code):
    folder = tmp_path / "session"
    folder.mkdir()
    code = f"import os, shutil\nhere = os.getcwd()\n{code}"
    line = said(folder, notebook_that(template, code), error=SessionError)
    assert line.startswith(f"{folder}: was deleted or moved away while it was worked on.")


@pytest.mark.parametrize("verb", ["report", "publish"])
def test_a_folder_that_goes_away_while_pages_are_made_is(undrawn, tmp_path, monkeypatch, verb):
    from reportlib.publish import outputs

    session = shutil.copytree(undrawn, tmp_path / "trivet-6")
    written = outputs.write_outputs

    def moved(*given, **named):
        session.rename(f"{session}-moved")
        if verb == "publish":  # and another is put in its place
            shutil.copytree(f"{session}-moved", session)
        return written(*given, **named)

    monkeypatch.setattr(outputs, "write_outputs", moved)
    result = run(verb, session, code=2)
    assert f"{session}: was deleted or moved away while it was worked on." in result.output
    assert len(without_progress(result.output)) == 1
