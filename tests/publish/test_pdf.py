import base64
import io

import pikepdf
import pytest
from hostile import ATTACKS
from hypothesis import given, settings
from hypothesis import strategies as st
from nbformat import v4
from pdf_words import elements, pages_of, words
from sample_notebook import (
    make_picture,
    make_table,
    narrative_cell,
    notebook_of,
    report_of_words,
    sample_notebook,
    shown_cell,
    tiny_png,
)
from test_typeset import literals, skeleton

from reportlib.errors import RenderError
from reportlib.publish import typeset
from reportlib.publish.paper import BOTTOM_PT, TOP_PT, TypstExporter
from reportlib.publish.typeset import pdf_bytes
from reportlib.write.shown import Table


@pytest.fixture(scope="module")
def sample_pdf():
    return pdf_bytes(sample_notebook())


@pytest.fixture
def opened(sample_pdf):
    with pikepdf.open(io.BytesIO(sample_pdf)) as document:
        yield document


def typ_of(nb):
    return TypstExporter().from_notebook_node(nb)[0]


def bookmarks(document):
    with document.open_outline() as outline:

        def titles(items, depth):
            for item in items:
                yield depth, item.title
                yield from titles(item.children, depth + 1)

        return list(titles(outline.root, 1))


def test_the_same_notebook_gives_the_same_bytes(sample_pdf):
    assert pdf_bytes(sample_notebook()) == sample_pdf


def test_paper_is_a4_or_letter(opened):
    assert [float(side) for side in opened.pages[0].mediabox] == pytest.approx(
        [0, 0, 595.28, 841.89],
        abs=0.01,  # ISO 216: 210 mm × 297 mm
    )
    with pikepdf.open(io.BytesIO(pdf_bytes(sample_notebook(), paper="letter"))) as letter:
        assert [float(side) for side in letter.pages[0].mediabox] == [0, 0, 612, 792]


def test_a_paper_that_is_unknown_is_named():
    with pytest.raises(RenderError, match="paper 'a9' is not known; choose one of a4, letter"):
        pdf_bytes(sample_notebook(), paper="a9")


def test_it_says_what_it_is(opened):
    metadata = opened.open_metadata()
    assert metadata["dc:title"] == "Marram 12"
    assert metadata["dc:creator"] == ["upheld 0.1.0"]
    assert metadata["xmp:CreateDate"].startswith("2026-05-04")
    assert opened.Root.Lang == "en"


def test_it_claims_the_standards_that_its_maker_enforces(opened):
    metadata = opened.open_metadata()
    assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
    assert metadata["pdfuaid:part"] == "1"
    assert opened.Root.MarkInfo.Marked


def test_every_figure_is_tagged_with_its_alternative_text(opened):
    alts = [str(e["/Alt"]) for e in elements(opened) if e["/S"] == "/Figure"]
    assert alts.count(make_picture().alt) == 2
    assert "The set-up" in alts


def test_tables_are_tagged_with_their_headings(opened):
    kinds = [str(e["/S"]) for e in elements(opened)]
    assert kinds.count("/Table") == 3
    assert kinds.count("/TH") == 4 + 4 + 2


def test_bookmarks_follow_the_headings(opened):
    assert bookmarks(opened) == [
        (1, "In short"),
        (1, "When it is turned up"),
        (2, "Why the bass goes first"),
    ]


def test_a_quoted_fact_with_a_row_is_a_link_within(opened):
    links = [
        annotation
        for page in opened.pages
        for annotation in page.obj.get("/Annots", ())
        if annotation["/Subtype"] == "/Link"
    ]
    assert len(links) == 3  # the verdict's fact, the same in the text, the table
    assert all("/URI" not in link.get("/A", {}) for link in links)


def test_all_fonts_are_embedded_and_none_is_the_machines(opened):
    names = set()
    for page in opened.pages:
        for font in page.obj.Resources.get("/Font", {}).values():
            (descendant,) = font.DescendantFonts
            names.add(str(font.BaseFont).partition("+")[2])
            assert {"/FontFile2", "/FontFile3"} & set(descendant.FontDescriptor.keys())
    assert names
    assert all(name.startswith(("LibertinusSerif", "DejaVuSans")) for name in names)


def test_code_and_hidden_cells_are_not_printed():
    typ = typ_of(sample_notebook())
    for secret in ("secret_code", "never shown", "a stray print"):
        assert secret not in typ


