"""The tables of many sessions on paper: nothing runs off the page, no column is lost."""

import io

import pikepdf
import pytest
from pdf_words import elements, pages_of, words
from sample_notebook import make_table, notebook_of, shown_cell

from reportlib.publish.publication import read_publication
from reportlib.publish.typeset import pdf_bytes

NAMES = tuple(f"Lantern Number {number}" for number in range(1, 9))


def tables_on_pages(*tables):
    """Return for each table the pages that it stands on."""
    notebook = notebook_of(shown_cell(*tables))
    made = pdf_bytes(notebook, publication=read_publication(notebook))
    with pikepdf.open(io.BytesIO(made)) as opened:
        found = elements(opened, kind="/Table")
        return [sorted(pages_of(element, document=opened)) for element in found]


def text_of(table):
    notebook = notebook_of(shown_cell(table))
    made = pdf_bytes(notebook, publication=read_publication(notebook))
    with pikepdf.open(io.BytesIO(made)) as opened:
        return " ".join(map(words, opened.pages))


def wide_table(*, rows, sure):
    value = "1–8. −0.3 dB (−0.4 to −0.1)"
    return make_table(
        caption="Who comes before whom.",
        columns=("by", "band", "what is sure", *NAMES),
        rows=(("at equal output, 98 dB", "Presence", sure, *(value for _ in NAMES)),) * rows,
        anchors=("",) * rows,
        numeric=(False,) * 3 + (True,) * 8,
    )


@pytest.mark.parametrize(("sure", "pages"), [("Too close to call", 1), (", ".join(NAMES), 2)])
def test_few_rows_of_many_lines_go_over_to_the_next_page(sure, pages):
    """Kept whole, what does not fit would be cut off at the foot of the page."""
    (found,) = tables_on_pages(wide_table(rows=8 if pages == 1 else 14, sure=sure))
    assert len(found) == pages


def test_every_column_gets_room_where_most_are_narrow():
    """All that each cell says stands on the page, in words that are not broken."""
    cells = ("not by 99 dB",) * 5 + ("104.8 dB (103.9 to 105.7)",) * 3
    table = make_table(
        columns=("band", *NAMES),
        rows=(("Low mids", *cells),),
        anchors=("",),
        numeric=(False,) + (True,) * 8,
    )
    text = text_of(table)
    for word in " ".join(("Low mids", *NAMES, *cells)).split():
        assert text.split().count(word) >= 1


def test_no_row_runs_off_the_page_whatever_its_columns_hold():
    """Unbroken numbers squeeze the words beside them into many lines."""
    number = "123456789012345678901234"
    table = make_table(
        columns=("band", "what is sure", "a", "b", "c", "d"),
        rows=tuple(
            (
                f"row{row:02d}",
                "one before two before three before four before five of six",
                *(number,) * 4,
            )
            for row in range(16)
        ),
        anchors=("",) * 16,
        numeric=(False, False, *(True,) * 4),
    )
    text = text_of(table)
    assert [row for row in range(16) if f"row{row:02d}" not in text] == []
