"""What a reviewer wrote survives a re-run: edited, added, deleted, split and merged cells."""

import copy

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from reportlib import cells

DRAFTS = {"in-short": "## In short\n\nIt holds.", "care": "## Care\n\nMind your ears."}
NEW = {"in-short": "## In short\n\nIt slips.", "care": "## Care\n\nMind your ears."}


def template(drafts):
    notebook = new_notebook(
        cells=[
            new_code_cell("x = 1", metadata={"upheld": {"cell": "read"}}),
            *(
                new_markdown_cell(text, metadata={"upheld": {"cell": slot, "slot": slot}})
                for slot, text in drafts.items()
            ),
            new_code_cell("keep()", metadata={"upheld": {"cell": "keep"}}),
        ]
    )
    for cell in notebook.cells:
        cell["id"] = cell.metadata.upheld.cell
    return notebook


def rerun(mine, *, last=DRAFTS):
    before = copy.deepcopy(mine)
    fresh = template(NEW)
    kept = cells.carry_on(fresh, mine, last_drafts=last)
    nbformat.validate(fresh)
    assert mine == before  # the reviewer's notebook is only read
    return fresh, kept


def texts(notebook):
    return [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]


def test_a_cell_that_nobody_touched_gets_the_new_draft():
    fresh, kept = rerun(template(DRAFTS))
    assert texts(fresh) == list(NEW.values())
    assert kept == ()


@pytest.mark.parametrize("change", ["\r\n", "  \n", "\n"])
def test_line_ends_and_trailing_space_are_no_edit(change):
    mine = template(DRAFTS)
    mine.cells[1].source = mine.cells[1].source.replace("\n", change) + change
    fresh, kept = rerun(mine)
    assert kept == ()
    assert texts(fresh)[0] == NEW["in-short"]


def test_an_edited_cell_is_kept_word_for_word():
    mine = template(DRAFTS)
    mine.cells[1].source = "## In short\n\nMy own words, with [a fact](#fact-x)."
    fresh, kept = rerun(mine)
    assert texts(fresh) == [mine.cells[1].source, NEW["care"]]
    assert kept == ("in-short",)


def test_without_the_tools_memory_every_cell_counts_as_edited():
    mine = template(DRAFTS)
    fresh, kept = rerun(mine, last=None)
    assert texts(fresh) == texts(mine)
    assert set(kept) == set(DRAFTS)


def test_an_attachment_makes_a_cell_the_reviewers():
    mine = template(DRAFTS)
    mine.cells[1]["attachments"] = {"a.png": {"image/png": "aGk="}}
    fresh, kept = rerun(mine)
    assert kept == ("in-short",)
    assert fresh.cells[1]["attachments"] == mine.cells[1]["attachments"]


def test_added_cells_stay_where_they_were_put():
    mine = template(DRAFTS)
    mine.cells.insert(0, new_markdown_cell("first of all"))
    mine.cells.insert(3, new_markdown_cell("after the opening"))
    mine.cells.append(new_code_cell("my_own = 1"))
    fresh, _ = rerun(mine)
    assert [cell.source for cell in fresh.cells] == [
        "first of all", "x = 1", NEW["in-short"], "after the opening", NEW["care"], "keep()",
        "my_own = 1",
    ]  # fmt: skip


def test_a_deleted_cell_stays_deleted():
    mine = template(DRAFTS)
    del mine.cells[1]
    fresh, _ = rerun(mine)
    assert texts(fresh) == [NEW["care"]]


def test_a_split_cell_keeps_both_halves():
    # JupyterLab: both halves carry the metadata, the old id goes to the last part
    mine = template(DRAFTS)
    first = copy.deepcopy(mine.cells[1])
    first["id"], first.source = "new-one", "## In short"
    mine.cells[1].source = "It holds, says the reviewer."
    mine.cells.insert(1, first)
    fresh, kept = rerun(mine)
    assert texts(fresh)[:2] == ["## In short", "It holds, says the reviewer."]
    assert kept == ("in-short",)


def test_a_merged_cell_keeps_all_words():
    # JupyterLab: merging leaves the last cell's metadata and a new id
    mine = template(DRAFTS)
    mine.cells[2].source = mine.cells[1].source + "\n\n" + mine.cells[2].source
    mine.cells[2]["id"] = "merged"
    del mine.cells[1]
    fresh, kept = rerun(mine)
    assert texts(fresh) == [mine.cells[1].source]
    assert kept == ("care",)


def test_a_copied_cell_keeps_both():
    mine = template(DRAFTS)
    twin = copy.deepcopy(mine.cells[1])
    twin["id"] = "twin"
    mine.cells.append(twin)
    fresh, _ = rerun(mine)
    assert texts(fresh).count(DRAFTS["in-short"]) == 2


def test_the_headline_is_the_first_paragraph_under_the_heading():
    text = "## In short\r\n\r\nIt holds\r\nwell.\r\n\r\nAnd more."
    assert cells.headline(text) == ("It holds well.", "## In short\n\nAnd more.")
    assert cells.headline("## Only a heading") == ("", "## Only a heading")
