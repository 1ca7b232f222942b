"""The whole report on both papers: what stands at the edges, what is whole, what travels along."""

import io
import json

import numpy as np
import pikepdf
import pytest
from full_report import full_analysis, full_notebook, shown
from pdf_words import caption_of, elements, pages_of, words
from PIL import Image
from sample_notebook import narrative_cell, notebook_of, sample_notebook

from reportlib.draw.press import pressed
from reportlib.publish.paper import BOTTOM_PT, SIDE_PT, TOP_PT
from reportlib.publish.typeset import for_paper, pdf_bytes
from reportlib.session.lock import own_folder
from reportlib.write import data
from reportlib.write.shown import Picture, Table

SIZES_PT = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}  # ISO 216; ANSI/ASME Y14.1, size A
DATA = {
    "compression.csv": data.compression_csv(full_analysis().short_term).encode(),
    "results.json": json.dumps({"name": "Trivet 6 – a “port”"}).encode(),
}


@pytest.fixture(scope="module", params=SIZES_PT)
def paper(request):
    return request.param


@pytest.fixture(scope="module")
def made(paper):
    return pdf_bytes(full_notebook(), paper=paper, data=DATA)


@pytest.fixture(scope="module")
def opened(made):
    with pikepdf.open(io.BytesIO(made)) as document:
        yield document


def test_every_page_is_of_that_paper(opened, paper):
    for page in opened.pages:
        assert [float(side) for side in page.mediabox] == pytest.approx(
            [0.0, 0.0, *SIZES_PT[paper]], abs=0.01
        )


def test_every_page_says_which_of_how_many_and_all_but_the_first_whose_report(opened):
    count = len(opened.pages)
    assert count > 5
    for number, page in enumerate(opened.pages, start=1):
        said = " ".join(words(page).split())
        assert said.endswith(f"4 May 2026 page {number} of {count}")
        heads = said.startswith("Marram 12 Does the output keep up with the volume?")
        assert heads == (number > 1)


def test_no_figure_is_cut_and_none_parts_from_its_caption(opened, paper):
    width_pt, height_pt = SIZES_PT[paper]
    figures = [figure for figure in elements(opened, kind="/Figure") if "/Alt" in figure]
    assert [str(figure["/Alt"]) for figure in figures] == [
        one.alt for one in shown() if isinstance(one, Picture)
    ]
    places = []
    for figure in figures:
        (layout,) = [dict(a) for a in figure["/A"] if "/BBox" in a]
        left, bottom, right, top = (float(side) for side in layout["/BBox"])
        assert left >= SIDE_PT - 0.1
        assert right <= width_pt - SIDE_PT + 0.1
        assert bottom >= BOTTOM_PT - 0.1
        assert top <= height_pt - TOP_PT + 0.1
        (page,) = pages_of(figure, document=opened)
        assert pages_of(caption_of(figure), document=opened) == {page}
        places.append((page, -bottom))
    assert places == sorted(places)  # wherever they float to, they come one after the other


def test_no_page_but_the_last_is_under_two_thirds_full(paper):
    """Whatever stands above a figure: the page it leaves is full enough, or it grows smaller."""
    cells = full_notebook().cells
    for paragraphs in (0, 5, 11):
        words = narrative_cell("## Words\n\n" + "So many words. \n\n" * paragraphs, slot="why")
        laid_out = for_paper(notebook_of(*cells[:2], words, *cells[2:]), paper=paper)
        with own_folder() as root:
            for name, content in laid_out.files.items():
                (root / name).write_bytes(content)
            pages = pressed(laid_out.source, what="it", format="png", ppi=18.0, root=str(root))
        for page in pages[:-1]:
            assert depth(page) >= 0.63, paragraphs


def depth(page):
    """Return down to where a page is filled, as a share of its text's height, its foot aside."""
    with Image.open(io.BytesIO(page)) as image:
        grey = np.asarray(image.convert("L"))
    top, bottom = (round(0.25 * points) for points in (TOP_PT, BOTTOM_PT))
    inked = np.flatnonzero((grey[top : grey.shape[0] - bottom] < 250).any(axis=1))
    return (inked[-1] + 1) / (grey.shape[0] - top - bottom)


def test_bookmarks_lead_to_the_headings(opened):
    with opened.open_outline() as outline:
        found = [(one.title, [child.title for child in one.children]) for one in outline.root]
        assert all(one.destination or one.action for one in outline.root)
    assert found == [("In short", []), ("When it is turned up", ["Why the bass goes first"])]


def test_short_tables_stay_whole_and_long_ones_begin_beside_their_caption(opened):
    tables = [one for one in shown() if isinstance(one, Table)]
    tagged = elements(opened, kind="/Table")[-len(tables) :]
    assert len(tagged) == len(tables) > 8
    for table, element in zip(tables, tagged, strict=True):
        pages = pages_of(element, document=opened)
        if len(table.rows) <= 12:
            assert len(pages) == 1, table.name
        assert pages_of(caption_of(element), document=opened) == {min(pages)}, table.name


def test_every_link_leads_somewhere(opened):
    pages = {page.obj.objgen for page in opened.pages}
    links = [
        annotation
        for page in opened.pages
        for annotation in page.obj.get("/Annots", ())
        if annotation["/Subtype"] == "/Link"
    ]
    assert links
    for link in links:
        target = link.get("/Dest") or link["/A"]["/D"]
        if isinstance(target, pikepdf.String | pikepdf.Name):
            target = pikepdf.NameTree(opened.Root.Names.Dests)[str(target)]
            target = target.get("/D") if isinstance(target, pikepdf.Dictionary) else target
        assert target[0].objgen in pages
        assert str(link["/Contents"]).strip()  # said to those who hear it (PDF/UA-1, 7.18.5)


def test_the_data_travel_in_it_byte_for_byte(opened):
    assert set(opened.attachments) == set(DATA)
    for name, mime in (("compression.csv", "text/csv"), ("results.json", "application/json")):
        attached = opened.attachments[name]
        assert attached.get_file().read_bytes() == DATA[name]
        assert attached.get_file().mime_type == mime
        assert attached.description
        assert attached.obj.AFRelationship == "/Data"  # PDF/A-3 asks how a file relates
    assert len(opened.Root.AF) == len(DATA)


def test_it_claims_both_standards(opened):
    metadata = opened.open_metadata()
    assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
    assert metadata["pdfuaid:part"] == "1"


def test_without_a_date_the_data_travel_without_one():
    made = pdf_bytes(sample_notebook(date=None), data=DATA)
    with pikepdf.open(io.BytesIO(made)) as document:
        assert [one.get_file().mod_date for one in document.attachments.values()] == [None, None]


def test_other_files_are_not_attached():
    made = pdf_bytes(sample_notebook(), data={"index.typ": b"#panic()", "figure-x.svg": b""})
    with pikepdf.open(io.BytesIO(made)) as document:
        assert not document.attachments
