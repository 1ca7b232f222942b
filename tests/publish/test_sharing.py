"""Pictures to share: what they say, that all of it stands inside, and that they repeat."""

import io
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from builders import make_analysis
from PIL import Image
from sample_notebook import make_picture, narrative_cell, notebook_of, shown_cell

from reportlib.draw.ladder import level_ladder
from reportlib.publish.publication import read_publication
from reportlib.publish.sharing import SIZES_PX, sharing_pictures
from reportlib.write import shown as write_shown

LONG = "Marram 12 on the tall stand, grille taken off, in the boat hall, " * 3
MARGIN_PX = 40


def publication(*shown, **about):
    return read_publication(
        notebook_of(narrative_cell("words", slot="why"), shown_cell(*shown), **about)
    )


def ladder_of(**given):
    return level_ladder(make_analysis(**given))


def picture(made, *, shape):
    return Image.open(io.BytesIO(made[f"sharing/{shape}.png"])).convert("RGB")


def ink(made, *, shape="square"):
    """Return which pixels are not the ground's."""
    return (np.asarray(picture(made, shape=shape)) != _rgb(write_shown.PAPER)).any(axis=2)


def _rgb(colour):
    return tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))


@cache
def ladder():
    return ladder_of()


CASES = {
    "plain": lambda: publication(make_picture(), ladder()),
    "long words": lambda: publication(ladder(), title=LONG, verdict=LONG * 4, kind=LONG),
    "one word": lambda: publication(ladder(), title="M" * 300, verdict="W" * 500),
    "many levels": lambda: publication(ladder_of(levels_db=tuple(np.arange(73.5, 91.0, 1.5)))),
    "one level": lambda: publication(ladder_of(levels_db=(90.0,), long_term_levels_db=())),
    "a drawing as tall as a tower": lambda: publication(
        replace(ladder(), svg='<svg viewBox="0 0 9 900"><rect width="9" height="900"/></svg>')
    ),
    "a drawing of another shape": lambda: publication(make_picture("level-ladder")),
    "no ladder": lambda: publication(make_picture()),
    "no verdict": lambda: publication(ladder(), verdict=""),
    "letters that no font here has": lambda: publication(ladder(), title="砂丘 12"),
    "code": lambda: publication(ladder(), title='"#panic()', verdict='$x$ \\ #eval("1") [a]'),
}


@cache
def shared(case):
    return sharing_pictures(CASES[case]())


@pytest.mark.parametrize("shape", SIZES_PX)
@pytest.mark.parametrize("case", CASES)
def test_nothing_reaches_the_edges(case, shape):
    found = ink(shared(case), shape=shape)
    inside = found[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    assert found.sum() == inside.sum() > 0


@pytest.mark.parametrize("shape", SIZES_PX)
@pytest.mark.parametrize("case", ["long words", "one word"])
def test_words_are_cut_before_they_reach_the_ladder(case, shape):
    """Where the ladder stands, the picture is the same whatever the words are."""
    height, width = ink(shared("plain"), shape=shape).shape
    place = np.s_[height // 2 :, :] if shape == "square" else np.s_[MARGIN_PX:, width * 2 // 3 :]
    short, long = (ink(shared(one), shape=shape)[place] for one in ("plain", case))
    assert (short == long).all()


def test_both_are_of_their_size_and_repeat_byte_for_byte():
    made = shared("plain")
    assert list(made) == ["sharing/square.png", "sharing/wide.png", "sharing/alt.txt"]
    for shape, size in (("square", (1080, 1080)), ("wide", (1200, 630))):
        assert Image.open(io.BytesIO(made[f"sharing/{shape}.png"])).size == size
    assert sharing_pictures(CASES["plain"]()) == made


@pytest.mark.parametrize("part", ["title", "kind", "verdict"])
def test_each_of_its_words_is_seen(part):
    other = sharing_pictures(publication(make_picture(), ladder(), **{part: "Samphire 3"}))
    for shape in SIZES_PX:
        assert (ink(other, shape=shape) != ink(shared("plain"), shape=shape)).any()


def test_a_ladder_that_is_less_full_is_less_blue():
    def blue(made, shape):
        return (np.asarray(picture(made, shape=shape)) == _rgb(write_shown.SEA)).all(axis=2).sum()

    noisy = ladder_of(noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 3e4))
    lost = sharing_pictures(publication(noisy))
    for shape in SIZES_PX:
        assert blue(lost, shape) < 0.5 * blue(shared("no verdict"), shape)


def test_the_alternative_text_says_all_of_it():
    said = shared("plain")["sharing/alt.txt"].decode()
    assert said.startswith("Marram 12: Does the output keep up with the volume? It keeps")
    assert said.endswith(f"{ladder().alt}\n")


def test_a_report_without_a_ladder_shares_its_words():
    made = shared("no ladder")
    assert made["sharing/alt.txt"].decode().endswith("falls −2.9 dB short.\n")
    assert not ink(made)[600:].any()


def test_a_reviewers_change_to_the_ladder_is_shared():
    changed = ladder().changed(lambda figure: figure.axes[0].set_visible(False))
    made = sharing_pictures(publication(make_picture(), changed))
    assert (ink(made) != ink(shared("plain"))).any()
