import base64
import copy
import datetime

import pytest
from nbformat import v4
from sample_notebook import (
    make_picture,
    make_table,
    narrative_cell,
    notebook_of,
    sample_notebook,
    shown_cell,
    tiny_png,
)

from reportlib.errors import NotebookError
from reportlib.publish.outputs import page_html
from reportlib.publish.publication import Figure, read_publication
from reportlib.write.shown import PICTURE_MIME, TABLE_MIME, Table


def test_the_head_of_the_report_is_read():
    publication = read_publication(sample_notebook(title="Trivet\n 6", language="en-GB"))
    assert publication.title == "Trivet 6"
    assert publication.date == datetime.date(2026, 5, 4)
    assert publication.language == "en-GB"


def test_blocks_come_in_the_order_of_the_notebook():
    kinds = [type(block).__name__ for block in read_publication(sample_notebook()).blocks]
    assert kinds == ["Prose", "Figure", "Prose", "Figure", "Table", "Prose", "Table"]


@pytest.mark.parametrize("tag", ["notebook-only", "parameters", "injected-parameters"])
def test_cells_that_are_not_for_readers_stay_in_the_notebook(tag):
    hidden = v4.new_markdown_cell("hidden words", metadata={"tags": [tag]})
    publication = read_publication(
        notebook_of(hidden, shown_cell(make_picture(), make_table(), tags=(tag,)))
    )
    assert publication.blocks == ()


def test_streams_errors_and_foreign_outputs_are_not_shown():
    outputs = [
        v4.new_output("stream", name="stderr", text="warning"),
        v4.new_output("error", ename="E", evalue="v", traceback=["t"]),
        v4.new_output("display_data", data={"text/html": "<b>x</b>", "image/png": "AAAA"}),
        v4.new_output("execute_result", data={"text/plain": "1"}, execution_count=1),
    ]
    assert read_publication(notebook_of(v4.new_code_cell("x", outputs=outputs))).blocks == ()


def test_a_picture_that_a_cell_returns_is_shown_as_one_that_it_displays():
    output = v4.new_output(
        "execute_result", data=make_picture()._repr_mimebundle_(), execution_count=1
    )
    (block,) = read_publication(notebook_of(v4.new_code_cell("x", outputs=[output]))).blocks
    assert block.picture == make_picture()


def test_pictures_and_tables_come_back_as_they_were_made():
    figure, table = read_publication(notebook_of(shown_cell(make_picture(), make_table()))).blocks
    assert isinstance(figure, Figure)
    assert figure.picture == make_picture()
    assert table == make_table()


def test_only_readable_png_and_jpeg_attachments_count():
    good = base64.b64encode(tiny_png()).decode()
    cell = v4.new_markdown_cell("x")
    cell["attachments"] = {
        "good.png": {"image/png": good},
        "torn.png": {"image/png": base64.b64encode(tiny_png()[:40]).decode()},
        "lie.jpg": {"image/jpeg": good},
        "page.html": {"text/html": good},
        "draw.svg": {"image/svg+xml": good},
        "bad.png": {"image/png": "***"},
    }
    (block,) = read_publication(notebook_of(cell)).blocks
    assert block.attachments == {"good.png": ("image/png", tiny_png())}


def test_a_split_narrative_cell_keeps_one_anchor():
    publication = read_publication(
        notebook_of(narrative_cell("first", slot="why"), narrative_cell("second", slot="why"))
    )
    assert [block.slot for block in publication.blocks] == ["why", ""]


@pytest.mark.parametrize("slot", ["main", '"><b>', "a b", "", 7, None, "Ümlaut"])
def test_a_slot_that_cannot_be_an_anchor_is_none(slot):
    (block,) = read_publication(notebook_of(narrative_cell("words", slot=slot))).blocks
    assert block.slot == ""


def test_two_pictures_of_one_name_get_two_names():
    cell = shown_cell(make_picture("ladder"), make_picture("ladder"), make_table(), make_table())
    publication = read_publication(notebook_of(cell))
    assert publication.targets[:2] == ("figure-ladder", "figure-ladder-2")
    assert len(publication.targets) == len(set(publication.targets))


@pytest.mark.parametrize(
    ("name", "file"),
    [("../../etc/passwd", "etc-passwd"), ("A b/C", "a-b-c"), ("..", "unnamed"), ("\0<x>", "x")],
)
def test_the_name_of_a_picture_cannot_leave_its_folder(name, file):
    (block,) = read_publication(notebook_of(shown_cell(make_picture(name)))).blocks
    assert block.picture.name == file


