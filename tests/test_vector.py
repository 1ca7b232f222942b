"""Marks as SVG and as pixels: what is drawn stands where it was put, and nothing else does."""

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from builders import make_analysis
from figure_texts import width_of
from PIL import Image

from reportlib import figures
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import PHONE
from reportlib.figures.pixels import png_bytes
from reportlib.figures.sheet import Sheet

SVG = "{http://www.w3.org/2000/svg}"


def pixels_of(sheet):
    png = png_bytes(sheet.svg(), width_px=sheet.width_px, height_px=sheet.height_px)
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def paths_of(sheet):
    return [path.get("d") for path in ET.fromstring(sheet.svg()).iter(f"{SVG}path")]


def test_a_box_fills_its_own_pixels_and_no_other():
    sheet = Sheet(height_px=40.0, paper=PHONE)
    sheet.boxes([(10.0, 5.0, 20.0, 10.0)], facecolor="#123456")
    found = (pixels_of(sheet) == (0x12, 0x34, 0x56)).all(axis=-1)
    expected = np.zeros((80, 660), dtype=bool)
    expected[10:30, 20:60] = True  # two pixels a CSS pixel
    np.testing.assert_array_equal(found, expected)


def test_what_is_half_seen_through_is_half_way_to_white():
    sheet = Sheet(height_px=40.0, paper=PHONE)
    sheet.boxes([(10.0, 5.0, 20.0, 10.0)], facecolor="#000000", alpha=0.5)
    # 255 · (1 − α), by the definition of source-over
    np.testing.assert_allclose(pixels_of(sheet)[20, 40], 127.5, atol=1.0)


def test_a_disc_has_the_area_of_its_circle_and_a_ring_a_hole():
    sheet = Sheet(height_px=100.0, paper=PHONE)
    sheet.dots([(50.0, 50.0)], markersize=40.0, color="#000000")
    sheet.dots(
        [(200.0, 50.0)], markersize=40.0, color="#000000", markerfacecolor="none",
        markeredgewidth=8.0,
    )  # fmt: skip
    ink = 1.0 - pixels_of(sheet)[..., 0] / 255.0
    # π·r² at r = 40 pixels; π·(R² − r²) with a stroke of 16 pixels about r = 40
    assert ink[:, :200].sum() == pytest.approx(np.pi * 40.0**2, rel=1e-2)
    assert ink[:, 200:].sum() == pytest.approx(np.pi * (48.0**2 - 32.0**2), rel=1e-2)
    assert ink[100, 400] == 0.0


def test_later_marks_cover_earlier_ones_and_higher_ones_cover_all():
    sheet = Sheet(height_px=40.0, paper=PHONE)
    sheet.boxes([(0.0, 0.0, 30.0, 30.0)], facecolor="#ff0000", zorder=2.0)
    sheet.boxes([(10.0, 0.0, 30.0, 30.0)], facecolor="#00ff00")
    sheet.boxes([(25.0, 0.0, 30.0, 30.0)], facecolor="#0000ff")
    row = pixels_of(sheet)[20]
    assert [tuple(row[2 * x]) for x in (5, 20, 35, 50)] == [
        (255, 0, 0),
        (255, 0, 0),
        (0, 0, 255),
        (0, 0, 255),
    ]
    assert tuple(row[2 * 27]) == (255, 0, 0)


def test_a_line_breaks_where_it_is_unknown_and_a_point_alone_is_none():
    sheet = Sheet(height_px=40.0)
    nan = float("nan")
    sheet.line([1, 2, 3, 4, 5, 6], [9, 9, nan, 9, nan, 9])
    assert paths_of(sheet) == ["M1 9l1 0"]
    sheet.line([1, 2], [nan, 3])
    assert len(paths_of(sheet)) == 1


def test_dashes_are_as_long_as_the_line_is_wide():
    sheet = Sheet(height_px=40.0, paper=PHONE)
    sheet.line([10.0, 95.0], [20.0, 20.0], color="#000000", linewidth=4.0, linestyle=(0, (5, 2.5)))
    row = pixels_of(sheet)[40, :, 0] < 128
    # 20 drawn, 10 left out: at 2 pixels a CSS pixel 40 and 20
    lengths = np.diff(np.flatnonzero(np.diff(row.astype(int))))
    assert lengths.tolist() == [40, 20, 40, 20, 40]


@pytest.mark.parametrize(
    "text", ["a < b & c > d", "1 · 10⁻³ „Ω“", "]]>", "1.23456 %", "<script>", "--><!--"]
)
def test_any_text_arrives_as_text(text):
    sheet = Sheet(height_px=40.0)
    sheet.text(5.0, 20.0, text=text, size=12.0)
    (found,) = ET.fromstring(sheet.svg()).iter(f"{SVG}text")
    assert found.text == text


def test_what_is_no_text_becomes_a_sign_for_it():
    sheet = Sheet(height_px=40.0)
    sheet.text(5.0, 20.0, text="Trivet\x07 6\ud800", size=12.0)
    (found,) = ET.fromstring(sheet.svg()).iter(f"{SVG}text")
    assert found.text == "Trivet\ufffd 6\ufffd"


@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.parametrize("text", ["Turned up: change", "−1.5 dB", "AVATAR To 10k", "ﬁ ffi Ω°½", ""])
def test_letters_are_as_wide_as_matplotlib_sets_them(text, weight):
    """A second opinion on shaping and kerning; the margin of 4 % is for hinted letters."""
    measured = text_width(text, size=20.0, weight=weight)
    by_matplotlib = width_of(text, weight=700 if weight == "bold" else 400) if text else 0.0
    assert measured == pytest.approx(1.04 * 20.0 * by_matplotlib, rel=2e-3)


def test_letters_that_the_font_lacks_have_the_room_that_others_give_them():
    # full-width letters are one em wide (Unicode Standard Annex 11)
    assert text_width("潮汐", size=20.0) == pytest.approx(1.04 * 40.0)


def test_names_within_drawings_mean_one_place_in_a_document_of_many():
    """Notebooks show several drawings in one page, where the first of a name counts for all."""
    analysis = make_analysis()
    places = {}
    for figure in (figures.turned_up, figures.distortion, figures.left_playing):
        picture = figure(analysis)
        for svg in (picture.svg, picture.phone_svg):
            cuts = re.findall(r'<clipPath id="(.*?)">\s*(.*?)\s*</clipPath>', svg)
            assert cuts
            assert set(re.findall(r"url\(#(.*?)\)", svg)) == {name for name, _ in cuts}
            for name, place in cuts:
                assert places.setdefault(name, place) == place
    assert len(set(places.values())) == len(places)


@pytest.mark.parametrize("weight", ["normal", "bold"])
def test_a_letter_that_the_font_lacks_leaves_the_others_as_they_are(weight):
    """A font of last resort would draw the whole line as boxes."""
    inked = []
    for text in ("Trivet 6", "Trivet 6 潮"):
        sheet = Sheet(height_px=40.0, paper=PHONE)
        sheet.text(5.0, 25.0, text=text, size=16.0, weight=weight)
        inked.append(pixels_of(sheet))
    end = int(2.0 * (5.0 + text_width("Trivet 6", size=16.0, weight=weight) / 1.04))
    np.testing.assert_array_equal(inked[0][:, :end], inked[1][:, :end])
    assert (inked[0][:, :end] < 255).any()
