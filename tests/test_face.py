"""The package's face: what is public, at no cost; and what notebooks made earlier import."""

import re
import subprocess
import sys

import pytest

import reportlib
from reportlib.cli import main

EARLIER = """
from reportlib import figures, tables
from reportlib.analysis import conclude, long_term_test, measure_captures, short_term_test
from reportlib.memory import keep_results
from reportlib.parameters import checked_parameters
from reportlib.session import read_session
from reportlib.words.calculator import seat_calculator
from reportlib.playing import while_playing
from reportlib import comparison_tables
from reportlib.beside import compare
from reportlib.comparison_memory import keep_comparison
from reportlib.each import analyse_each, folder_names
from reportlib.parameters import checked_comparison
"""
FIGURES = [
    "level_ladder", "turned_up", "distortion", "left_playing",
    "minute_by_minute", "stress_map", "coil", "at_equal_output", "beside_left_playing",
    "beside_limits",
]  # fmt: skip
TABLES = [
    "limit_table", "thermal_table", "coil_table", "cause_table", "need_table", "seat_table",
    "seat_band_table", "exposure_table", "quality_table", "step_table", "band_table",
]  # fmt: skip
COMPARISON_TABLES = [
    "standing_table", "equal_output_table", "limits_table", "needs_table", "abilities_table",
    "seats_table", "measured_table",
]  # fmt: skip


@pytest.mark.parametrize("line", EARLIER.strip().splitlines())
def test_what_cells_of_earlier_notebooks_import_is_still_there(line):
    exec(line, {})


@pytest.mark.parametrize(
    ("module", "names"),
    [("figures", FIGURES), ("tables", TABLES), ("comparison_tables", COMPARISON_TABLES)],
)
def test_what_cells_of_earlier_notebooks_call_is_still_there(module, names):
    for name in names:
        assert callable(getattr(getattr(reportlib, module), name)), name


@pytest.mark.parametrize(
    ("module", "name", "instead"),
    [
        ("figures", "asked_and_given", r"figures\.level_ladder"),
        ("comparison_tables", "not_comparable_table", "“How comparable they are”"),
    ],
)
def test_what_is_no_more_names_what_shows_the_same(module, name, instead):
    with pytest.raises(AttributeError, match=f"{name} is no more: {instead}"):
        getattr(getattr(reportlib, module), name)


@pytest.mark.parametrize(
    "line", ["import reportlib.levels_of_old", "from reportlib import nothing"]
)
def test_what_never_was_is_not_found(line):
    with pytest.raises(ImportError):
        exec(line, {})
    assert not hasattr(reportlib.figures, "nothing")


def test_importing_the_package_costs_nothing():
    code = "import sys, reportlib; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert [one for one in loaded if one.startswith("reportlib")] == ["reportlib"]
    assert not loaded & {"numpy", "pydantic", "matplotlib"}


def test_the_list_of_verbs_imports_none():
    code = (
        "import atexit, sys; from reportlib.cli import main; "
        "atexit.register(lambda: print(*sys.modules)); main(['--help'])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    told, loaded = done.stdout.rstrip().rsplit("\n", 1)
    assert re.findall(r"^  (\w+)  +\S", told.partition("Commands:")[2], re.MULTILINE) == list(
        main.list_commands(None)
    )
    assert not set(loaded.split()) & {"numpy", "pydantic", "matplotlib"}


def test_the_faces_own_words_show_the_way():
    steps = ["read_session", "analyse", "checked_parameters", "figures", "tables", "bands"]
    assert all(step in reportlib.__doc__ for step in steps)
    assert callable(reportlib.read_session)
    assert callable(reportlib.analyse)
    assert callable(reportlib.checked_parameters)
