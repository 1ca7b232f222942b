"""A session that the first version made a report of, edited and published: today's run opens it.

``truth/made_before`` is what that version left of the session of `conftest.trivet`, its notebook
without pictures.
"""

import json
import shutil
from pathlib import Path

import nbformat
import pytest
import soundfile
from click.testing import CliRunner

from reportlib.cli import main
from reportlib.publish import memory
from reportlib.publish.execution import sign
from reportlib.publish.kinds import REPORT
from reportlib.publish.merge import cell_name, slot
from reportlib.publish.notebook import read_notebook
from reportlib.session.files import notebooks_folder
from reportlib.write.shown import PICTURE_MIME

MADE_BEFORE = Path(__file__).parents[1] / "truth" / "made_before"
LOUDER_DB = 0.3
"""What the loudest level gives more than when it was published."""


def made_before(folder):
    """Put into a session what the first version left there."""
    shutil.copy(MADE_BEFORE / "report.ipynb", folder)
    shutil.copytree(MADE_BEFORE / "upheld", folder / ".upheld")
    (folder / ".upheld/history").mkdir()
    (folder / ".upheld/why.json").rename(folder / ".upheld/history/why.json")
    sign(nbformat.read(folder / "report.ipynb", as_version=4))


@pytest.fixture(scope="module")
def run_today(trivet, tmp_path_factory):
    """It, run by today's version on another recording of the loudest level; and what was said."""
    folder = shutil.copytree(trivet, tmp_path_factory.mktemp("before") / "trivet-6")
    made_before(folder)
    (loudest,) = (folder / "captures").glob("short-99*")
    samples, rate_hz = soundfile.read(loudest, always_2d=True)
    samples[:, 0] *= 10.0 ** (LOUDER_DB / 20.0)
    soundfile.write(loudest, samples, rate_hz, subtype="PCM_24")
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 0, result.output
    return folder, result.output


def test_words_stay_and_their_quotes_follow(run_today):
    folder, said = run_today
    assert "Kept as you wrote them: turned-up." in said
    notebook = read_notebook(folder / "report.ipynb")
    (mine,) = (cell.source for cell in notebook.cells if slot(cell) == "turned-up")
    assert mine == (
        "## Turned up\n\nThe bass gives way first. At 99 dB it is "
        "[1.1 dB](#fact-short.bass.99.shortfall) short, to my ears\n"
        "[about 1 dB](#fact-short.bass.99.shortfall), and the neighbours' windows hold."
    )
    assert "turned-up: 1.4 dB → 1.1 dB (bass at 99 dB)" in said


def test_what_nobody_moved_stands_where_a_report_has_it_today(run_today):
    folder, said = run_today
    stand = [cell_name(cell) for cell in read_notebook(folder / "report.ipynb").cells]
    template = [
        cell_name(cell) for cell in read_notebook(notebooks_folder() / REPORT.template).cells
    ]
    ours = [name for name in stand if name in template]
    assert ours == [name for name in template if name in ours]
    assert {"calculator", "numbers", "how-sure", "limit-table"} <= set(ours)
    # a cell of the reviewer's own still stands behind the figure that it was put behind
    assert stand[stand.index("turned-up-figure") + 1] == ""
    assert "asked-and-given" not in stand
    assert "Left out" not in said


def test_a_caption_stays(run_today):
    folder, _ = run_today
    pictures = [
        output.data[PICTURE_MIME]
        for cell in read_notebook(folder / "report.ipynb").cells
        for output in cell.get("outputs", ())
        if PICTURE_MIME in output.get("data", {})
    ]
    (caption,) = (one["caption"] for one in pictures if one["name"] == "turned-up")
    assert caption == "The bass gives way first, as I heard it in the boat hall."


def test_code_of_the_reviewers_own_runs_by_the_names_of_then(run_today):
    folder, said = run_today
    assert "stopped" not in said
    (printed,) = (
        "".join(output.get("text", "") for output in cell.outputs)
        for cell in read_notebook(folder / "report.ipynb").cells
        if cell.cell_type == "code" and "from reportlib.facts import collect" in cell.source
    )
    assert printed.startswith("bass −1.1 dB\n")


def test_what_was_published_then_is_what_has_changed_since(run_today):
    folder, _ = run_today
    drafts = {slot(cell): cell.source for cell in read_notebook(folder / "report.ipynb").cells}
    assert "published on 29 November 2026" in drafts["what-changed"]
    assert "At 99 dB the bass fell short, or gave out; now it falls" in drafts["what-changed"]


def test_what_was_remembered_stands_in_one_file(run_today):
    folder, _ = run_today
    left = {path.name for path in (folder / ".upheld").glob("*.json")}
    assert left == {"memory.json"}
    kept = memory.read(folder)
    assert len(kept.published) == 1
    assert set(kept.why_kept.values()) == {"as it was before a run", "as a run left it"}


def test_a_fact_is_named_as_it_was(reported):
    then = json.loads((MADE_BEFORE / "upheld/results/facts.json").read_text("utf-8"))
    now = json.loads((reported / ".upheld/results/facts.json").read_text("utf-8"))
    assert set(then) - set(now) == set()
