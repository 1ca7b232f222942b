"""The figures: nothing collides or leaves the frame, bytes repeat, settings stay alone."""

import functools
import io
import logging
import re
import warnings
import xml.etree.ElementTree as ET

import matplotlib
import numpy as np
import pytest
from builders import make_analysis
from figure_texts import Sheet, assert_apart, drawn, written
from invented import bump, no_change, vented_loss
from matplotlib import colors
from PIL import Image

from reportlib.draw import figures, over_frequency, style
from reportlib.draw.drawing import draw_line
from reportlib.draw.sheet import add_panel, new_figure, write
from reportlib.draw.style import PAGE, PHONE

LEVELS = (78.0, 84.0, 90.0, 96.0, 99.0)
EIGHT_LEVELS = (75.0, 78.0, 81.0, 84.0, 87.0, 90.0, 93.0, 96.0)
FORTY_LETTERS = "Marram 12 on the tall stand, grille taken"


def port_and_dip(frequency_hz, rise_db):
    """Return 25 dB lost around 50 Hz and 14 dB in a narrow dip at 9 kHz."""
    deep = 25.0 * bump(frequency_hz, 50.0, octaves=0.5)
    dip = 14.0 * bump(frequency_hz, 9000.0, octaves=0.1)
    return -((rise_db / 27.0) ** 2) * (deep + dip)


def gains(frequency_hz, rise_db):
    """Return 7 dB more than asked for at 3 kHz, 1.5 dB less at 60 Hz."""
    peak = 7.0 * bump(frequency_hz, 3000.0, octaves=0.4)
    return (rise_db / 27.0) ** 2 * (peak - 1.5 * bump(frequency_hz, 60.0, octaves=0.5))


CASES = {
    "plain": {},
    "one level": {"levels_db": (90.0,), "long_term_levels_db": (), "name": "Abc"},
    "eight levels": {
        "levels_db": EIGHT_LEVELS,
        "name": FORTY_LETTERS,
        "long_term_levels_db": (74.0, 78.0, 82.0, 86.0, 90.0, 94.0),
        "stage_ends_s": (30.0, 60.0, 120.0, 600.0),
    },
    "close levels": {"levels_db": tuple(np.arange(73.5, 91.0, 1.5))},
    "a very long name": {"name": FORTY_LETTERS * 6},
    "deep losses": {
        "change": port_and_dip,
        "warming": lambda f, rise, _: 0.5 * port_and_dip(f, rise),
        "stage_ends_s": (60.0,),
    },
    "deep losses at eight levels": {"change": port_and_dip, "levels_db": EIGHT_LEVELS},
    "everything 25 dB short": {"change": lambda f, rise: np.full_like(f, -0.9 * rise)},
    "gains": {"change": gains, "warming": lambda f, rise, _: 0.5 * gains(f, rise)},
    "noise at both ends": {
        "noise_below_hz": {78.0: 120.0, 84.0: 80.0, 90.0: 50.0},
        "noise_above_hz": {78.0: 5000.0, 84.0: 9000.0},
        "long_noise_below_hz": {82.0: 400.0},
    },
    "all in noise": {
        "noise_below_hz": dict.fromkeys(LEVELS, 3e4),
        "long_noise_below_hz": {82.0: 3e4, 92.0: 3e4},
    },
    "gate of 6 ms, noise above": {"gate_s": 0.006, "noise_above_hz": {78.0: 12000.0}},
    "narrow sweep": {"sweep_range_hz": (200.0, 8000.0)},
    "linear": {"change": no_change, "warming": lambda f, *_: 0.0 * f, "measured_steps": False},
    "text": {"source": "text", "u95_db": 0.4, "harmonics": False},
    "wide intervals": {"band_u95_db": 0.6, "u95_db": 0.48},
    "fourteen levels": {"levels_db": tuple(73.5 + 2.0 * step for step in range(14))},
    "half decibels": {"levels_db": (78.5, 84.5, 90.5), "long_term_levels_db": (82.5, 92.5)},
}
DRAWN = ("level_ladder", "turned_up", "left_playing", "distortion", "minute_by_minute")
OVER_FREQUENCY = {"turned_up", "left_playing"}
"""What every case draws otherwise; the rest only changes where names, levels or steps do."""
EVERYWHERE = {
    "one level", "eight levels", "a very long name", "everything 25 dB short",
    "all in noise", "text", "fourteen levels",
}  # fmt: skip
EMPTY = {
    *(
        (still, figure)
        for still in ("one level", "all in noise", "linear")
        for figure in ("left_playing", "minute_by_minute")
    ),
    ("text", "distortion"),
}


