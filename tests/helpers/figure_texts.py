"""Every text of a figure with its box, for tests that none is cut and none covers another.

Texts are those of the vector file; matplotlib measures their letters, which draws nothing here.
"""

import functools
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from matplotlib import colors
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextToPath

from reportlib.draw import harmonics, ladder, over_frequency, over_time, stress, style
from reportlib.draw.pictures import svg_text
from reportlib.draw.sheet import size_px
from reportlib.many import drawing, figures

DRAW = {
    "level_ladder": ladder.draw_ladder,
    "turned_up": over_frequency.draw_turned_up,
    "left_playing": over_time.draw_left_playing,
    "distortion": harmonics.draw_distortion,
    "minute_by_minute": over_time.draw_minutes,
    "stress_map": stress.draw_map,
    "coil": stress.draw_coil,
    "at_equal_output": drawing.draw_output,
    "beside_limits": figures.draw_limits,
    "beside_left_playing": figures.draw_left_playing,
}
"""What draws each figure on one paper, by the name of its public function."""
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


class Sheet:
    """A figure, its size and its vector file."""

    def __init__(self, figure):
        with style.house():
            self.svg = svg_text(figure, name="sheet")
        self.figure = figure
        self.width_px, self.height_px = size_px(figure)


def drawn(figure, about, *, paper=style.PAGE, change=None):
    """Return a figure on one paper, changed by `change` before it is written."""
    with style.house():
        found = DRAW[figure](about, paper)
        if change:
            change(found)
    return Sheet(found)


def written(sheet):
    """Return every text of a sheet with its size and its box."""
    found = []
    root = ET.fromstring(sheet.svg)
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        paint = dict(part.split(": ") for part in text.get("style").split("; "))
        size = float(paint["font-size"].removesuffix("px"))
        width = size * width_of(text.text, weight=int(paint.get("font-weight", 400)))
        anchor = {"start": 0.0, "middle": 0.5, "end": 1.0}[paint.get("text-anchor", "start")]
        moved = re.fullmatch(
            r"translate\((\S+) (\S+)\)( rotate\(-90\))?", text.get("transform", "")
        )
        at = moved.groups()[:2] if moved else (text.get("x"), text.get("y"))
        x, y = map(float, at)
        left = -anchor * width
        corners = [(left, -_ASCENT * size), (left + width, _DESCENT * size)]
        if moved and moved[3]:
            corners = [(down, -along) for along, down in corners]
        corners = [(x + across, y + down) for across, down in corners]
        xs, ys = zip(*corners, strict=True)
        high = sheet.height_px
        found.append((text.text, size, Box(min(xs), high - max(ys), max(xs), high - min(ys))))
    return found


@functools.cache
def width_of(text, *, weight):
    """Return how wide matplotlib sets a text, in ems."""
    font = FontProperties(family=[style.FONT], size=100.0, weight=weight)
    return TextToPath().get_text_width_height_descent(text, font, ismath=False)[0] / 100.0


def assert_apart(sheet):
    """Check that texts are large enough, inside the sheet and clear of each other and of curves."""
    found = written(sheet)
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
    return found


def _assert_clear_of_curves(sheet, found):
    """Check that no curve runs through a text."""
    drawn_lines = [(frame, line) for frame in sheet.figure.axes for line in frame.lines]
    for ax, line in drawn_lines:
        bare = line.get_linestyle() == "None" or not line.get_visible()
        if bare or colors.to_hex(line.get_color()) in _BEHIND:
            continue
        points = line.get_transform().transform(np.asarray(line.get_xydata(), dtype=float))
        if line.get_clip_on():
            points = np.clip(points, (ax.bbox.x0, ax.bbox.y0), (ax.bbox.x1, ax.bbox.y1))
        starts, ends = points[:-1], points[1:]
        fine = starts[:, None] + (ends - starts)[:, None] * np.linspace(0.0, 1.0, 40)[:, None]
        x, y = fine[np.isfinite(fine).all(axis=-1)].T
        for words, _, box in found:
            # a line's full ascent and descent belong to the box, most letters need less
            inside = (x > box.x0 + 1) & (x < box.x1 - 1) & (y > box.y0 + 3) & (y < box.y1 - 3)
            assert not inside.any(), words
