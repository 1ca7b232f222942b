"""Figures told apart by every kind of colour vision and in grey print, by simulation.

colorspacious 1.1: CAM02-UCS (Luo, Cui & Li 2006), in which about 1 is just told apart side by side;
colour vision after Machado, Oliveira & Fernandes 2009, severity 100 %.
"""

import re
from itertools import pairwise

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE
from matplotlib import colors

from reportlib.draw import style
from reportlib.session.files import templates_folder
from reportlib.write import shown

SIGHT = ("ordinary", "deuteranomaly", "protanomaly", "tritanomaly", "grey print")
CLEAR, PLAIN = 4.0, 8.0
"""Clearly told apart when not side by side; at a glance (a judgement, no source)."""


def seen(hex_colour, sight):
    """Return sRGB 0 to 1 as somebody sees it, or as a printer without colours gives it."""
    rgb = np.array(colors.to_rgb(hex_colour))
    if sight == "ordinary":
        return rgb
    if sight == "grey print":
        lightness = cspace_convert(rgb, "sRGB1", "CAM02-UCS")[0]
        return np.clip(cspace_convert([lightness, 0.0, 0.0], "CAM02-UCS", "sRGB1"), 0.0, 1.0)
    space = {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}
    return np.clip(cspace_convert(rgb, space, "sRGB1"), 0.0, 1.0)


def apart(one, other, sight):
    return float(deltaE(seen(one, sight), seen(other, sight), input_space="sRGB1"))


def test_the_measure_knows_what_colour_blind_readers_confuse():
    # a red and a green of one lightness: the textbook case, and no trouble for ordinary sight
    red, green = "#c0504d", "#6b8e23"
    assert apart(red, green, "ordinary") > 30.0
    assert apart(red, green, "deuteranomaly") < 0.5 * apart(red, green, "ordinary")
    assert apart("#000000", "#ffffff", "grey print") == pytest.approx(100.0, abs=1.0)


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(("count", "least"), [(2, 40.0), (3, 20.0), (5, 10.0), (8, 5.5)])
def test_neighbouring_levels_are_told_apart_by_colour_alone(count, least, sight):
    assert min(apart(a, b, sight) for a, b in pairwise(style.ramp(count))) >= least


@pytest.mark.parametrize("count", range(2, 16))
def test_and_by_weight_too(count):
    """Twelve levels and more are hard to tell by shade: each line is heavier than the last."""
    widths = style.weights(count)
    assert all(a < b for a, b in pairwise(widths))
    assert widths[-1] / widths[0] == pytest.approx(2.0)


@pytest.mark.parametrize("sight", SIGHT)
def test_the_maps_steps_are_told_apart(sight):
    for gain in (False, True):
        for count in (2, 4, 6):
            steps = (style.NO_CHANGE, *style.shades(count, gain=gain))
            assert min(apart(a, b, sight) for a, b in pairwise(steps)) >= CLEAR


@pytest.mark.parametrize("sight", SIGHT[:-1])
def test_a_gain_is_not_taken_for_a_loss(sight):
    # in grey print stripes tell them apart (tests/test_stress_figures.py)
    for loss, gain in zip(style.shades(4), style.shades(4, gain=True), strict=True):
        assert apart(loss, gain, sight) >= CLEAR


@pytest.mark.parametrize("sight", SIGHT)
def test_a_boxs_fill_stands_out_from_what_is_missing(sight):
    assert apart(shown.SEA, shown.WATER, sight) >= 30.0
    assert apart(shown.SEA, shown.INK, sight) >= PLAIN  # the lid on a full box


PAGE_CSS = (templates_folder() / "report" / "page.css").read_text("utf-8")
CARD = re.search(r"screen and .*?--card: (#\w{6})", PAGE_CSS, re.DOTALL)[1]


def in_the_dark(hex_colour):
    """Return a drawing's colour on the dark page (Filter Effects 1: invert, then hue-rotate)."""
    amount = float(re.search(r"figure svg { filter: invert\((.*?)\) hue-rotate", PAGE_CSS)[1])
    rgb = np.array(colors.to_rgb(hex_colour))
    inverted = rgb * (1.0 - amount) + (1.0 - rgb) * amount
    # hue-rotate(180deg): the matrix of 11.2 with cos = −1 and sin = 0
    grey = np.tile([0.213, 0.715, 0.072], (3, 1))
    return np.clip((2.0 * grey - np.eye(3)) @ inverted, 0.0, 1.0)


def luminance(rgb):
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))  # WCAG 2.2


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_drawings_can_be_read_in_the_dark():
    card = np.array(colors.to_rgb(CARD))
    for colour in (shown.INK, shown.MUTED):
        assert contrast(in_the_dark(colour), card) >= 4.5  # WCAG 2.2, 1.4.3
    for colour in (*style.ramp(8), shown.SEA):
        assert contrast(in_the_dark(colour), card) >= 3.0  # 1.4.11
    assert contrast(in_the_dark(shown.SEA), in_the_dark(shown.WATER)) >= 3.0
    # paper turns into the card: white strokes and grounds do not stand out from it
    assert contrast(in_the_dark("#ffffff"), card) < 1.1


def test_the_loudest_stands_out_most_in_the_dark_too():
    lights = [luminance(in_the_dark(colour)) for colour in style.ramp(5)]
    assert lights == sorted(lights)
    steps = [in_the_dark(colour) for colour in style.ramp(8)]
    assert min(float(deltaE(a, b, input_space="sRGB1")) for a, b in pairwise(steps)) >= CLEAR
