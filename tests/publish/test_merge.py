"""What a reviewer wrote survives a re-run: edited, added, moved, split, merged, deleted cells.

What JupyterLab does to ids and metadata on copy, split, merge and move was seen by driving it.
"""

import copy

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from reportlib.publish import kinds, merge

DRAFTS = {"in-short": "## In short\n\nIt holds.", "care": "## Care\n\nMind your ears."}
NEW = {"in-short": "## In short\n\nIt slips.", "care": "## Care\n\nMind your ears."}


def template(drafts, *, code="x = 1"):
    notebook = new_notebook(
        cells=[
            new_code_cell(code, metadata={"upheld": {"cell": "read", "needed": True}}),
            *(
                new_markdown_cell(text, metadata={"upheld": {"cell": slot, "slot": slot}})
                for slot, text in drafts.items()
            ),
            new_code_cell("show()", metadata={"upheld": {"cell": "figure"}}),
            new_code_cell("keep()", metadata={"upheld": {"cell": "keep", "needed": True}}),
        ]
    )
    for cell in notebook.cells:
        cell["id"] = cell.metadata.upheld.cell
    return notebook


def written(drafts=DRAFTS, **changes):
    """A notebook as a run leaves it."""
    notebook = template(drafts, **changes)
    merge.sign_cells(notebook, drafts=drafts, template=notebook)
    return notebook


NAMES = merge.names_of(written())


def rerun(mine, *, memory=True, trusted=True, fresh=None):
    before = copy.deepcopy(mine)
    fresh = template(dict.fromkeys(NEW, "")) if fresh is None else fresh
    last = kinds.Last(drafts=DRAFTS, cells=NAMES) if memory else kinds.Last()
    merged = merge.merge(fresh, mine, last=last, trusted=trusted)
    assert mine == before  # the reviewer's notebook is only read
    merge.fill(merged.notebook, NEW, kept=merged.kept)
    merge.sign_cells(merged.notebook, drafts=NEW, template=fresh)
    nbformat.validate(merged.notebook)
    return merged.notebook, merged


def texts(notebook):
    return [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]


def test_a_cell_that_nobody_touched_gets_the_new_draft():
    fresh, merged = rerun(written())
    assert texts(fresh) == list(NEW.values())
    assert merged.kept == ()


@pytest.mark.parametrize("memory", [True, False])
@pytest.mark.parametrize("change", ["\r\n", "  \n", "\n"])
def test_line_ends_and_trailing_space_are_no_edit(change, memory):
    mine = written()
    mine.cells[1].source = mine.cells[1].source.replace("\n", change) + change
    fresh, merged = rerun(mine, memory=memory)
    assert merged.kept == ()
    assert texts(fresh)[0] == NEW["in-short"]


def in_another_order(*names):
    """The template of a version that has other parts, in another order."""
    made = template(dict.fromkeys(names, "## A part\n\n*Drafted.*"))
    made.metadata["upheld"] = {"order_before": "read in-short care figure gone keep"}
    return made


def order_of(notebook):
    return [merge.cell_name(cell) or cell.source for cell in notebook.cells]


@pytest.mark.parametrize("sorted_names", [True, False])
def test_cells_that_nobody_moved_follow_a_new_order_and_take_along_what_is_behind(sorted_names):
    mine = written()
    if sorted_names:  # as the first versions wrote them
        mine.metadata["upheld"]["cells"] = sorted(mine.metadata["upheld"]["cells"])
    mine.cells.insert(2, new_markdown_cell("Of my own, behind the first part."))
    fresh, _ = rerun(mine, fresh=in_another_order("care", "in-short"))
    assert order_of(fresh) == [
        "read", "care", "in-short", "Of my own, behind the first part.", "figure", "keep",
    ]  # fmt: skip
    again, _ = rerun(fresh, fresh=in_another_order("care", "in-short"))
    assert order_of(again) == order_of(fresh)


def test_a_cell_that_somebody_moved_stays_behind_what_it_stands_behind():
    mine = written()
    mine.cells.insert(1, mine.cells.pop(3))  # the figure, before the first part
    fresh, _ = rerun(mine, fresh=in_another_order("care", "in-short"))
    assert order_of(fresh) == ["read", "figure", "care", "in-short", "keep"]


