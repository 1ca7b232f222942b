"""Shared sessions: simulated once, copied where a test writes."""

import shutil
import sqlite3
from contextlib import closing

import pytest
from hypothesis import settings

from reportlib.publish.quick_imports import without_address_grammar
from reportlib.simulate.demo import make_demo

with without_address_grammar():
    import nbformat  # as the command line imports it

# The same examples at every run, however slow the machine; `--hypothesis-profile long` for more.
settings.register_profile("suite", max_examples=50, derandomize=True, deadline=None)
settings.register_profile("long", max_examples=500, deadline=None)
settings.load_profile("suite")


@pytest.fixture(scope="session", autouse=True)
def jupyter(tmp_path_factory):
    """Jupyter's signatures of this user are kept apart from those of the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("JUPYTER_DATA_DIR", str(tmp_path_factory.mktemp("jupyter")))
        yield


@pytest.fixture(scope="session")
def once(tmp_path_factory, worker_id):
    """Make a folder once for all worker processes; only to be read or copied."""
    top = tmp_path_factory.getbasetemp()
    if worker_id != "master":
        top = top.parent

    def made(name, make):
        folder = top / name
        lock = sqlite3.connect(top / f"{name}.lock", timeout=600.0, isolation_level=None)
        with closing(lock):
            lock.execute("BEGIN EXCLUSIVE")  # for which other processes wait, on every system
            if not folder.exists():
                make(top / f"{name}.half").parent.rename(folder)
        return folder

    return made


@pytest.fixture(scope="session")
def trivet(once):
    """A simulated Trivet 6 with one take of each level; only to be read or copied."""

    def make(folder):
        about = {"stages_s": (2.0, 3.0), "takes": 1, "record_stress": False}
        return make_demo(folder / "trivet-6", speaker="trivet-6", **about)

    return once("demo", make) / "trivet-6"


@pytest.fixture
def session(trivet, tmp_path):
    """A copy of it that a test may change."""
    return shutil.copytree(trivet, tmp_path / "trivet-6")


@pytest.fixture(scope="session")
def reported(trivet, once):
    """The same with its report made; only to be read or copied."""
    from commands import run

    from reportlib.publish.execution import sign

    def make(folder):
        session = shutil.copytree(trivet, folder / "trivet-6")
        run("report", session)
        return session

    session = once("reported", make) / "trivet-6"
    sign(nbformat.read(session / "report.ipynb", as_version=4))  # whichever worker made it
    return session


@pytest.fixture(scope="session")
def undrawn(reported, tmp_path_factory):
    """The same, but that the reviewer deleted figures and tables: a run of it draws nothing."""
    folder = shutil.copytree(reported, tmp_path_factory.mktemp("undrawn") / "trivet-6")
    notebook = nbformat.read(folder / "report.ipynb", as_version=4)
    drawing = ("figures.", "tables.", "seat_calculator(")
    notebook.cells = [cell for cell in notebook.cells if not cell.source.startswith(drawing)]
    nbformat.write(notebook, folder / "report.ipynb")
    return folder