@pytest.fixture(scope="module")
def pictures():
    """Return every picture of the plain analysis, by the name of its function."""
    analysis = make_analysis()
    return {figure: getattr(figures, figure)(analysis) for figure in DRAWN}


@functools.cache
def day(case):
    return make_analysis(**CASES[case])


@pytest.mark.parametrize("paper", [PAGE, PHONE], ids=["page", "phone"])
@pytest.mark.parametrize(
    ("case", "figure"),
    [
        pytest.param(
            case,
            figure,
            marks=() if case in EVERYWHERE or figure in OVER_FREQUENCY else pytest.mark.slow,
        )
        for case in CASES
        for figure in DRAWN
    ],
)
def test_no_text_leaves_the_frame_or_touches_another(case, figure, paper):
    analysis = day(case)
    if (case, figure) in EMPTY:
        assert getattr(figures, figure)(analysis) is None
        return
    sheet = drawn(figure, analysis, paper=paper)
    found = assert_apart(sheet)
    assert sheet.width_px == paper.width_px  # 360 less the page's margins: nothing is scaled down
    assert len(found) > 8
    assert min(size for _, size, _ in found) >= (11.0 if paper.narrow else 9.0)


@pytest.mark.parametrize("figure", DRAWN)
def test_a_figure_travels_with_its_phones_drawing(figure, pictures):
    picture = pictures[figure]
    phone = ET.fromstring(picture.phone_svg)
    texts = [element.text for element in phone.iter() if element.tag.endswith("text")]
    assert "Trivet 6" in texts
    assert (phone.get("width"), picture.width_px) == ("330", 720.0)
    assert len(picture.phone_svg) < 120_000


def test_both_drawings_show_the_same_curves(pictures):
    """The read-out's boxes name the axes of either: the same values stand at the same shares."""
    analysis = make_analysis()
    record = pictures["turned_up"].read_out
    boxes = {PAGE: (record.left, record.right, record.top, record.bottom), PHONE: record.phone_box}
    for paper, box in boxes.items():
        sheet = drawn("turned_up", analysis, paper=paper)
        (ax,) = sheet.figure.axes
        place = ax.get_window_extent()
        assert box == pytest.approx(
            (
                place.x0 / sheet.width_px,
                place.x1 / sheet.width_px,
                1.0 - place.y1 / sheet.height_px,
                1.0 - place.y0 / sheet.height_px,
            )
        )
        curves = curves_of(sheet, analysis)
        assert len(curves) == len(analysis.short_term)
        for line, curve in zip(curves, analysis.short_term, strict=True):
            points = line.get_transform().transform(line.get_xydata())
            octaves = np.log(curve.frequency_hz / record.low_hz)
            octaves /= np.log(record.high_hz / record.low_hz)
            np.testing.assert_allclose((points[:, 0] - place.x0) / place.width, octaves, atol=1e-9)
            np.testing.assert_array_equal(line.get_ydata(), curve.change_db)


def curves_of(sheet, analysis):
    """Return the lines of the short-term curves, quietest first."""
    count = analysis.short_term[0].frequency_hz.size
    return [line for line in sheet.figure.axes[0].lines if len(line.get_xdata()) == count]


def test_the_overlap_check_sees_an_overlap():
    sheet = drawn(
        "level_ladder",
        make_analysis(),
        change=lambda figure: write(figure, "upon the title", x=6.0, y=40.0),
    )
    with pytest.raises(AssertionError, match="upon the title"):
        assert_apart(sheet)


def test_the_check_sees_a_curve_through_a_word():
    def strike_out(figure):
        ax = add_panel(figure, left=0.0, top=0.0, width=300.0, height=30.0)
        ax.set_axis_off()
        ax.plot((0.0, 1.0), (0.5, 0.5), color=style.SEA)

    sheet = drawn("level_ladder", make_analysis(), change=strike_out)
    with pytest.raises(AssertionError, match=r"Trivet 6|how much"):
        assert_apart(sheet)


@pytest.mark.parametrize("figure", DRAWN)
def test_a_figure_is_the_same_byte_for_byte_whatever_the_readers_settings(figure, pictures):
    picture = pictures[figure]
    with matplotlib.rc_context(
        {
            "svg.fonttype": "path",
            "text.usetex": True,
            "font.family": "monospace",
            "savefig.bbox": "tight",
            "figure.facecolor": "black",
            "lines.linewidth": 9.0,
        }
    ):
        before = dict(matplotlib.rcParams)
        again = getattr(figures, figure)(make_analysis())
        assert dict(matplotlib.rcParams) == before
    assert again.svg == picture.svg
    assert again.phone_svg == picture.phone_svg
    assert again.png == picture.png


