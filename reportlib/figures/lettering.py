"""Text measured before it is placed, so that nothing needs a second layout pass."""

import bisect
import unicodedata
from functools import lru_cache

from PIL import ImageFont

from reportlib.fonts import FIGURE_FONTS, shipped_font

ASCENT = 0.76
"""How far the font's tall letters rise above the baseline, in ems."""
_HINTING = 1.04
"""Letters set on whole pixels need up to so much more room than their outlines say."""
_EM = 2048
"""The font's own units an em: measured at this size, nothing is rounded."""


@lru_cache(maxsize=2048)
def text_width(text: str, *, size: float, weight: str = "normal") -> float:
    """Return how wide a line of text comes out at most, in pixels, however letters are hinted."""
    font = _font(bold=weight == "bold")
    # Letters as wide as they are high, which the font lacks, are an em wide in all that have them.
    full = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    known = "".join(one for one in text if unicodedata.east_asian_width(one) not in "WF")
    return _HINTING * size * (font.getlength(known) / _EM + full)


@lru_cache(maxsize=2)
def _font(*, bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(shipped_font(FIGURE_FONTS[bold]), _EM)


def fitted(text: str, *, size: float, width: float, weight: str = "normal") -> str:
    """Return the text, shortened with an ellipsis where it is wider than `width`."""
    if text_width(text, size=size, weight=weight) <= width:
        return text
    fits = bisect.bisect_right(
        range(len(text)),
        width,
        key=lambda count: text_width(text[:count] + "…", size=size, weight=weight),
    )
    return text[: max(fits - 1, 0)].rstrip() + "…"


def wrapped(text: str, *, size: float, width: float, weight: str = "normal") -> list[str]:
    """Return the text in lines no wider than `width`, broken between words."""
    space = text_width(" ", size=size, weight=weight)
    lines: list[str] = []
    end = width
    for word in text.split(" "):
        wide = text_width(word, size=size, weight=weight)
        if lines and end + space + wide <= width:
            lines[-1] += f" {word}"
            end += space + wide
        else:
            lines.append(word)
            end = wide
    return lines
