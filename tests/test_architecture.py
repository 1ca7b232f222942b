"""The architecture, held: imports point down, the core is pure, templates decide nothing.

A module's place is its folder: there is no list of modules to keep.
"""

import ast
import functools
import json
from pathlib import Path

import pytest

import reportlib
from reportlib.session.parameters import ComparisonParameters, ReportParameters

PACKAGE = Path(reportlib.__file__).parent
ROOT = PACKAGE.parent

ORDER = [
    {"errors", "numbers"},
    {"session"},
    {"simulate"},
    {"measure"},
    {"check"},
    {"judge"},
    {"write"},
    {"draw"},
    {"publish"},
    {"many", "plan"},
    {"cli"},
]
RANK = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}
PURE = {"errors", "numbers", "measure", "check", "judge", "write"}
READING = {"judge.given", "judge.inputs", "judge.measuring", "judge.shelf"}
"""Where one session's files are read: from here on there are records."""
READS_OR_DRAWS = {
    "pathlib", "os", "shutil", "soundfile", "matplotlib", "nbformat", "nbconvert", "papermill",
    "click", "rich", "typst",
}  # fmt: skip
PLAIN = {f"reportlib.session.{module}" for module in ("day", "records", "parameters")}
ONLY = {
    "soundfile": {"session", "simulate"},
    "matplotlib": {"draw", "many"},
    "papermill": {"publish", "many"},
    "nbconvert": {"publish"},
    "typst": {"draw", "publish", "many"},
    "click": {"cli"},
    "sqlite3": {"many"},
    "fsspec": {"many"},
    "distributed": {"many"},
    "watchfiles": {"publish"},
    "pydantic": {"session", "publish"},
}
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def name(path):
    """Return a module's name below the package."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts).removesuffix(".__init__")


def room(path):
    return name(path).split(".")[0]


@functools.cache
def tree(path):
    return ast.parse(path.read_text("utf-8"))


@functools.cache
def imports(path):
    """Return what a module imports, wherever that stands in it, by full name."""
    found = []
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module:
            if (PACKAGE.parent / Path(*node.module.split("."))).is_dir():
                found += [f"{node.module}.{alias.name}" for alias in node.names]
            else:
                found.append(node.module)
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
    return tuple(found)


def ours(path):
    """Return the modules of the package that a module imports."""
    named = [one for one in imports(path) if one.startswith("reportlib.")]
    return [one for one in named if one != "reportlib.__version__"]


def test_nothing_lies_flat_and_every_folder_is_a_room():
    flat = {path.name for path in PACKAGE.iterdir() if path.suffix == ".py"}
    assert flat == {"__init__.py", "errors.py", "numbers.py"}
    assert {room(path) for path in MODULES} == RANK.keys()


def test_imports_point_to_their_own_room_or_one_before_it():
    wrong = [
        f"{name(path)} must not use {imported}"
        for path in MODULES
        for imported in ours(path)
        if (other := imported.split(".")[1]) != room(path) and RANK[other] >= RANK[room(path)]
    ]
    assert wrong == []


def test_the_core_opens_no_file_and_draws_nothing():
    wrong = {}
    for path in MODULES:
        if room(path) in PURE and name(path) not in READING:
            used = {one.split(".")[0] for one in imports(path)} & READS_OR_DRAWS
            used |= {one for one in ours(path) if one.split(".")[1] == "session"} - PLAIN
            if used:
                wrong[name(path)] = used
    assert wrong == {}


@pytest.mark.parametrize("module", ["day", "records"])
def test_the_days_records_open_no_file(module):
    used = {one.split(".")[0] for one in imports(PACKAGE / "session" / f"{module}.py")}
    assert not used & READS_OR_DRAWS


@pytest.mark.parametrize("library", ONLY)
def test_each_library_is_used_in_its_own_room(library):
    users = {
        room(path)
        for path in MODULES
        if any(imported.split(".")[0] == library for imported in imports(path))
    }
    assert users <= ONLY[library]


def test_the_simulation_shares_no_code_with_the_analysis():
    """It may use what a session is written as; only the command line, for the demo, uses it."""
    for path in MODULES:
        used = {one.split(".")[1] for one in ours(path)}
        if room(path) == "simulate":
            assert used <= {"simulate", "session", "errors"}, name(path)
        elif room(path) != "cli":
            assert "simulate" not in used, name(path)


def test_one_subject_a_file():
    lines = {name(path): len(path.read_text("utf-8").splitlines()) for path in MODULES}
    assert {one: count for one, count in lines.items() if count > 480} == {}


def test_there_is_no_module_level_state():
    """What modules name at their top is a constant: nothing is rebound or filled later."""
    for path in MODULES:
        assert not any(isinstance(node, ast.Global) for node in ast.walk(tree(path))), name(path)


NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebooks_are_stored_without_outputs_and_use_public_names(path):
    for cell in json.loads(path.read_text("utf-8"))["cells"]:
        if cell["cell_type"] != "code":
            continue
        assert not cell["outputs"]
        assert cell["execution_count"] is None
        for node in ast.walk(ast.parse(cell["source"])):
            if isinstance(node, ast.ImportFrom):
                assert not any(alias.name.startswith("_") for alias in node.names)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_every_cell_of_a_notebook_has_a_name_of_its_own(path):
    """A re-run finds cells by their names, so that two of one name would become one."""
    cells = json.loads(path.read_text("utf-8"))["cells"]
    names = [cell["metadata"]["upheld"]["cell"] for cell in cells]
    assert len(set(names)) == len(names)
    assert [cell["id"] for cell in cells] == names


@pytest.mark.parametrize(
    ("notebook", "model"),
    [("compression", ReportParameters), ("comparison", ComparisonParameters)],
)
def test_the_parameter_cell_declares_exactly_the_parameters(notebook, model):
    """The cell, its defaults and the model say the same."""
    cells = json.loads((ROOT / f"notebooks/{notebook}.ipynb").read_text("utf-8"))["cells"]
    (cell,) = [c for c in cells if "parameters" in c["metadata"].get("tags", [])]
    declared = {}
    for node in ast.parse(cell["source"]).body:
        assert isinstance(node, ast.AnnAssign)
        declared[node.target.id] = ast.literal_eval(node.value)
    assert all(line.count("=") == 1 and "#" in line for line in cell["source"].splitlines())
    fields = model.model_fields
    assert declared.keys() == fields.keys()
    for key, field in fields.items():
        if not field.is_required():
            assert declared[key] == field.default, key
