"""A cell that the reviewer deleted stays away, run after run, until it is asked for."""

import loop
import pytest

from reportlib.errors import NotebookError
from reportlib.publish import history
from reportlib.publish.kinds import COMPARISON, REPORT
from reportlib.publish.merge import cell_name

GONE = ("turned-up", "care-figure", "about")


def delete(folder, *names, kind=REPORT):
    made = loop.saved(folder, kind=kind)
    made.cells = [cell for cell in made.cells if cell_name(cell) not in names]
    loop.save(folder, made, kind=kind)


def standing(folder, *, kind=REPORT):
    return [cell_name(cell) for cell in loop.saved(folder, kind=kind).cells]


@pytest.mark.parametrize("kind", [REPORT, COMPARISON])
def test_narrative_figure_and_introduction_stay_away_and_each_run_says_so(tmp_path, kind):
    loop.run(tmp_path, 1, kind=kind)
    delete(tmp_path, *GONE, kind=kind)
    for number in (2, 3, 4):
        done = loop.run(tmp_path, number, kind=kind)
        assert done.deleted_cells == GONE
        assert not set(GONE) & set(standing(tmp_path, kind=kind))
    (line,) = done.lines()
    assert line.startswith("Left out, since you deleted them: turned-up, care-figure, about. ")
    assert line.endswith(f"{kind.command(tmp_path)} --bring-back turned-up")


def test_a_cell_that_shows_nothing_is_left_out_and_comes_back_when_it_has_something(
    tmp_path, monkeypatch
):
    shows = loop._executed

    def silent(merged, **more):
        for cell in shows(merged, **more).cells:
            if cell_name(cell) == "care-figure":
                cell.outputs = []
        return merged

    order = ["read", "in-short", "in-short-figure", "turned-up", "turned-up-figure", "care",
             "care-figure", "about"]  # fmt: skip
    with monkeypatch.context() as patch:
        patch.setattr(loop, "_executed", silent)
        for number in (1, 2):
            assert loop.run(tmp_path, number).deleted_cells == ()
            assert standing(tmp_path) == [name for name in order if name != "care-figure"]
    assert loop.run(tmp_path, 3).deleted_cells == ()
    assert standing(tmp_path) == order


@pytest.mark.parametrize("lost", ["memory", "metadata"])
def test_they_stay_away_where_memory_or_metadata_is_lost(tmp_path, lost):
    loop.run(tmp_path, 1)
    delete(tmp_path, *GONE)
    for number in (2, 3):
        loop.run(tmp_path, number)
        if lost == "memory":
            (tmp_path / ".upheld/memory.json").unlink()
        else:
            made = loop.saved(tmp_path)
            made.metadata.clear()
            loop.save(tmp_path, made)
    assert loop.run(tmp_path, 4).deleted_cells == GONE


def test_what_is_asked_for_again_comes_back_in_its_place_with_the_new_draft(tmp_path):
    loop.run(tmp_path, 1)
    order = standing(tmp_path)
    delete(tmp_path, *GONE)
    loop.run(tmp_path, 2)
    done = loop.run(tmp_path, 3, bring_back=("turned-up", "about"))
    assert done.deleted_cells == ("care-figure",)
    assert standing(tmp_path) == [name for name in order if name != "care-figure"]
    assert loop.drafts(3)["turned-up"] in [cell.source for cell in loop.saved(tmp_path).cells]
    assert loop.run(tmp_path, 4).deleted_cells == ("care-figure",)


@pytest.mark.parametrize("name", ["care", "nothing\x1b[2J"])
def test_what_was_not_deleted_can_not_be_brought_back(tmp_path, name):
    loop.run(tmp_path, 1)
    delete(tmp_path, *GONE)
    before = (tmp_path / REPORT.notebook).read_bytes()
    with pytest.raises(NotebookError, match="Deleted: about, care-figure, turned-up") as stopped:
        loop.run(tmp_path, 2, bring_back=("about", name))
    assert str(stopped.value).isprintable()
    assert (tmp_path / REPORT.notebook).read_bytes() == before


def test_a_version_that_is_put_back_brings_its_cells_back_and_no_others(tmp_path):
    loop.run(tmp_path, 1)
    delete(tmp_path, "about")
    loop.run(tmp_path, 2)
    before = history.versions(tmp_path)[-1].number
    delete(tmp_path, "turned-up", "care-figure")
    loop.run(tmp_path, 3)
    loop.run(tmp_path, 4)
    history.restore(tmp_path, number=before, notebook=tmp_path / REPORT.notebook)
    for number in (5, 6):
        assert loop.run(tmp_path, number).deleted_cells == ("about",)
        assert {"turned-up", "care-figure"} <= set(standing(tmp_path))


def test_a_merged_cell_is_called_merged_run_after_run(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    at = [cell_name(cell) for cell in made.cells].index("care")
    made.cells[at].source = made.cells[1].source + "\n\n" + made.cells[at].source
    del made.cells[1]
    loop.save(tmp_path, made)
    for number in (2, 3, 4):
        done = loop.run(tmp_path, number)
        assert (done.joined_slots, done.deleted_cells) == (("in-short",), ())