def test_an_edited_cell_of_a_part_that_is_no_more_stays_and_is_named():
    mine = written()
    about = {"upheld": {"cell": "gone", "written": merge.text_digest("figures.gone(report)")}}
    for source in ("figures.gone(report)", "figures.gone(report).captioned('Mine.')"):
        cell = new_code_cell(source, metadata=copy.deepcopy(about), id="gone")
        mine.cells[3:] = [mine.cells[3], cell, mine.cells[-1]]
        fresh, merged = rerun(mine)
        edited = source.endswith("'Mine.')")
        assert merged.outlived == ("gone",) * edited
        assert (source in [one.source for one in fresh.cells]) == edited


@pytest.mark.parametrize("memory", [True, False])
def test_an_edited_cell_is_kept_word_for_word(memory):
    mine = written()
    mine.cells[1].source = "## In short\n\nMy own words, with [a fact](#fact-x).  \n"
    fresh, merged = rerun(mine, memory=memory)
    assert texts(fresh) == [mine.cells[1].source, NEW["care"]]
    assert merged.kept == ("in-short",)


def test_where_memory_and_metadata_are_lost_every_cell_counts_as_edited():
    mine = template(DRAFTS)
    fresh, merged = rerun(mine, memory=False)
    assert texts(fresh) == texts(mine)
    assert set(merged.kept) == set(DRAFTS)


def test_an_older_notebook_saved_over_a_newer_one_is_told_from_an_edit():
    """JupyterLab with unsaved changes: its cells hold the drafts before the last."""
    mine = written({"in-short": "## In short\n\nThe draft before.", "care": DRAFTS["care"]})
    mine.cells[2].source = "## Care\n\nMine."
    fresh, merged = rerun(mine)
    assert texts(fresh) == [NEW["in-short"], "## Care\n\nMine."]
    assert merged.kept == ("care",)


def test_an_attachment_makes_a_cell_the_reviewers():
    mine = written()
    mine.cells[1]["attachments"] = {"a.png": {"image/png": "aGk="}}
    fresh, merged = rerun(mine)
    assert merged.kept == ("in-short",)
    assert fresh.cells[1]["attachments"] == mine.cells[1]["attachments"]


def test_added_cells_stay_where_they_were_put():
    mine = written()
    mine.cells.insert(0, new_markdown_cell("first of all"))
    mine.cells.insert(3, new_markdown_cell("after the opening"))
    mine.cells.append(new_code_cell("my_own = 1"))
    fresh, merged = rerun(mine)
    assert [cell.source for cell in fresh.cells] == [
        "first of all", "x = 1", NEW["in-short"], "after the opening", NEW["care"], "show()",
        "keep()", "my_own = 1",
    ]  # fmt: skip
    assert [one for one in fresh.cells if one["id"] in merged.own_code] == [fresh.cells[-1]]


def test_moved_cells_stay_moved():
    mine = written()
    mine.cells[1:4] = [mine.cells[3], mine.cells[2], mine.cells[1]]
    mine.cells[3].source = "## In short\n\nMine."
    fresh, _ = rerun(mine)
    assert [merge.cell_name(cell) for cell in fresh.cells] == [
        "read", "figure", "care", "in-short", "keep",
    ]  # fmt: skip
    assert texts(fresh) == [NEW["care"], "## In short\n\nMine."]


def test_what_everything_builds_on_runs_first_wherever_it_was_moved_to():
    mine = written()
    mine.cells = [*mine.cells[1:], mine.cells[0]]
    fresh, _ = rerun(mine)
    assert [merge.cell_name(cell) for cell in fresh.cells] == [
        "in-short", "care", "read", "figure", "keep",
    ]  # fmt: skip


def test_deleted_cells_stay_deleted_and_are_said():
    mine = written()
    del mine.cells[3], mine.cells[1]
    fresh, merged = rerun(mine)
    assert [merge.cell_name(cell) for cell in fresh.cells] == ["read", "care", "keep"]
    assert merged.deleted == ("in-short", "figure")
    again, _ = rerun(fresh)  # and stay so
    assert [merge.cell_name(cell) for cell in again.cells] == ["read", "care", "keep"]


def test_what_the_report_cannot_do_without_comes_back():
    mine = written()
    del mine.cells[0]
    fresh, _ = rerun(mine)
    assert merge.cell_name(fresh.cells[0]) == "read"


