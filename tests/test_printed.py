"""What the command prints of a folder that somebody else made: lines, and nothing else."""

import ast
import json
import shutil
import unicodedata
from pathlib import Path

import nbformat
from click.testing import CliRunner
from session_factory import changed, write_session

import reportlib
from reportlib.cli import main
from reportlib.publish import merge

EVIL = "\x1b]0;pwned\x07\x1b[2J\x9b31m\u202eab\r\nupheld: all is well\x7f\u2028"
PACKAGE = Path(reportlib.__file__).parent


def bent(text):
    """Return what of `text` a terminal would obey, or show out of its place."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp")}


def printed(*arguments):
    # in colour: else Click takes some sequences out itself, as it does for a file
    result = CliRunner().invoke(main, [str(one) for one in arguments], color=True)
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert not bent(result.output)
    assert "\nupheld: all is well" not in result.output
    return result.output


def kept_history(folder):
    history = folder / ".upheld" / "history"
    history.mkdir(parents=True)
    (history / "00001-report.ipynb").write_text("{}")
    (folder / ".upheld/memory.json").write_text(json.dumps({"why_kept": {"1": EVIL}}))


def test_why_a_notebook_was_kept_is_a_stranger_s_text(tmp_path):
    kept_history(tmp_path)
    assert "pwned" in printed("history", tmp_path)
    assert json.loads(printed("history", tmp_path, "--json"))[0]["why"] == EVIL


def test_a_file_s_name_is(tmp_path):
    name = "captures/\u202egpj.wav"
    folder = write_session(tmp_path / "a", changed("captures/short-78.wav", name))
    (folder / name).unlink()
    assert r"\u202egpj" in printed("check", folder)


def test_a_cell_s_name_is(tmp_path, reported):
    folder = shutil.copytree(reported, tmp_path / "trivet-6")
    path = folder / "report.ipynb"
    notebook = nbformat.read(path, 4)
    cell = next(one for one in notebook.cells if merge.slot(one) == "turned-up")
    cell.metadata["upheld"]["slot"] = EVIL
    cell.source = "At 96 dB the treble loses 19.5 dB."
    nbformat.write(notebook, path)
    assert "pwned" in printed("check", folder)
    _, document = printed("check", folder, "--json").split("\n", 1)  # after what it took
    untied = json.loads(document)["untied"]
    assert EVIL in {one["place"] for one in untied}
    assert "pwned" in printed("publish", folder, "--as-it-is")


def test_a_fault_that_names_it_is_one_line(tmp_path):
    folder = write_session(tmp_path / "a", changed('"free field"', f"{json.dumps(EVIL)}"))
    assert "pwned" in printed("check", folder)
    printed("check", tmp_path / EVIL)


def test_all_that_is_printed_goes_one_way():
    for path in sorted(PACKAGE.glob("cli*.py")):
        calls = [
            ast.unparse(node.func)
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.Call)
        ]
        assert "print" not in calls, path.name
        assert path.name == "cli_shared.py" or "click.echo" not in calls, path.name
