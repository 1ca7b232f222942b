"""Every text of a figure with its box, for tests that none is cut and none covers another."""

from itertools import combinations

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.lines import Line2D
from matplotlib.text import Text

from reportlib.figures import style

_BEHIND = {style.FAINT, style.RULE}
"""Grids and leaders: a word may stand on them."""


def written(figure):
    """Return every text of a figure with its box in pixels at 1×."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
    return [(text.get_text(), text, text.get_window_extent(renderer)) for text in texts]


def assert_apart(sheet, found):
    """Check that texts are large enough, inside the sheet and clear of each other and of curves."""
    for words, text, box in found:
        assert text.get_fontsize() >= 9.0, words
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
    drawn = [artist for artist in sheet.figure.artists if isinstance(artist, Line2D)]
    for line in [*drawn, *(line for axes in sheet.figure.axes for line in axes.lines)]:
        if line.get_color() in _BEHIND or line.get_linestyle() == "None":
            continue
        points = line.get_transform().transform(line.get_xydata().astype(float))
        if line.axes is not None:  # cut off at its frame
            window = line.axes.get_window_extent()
            points = np.clip(points, (window.x0, window.y0), (window.x1, window.y1))
        starts, ends = points[:-1], points[1:]
        fine = starts[:, None] + (ends - starts)[:, None] * np.linspace(0.0, 1.0, 40)[:, None]
        x, y = fine[np.isfinite(fine).all(axis=-1)].T
        for words, _, box in found:
            # a line's full ascent and descent belong to the box, most letters need less
            inside = (x > box.x0 + 1) & (x < box.x1 - 1) & (y > box.y0 + 3) & (y < box.y1 - 3)
            assert not inside.any(), words
