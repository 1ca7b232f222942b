"""The tables of many sessions on paper: nothing runs off the page, no column is lost."""

import io

import pikepdf
from pdf_words import elements, pages_of
from sample_notebook import make_table, notebook_of, shown_cell

from reportlib.publish.exporter_typst import laid_out
from reportlib.publish.pdf import pdf_bytes
from reportlib.publish.published import read_publication

NAMES = tuple(f"Lantern Number {number}" for number in range(1, 9))


def tables_on_pages(*tables):
    """Return for each table the pages that it stands on."""
    notebook = notebook_of(shown_cell(*tables))
    made = pdf_bytes(notebook, publication=read_publication(notebook))
    with pikepdf.open(io.BytesIO(made)) as opened:
        found = elements(opened, kind="/Table")
        return [sorted(pages_of(element, document=opened)) for element in found]


def wide_table(*, rows, sure):
    value = "1–8. −0.3 dB (−0.4 to −0.1)"
    return make_table(
        caption="Who comes before whom.",
        columns=("by", "band", "what is sure", *NAMES),
        rows=(("at equal output, 98 dB", "Presence", sure, *(value for _ in NAMES)),) * rows,
        anchors=("",) * rows,
        numeric=(False,) * 3 + (True,) * 8,
    )


def test_few_rows_of_many_lines_go_over_to_the_next_page():
    """Kept whole, what does not fit would be cut off at the foot of the page."""
    (short,) = tables_on_pages(wide_table(rows=8, sure="Too close to call"))
    assert len(short) == 1
    (tall,) = tables_on_pages(wide_table(rows=14, sure=", ".join(NAMES)))
    assert len(tall) > 1


def test_no_column_vanishes_where_all_of_them_need_the_room():
    """The last one is given what is left, where something is."""
    crowded = laid_out(wide_table(rows=2, sure=", ".join(NAMES)))
    assert "1fr" not in crowded["widths"]
    roomy = make_table(
        columns=("by", "what", "why", "how"),
        rows=(("a", "b", "c" * 100, "d"),),
        anchors=("",),
        numeric=(False,) * 4,
    )
    assert laid_out(roomy)["widths"][-1] == "1fr"