def test_words_of_cells_captions_and_tables_arrive():
    words = literals(typ_of(sample_notebook())).replace("\u00a0", " ")
    for part in (
        "Marram 12",
        "Does the output keep up with the volume?",
        "4 May 2026",
        "It keeps its promise up to 90 dB",
        "For a kitchen or a living room it has level to spare.",
        "Below 100 Hz it gives way first",
        "Mean change by band, short-term.",
        "± (95 %)",
        "Made by upheld 0.1.0 from 14 recordings of 4 May 2026.",
    ):
        assert part in words


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_attack_anywhere_changes_no_code(attack):
    harmless = "x" * len(attack)  # columns are as wide as their words are long
    assert skeleton(typ_of(report_of_words(attack))) == skeleton(typ_of(report_of_words(harmless)))


def test_a_report_full_of_attacks_is_set():
    cells = [v4.new_markdown_cell(f"{attack}\n\n{attack} in a line") for attack in ATTACKS]
    table = make_table(
        caption=ATTACKS[0],
        columns=("attack", "again"),
        rows=tuple((attack, attack) for attack in ATTACKS),
        anchors=tuple(f"fact-{number}" for number in range(len(ATTACKS))),
        numeric=(False, True),
    )
    nb = notebook_of(*cells, shown_cell(table), title=ATTACKS[0], verdict=ATTACKS[7])
    assert pdf_bytes(nb).startswith(b"%PDF-")


@settings(max_examples=25)
@given(
    prose=st.text(max_size=120),
    soup=st.text(alphabet=st.sampled_from('#[]()!|<>*_`~-=\\"$@&:/ \n1ax'), max_size=120),
    cell=st.text(max_size=20),
)
def test_any_text_whatever_can_be_set(prose, soup, cell):
    table = make_table(
        caption=cell,
        columns=(cell, "b"),
        rows=((cell, prose),),
        anchors=("",),
        numeric=(False, True),
    )
    nb = notebook_of(
        narrative_cell(prose, slot="in-short"),
        narrative_cell(soup, slot="why"),
        shown_cell(table, make_picture(caption=prose, alt=cell)),
        title=f"Marram {cell}",
        verdict=soup,
    )
    assert pdf_bytes(nb).startswith(b"%PDF-")


def test_letters_that_the_shipped_fonts_lack_do_not_stop_it():
    data = pdf_bytes(sample_notebook(title="砂丘 12"))
    with pikepdf.open(io.BytesIO(data)) as document:
        assert document.open_metadata()["dc:title"] == "砂丘 12"


def test_without_a_date_none_is_invented():
    nb = sample_notebook(date=None)
    first = pdf_bytes(nb)
    assert pdf_bytes(nb) == first
    with pikepdf.open(io.BytesIO(first)) as document:
        metadata = document.open_metadata()
        assert metadata["pdfuaid:part"] == "1"
        assert "pdfaid:part" not in metadata
        assert "xmp:CreateDate" not in metadata
        assert "/CreationDate" not in document.trailer.get("/Info", {})


def test_a_figure_taller_than_the_paper_is_made_to_fit():
    picture = make_picture()
    tall = type(picture)(**{**vars(picture), "width_px": 400.0, "height_px": 4000.0})
    typ = typ_of(notebook_of(shown_cell(tall)))
    room_pt = 0.8 * (841.89 - TOP_PT - BOTTOM_PT)
    assert f"width: {room_pt / 10:.2f}pt" in typ


def test_a_long_table_goes_on_with_its_heading_and_a_short_one_stays_whole():
    rows = tuple((f"{level} dB", "holds") for level in range(60))
    long = Table(name="long", caption="Long.", columns=("level", "grade"), rows=rows)
    short = Table(name="short", caption="Short.", columns=("level", "grade"), rows=rows[:10])
    notebook = notebook_of(shown_cell(long, *(short for _ in range(6))))
    with pikepdf.open(io.BytesIO(pdf_bytes(notebook))) as document:
        first, *others = elements(document, kind="/Table")
        assert len(pages_of(first, document=document)) == 2
        assert [len(pages_of(one, document=document)) for one in others] == [1] * 6
        for page in (document.pages[0], document.pages[1]):
            assert "level" in words(page)


def test_a_pasted_picture_is_printed():
    cell = v4.new_markdown_cell("![The rig](attachment:rig.png)")
    cell["attachments"] = {"rig.png": {"image/png": base64.b64encode(tiny_png()).decode()}}
    with pikepdf.open(io.BytesIO(pdf_bytes(notebook_of(cell)))) as document:
        assert len(document.pages[0].get_images()) == 1


def test_what_typst_refuses_is_said_in_one_line(monkeypatch):
    monkeypatch.setattr(
        TypstExporter, "from_notebook_node", lambda *_, **__: ('#panic("no")', {"outputs": {}})
    )
    with pytest.raises(
        RenderError, match=r"the PDF could not be made: typst says .*panicked"
    ) as info:
        typeset.pdf_bytes(sample_notebook())
    assert "\n" not in str(info.value)
