"""A notebook that lost its metadata on the way: every section stands once, no word is lost."""

import copy
import json
import shutil

import loop
import nbformat
import pytest
from commands import run
from nbformat.v4 import new_code_cell, new_markdown_cell

from reportlib.errors import NotebookError
from reportlib.publish import notebook, ready
from reportlib.publish.kinds import REPORT, Last
from reportlib.publish.merge import cell_name
from reportlib.publish.recognised import named

ORDER = [cell_name(cell) for cell in loop.template().cells]


def strip(folder, *, ids=True):
    """Filter all metadata, as a round trip through a text format does."""
    path = folder / REPORT.notebook
    made = json.loads(path.read_text("utf-8"))
    made["metadata"] = {}
    for number, cell in enumerate(made["cells"]):
        cell["metadata"] = {}
        if ids:
            cell["id"] = f"{number:08x}"
    path.write_text(json.dumps(made), encoding="utf-8")


def edit(folder, name, text):
    made = loop.saved(folder)
    next(cell for cell in made.cells if cell_name(cell) == name).source = text
    loop.save(folder, made)


def sources(folder):
    return [cell.source for cell in loop.saved(folder).cells]


def names(folder):
    return [cell_name(cell) for cell in loop.saved(folder).cells]


def test_every_section_stands_once_whenever_metadata_is_stripped(tmp_path):
    loop.run(tmp_path, 1, judged=lambda _: {})
    edit(tmp_path, "turned-up", "## turned-up\n\nMine.")
    edit(tmp_path, "care-figure", 'figures.care(report).captioned("Mine too.")')
    for number in (2, 3, 4):
        strip(tmp_path)
        done = loop.run(tmp_path, number, judged=lambda _: {})
        assert (done.kept_slots, done.deleted_cells, done.joined_slots) == (("turned-up",), (), ())
        assert names(tmp_path) == ORDER
        texts = dict(zip(ORDER, sources(tmp_path), strict=True))
        assert texts["in-short"] == loop.drafts(number)["in-short"]
        assert texts["turned-up"] == "## turned-up\n\nMine."
        assert texts["care-figure"] == 'figures.care(report).captioned("Mine too.")'
    assert loop.saved(tmp_path).cells[-1].metadata["tags"] == ["notebook-only"]


def test_a_section_stands_once_where_the_memory_is_lost_too(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    at = ORDER.index("turned-up")
    made.cells[at].source = made.cells[1].source + "\n\n" + made.cells[at].source  # merged
    del made.cells[1]
    loop.save(tmp_path, made)
    edit(tmp_path, "care-figure", "figures.care(report)  # mine")
    before = sources(tmp_path)
    for number in (2, 3):
        strip(tmp_path)
        (tmp_path / ".upheld/memory.json").unlink()
        done = loop.run(tmp_path, number)
        assert done.deleted_cells == ()
        assert sorted(sources(tmp_path)) == sorted(before)


def test_a_deleted_cell_stays_away_where_metadata_is_stripped(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    made.cells = [cell for cell in made.cells if cell_name(cell) not in ("care", "care-figure")]
    loop.save(tmp_path, made)
    for number in (2, 3):
        strip(tmp_path)
        assert loop.run(tmp_path, number).deleted_cells == ("care", "care-figure")
    assert names(tmp_path) == [name for name in ORDER if name not in ("care", "care-figure")]


def test_words_under_another_heading_are_known_by_a_paragraph_of_the_draft(tmp_path):
    loop.run(tmp_path, 1)
    text = loop.drafts(1)["in-short"].replace("## in-short", "## The short of it")
    edit(tmp_path, "in-short", text)
    strip(tmp_path)
    done = loop.run(tmp_path, 2)
    assert (done.kept_slots, done.joined_slots) == (("in-short",), ())
    assert sources(tmp_path)[1] == text


def test_a_mark_outlives_it_and_publishing_waits(tmp_path):
    loop.run(tmp_path, 1)
    edit(tmp_path, "turned-up", "## turned-up\n\nThe mids keep up all the way.")
    loop.run(tmp_path, 2)
    assert list(loop.run(tmp_path, 3).read_again) == ["turned-up"]
    marked = sources(tmp_path)
    strip(tmp_path)
    with pytest.raises(NotebookError, match="read again what you wrote in turned-up"):
        ready.require_ready(tmp_path, as_it_is=False)
    assert list(loop.run(tmp_path, 3).read_again) == ["turned-up"]
    assert sources(tmp_path) == marked
    made = loop.saved(tmp_path)
    note = next(cell for cell in made.cells if cell_name(cell) == "fresh-turned-up")
    note.source += "\n\nA thought of mine."
    loop.save(tmp_path, made)
    strip(tmp_path)
    loop.run(tmp_path, 4)
    (kept,) = [cell for cell in loop.saved(tmp_path).cells if "A thought" in cell.source]
    assert kept.metadata["tags"] == ["notebook-only"]  # and is never published


def test_a_cell_of_the_reviewers_own_is_not_taken_for_the_tools(tmp_path):
    loop.run(tmp_path, 1)
    made = loop.saved(tmp_path)
    own = [
        new_markdown_cell("## turned-up\n\nWhat I think of it."),
        new_code_cell("figures.care(report)  # again"),
        new_code_cell("x = [1,"),
        new_markdown_cell("It is 1 dB short, says the tool."),
    ]
    made.cells += own
    loop.save(tmp_path, made)
    for number in (2, 3):
        loop.run(tmp_path, number)
        assert names(tmp_path) == [*ORDER, "", "", "", ""]
        assert sources(tmp_path)[-4:] == [cell.source for cell in own]


def test_parameters_that_a_run_put_in_are_known_without_their_tag():
    template = loop.template()
    declared = new_code_cell('a: int = 1\nb: "list[str]" = []', metadata={"tags": ["parameters"]})
    declared.metadata["upheld"] = {"cell": "parameters"}
    template.cells.insert(0, declared)
    put_in = new_code_cell('a = 2\nb = ["x"]')
    own = [
        new_code_cell("a = 3"),
        new_code_cell("a = 2\nb = f()"),
        new_code_cell("a = 2\nb = 1 #!"),
    ]
    mine = copy.deepcopy(template)
    mine.cells[1:1] = [*own, put_in]
    back = named(mine, template=template, last=Last())
    assert [cell.metadata.get("tags") for cell in back.cells[1:5]] == [
        None, None, None, ["injected-parameters"],
    ]  # fmt: skip


def test_what_is_published_from_a_stripped_notebook_is_the_same(reported, tmp_path):
    session = shutil.copytree(reported, tmp_path / "trivet-6")
    before = (session / "out/report.html").read_bytes()
    kept = nbformat.read(session / "report.ipynb", as_version=4)
    strip(session)
    (session / "out/report.html").unlink()
    run("publish", session)
    assert (session / "out/report.html").read_bytes() == before
    back = notebook.read_saved(session / "report.ipynb").notebook
    assert [cell_name(cell) for cell in back.cells] == [cell_name(cell) for cell in kept.cells]
