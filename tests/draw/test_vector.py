"""Figures as SVG and as pixels: text stays text, names mean one place, pixels are the vector's."""

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from builders import make_analysis
from figure_texts import Sheet, width_of
from matplotlib.patches import Rectangle
from PIL import Image

from reportlib.draw import harmonics, over_frequency, over_time
from reportlib.draw.pictures import png_bytes
from reportlib.draw.scales import text_width
from reportlib.draw.sheet import from_corner, new_figure, set_height, write
from reportlib.draw.style import PHONE, house

SVG = "{http://www.w3.org/2000/svg}"


def sheet_with(*texts, boxes=()):
    """Return a sheet 40 pixels high with texts and black boxes on it."""
    with house():
        figure = new_figure(PHONE)
        set_height(figure, 40.0)
        for text, looks in texts:
            write(figure, text, x=5.0, y=25.0, **looks)
        for left, top, wide, high in boxes:
            where = from_corner(figure)
            figure.add_artist(Rectangle((left, top), wide, high, color="#000000", transform=where,
                                        linewidth=0.0))  # fmt: skip
    return Sheet(figure)


def pixels_of(sheet):
    png = png_bytes(sheet.svg, width_px=sheet.width_px, height_px=sheet.height_px)
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)


def test_a_pixel_counts_from_the_top_left_corner_and_is_two_of_the_picture():
    found = pixels_of(sheet_with(boxes=[(10.0, 5.0, 20.0, 10.0)]))[..., 0] < 128
    expected = np.zeros((80, 660), dtype=bool)
    expected[10:30, 20:60] = True
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize(
    "text", ["a < b & c > d", "1 · 10⁻³ „Ω“", "]]>", "1.23456 %", "<script>", "--><!--", "$x_2$"]
)
def test_any_text_arrives_as_text(text):
    sheet = sheet_with((text, {}))
    assert [found.text for found in ET.fromstring(sheet.svg).iter(f"{SVG}text")] == [text]


def test_what_is_no_text_becomes_a_sign_for_it():
    picture = over_frequency.turned_up(make_analysis(name="Trivet\x07 6\ud800"))
    for svg in (picture.svg, picture.phone_svg):
        assert "Trivet\ufffd 6\ufffd" in [one.text for one in ET.fromstring(svg).iter(f"{SVG}text")]


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
    for figure in (over_frequency.turned_up, harmonics.distortion, over_time.left_playing):
        picture = figure(analysis)
        for svg in (picture.svg, picture.phone_svg):
            root = ET.fromstring(svg)
            named = {one.get("id"): one for one in root.iter() if one.get("id")}
            used = set(re.findall(r"url\(#(.*?)\)", svg))
            used |= set(re.findall(r'xlink:href="#(.*?)"', svg))
            assert used == named.keys()
            for name, element in named.items():
                what = ET.tostring(element)
                assert places.setdefault(name, what) == what
    assert len(places) > 12


@pytest.mark.parametrize("weight", ["normal", "bold"])
def test_a_letter_that_the_font_lacks_leaves_the_others_as_they_are(weight):
    """A font of last resort would draw the whole line as boxes."""
    looks = {"size": 16.0, "weight": weight}
    inked = [pixels_of(sheet_with((text, looks))) for text in ("Trivet 6", "Trivet 6 潮")]
    end = int(2.0 * (5.0 + text_width("Trivet 6", size=16.0, weight=weight) / 1.04))
    np.testing.assert_array_equal(inked[0][:, :end], inked[1][:, :end])
    assert (inked[0][:, :end] < 255).any()
