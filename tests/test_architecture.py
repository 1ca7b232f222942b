"""The architecture, held: imports point down, the core is pure, templates decide nothing."""

import ast
import functools
import json
from pathlib import Path

import pytest

import reportlib
from reportlib.parameters import ComparisonParameters, ReportParameters

PACKAGE = Path(reportlib.__file__).parent
ROOT = PACKAGE.parent

NUMBERS = {
    "levels", "loudness", "stimulus", "multitone", "noise", "deconvolution", "gate", "clock",
    "response", "text_response", "uncertainty", "compression", "rooms", "soak",
}  # fmt: skip
LAYERS = [
    {"errors", "one_line", "arrays", "numbers", "quick_imports"},
    {
        "day",
        "day_values",
        "model",
        "soaked",
        "judged",
        "compared",
        "corrected",
        "last_written",
        "palette",
        "shown",
        "parameters",
    },
    NUMBERS | {"simulate"},
    {
        "thresholds",
        "grades",
        "causes",
        "limits",
        "audibility",
        "balance",
        "beside",
        "comparison_tables",
        "listening",
        "need",
        "exposure",
        "listeners",
        "facts",
        "quotes",
        "seat_facts",
        "judged_facts",
        "limit_table",
        "seat_tables",
        "stress_facts",
        "quality",
        "text_notes",
        "readings",
        "words",
        "tables",
        "stress_tables",
        "stress_results",
        "session_text",
        "planning",
        "intake",
    },
    {
        "files",
        "folders",
        "resources",
        "fonts",
        "lock",
        "session",
        "captures",
        "figures",
        "demo",
        "results",
        "results_comparison",
        "shelf",
        "stimulus_files",
        "silence",
        "cutting",
    },
    {
        "inputs",
        "stress_captures",
        "sweep_reading",
        "measuring",
        "playing",
        "analysis",
        "cells",
        "merge",
        "history",
        "corrections",
        "read_again",
        "recognised",
        "trust",
        "memory",
        "watching",
        "intake_folder",
        "rendered",
        "archive",
        "kinds",
        "each",
        "comparison_memory",
        "compared_folder",
        "stores",
    },
    {
        "kernel",
        "kernels",
        "forked",
        "execution",
        "notebook",
        "captions",
        "publications",
        "publish",
        "untied",
        "plan_folder",
        "reporting",
        "refreshing",
        "catalogue",
        "comparing",
    },
    {
        "cli",
        "cli_archive",
        "cli_compare",
        "cli_errors",
        "cli_intake",
        "cli_plan",
        "cli_progress",
        "cli_shared",
    },
]
RANK = {subject: rank for rank, layer in enumerate(LAYERS) for subject in layer}
CORE = range(4)
FORBIDDEN_IN_CORE = {
    "pathlib", "os", "shutil", "soundfile", "matplotlib", "nbformat", "nbconvert", "papermill",
    "click", "rich", "typst",
}  # fmt: skip
ONLY = {
    "soundfile": {"captures", "demo", "stimulus_files", "cutting"},
    "matplotlib": {"figures"},
    "papermill": {"execution"},
    "nbconvert": {"publish", "reporting"},
    "typst": {"figures", "publish", "reporting"},
    "click": LAYERS[-1],
    "sqlite3": {"archive"},
    "fsspec": {"stores"},
    "distributed": {"refreshing"},
    "watchfiles": {"watching"},
    "pydantic": {"day", "day_values", "parameters", "session"},
}
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE or
                 path.name != "__init__.py")  # fmt: skip


def subject(path):
    """Return a file's place in the layers: its own name, or its package's."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@functools.cache
def tree(path):
    return ast.parse(path.read_text("utf-8"))


@functools.cache
def imports(path):
    """Return what a module imports, by full name."""
    found = []
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "reportlib":
                found += [f"reportlib.{alias.name}" for alias in node.names]
            else:
                found.append(node.module)
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
    return tuple(found)


def name(path):
    return str(path.relative_to(PACKAGE))


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_imports_point_to_their_own_layer_or_below(path):
    for imported in imports(path):
        parts = imported.split(".")
        if parts[0] == "reportlib" and len(parts) > 1 and parts[1] != "__version__":
            assert RANK[parts[1]] <= RANK[subject(path)], f"{name(path)} must not use {imported}"


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_the_core_opens_no_file_and_draws_nothing(path):
    if RANK[subject(path)] in CORE:
        used = {one.split(".")[0] for one in imports(path)} & FORBIDDEN_IN_CORE
        assert not used, f"{name(path)} imports {used}"


@pytest.mark.parametrize("library", ONLY)
def test_each_library_is_used_in_its_own_place(library):
    users = {
        subject(path)
        for path in MODULES
        if any(imported.split(".")[0] == library for imported in imports(path))
    }
    assert users <= ONLY[library]


def test_the_simulation_shares_no_code_with_the_analysis():
    analysis = NUMBERS | {"grades", "quality", "analysis", "inputs", "text_notes"}
    for path in MODULES:
        if subject(path) in {"simulate", "demo"}:
            used = {one.split(".")[1] for one in imports(path) if one.startswith("reportlib.")}
            assert not used & analysis, f"{name(path)} uses {used & analysis}"


@pytest.mark.parametrize("path", MODULES, ids=name)
def test_one_subject_a_file(path):
    assert len(path.read_text("utf-8").splitlines()) <= 400


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