def test_a_row_may_have_several_anchors():
    table = make_table(rows=(("a", "b", "c", "d"),), anchors=("fact-x fact-y",))
    publication = read_publication(notebook_of(shown_cell(table)))
    assert publication.targets == ("table-short-term", "fact-x", "fact-y")


def test_a_picture_without_alternative_text_lends_its_caption():
    (block,) = read_publication(notebook_of(shown_cell(make_picture(alt=" ")))).blocks
    assert block.picture.alt == block.picture.caption


def test_a_cell_of_blank_lines_is_not_shown():
    assert read_publication(notebook_of(v4.new_markdown_cell(" \n\n "))).blocks == ()


@pytest.mark.parametrize(
    ("about", "words"),
    [
        ({"format": 2}, "should say format 1, but says 2"),
        ({"title": " \n"}, "'title' is empty"),
        ({"title": None}, "'title' should be text, but is None"),
        ({"verdict": 5}, "'verdict' should be text, but is 5"),
        ({"date": "yesterday"}, "should read like 2026-05-04, but is 'yesterday'"),
    ],
)
def test_a_damaged_head_is_named(about, words):
    with pytest.raises(NotebookError, match=words):
        read_publication(notebook_of(**about))


def test_a_notebook_that_is_no_report_is_named():
    with pytest.raises(NotebookError, match="should say format 1, but says 'nothing'"):
        read_publication(v4.new_notebook())


@pytest.mark.parametrize(
    ("mime", "change"),
    [
        (PICTURE_MIME, {"caption": ...}),
        (PICTURE_MIME, {"width_px": "wide"}),
        (PICTURE_MIME, {"width_px": float("nan")}),
        (PICTURE_MIME, {"height_px": 0}),
        (PICTURE_MIME, {"height_px": -9}),
        (PICTURE_MIME, {"width_px": 5e-324}),
        (PICTURE_MIME, {"width_px": 1e300}),
        (PICTURE_MIME, {"width_px": 10**400}),
        (PICTURE_MIME, {"read_out": [[]]}),
        (TABLE_MIME, {"rows": ...}),
        (TABLE_MIME, {"rows": [["one cell"]], "anchors": [""]}),
        (TABLE_MIME, {"anchors": []}),
        (TABLE_MIME, {"columns": [], "numeric": [], "rows": [], "anchors": []}),
        (TABLE_MIME, {"rows": 7}),
    ],
)
def test_a_damaged_bundle_names_its_cell(mime, change):
    cell = shown_cell(make_picture() if mime == PICTURE_MIME else make_table())
    bundle = cell.outputs[1]["data"][mime]
    for key, value in change.items():
        if value is ...:
            del bundle[key]
        else:
            bundle[key] = value
    with pytest.raises(NotebookError, match="cell 1 of the notebook shows a damaged"):
        read_publication(notebook_of(cell))


def test_reading_leaves_the_notebook_alone():
    nb = sample_notebook()
    before = copy.deepcopy(nb)
    read_publication(nb)
    assert nb == before


def test_text_that_no_file_can_hold_is_made_readable():
    table = make_table(caption="a\ud800b", rows=(("\x00", "b", "c", "d"),), anchors=("",))
    (block,) = read_publication(notebook_of(shown_cell(table))).blocks
    assert isinstance(block, Table)
    assert block.caption == "a\ufffdb"
    assert block.rows[0][0] == "\ufffd"


def test_what_stands_behind_a_cell_that_folds_is_folded_and_not_what_was_shown_before():
    numbers = v4.new_markdown_cell("## The numbers", metadata={"tags": ["folds"]})
    picture, table = make_picture(), make_table()
    notebook = notebook_of(
        narrative_cell("## Why\n\nIt is warm.", slot="why"),
        shown_cell(picture),
        numbers,
        shown_cell(table, picture),
        narrative_cell("## How sure\n\nAs sure as that.", slot="how-sure"),
        v4.new_markdown_cell("A note of my own, without a heading."),
    )
    blocks = read_publication(notebook).blocks
    assert [(type(one).__name__, one.folded) for one in blocks] == [
        ("Prose", False), ("Figure", False), ("Prose", False), ("Table", True), ("Prose", True),
        ("Prose", False),
    ]  # fmt: skip
    html = page_html(notebook)
    assert "<summary>How sure</summary>" in html
    assert html.count("A note of my own") == 1
