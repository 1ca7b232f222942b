"""Where words go so that none covers another: text measured, intervals in pixels moved apart."""

import bisect
import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from PIL import ImageFont
from scipy.optimize import isotonic_regression

from reportlib.fonts import FIGURE_FONTS, shipped_font

_HINTING = 1.04
"""Letters set on whole pixels need up to so much more room than their outlines say."""
_EM = 2048
"""The font's own units an em: measured at this size, nothing is rounded."""
_NO_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (2.2) does not allow, and no name needs."""


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


def plain(text: str) -> str:
    """Return a stranger's text with a sign for each character that is none in an XML file."""
    return _NO_TEXT.sub("\ufffd", text)


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


def spread(wanted: Sequence[float], *, gap: float, low: float, high: float) -> tuple[float, ...]:
    """Move centres apart by as little as possible.

    Least squares under "no two closer than `gap`", kept inside `low` to `high`. Where more are
    wanted than fit, they are spaced evenly and closer.

    Parameters
    ----------
    wanted : shape (n,), in any order

    Returns
    -------
    shape (n,), in the order of `wanted`

    Examples
    --------
    >>> spread([10.0, 11.0, 40.0], gap=10.0, low=0.0, high=100.0)
    (5.5, 15.5, 40.0)
    """
    count = len(wanted)
    if count == 0:
        return ()
    gap = min(gap, (high - low) / max(count - 1, 1))
    order = sorted(range(count), key=lambda index: (wanted[index], index))
    # With the gaps taken out, "no closer than gap" becomes "never decreasing".
    gaps = gap * np.arange(count)
    flat = isotonic_regression(np.array([wanted[index] for index in order]) - gaps).x
    placed = np.empty(count)
    placed[order] = np.clip(flat, low, max(high - gaps[-1], low)) + gaps
    return tuple(placed.tolist())


def in_order(wanted: Sequence[float], *, within: float) -> tuple[float, ...]:
    """Give near neighbours the order that they are listed in.

    Where a later value lies above an earlier one by less than `within`, the two trade places;
    larger differences stand.

    Examples
    --------
    >>> in_order([12.0, 10.0, 50.0, 20.0], within=5.0)
    (10.0, 12.0, 50.0, 20.0)
    """
    values = list(wanted)
    for _ in values:
        for index in range(len(values) - 1):
            if 0.0 < values[index] - values[index + 1] < within:
                values[index], values[index + 1] = values[index + 1], values[index]
    return tuple(values)


def in_rows(
    centres: Sequence[float], *, widths: Sequence[float], gap: float, low: float, high: float
) -> tuple[tuple[int, float], ...]:
    """Lay labels out in as few rows as needed, each near its centre and inside `low` to `high`.

    Returns
    -------
    one (row, left edge) a label, in the order given; row 0 first
    """
    order = sorted(range(len(centres)), key=lambda index: centres[index])
    ends: list[float] = []
    placed: dict[int, tuple[int, float]] = {}
    for index in order:
        width = widths[index]
        left = min(max(centres[index] - width / 2.0, low), max(high - width, low))
        row = next((row for row, end in enumerate(ends) if left >= end + gap), len(ends))
        if row == len(ends):
            ends.append(left + width)
        else:
            ends[row] = left + width
        placed[index] = (row, left)
    return tuple(placed[index] for index in range(len(centres)))
