"""A caption set in code is published when it is shown; where it isn't, its cell is named."""

import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output
from sample_notebook import make_picture, make_table

from reportlib.publish.ready import not_shown


def cell(source, *shown, run=1, **about):
    outputs = [
        new_output("display_data", data=one._repr_mimebundle_(), metadata={}) for one in shown
    ]
    return new_code_cell(source, outputs=outputs, execution_count=run, metadata=about)


def behind(*cells):
    return not_shown(new_notebook(cells=list(cells)))


DRAFTED, MINE = make_picture(), make_picture().captioned("The bass gives in.")
BARE = "figures.turned_up(report)"
SET = f'{BARE}.captioned("The bass gives in.")'


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        (SET, DRAFTED),
        (f'{BARE}.captioned(caption="The bass gives in.")', DRAFTED),
        (f"{BARE}.captioned(\n    'The bass '\n    'gives in.', alt=text)", DRAFTED),
        (f'{BARE}.captioned("The bass gives in already.")', MINE),
        (f'picture = {BARE}\npicture.captioned("Otherwise.")', DRAFTED),
        (f'mine = {BARE}.captioned("Otherwise.")\nmine', MINE),
        (f'x = 1\ndisplay({BARE}.captioned("Otherwise."))\nprint(x)', MINE),
        ('tables.band_table(report).captioned("Otherwise.")', make_table()),
        (BARE, MINE),  # the caption was taken out again
    ],
)
def test_a_caption_that_is_not_the_one_shown_names_its_cell(source, shown):
    assert behind(cell("x = 1"), cell(source, shown)) == ("cell 2",)
    assert behind(cell(source, shown, upheld={"cell": "turned-up-figure"})) == ("turned-up-figure",)


@pytest.mark.parametrize(
    ("source", "shown"),
    [
        (SET, MINE),
        (f"{BARE}.captioned(\n    'The bass '\n    'gives in.', alt=text)", MINE),
        (BARE, DRAFTED),
        (f"{BARE}.captioned(words)", MINE),
        (f"{BARE}.captioned(f'{{band}} gives in.')", MINE),
        (f"show({BARE})", MINE),
        ('mine(report).captioned("Of no figure of ours.")', DRAFTED),
        (f"%matplotlib inline\n{SET}", DRAFTED),
        (f'left = {BARE}.captioned("Not shown.")\nfigures.coil(report)', DRAFTED),
        ("x" + ".y" * 5000, DRAFTED),
        ("x = x\nx", DRAFTED),
    ],
)
def test_what_is_shown_or_cannot_be_compared_is_left_alone(source, shown):
    assert behind(cell(source, shown)) == ()


def test_a_cell_that_was_never_run_is_named_one_that_shows_nothing_is_not():
    assert behind(cell(SET, run=None)) == ("cell 1",)
    assert behind(cell(SET, run=7)) == ()


def test_each_of_several_captions_counts():
    both = f"display({SET})\ndisplay(tables.band_table(report).captioned('The bands.'))"
    assert behind(cell(both, MINE, make_table().captioned("The bands."))) == ()
    assert behind(cell(both, MINE, make_table())) == ("cell 1",)


def test_a_cell_that_is_not_published_may_be_behind():
    assert behind(cell(SET, DRAFTED, tags=["notebook-only"])) == ()
