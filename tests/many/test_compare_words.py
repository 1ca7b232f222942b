"""The reviewer's words in a comparison: kept, left out, marked, by the way that a report's are."""

import loop
import pytest
from compared_notebook import three_days

from reportlib.errors import NotebookError
from reportlib.many.comparison import compare
from reportlib.many.facts import judged as comparison_judged
from reportlib.publish import history, ready
from reportlib.publish.kinds import COMPARISON, REPORT, kind_of
from reportlib.publish.merge import cell_name, slot
from reportlib.write.quotes import place_of


def judged(number):
    """Standings of the number-th run: they change at the third."""
    places = "Trivet 6, Marram 12" if number >= 3 else "Marram 12, Trivet 6"
    return {"standing.output.mids.96": places}


def run(folder, number):
    return loop.run(folder, number, kind=COMPARISON, judged=judged)


def texts(folder):
    cells = loop.saved(folder, kind=COMPARISON).cells
    return {cell_name(cell): cell.source for cell in cells}


def edit(folder, name, *, words):
    made = loop.saved(folder, kind=COMPARISON)
    next(cell for cell in made.cells if slot(cell) == name).source += f"\n\n{words}"
    loop.save(folder, made, kind=COMPARISON)


def delete(folder, name):
    made = loop.saved(folder, kind=COMPARISON)
    made.cells = [cell for cell in made.cells if cell_name(cell) != name]
    loop.save(folder, made, kind=COMPARISON)


def test_an_edited_cell_is_kept_the_others_get_the_new_draft(tmp_path):
    run(tmp_path, 1)
    edit(tmp_path, "in-short", words="Mine.")
    assert run(tmp_path, 2).kept_slots == ("in-short",)
    assert texts(tmp_path)["in-short"].endswith("Mine.")
    assert texts(tmp_path)["care"] == loop.drafts(2)["care"]
    assert kind_of(tmp_path) is COMPARISON
    assert not (tmp_path / REPORT.notebook).exists()


def test_a_deleted_cell_stays_deleted_what_all_needs_comes_back(tmp_path):
    run(tmp_path, 1)
    delete(tmp_path, "care")
    delete(tmp_path, "read")
    assert run(tmp_path, 2).deleted_cells == ("care",)
    assert "care" not in texts(tmp_path)
    assert "read" in texts(tmp_path)


def test_words_are_to_be_read_again_when_a_standing_changed(tmp_path):
    run(tmp_path, 1)
    edit(tmp_path, "in-short", words="Mine.")
    edit(tmp_path, "care", words="Mine too.")
    assert run(tmp_path, 2).read_again == {}
    done = run(tmp_path, 3)
    assert list(done.read_again) == ["in-short"]  # ears are no matter of standings
    (why,) = done.read_again["in-short"]
    assert "Marram 12, Trivet 6" in why
    assert "Trivet 6, Marram 12" in why
    with pytest.raises(NotebookError, match=r"comparison\.ipynb: read again"):
        ready.require_ready(tmp_path, kind=COMPARISON, as_it_is=False)
    ready.require_ready(tmp_path, kind=COMPARISON, as_it_is=True)


def test_a_damaged_notebook_is_set_aside_and_the_last_kept_one_goes_on(tmp_path):
    run(tmp_path, 1)
    edit(tmp_path, "in-short", words="Mine.")
    run(tmp_path, 2)
    (tmp_path / COMPARISON.notebook).write_text("{ half", encoding="utf-8")
    done = run(tmp_path, 2)
    assert done.aside == tmp_path / "comparison.damaged-1.ipynb"
    assert texts(tmp_path)["in-short"].endswith("Mine.")
    assert len(history.versions(tmp_path)) >= 3


def test_what_is_judged_does_not_hang_on_the_order_that_sessions_are_named_in():
    reports = three_days()
    numbered = [f"folder-{index}" for index in range(3)]
    said = comparison_judged(compare(reports, names=numbered))
    again = comparison_judged(compare(reports[::-1], names=numbered[::-1]))
    assert said == again
    assert any(key.startswith("standing.output.") for key in said)
    assert any(key.startswith("hindrance.baseline.") for key in said)
    assert {key.split(".")[0] for key in said} == {"standing", "hindrance", "need"}


def test_what_is_judged_is_said_by_place_and_named_in_words():
    said = comparison_judged(compare(three_days(), names=["a", "b", "c"]))
    key = next(key for key in said if key.startswith("standing.output.bass."))
    assert said[key].endswith(" dB")
    assert said[key].startswith("Marram 12 in places 1 to 2; ")  # it loses half as much
    assert "Trivet 6 in places 2 to 3" in said[key]
    assert place_of(key) == "standing in the bass at equal output"
    assert place_of("hindrance.sweep-length.a-b") == "what can't be compared (sweep length)"
    assert place_of("need.trivet-6.loud music, your seat") == "loud music, your seat, with trivet-6"
