"""A cell whose grades changed under its words is marked, and the mark is settled by reading."""

import loop
import pytest

from reportlib import notebook
from reportlib.cells import cell_name, slot
from reportlib.errors import ReportError


def edit(folder, name, words):
    made = loop.saved(folder)
    for cell in made.cells:
        if slot(cell) == name:
            cell.source = words
    loop.save(folder, made)


def notes(folder):
    return [cell_name(cell) for cell in loop.saved(folder).cells if cell_name(cell)[:6] == "fresh-"]


@pytest.fixture
def marked(tmp_path):
    """Words written when the mids held; now they slip."""
    loop.run(tmp_path, 1)
    edit(tmp_path, "turned-up", "## Turned up\n\nThe mids keep up all the way.")
    assert loop.run(tmp_path, 2).read_again == {}
    done = loop.run(tmp_path, 3)
    assert done.read_again == {"turned-up": ("mids at 94 dB: “holds” then, “slips” now",)}
    return tmp_path


def test_a_marked_cell_keeps_its_words_and_has_the_fresh_draft_behind_it(marked):
    cells = loop.saved(marked).cells
    index = next(i for i, cell in enumerate(cells) if slot(cell) == "turned-up")
    assert cells[index].source == "## Turned up\n\nThe mids keep up all the way."
    assert cell_name(cells[index + 1]) == "fresh-turned-up"
    assert "notebook-only" in cells[index + 1].metadata.tags
    assert loop.drafts(3)["turned-up"] in cells[index + 1].source
    assert "“slips” now" in cells[index + 1].source


def test_it_stays_marked_until_somebody_reads_it_and_is_not_published(marked):
    assert list(loop.run(marked, 4).read_again) == ["turned-up"]
    assert notes(marked) == ["fresh-turned-up"]
    with pytest.raises(ReportError, match=r"read again what you wrote in turned-up \(mids at 94"):
        notebook.require_read(marked, as_it_is=False)
    notebook.require_read(marked, as_it_is=True)


def test_editing_the_words_settles_it(marked):
    edit(marked, "turned-up", "## Turned up\n\nThe mids give a little.")
    notebook.require_read(marked, as_it_is=False)
    assert loop.run(marked, 4).read_again == {}
    assert notes(marked) == []
    assert list(loop.run(marked, 6).read_again) == ["turned-up"]  # and a later change marks anew


def test_deleting_the_note_settles_it(marked):
    made = loop.saved(marked)
    made.cells = [cell for cell in made.cells if cell_name(cell) != "fresh-turned-up"]
    loop.save(marked, made)
    notebook.require_read(marked, as_it_is=False)
    done = loop.run(marked, 4)
    assert done.read_again == {}
    assert "The mids keep up all the way." in loop.saved(marked).cells[3].source


def test_grades_that_come_back_take_the_mark_away(marked):
    assert loop.run(marked, 10).read_again == {}
    assert notes(marked) == []


def test_words_in_the_note_are_kept(marked):
    made = loop.saved(marked)
    for cell in made.cells:
        if cell_name(cell) == "fresh-turned-up":
            cell.source += "\n\nA thought of mine."
    loop.save(marked, made)
    loop.run(marked, 4)
    assert "A thought of mine." in "\n".join(cell.source for cell in loop.saved(marked).cells)


def test_a_cell_that_nobody_edited_is_never_marked(marked):
    assert "in-short" not in loop.run(marked, 6).read_again