@pytest.mark.parametrize("figure", DRAWN)
def test_the_vector_file_is_plain_and_its_text_stays_text(figure, pictures):
    picture = pictures[figure]
    root = ET.fromstring(picture.svg)
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert tags <= {"svg", "g", "path", "text", "tspan", "defs", "clipPath", "rect", "use"}
    assert "Trivet 6" in [element.text for element in root.iter() if element.tag.endswith("text")]
    assert (float(root.get("width")), float(root.get("height"))) == (
        picture.width_px,
        picture.height_px,
    )
    assert picture.width_px == PAGE.width_px
    assert re.findall(r"font-family: ([^;\"]*)", picture.svg) == [style.FONTS_SHOWN]
    assert len(picture.svg) < 120_000


@pytest.mark.parametrize("figure", DRAWN)
def test_the_pixel_file_is_twice_the_size_on_white(figure, pictures):
    picture = pictures[figure]
    image = Image.open(io.BytesIO(picture.png))
    assert image.size == (2 * picture.width_px, 2 * picture.height_px)
    assert image.getpixel((image.width - 1, 0)) == (255, 255, 255, 255)
    assert image.convert("L").getextrema()[0] < 60


@pytest.mark.parametrize("name", ["潮汐 3", "R&D <b>", "cash $12$ or $x^2$", "Ω–½"])
def test_any_name_can_be_written(name, caplog):
    with warnings.catch_warnings(), caplog.at_level(logging.WARNING):
        warnings.simplefilter("error")
        picture = over_frequency.turned_up(make_analysis(name=name))
    assert not caplog.records
    written_texts = [element.text for element in ET.fromstring(picture.svg).iter()]
    assert name in written_texts


def test_figures_without_anything_to_show_are_none():
    nothing = make_analysis(levels_db=(), long_term_levels_db=())
    assert [getattr(figures, figure)(nothing) for figure in DRAWN] == [None] * len(DRAWN)


def test_what_may_not_be_used_is_not_in_the_line():
    analysis = make_analysis(noise_below_hz={99.0: 100.0})
    sheet = drawn("turned_up", analysis)
    loudest = analysis.short_term[-1]
    shown = curves_of(sheet, analysis)[-1].get_ydata()
    np.testing.assert_array_equal(np.isnan(shown), loudest.frequency_hz < 100.0)
    told = loudest.frequency_hz >= 100.0
    np.testing.assert_array_equal(shown[told], loudest.change_db[told])


def test_a_line_that_leaves_the_scale_ends_in_an_arrow_and_says_how_far():
    sheet = drawn("turned_up", make_analysis(change=port_and_dip))
    # 99 dB twice, 96 dB in the bass: each by an arrow of its own
    arrows = [line for line in sheet.figure.axes[0].lines if line.get_marker() in ("v", "^")]
    assert len(arrows) == 3
    deepest = np.min(make_analysis(change=port_and_dip).short_term[-1].change_db)
    words = [words for words, _, _ in written(sheet) if "at 99 dB" in words]
    assert f"−{abs(deepest):.1f} dB at 99 dB" in words[0]
    assert len(words) == 2  # the dip at 9 kHz too


def test_a_point_without_neighbours_is_a_dot():
    xs, ys = np.arange(5.0), np.array([1.0, np.nan, 2.0, 3.0, np.nan])
    figure = new_figure(PAGE)
    ax = add_panel(figure, left=0.0, top=0.0, width=4.0, height=4.0)
    draw_line(ax, xs, y=ys, color=style.SEA)
    _, dots = ax.lines
    np.testing.assert_array_equal(dots.get_xydata(), [(0.0, 1.0)])


def test_what_cannot_be_told_is_named_in_words():
    analysis = make_analysis(gate_s=0.006, noise_above_hz=dict.fromkeys(LEVELS, 8000.0))
    words = [words for words, _, _ in written(drawn("turned_up", analysis))]
    assert "beyond what the gate resolves" in words
    assert "lost in noise" in words


@pytest.mark.parametrize(("first", "last"), [("78 dB", "99 dB")])
def test_every_line_is_named_and_louder_losses_stand_lower(first, last):
    found = written(drawn("turned_up", make_analysis()))
    heights = {words: box.y0 for words, _, box in found if re.fullmatch(r"\d\d dB", words)}
    assert list(heights) == ["78 dB", "84 dB", "90 dB", "96 dB", "99 dB"]
    assert sorted(heights, key=heights.get)[0] == last
    assert sorted(heights, key=heights.get)[-1] == first


