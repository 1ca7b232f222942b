"""A reviewer's change to a figure: on every drawing of it, followed by its words and its cursor."""

import json
import xml.etree.ElementTree as ET

import matplotlib
import pytest
from builders import make_analysis
from hostile import Reader

from reportlib.draw import over_frequency, over_time
from reportlib.errors import RenderError
from reportlib.publish.svg import read_drawing
from reportlib.write.shown import PICTURE_MIME

CHANGED = "The reviewer has changed how this is drawn."


@pytest.fixture(scope="module")
def turned_up():
    return over_frequency.turned_up(make_analysis())


def texts(svg):
    return [one.text for one in ET.fromstring(svg).iter() if one.tag.endswith("text")]


def test_a_change_is_made_to_every_drawing_and_lines_that_leave_are_said(turned_up):
    changed = turned_up.changed(lambda figure: figure.axes[0].set_ylim(-3.0, 1.0))
    for before, after in ((turned_up.svg, changed.svg), (turned_up.phone_svg, changed.phone_svg)):
        assert "−4" in texts(before)
        assert "−4" not in texts(after)
        assert "−3" in texts(after)
        assert not [words for words in texts(before) if "at 99 dB" in words]
        assert "−4.3 dB at 99 dB, −3.5 dB at 96 dB" in texts(after)
    assert changed.png != turned_up.png
    assert changed.height_px == turned_up.height_px + 17.0  # a row of words more


@pytest.mark.parametrize("low_db", [-1.0, -0.5])
def test_where_scales_hold_everything_a_changed_one_says_how_far_lines_go(low_db):
    picture = over_time.minute_by_minute(make_analysis())
    changed = picture.changed(lambda figure: [ax.set_ylim(low_db, 0.5) for ax in figure.axes])
    deepest = min(
        result.mean_db
        for result in make_analysis().bands
        if result.test == "long_term" and result.mean_db is not None
    )
    assert deepest < low_db
    number = f"−{abs(deepest):.1f}"
    for before, after in ((picture.svg, changed.svg), (picture.phone_svg, changed.phone_svg)):
        # beside the line's end, and beside the arrow where it leaves
        assert texts(after).count(number) == texts(before).count(number) + 1


def test_words_say_that_a_figure_was_changed_and_own_words_stay(turned_up):
    changed = turned_up.changed(lambda figure: figure.axes[0].set_ylim(-3.0, 1.0))
    assert changed.caption == f"{turned_up.caption} {CHANGED}"
    assert changed.alt == f"{turned_up.alt} {CHANGED}"
    assert not changed.own_words
    twice = changed.changed(lambda figure: figure.axes[0].set_title("Mine"))
    assert (twice.caption, twice.alt) == (changed.caption, changed.alt)
    assert "Mine" in texts(twice.svg)
    assert "−4.3 dB at 99 dB, −3.5 dB at 96 dB" in texts(twice.svg)
    own = turned_up.captioned("Mine.").changed(lambda figure: figure.axes[0].set_ylim(-3.0, 1.0))
    assert (own.caption, own.alt, own.own_words) == ("Mine.", changed.alt, True)
    assert changed.captioned("Mine.").caption == "Mine."


def test_the_cursor_follows_the_axes(turned_up):
    changed = turned_up.changed(lambda figure: figure.axes[0].set(xlim=(100.0, 5000.0)))
    record = changed.read_out
    assert (record.low_hz, record.high_hz) == (100.0, 5000.0)
    assert 100.0 <= record.frequency_hz[0] < record.frequency_hz[-1] <= 5000.0
    moved = turned_up.changed(lambda figure: figure.axes[0].set_position((0.2, 0.3, 0.5, 0.4)))
    assert (moved.read_out.left, moved.read_out.right) == pytest.approx((0.2, 0.7))
    assert (moved.read_out.top, moved.read_out.bottom) == pytest.approx((0.3, 0.7))
    assert moved.read_out.phone_box == pytest.approx((0.2, 0.7, 0.3, 0.7))
    json.dumps(moved._repr_mimebundle_()[PICTURE_MIME])


