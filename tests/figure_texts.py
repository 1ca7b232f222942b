"""Every text of a figure with its box, for tests that none is cut and none covers another.

Texts are those of the vector file; matplotlib measures their letters, which draws nothing here.
"""

import functools
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

from reportlib.figures import style
from reportlib.figures.marks import Group, Line

_BEHIND = {style.FAINT, style.RULE}
"""Grids and leaders: a word may stand on them."""
_ASCENT, _DESCENT = 1556 / 2048, 492 / 2048
"""DejaVu Sans, OS/2 table: sTypoAscender and sTypoDescender over unitsPerEm."""


@dataclass(frozen=True)
class Box:
    """Pixels at 1× from the sheet's lower left corner."""

    x0: float
    y0: float
    x1: float
    y1: float


def written(sheet):
    """Return every text of a sheet with its size and its box."""
    found = []
    root = ET.fromstring(sheet.svg())
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        paint = dict(part.split(": ") for part in text.get("style").split("; "))
        size = float(paint["font-size"].removesuffix("px"))
        width = size * width_of(text.text, weight=int(paint.get("font-weight", 400)))
        anchor = {"start": 0.0, "middle": 0.5, "end": 1.0}[paint.get("text-anchor", "start")]
        left, down = float(text.get("x")) - anchor * width, float(text.get("y"))
        corners = [(left, down - _ASCENT * size), (left + width, down + _DESCENT * size)]
        turned = re.fullmatch(r"rotate\(-90 (\S+) (\S+)\)", text.get("transform", ""))
        if turned:
            x, y = map(float, turned.groups())
            corners = [(x + b - y, y - (a - x)) for a, b in corners]
        xs, ys = zip(*corners, strict=True)
        high = sheet.height_px
        found.append((text.text, size, Box(min(xs), high - max(ys), max(xs), high - min(ys))))
    return found


@functools.cache
def width_of(text, *, weight):
    """Return how wide matplotlib sets a text, in ems."""
    font = FontProperties(family=[style.FONT], size=100.0, weight=weight)
    return TextToPath().get_text_width_height_descent(text, font, ismath=False)[0] / 100.0


def assert_apart(sheet, found):
    """Check that texts are large enough, inside the sheet and clear of each other and of curves."""
    for words, size, box in found:
        assert size >= 9.0, words
        assert box.x0 >= 0.0, words
        assert box.y0 >= 0.0, words
        assert box.x1 <= sheet.width_px, words
        assert box.y1 <= sheet.height_px, words
    for (words, _, box), (other_words, _, other) in combinations(found, 2):
        across = min(box.x1, other.x1) - max(box.x0, other.x0)
        down = min(box.y1, other.y1) - max(box.y0, other.y0)
        # Boxes hold the line's full ascent and descent: two of those may share a hair.
        assert min(across, down) < 1.5, (words, other_words)
    _assert_clear_of_curves(sheet, found)


def _assert_clear_of_curves(sheet, found):
    """Check that no curve runs through a text."""
    drawn = [(line, None) for line in sheet.marks if isinstance(line, Line)]
    drawn += [(line, group.frame) for group in groups(sheet) for line in lines(group)]
    for line, frame in drawn:
        if line.colour in _BEHIND:
            continue
        points = line.points
        if frame is not None:  # cut off at its frame
            left, top, width, height = frame
            points = np.clip(points, (left, top), (left + width, top + height))
        starts, ends = points[:-1], points[1:]
        fine = starts[:, None] + (ends - starts)[:, None] * np.linspace(0.0, 1.0, 40)[:, None]
        x, y = fine[np.isfinite(fine).all(axis=-1)].T
        y = sheet.height_px - y
        for words, _, box in found:
            # a line's full ascent and descent belong to the box, most letters need less
            inside = (x > box.x0 + 1) & (x < box.x1 - 1) & (y > box.y0 + 3) & (y < box.y1 - 3)
            assert not inside.any(), words


def groups(sheet):
    """Return the curves of each frame of a sheet."""
    return [mark for mark in sheet.marks if isinstance(mark, Group)]


def lines(group):
    """Return the lines among the curves of a frame."""
    return [mark for mark in group.marks if isinstance(mark, Line)]


def read_off(sheet, ys):
    """Return the decibels of heights on a sheet of one panel, read off the numbers beside it."""
    at = {}
    for words, size, box in written(sheet):
        if re.fullmatch(r"(0|[+−][\d.]+)( dB)?", words):
            number = float(words.removesuffix(" dB").replace("−", "-"))
            # numbers stand with the middle of their digits, half an ascent up, at their value
            baseline = sheet.height_px - box.y0 - _DESCENT * size
            at[number] = baseline - 0.5 * _ASCENT * size
    low, high = min(at), max(at)
    return low + (np.asarray(ys) - at[low]) * (high - low) / (at[high] - at[low])