def linear(hex_colour):
    """Return linear red, green and blue of an sRGB colour (IEC 61966-2-1)."""
    encoded = np.array(colors.to_rgb(hex_colour))
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def luminance(hex_colour):
    """Return relative luminance (WCAG 2.2; ITU-R BT.709 weights)."""
    return float(linear(hex_colour) @ (0.2126, 0.7152, 0.0722))


def cie_lightness(hex_colour):
    """Return L* (CIE 15:2004, 8.2.1.1) over white at luminance 1."""
    y = luminance(hex_colour)
    return 116.0 * np.cbrt(y) - 16.0 if y > (6.0 / 29.0) ** 3 else y * (29.0 / 3.0) ** 3


def test_the_checks_own_lightness_is_right():
    # #777777, known as the middle grey of sRGB: L* 50.0 (from memory)
    assert cie_lightness("#777777") == pytest.approx(50.0, abs=0.1)
    assert cie_lightness("#ffffff") == pytest.approx(100.0, abs=0.01)


@pytest.mark.parametrize("count", [2, 3, 5, 8])
def test_the_ramp_is_told_apart_by_lightness_alone(count):
    lightness = [cie_lightness(colour) for colour in style.ramp(count)]
    steps = -np.diff(lightness)
    np.testing.assert_allclose(steps, 46.0 / (count - 1), atol=0.5)
    assert steps.min() > 6.0
    widths = style.weights(count)
    assert list(widths) == sorted(set(widths))


def test_the_ramp_and_the_words_stand_out_from_white():
    # WCAG 2.2: 1.4.11 asks 3:1 of graphics, 1.4.3 asks 4.5:1 of text
    assert 1.05 / (luminance(style.ramp(8)[0]) + 0.05) >= 3.0
    assert 1.05 / (luminance(style.SEA) + 0.05) >= 3.0
    for colour in (style.INK, style.MUTED):
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5


def test_one_hue_and_no_other():
    hues = [
        colors.rgb_to_hsv(colors.to_rgb(colour))[0] * 360.0
        for colour in (*style.ramp(8), style.SEA, style.WATER)
    ]
    assert max(hues) - min(hues) < 15.0


def test_the_drawn_band_is_as_wide_as_the_interval():
    analysis = make_analysis(levels_db=(90.0,), change=no_change, ripple_db=0.0, u95_db=0.25)
    ax = drawn("turned_up", analysis).figure.axes[0]
    zero, band = [soft.get_paths()[0].vertices[:, 1] for soft in ax.collections]
    assert (band.min(), band.max()) == pytest.approx((-0.25, 0.25))
    widest = float(np.max(analysis.baseline.u95_db[analysis.baseline.usable]))
    assert zero.max() == pytest.approx(widest)


def test_boxes_are_filled_by_the_share_of_the_rise():
    # half of the power is 10·lg 2 = 3.01 dB less, and far above the baseline half of the rise
    half = make_analysis(
        levels_db=(112.0,), change=lambda f, _: np.full_like(f, -10.0 * np.log10(2.0)), ripple_db=0
    )
    water, filled, _ = drawn("level_ladder", half).figure.axes[0].patches
    heights = [patch.get_window_extent().height for patch in (water, filled)]
    assert heights[1] / heights[0] == pytest.approx(0.5, abs=1e-3)


def test_vented_loss_is_the_case_that_people_see():
    # guards the builder that the pictures above rest on
    assert vented_loss(np.array([52.0]), 27.0)[0] == pytest.approx(-4.35, abs=0.05)


def test_a_long_line_in_the_vector_file_stays_within_a_tenth_of_a_pixel():
    rng = np.random.default_rng(5)
    xs, ys = np.linspace(10.0, 700.0, 900), rng.uniform(10.0, 90.0, 900)
    with style.house():
        figure = new_figure(PAGE)
        ax = add_panel(figure, left=0.0, top=0.0, width=720.0, height=100.0)
        ax.set_axis_off()
        ax.set(xlim=(0.0, 720.0), ylim=(100.0, 0.0))
        ax.plot(xs, ys)
    svg = Sheet(figure).svg
    start, steps = re.search(r'd="M([-\d. ]+)l([-\d. ]+)', svg).groups()
    moves = np.array(re.findall(r"-?(?:\d+\.\d+|\.\d+|\d+)", steps), dtype=float).reshape(-1, 2)
    found = np.cumsum([np.array(start.split(), dtype=float), *moves], axis=0)
    np.testing.assert_allclose(found, np.stack([xs, ys], axis=1), atol=0.051)
