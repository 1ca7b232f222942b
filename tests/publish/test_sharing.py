"""Pictures to share: what they say, and that nothing of it is cut or covered."""

import io
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from builders import make_analysis
from nbformat import v4
from PIL import Image
from sample_notebook import make_picture, narrative_cell, notebook_of, shown_cell

from reportlib.errors import NotebookError
from reportlib.publish.publication import read_publication
from reportlib.publish.sharing import SIZES_PX, laid_out, sharing_pictures
from reportlib.write import shown as write_shown
from reportlib.write.readings_sweeps import shown_ladder
from reportlib.write.shown import PICTURE_MIME, Ladder

LONG = "Marram 12 on the tall stand, grille taken off, in the boat hall, " * 3
UNTOLD = {"noise_below_hz": dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 3e4)}


def publication(*, ladder=None, **about):
    picture = make_picture("level-ladder", ladder=ladder)
    return read_publication(notebook_of(shown_cell(picture), **about))


def ladder_of(**given):
    return shown_ladder(make_analysis(**given))


CASES = {
    "plain": publication(ladder=ladder_of()),
    "long words": publication(
        ladder=ladder_of(levels_db=tuple(np.arange(75.0, 97.0, 3.0))),
        title=LONG,
        verdict=LONG * 4,
        kind=LONG,
    ),
    "one word": publication(ladder=ladder_of(), title="M" * 300, verdict="W" * 500),
    "nothing told": publication(ladder=ladder_of(**UNTOLD)),
    "many levels": publication(ladder=ladder_of(levels_db=tuple(np.arange(73.5, 91.0, 1.5)))),
    "one level": publication(ladder=ladder_of(levels_db=(90.0,), long_term_levels_db=())),
    "no ladder": publication(),
    "no verdict": publication(ladder=ladder_of(), verdict=""),
    "letters that no font here has": publication(ladder=ladder_of(), title="砂丘 12"),
}


@pytest.mark.parametrize("level", ["", " ", "90", "9" * 300])
@pytest.mark.parametrize("band", ["", "bass", "W" * 300])
def test_a_ladder_that_somebody_altered_is_drawn_all_the_same(band, level):
    altered = Ladder(levels=(level, level), bands=(band,), shares=((0.0, 1e300),))
    assert sharing_pictures(publication(ladder=altered))["sharing/wide.png"]


@pytest.mark.parametrize("shape", SIZES_PX)
@pytest.mark.parametrize("case", CASES)
def test_no_word_is_cut_or_covered(case, shape):
    sheet = laid_out(CASES[case], shape=shape)
    width, height = sheet.size_px
    boxes = [words.box() for words in sheet.words]
    filled = [(b.left, b.top, b.left + b.width, b.top + b.height) for b in sheet.boxes]
    for left, top, right, bottom in (*boxes, *filled):
        assert 40.0 <= left < right <= width - 40.0
        assert 40.0 <= top < bottom <= height - 40.0
    labels = [box for words, box in zip(sheet.words, boxes, strict=True) if words.text != "?"]
    for one, other in (*combinations(labels, 2), *((a, b) for a in labels for b in filled)):
        across = min(one[2], other[2]) - max(one[0], other[0])
        down = min(one[3], other[3]) - max(one[1], other[1])
        assert min(across, down) <= 0.0
    for words in sheet.words:
        assert words.size_px >= 18  # of 1080 and 630: read on a phone at a third of that


def test_both_are_of_their_size_and_repeat_byte_for_byte():
    made = sharing_pictures(CASES["plain"])
    assert list(made) == ["sharing/square.png", "sharing/wide.png", "sharing/alt.txt"]
    for shape, size in (("square", (1080, 1080)), ("wide", (1200, 630))):
        assert Image.open(io.BytesIO(made[f"sharing/{shape}.png"])).size == size
    assert sharing_pictures(CASES["plain"]) == made


@pytest.mark.parametrize("shape", SIZES_PX)
def test_they_carry_name_and_verdict_as_published(shape):
    words = " ".join(words.text for words in laid_out(CASES["plain"], shape=shape).words)
    words = words.replace("\u00a0", " ")
    assert "Marram 12" in words
    assert (
        "It keeps its promise up to 90 dB; asked for 96 dB, the bass falls −2.9 dB short." in words
    )
    for label in ("Treble", "Presence", "Mids", "Low mids", "Bass", "78", "99"):
        assert label in words


@pytest.mark.parametrize("shape", SIZES_PX)
def test_boxes_are_filled_by_the_share_that_the_ladder_holds(shape):
    ladder = Ladder(levels=("84", "90"), bands=("Mids", "Bass"), shares=((1.0, 0.5), (0.0, None)))
    shown = publication(ladder=ladder)
    image = Image.open(io.BytesIO(sharing_pictures(shown)[f"sharing/{shape}.png"]))
    for box, share in zip(laid_out(shown, shape=shape).boxes, (1.0, 0.5, 0.0, None), strict=True):
        x = round(box.left + 0.2 * box.width)  # beside the question mark
        rows = range(round(box.top) + 4, round(box.top + box.height) - 4)
        seas = [image.getpixel((x, y)) == _rgb(write_shown.SEA) for y in rows]
        assert sum(seas) / len(seas) == pytest.approx(share or 0.0, abs=0.04)
        grounds = {image.getpixel((x, y)) for y in rows} - {_rgb(write_shown.SEA)}
        expected = {None: {_rgb(write_shown.PAPER)}, 1.0: set()}.get(
            share, {_rgb(write_shown.WATER)}
        )
        assert grounds == expected
    assert [w.text for w in laid_out(shown, shape=shape).words].count("?") == 1


def _rgb(colour):
    return tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))


def test_the_alternative_text_says_all_of_it():
    said = sharing_pictures(CASES["plain"])["sharing/alt.txt"].decode()
    assert said.startswith("Marram 12: Does the output keep up with the volume? It keeps")
    assert said.endswith(f"{make_picture().alt}\n")


def test_a_report_without_a_ladder_shares_its_words():
    sheet = laid_out(CASES["no ladder"], shape="square")
    assert sheet.boxes == ()
    assert sheet.words


def test_the_ladder_comes_through_the_notebook():
    ladder = ladder_of()
    assert read_publication(
        notebook_of(
            narrative_cell("words", slot="why"),
            shown_cell(make_picture(), make_picture("level-ladder", ladder=ladder)),
            v4.new_markdown_cell("more"),
        )
    ).ladder == replace(make_picture("level-ladder"), ladder=ladder)


@pytest.mark.parametrize(
    "damage",
    [
        {"levels": []},
        {"bands": ["Bass"]},
        {"shares": [[1.0]] * 5},
        {"shares": "full"},
        {"shares": [["much"] * 5] * 5},
        {"shares": [[-1.0] * 5] * 5},
        {"shares": [[float("nan")] * 5] * 5},
    ],
)
def test_a_damaged_ladder_is_named(damage):
    cell = shown_cell(make_picture(ladder=ladder_of()))
    cell.outputs[1].data[PICTURE_MIME]["ladder"].update(damage)
    with pytest.raises(NotebookError, match="cell 1 of the notebook shows a damaged picture"):
        read_publication(notebook_of(cell))
