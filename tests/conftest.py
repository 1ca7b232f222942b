"""Shared sessions: simulated once, copied where a test writes."""

import shutil

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
def trivet(tmp_path_factory):
    """A simulated Trivet 6 with one take of each level; only to be read or copied."""
    folder = tmp_path_factory.mktemp("demo") / "trivet-6"
    return make_demo(folder, speaker="trivet-6", stages_s=(2.0, 3.0), takes=1, record_stress=False)


@pytest.fixture
def session(trivet, tmp_path):
    """A copy of it that a test may change."""
    return shutil.copytree(trivet, tmp_path / "trivet-6")


@pytest.fixture(scope="session")
def reported(trivet, tmp_path_factory):
    """The same with its report made; only to be read or copied."""
    from click.testing import CliRunner

    from reportlib.cli import main

    folder = shutil.copytree(trivet, tmp_path_factory.mktemp("reported") / "trivet-6")
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture(scope="session")
def undrawn(reported, tmp_path_factory):
    """The same, but that the reviewer deleted figures and tables: a run of it draws nothing."""
    folder = shutil.copytree(reported, tmp_path_factory.mktemp("undrawn") / "trivet-6")
    notebook = nbformat.read(folder / "report.ipynb", as_version=4)
    drawing = ("figures.", "tables.", "seat_calculator(")
    notebook.cells = [cell for cell in notebook.cells if not cell.source.startswith(drawing)]
    nbformat.write(notebook, folder / "report.ipynb")
    return folder