def test_a_cell_that_is_new_in_the_template_takes_its_place():
    fresh = template(dict.fromkeys(NEW, ""))
    fresh.cells.insert(2, new_code_cell("more()", metadata={"upheld": {"cell": "more"}}))
    mine = written()
    mine.cells.insert(2, new_markdown_cell("mine"))
    result, _ = rerun(mine, fresh=fresh)
    assert [cell.source for cell in result.cells[1:5]] == [
        NEW["in-short"], "more()", "mine", NEW["care"],
    ]  # fmt: skip


def test_a_cell_that_left_the_template_goes_unless_somebody_wrote_in_it():
    fresh = template({"care": ""})
    mine = written()
    result, _ = rerun(mine, fresh=fresh)
    assert texts(result) == [NEW["care"]]
    mine.cells[1].source = "My opening."
    result, _ = rerun(mine, fresh=fresh)
    assert texts(result) == ["My opening.", NEW["care"]]


def test_a_split_cell_keeps_both_halves():
    # JupyterLab: both halves carry the metadata, the old id goes to the last part
    mine = written()
    first = copy.deepcopy(mine.cells[1])
    first["id"], first.source = "new-one", "## In short"
    mine.cells[1].source = "It holds."
    mine.cells.insert(1, first)
    fresh, merged = rerun(mine)
    assert texts(fresh)[:2] == ["## In short", "It holds."]
    assert merged.kept == ("in-short",)


def test_a_merged_cell_keeps_all_words_and_is_not_called_deleted():
    # JupyterLab: merging leaves the last cell's metadata and a new id
    mine = written()
    mine.cells[2].source = mine.cells[1].source + "\n\nMore.\n\n" + mine.cells[2].source
    mine.cells[2]["id"] = "merged"
    del mine.cells[1]
    last = kinds.Last(drafts={**DRAFTS, "in-short": DRAFTS["in-short"] * 3}, cells=NAMES)
    mine.cells[1].source = last.drafts["in-short"] + "\n\n" + mine.cells[1].source
    merged = merge.merge(template(NEW), mine, last=last, trusted=True)
    assert texts(merged.notebook) == [mine.cells[1].source]
    assert merged.kept == ("care",)
    assert (merged.joined, merged.deleted) == (("in-short",), ())


def test_a_copied_cell_keeps_both():
    mine = written()
    twin = copy.deepcopy(mine.cells[1])
    twin["id"] = "twin"
    mine.cells.append(twin)
    fresh, _ = rerun(mine)
    assert texts(fresh).count(DRAFTS["in-short"]) == 2


@pytest.mark.parametrize("kind", ["raw", "code"])
def test_words_in_a_cell_of_another_type_are_kept(kind):
    mine = written()
    mine.cells[1].cell_type = kind
    mine.cells[1].source = "some words"
    if kind == "code":
        mine.cells[1] |= {"outputs": [], "execution_count": None}
    fresh, merged = rerun(mine)
    assert [cell.source for cell in fresh.cells if cell.cell_type == kind].count("some words") == 1
    assert len(merged.own_code) == (kind == "code")


def test_code_that_the_reviewer_changed_runs_if_it_is_theirs_and_else_stands_beside():
    mine = written()
    mine.cells[3].source = "show(size=2)"
    fresh, merged = rerun(mine)
    assert [cell.source for cell in fresh.cells if cell.cell_type == "code"] == [
        "x = 1", "show(size=2)", "keep()",
    ]  # fmt: skip
    assert merged.not_run == ()
    fresh, merged = rerun(mine, trusted=False)
    assert [cell.source for cell in fresh.cells if cell.cell_type == "code"] == [
        "x = 1", "show()", "show(size=2)", "keep()",
    ]  # fmt: skip
    (stranger,) = [cell for cell in fresh.cells if cell["id"] in merged.not_run]
    assert stranger.source == "show(size=2)"


def test_code_that_changed_in_the_template_replaces_what_nobody_touched():
    fresh, merged = rerun(written(), fresh=template(dict.fromkeys(NEW, ""), code="x = 2"))
    assert fresh.cells[0].source == "x = 2"
    assert merged.own_code == ()


def test_a_copy_of_the_tools_own_code_may_run_whoever_made_it():
    mine = written()
    twin = copy.deepcopy(mine.cells[3])
    twin["id"] = "twin"
    mine.cells.append(twin)
    _, merged = rerun(mine, trusted=False)
    assert merged.not_run == ()
