"""The documents, held to the code: commands, verbs, names and layers."""

import pkgutil
import re
from pathlib import Path
from typing import get_args

import click
import pytest
from click.testing import CliRunner

import reportlib
from reportlib.cli import main
from reportlib.cli.shared import SEAT_ROOMS
from reportlib.cli.shared import SPEAKERS as CLI_SPEAKERS
from reportlib.session.parameters import SeatRoom
from reportlib.simulate.speakers import SPEAKERS

ROOT = Path(reportlib.__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def commands(text):
    return re.findall(r"```sh\n(.*?)\n```", text, re.DOTALL)


def test_the_readme_gives_two_commands_of_one_line_each():
    report, tests = commands(README)[:2]
    assert "\n" not in report
    assert "\n" not in tests
    assert report.endswith("upheld report demo_inputs/trivet-6")
    assert "pytest" in tests
    assert not re.search(r" -q\b|--quiet", report)  # minutes of silence look like a fault


def test_ci_calls_the_readmes_test_command():
    ci = (ROOT / ".ci/run").read_text("utf-8")
    assert commands(README)[1] in ci


@pytest.mark.parametrize("verb", sorted(main.list_commands(None)))
def test_every_verb_has_help_with_an_example_and_stands_in_the_readme(verb):
    result = CliRunner().invoke(main, [verb, "--help"])
    assert result.exit_code == 0
    lines = [line.strip() for line in result.output.splitlines()]
    example = lines[lines.index("Example:") + 1]  # a line of its own, to be copied
    assert example.startswith(f"upheld {verb} ")
    assert "\\b" not in result.output
    assert f"upheld {verb}" in README
    for parameter in main.get_command(None, verb).params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


def test_the_command_line_knows_the_demos_loudspeakers():
    assert set(CLI_SPEAKERS) == set(SPEAKERS)


def test_the_command_line_knows_the_rooms():
    assert get_args(SeatRoom) == SEAT_ROOMS


@pytest.mark.parametrize("path", sorted((ROOT / "reportlib").iterdir()), ids=lambda path: path.name)
def test_every_module_and_package_has_its_line_in_the_guide(path):
    if path.name.startswith("__") or path.suffix not in ("", ".py"):
        return
    assert f"`{path.stem}`" in GUIDE


NAMED = sorted(set(re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", GUIDE, flags=re.DOTALL))))
"""What the guide sets as code, its commands left out."""
PATHS = [
    one
    for one in NAMED
    if re.search(r"/|\.(py|md|mplstyle)$", one) and one[0] != "." and one != "out/"
]
DOTTED = [one for one in NAMED if re.fullmatch(r"[a-z_]+(\.\w+)+", one) and one not in PATHS]
WORDS = [one for one in NAMED if re.fullmatch(r"[A-Za-z_]\w*", one)]


@pytest.mark.parametrize("path", PATHS)
def test_every_path_in_the_guide_exists(path):
    pattern = re.sub(r"<\w+>", "*", path)
    assert any(next(folder.glob(pattern), None) for folder in (ROOT, ROOT / "reportlib")), path


@pytest.mark.parametrize("name", [one for one in DOTTED if not one.endswith((".toml", ".ipynb"))])
def test_every_name_in_the_guide_can_be_imported(name):
    assert pkgutil.resolve_name(f"reportlib.{name}") is not None


def test_every_word_of_the_code_in_the_guide_stands_in_the_code():
    folders = (ROOT / "reportlib", ROOT / "templates")
    files = [path for folder in folders for path in folder.rglob("*") if path.is_file()]
    code = "\n".join(path.read_text("utf-8") for path in files if path.suffix in (".py", ".js"))
    used = {*re.findall(r"\w+", code), *(path.name for path in (*ROOT.iterdir(), *folders))}
    assert not set(WORDS) - used
    assert len(PATHS) > 40
    assert len(DOTTED) > 20


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_documents_name_no_path_of_a_machine(document):
    text = (ROOT / document).read_text("utf-8")
    assert not re.search(r"(?<![\w.])/(home|root|work|tmp|usr|Users)\b", text)


def test_links_within_the_documents_lead_somewhere():
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text("utf-8")
        for target in re.findall(r"\]\((?!https?:|#)([^)#\s]+)", text):
            assert (ROOT / target).exists(), f"{document}: {target}"


def test_every_source_is_one_that_a_reader_can_open():
    """No row of a list that is not here; and what is done because all do it says so."""
    elsewhere = re.compile(
        r"\b(?:facts|method) ?(?:§|\d+\.)|\bW\d{1,2}\b|common practice(?!,( #)? no source)"
    )
    found = []
    for folder, kind in (("reportlib", "py"), ("tests", "py"), ("templates", "j2"), (".", "md")):
        for path in sorted((ROOT / folder).glob(f"*.{kind}" if folder == "." else f"**/*.{kind}")):
            text = " ".join(path.read_text("utf-8").split())
            if path.name != Path(__file__).name:
                found += [
                    f"{path.name}: {text[m.start() :][:60]}" for m in elsewhere.finditer(text)
                ]
    assert not found
