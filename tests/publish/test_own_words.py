"""A tester's own wordings over a session's runs: on the page, remembered, beside edited text."""

import json
import shutil

import nbformat
import pytest
from commands import run

from reportlib.publish.execution import sign
from reportlib.publish.merge import slot

VERDICT = (
    "{% block holds %}\nWith {{ name }} nothing was missing up to {{ level }}\n{% endblock %}\n"
)
CAPTION = "{% block caption_level_ladder %}\nMy <i>ladder</i>. {{ interval }}\n{% endblock %}\n"
MINE = "## Turned up\n\nIn my own words, once and for all."


WORDS = "\nwords: "
"""Where the last line of the parameter cell begins."""


def cells(folder):
    return [one.source for one in nbformat.read(folder / "report.ipynb", as_version=4).cells]


@pytest.fixture(scope="module")
def runs(reported, undrawn, tmp_path_factory):
    """Three runs of a session, each with what it printed and its page; the first one's cells."""
    top = tmp_path_factory.mktemp("voice")
    folder = shutil.copytree(undrawn, top / "trivet-6")
    notebook = nbformat.read(folder / "report.ipynb", as_version=4)
    (cell,) = (one for one in notebook.cells if slot(one) == "turned-up")
    cell.source = MINE
    nbformat.write(notebook, folder / "report.ipynb")

    def made(*arguments):
        said = run("report", folder, *arguments).output
        return said, (folder / "out/report.html").read_text("utf-8")

    beside = top / "words"
    beside.mkdir()
    (beside / "in-short.md.j2").write_text(VERDICT.replace("With", "Beside"), "utf-8")
    found = {"beside": made()}
    found["cells"] = cells(folder)
    mine = top / "mine"
    mine.mkdir()
    (mine / "in-short.md.j2").write_text(VERDICT, "utf-8")
    found["named"] = made("--words", mine)
    (mine / "in-short.md.j2").write_text(VERDICT + CAPTION, "utf-8")
    notebook = nbformat.read(reported / "report.ipynb", as_version=4)  # which draws
    (cell,) = (one for one in notebook.cells if "parameters" in one.metadata.get("tags", ()))
    cell.source = f"{cell.source.partition(WORDS)[0]}\n# as it was before there were such words"
    sign(notebook)
    nbformat.write(notebook, folder / "report.ipynb")
    found["remembered"] = made()
    return folder, found


def test_words_beside_the_session_are_found(runs):
    _, found = runs
    said, page = found["beside"]
    assert "Beside Trivet 6 nothing was missing up to" in said
    assert "Beside Trivet 6 nothing was missing up to" in page
    assert "your wordings" not in said


def test_edited_cells_stay_as_they_are(runs):
    folder, found = runs
    said, _ = found["beside"]
    assert "Kept as you wrote them: turned-up." in said
    assert MINE in found["cells"]
    parameters = cells(folder)[1]
    assert parameters.endswith("before there were such words")
    assert WORDS not in parameters


def test_a_folder_that_is_named_comes_before_it_and_is_remembered(runs):
    folder, found = runs
    for which in ("named", "remembered"):
        assert "With Trivet 6 nothing was missing up to" in found[which][0]
    kept = json.loads((folder / ".upheld/results/run.json").read_text("utf-8"))
    assert kept["parameters"]["words"] == "../mine"


def test_a_caption_is_theirs_as_text(runs):
    _, found = runs
    said, page = found["remembered"]
    assert "My &lt;i&gt;ladder&lt;/i&gt;." in page
    assert "<i>ladder" not in page
    assert "block 'caption_level_ladder' leaves out {{ untold }}, which ours says." in said


@pytest.mark.parametrize("verb", ["report", "words"])
def test_a_mistake_is_told_in_one_line_and_nothing_is_written(runs, tmp_path, verb):
    folder = shutil.copytree(runs[0], tmp_path / "days/trivet-6")
    before = (folder / "report.ipynb").read_bytes()
    mine = tmp_path / "days/mine"
    mine.mkdir()
    (mine / "why.md.j2").write_text("{% block fts %}{% endblock %}", "utf-8")
    said = run(verb, folder, code=2).output
    assert said.startswith("upheld: ")
    assert said.count("\n") == 1
    assert "why.md.j2, line 1: there is no block 'fts'. The nearest is 'fits'" in said
    assert (folder / "report.ipynb").read_bytes() == before


def test_words_tells_what_a_session_says_and_with_which_values(runs):
    folder, _ = runs
    listed = json.loads(run("words", folder, "--json").output)
    used = {(one["slot"], one["block"]): one for one in listed}
    verdict = used["in-short", "holds"]
    assert verdict["own"]
    assert verdict["text"] == "With {{ name }} nothing was missing up to {{ level }}"
    assert verdict["values"]["name"] == "Trivet 6"
    assert verdict["values"]["level"] == "84 dB"
    assert not used["turned-up", "page"]["own"]
    assert ("in-short", "caption_level_ladder") in used
    assert ("care", "caption_exposure_table") in used
    assert ("in-short", "baseline_alone") not in used
    assert not any(one["slot"].startswith("comparison/") for one in listed)
    plain = run("words", folder).output
    assert "{% block holds %}\nWith {{ name }} nothing was missing up to {{ level }}\n" in plain
    assert "    yours, said once\n    name = Trivet 6\n" in plain


def test_words_lists_all_that_a_file_may_hold():
    said = run("words").output
    assert "--- comparison/in-short.md.j2\n{% block page %}\n" in said
    listed = json.loads(run("words", "--json").output)
    assert [one["slot"] for one in listed] == sorted(one["slot"] for one in listed)
    assert all(f"{{% block {one['block']} %}}" in said for one in listed)
