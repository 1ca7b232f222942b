"""What commands leave out of their imports: in their own processes, and only as long as it pays."""

import importlib.util
import subprocess
import sys

import pytest

from reportlib.publish.quick_imports import GRAMMAR

COUNTED = """
import lark
made = []
really = lark.Lark.__init__
lark.Lark.__init__ = lambda self, *a, **k: made.append(self) or really(self, *a, **k)
import reportlib.publish.notebook
"""
PUBLISHED = """
from click.testing import CliRunner
from reportlib.cli import main
print(CliRunner().invoke(main, ["publish", "."]).stderr)
"""
WORKED = "import reportlib.many.preloaded"
"""What the process imports that every session's process is forked from."""
CHECKED = """
from click.testing import CliRunner
from reportlib.cli import main
print(CliRunner().invoke(main, ["check", "."]).stdout)
"""
installed = pytest.mark.skipif(
    importlib.util.find_spec(GRAMMAR) is None, reason=f"{GRAMMAR} is not installed"
)


def run(code, folder):
    """Return what a new process prints, and which modules it holds at its end."""
    last = "\nimport sys; print('\\n', *(name for name, module in sys.modules.items() if module))"
    done = subprocess.run(
        [sys.executable, "-c", code + last],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=True,
    )
    *printed, modules = done.stdout.splitlines()
    return "\n".join(printed), set(modules.split())


@installed
def test_a_kernel_that_imports_the_library_has_all_of_jsonschema_and_it_still_takes_long(tmp_path):
    printed, modules = run(COUNTED + "print(len(made))", tmp_path)
    assert GRAMMAR in modules
    assert int(printed), (
        "importing jsonschema builds no grammar any longer: take out publish/quick_imports.py, its "
        "two uses and this file"
    )


@installed
@pytest.mark.parametrize("code", [PUBLISHED, WORKED], ids=["a command", "a worker"])
def test_a_process_of_ours_imports_jsonschema_without_it_and_can_have_it_afterwards(code, tmp_path):
    (tmp_path / "report.ipynb").write_text("no notebook")
    had = f"import importlib.util as u; print('to be had:', bool(u.find_spec({GRAMMAR!r})))"
    printed, modules = run(f"{code}\n{had}", tmp_path)
    assert "jsonschema" in modules
    assert GRAMMAR not in modules
    assert "to be had: True" in printed


def test_checking_a_session_without_a_notebook_imports_no_library_of_notebooks(session):
    printed, modules = run(CHECKED, session)
    assert "warning" in printed or "note" in printed
    assert not modules & {"nbformat", "jsonschema"}
