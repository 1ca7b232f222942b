"""The figures of a comparison: tidy for any company, on the page and on a phone."""

import re
import xml.etree.ElementTree as ET
from functools import cache
from itertools import pairwise

import pytest
from figure_texts import assert_apart, drawn, written
from side_by_side import comparison

from reportlib.draw.style import PAGE, PHONE
from reportlib.many import drawing, figures

DRAWN = ("at_equal_output", "beside_limits", "beside_left_playing")
TIDY = (
    "two", "eight", "gives out", "gains", "louder baseline", "one behind a short gate",
    "heard while playing", "names of all kinds", "all in noise", "no stress", "no levels",
    "baseline above another's top",
)  # fmt: skip
SHOWN = ("eight", "one from text", "wide intervals", "all in rooms")
EMPTY = {
    ("gains", "beside_limits"), ("baseline above another's top", "beside_limits"),
    ("no levels", "at_equal_output"), ("no levels", "beside_limits"),
    ("no levels", "beside_left_playing"), ("all in noise", "at_equal_output"),
    ("all in noise", "beside_limits"), ("all in noise", "beside_left_playing"),
    ("no stress", "beside_left_playing"), ("all in rooms", "beside_left_playing"),
    ("baseline above another's top", "at_equal_output"), ("wide intervals", "at_equal_output"),
    ("wide intervals", "beside_limits"), ("wide intervals", "beside_left_playing"),
}  # fmt: skip


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("paper", [PAGE, PHONE], ids=["page", "phone"])
@pytest.mark.parametrize("figure", DRAWN)
@pytest.mark.parametrize("case", TIDY)
def test_all_are_named_and_no_text_leaves_the_frame_or_touches_another(case, figure, paper):
    if (case, figure) in EMPTY:
        assert getattr(figures, figure)(comparison(case)) is None
        return
    sheet = drawn(figure, comparison(case), paper=paper)
    found = assert_apart(sheet)
    assert sheet.width_px == paper.width_px
    assert len(found) > 8
    words = " ".join(text for text, *_ in found).replace("\u00a0", " ")
    assert all(name in words for name in comparison(case).names)
    assert min(size for _, size, _ in found) >= (11.0 if paper.narrow else 9.0)


@cache
def shown(case, figure):
    return getattr(figures, figure)(comparison(case))


@pytest.mark.parametrize("figure", DRAWN)
@pytest.mark.parametrize("case", SHOWN)
def test_every_picture_has_words_that_say_what_is_there(case, figure):
    picture = shown(case, figure)
    if (case, figure) in EMPTY:
        assert picture is None
        return
    for text in (picture.caption, picture.alt):
        assert text.strip()
        assert not re.search(r"\b(None|nan|inf)\b", text)
        assert "  " not in text
        assert text.endswith(".")
    root = ET.fromstring(picture.svg)
    assert (root.get("width"), ET.fromstring(picture.phone_svg).get("width")) == ("720", "330")
    assert max(len(picture.svg), len(picture.phone_svg)) < 160_000


def test_lines_differ_in_more_than_tone():
    strokes = drawing.strokes(8)
    assert len({(one.dashes, one.width) for one in strokes}) == 8
    assert len({one.colour for one in strokes}) == 8
    for one, other in pairwise(strokes):
        assert one.dashes != other.dashes


@pytest.mark.parametrize("figure", DRAWN)
def test_a_figure_is_the_same_byte_for_byte(figure):
    one = shown("one from text", figure)
    other = getattr(figures, figure)(comparison("one from text"))
    assert (one.svg, one.png, one.phone_svg) == (other.svg, other.png, other.phone_svg)


def test_the_upright_line_stands_where_sessions_are_ranked():
    report = comparison("two")
    words = [text for text, *_ in written(drawn("at_equal_output", report))]
    for ranking in report.ranked("equal output"):
        assert f"ranked at {ranking.at_db:g} dB" in words
