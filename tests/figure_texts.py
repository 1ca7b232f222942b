"""Every text of a figure with its box, for tests that none is cut and none covers another."""

from itertools import combinations

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text


def written(figure):
    """Return every text of a figure with its box in pixels at 1×."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_visible()]
    return [(text.get_text(), text, text.get_window_extent(renderer)) for text in texts]


def assert_apart(sheet, found):
    """Check that texts are large enough, inside the sheet and clear of each other."""
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