@pytest.mark.parametrize(
    "change",
    [
        lambda figure: figure.axes[0].set_xscale("linear"),
        lambda figure: figure.axes[0].remove(),
        lambda figure: figure.axes[0].set_position((0.5, 0.3, 0.8, 0.4)),
        lambda figure: figure.axes[0].invert_xaxis(),
    ],
    ids=["another scale", "no axes", "off the sheet", "turned round"],
)
def test_there_is_no_cursor_where_it_would_read_what_is_not_there(turned_up, change):
    assert turned_up.changed(change).read_out is None


def test_a_line_is_named_where_it_ends_within_new_sides():
    analysis = make_analysis()
    whole = over_frequency.turned_up(analysis)
    cut = whole.changed(lambda figure: figure.axes[0].set_xlim(20.0, 60.0))
    height_of = {
        svg: {
            one.text: float(one.get("y"))
            for one in ET.fromstring(svg).iter()
            if one.tag.endswith("text") and one.text in {"78 dB", "99 dB"}
        }
        for svg in (whole.svg, cut.svg)
    }
    # near 50 Hz the loudest line lies far below the others, at 20 kHz near them
    apart = [heights["99 dB"] - heights["78 dB"] for heights in height_of.values()]
    assert apart[1] > 1.5 * apart[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda figure: figure.axes[7], "IndexError: list index out of range"),
        (lambda figure: figure.axes[0].set_ylim("a\nb", 3), "ConversionError|ValueError|TypeError"),
        (lambda figure: figure.text(0, 0, "x", family=3), "Error: "),
        (lambda: None, "TypeError"),
    ],
    ids=["no such axes", "no number", "no such font", "no argument"],
)
def test_a_change_that_fails_is_one_line_that_names_its_cell(turned_up, change, words):
    with pytest.raises(RenderError, match=words) as caught:
        turned_up.changed(change)
    assert "the notebook's cell that changes the figure 'turned-up'" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    assert caught.value.__suppress_context__


def test_the_house_look_reaches_what_a_reviewer_adds_and_goes_no_further(turned_up):
    before = dict(matplotlib.rcParams)
    changed = turned_up.changed(lambda figure: figure.axes[0].text(50.0, -4.0, "$5 or $x^2$"))
    assert dict(matplotlib.rcParams) == before
    (added,) = (one for one in ET.fromstring(changed.svg).iter() if one.text == "$5 or $x^2$")
    assert "font-size: 12.5px" in added.get("style")
    again = turned_up.changed(lambda figure: figure.axes[0].text(50.0, -4.0, "$5 or $x^2$"))
    assert (again.svg, again.phone_svg, again.png) == (changed.svg, changed.phone_svg, changed.png)


def test_a_changed_figure_passes_the_border_of_publishing(turned_up):
    def everything(figure):
        ax = figure.axes[0]
        ax.imshow([[1, 2], [3, 4]], extent=(100, 200, -3, -2), aspect="auto")
        ax.bar([1000.0], [-2.0], width=500.0, hatch="//")
        ax.annotate("a peak", (80.0, 0.5), (300.0, 0.8), arrowprops={"arrowstyle": "->"})
        ax.scatter([50.0, 500.0], [-1.0, -2.0], gid='"><script>alert(1)</script>')
        ax.text(60.0, -4.0, "linked", url="javascript:alert(1)")

    source = turned_up.changed(everything).svg
    drawing = read_drawing(source, name="turned-up").inline(prefix="p-", alt="alt")
    found = Reader(drawing)
    assert found.harm == []
    assert {"script", "a"}.isdisjoint(tag for tag, _ in found.elements)
    assert "alert" not in drawing
    kept = {tag for tag, _ in found.elements}
    assert {"image", "pattern", "use", "text", "path"} <= kept
    assert "a peak" in found.text
