"""How figures look: papers, colours, sizes, and the style sheet that matplotlib reads.

Everything is drawn in one hue, sea blue, from light to nearly black; what is louder is darker
and heavier, so that figures survive grey print and every kind of colour vision. Lengths are
CSS pixels at 1×.
"""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import matplotlib as mpl
import matplotlib.style
from matplotlib.colors import LinearSegmentedColormap, to_hex

from reportlib.write import shown

T = TypeVar("T")

INK = shown.INK
MUTED = shown.MUTED
RULE = shown.RULE
FAINT = shown.FAINT
UNTOLD = shown.UNTOLD
UNTOLD_ALPHA = 0.34
"""Grey is drawn over the plot at so much."""
SEA = shown.SEA
WATER = shown.WATER
NO_CHANGE = "#f3f6f8"
"""The pale zero of a map that goes both ways."""

TITLE_PX, PHONE_TITLE_PX = 18.0, 16.0
TEXT_PX = 14.0
SMALL_PX = 12.5
MARGIN_PX = 4.0

FONT = "DejaVu Sans"
"""What texts are measured in: the widest of those that a drawing asks for."""
FONTS_SHOWN = (
    "ui-sans-serif, system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', "
    f"'{FONT}', sans-serif"
)
"""What a drawing asks for: the page's own face (``report.css``), so that both are one."""

_LIGHTNESS = (14.0, 86.0)
"""CIE L* of a hue's ends (CIE 15:2004, 8.2.1), in steps of 6 between them."""
_SEA = (
    "#092635 #0d3446 #124259 #16516c #1b607f #206f93 #247fa8 #298fbd #3a9fd0 #5dafdb #7cbee5 "
    "#9acdee #b8dcf5"
)
_SAND = (
    "#2f2112 #3f2d1a #503922 #61462a #725333 #85613c #976f45 #aa7d4e #bc8d5b #cb9d6f #d8ae86 "
    "#e4c09e #eed2b9"
)
"""For maps where something rose; in grey print stripes tell it from the sea."""
_HUES = {
    gain: LinearSegmentedColormap.from_list("hue", colours.split(), N=2048)
    for gain, colours in ((False, _SEA), (True, _SAND))
}
_RAMP = (60.0, 14.0)
"""L* of the ramp's ends: the light one has 3:1 against white (WCAG 2.2, 1.4.11)."""
_SHADES = (86.0, 20.0)

_SHEET = Path(__file__).with_name("house.mplstyle")
_CHOSEN = {
    "font.size": SMALL_PX,
    "axes.titlesize": TEXT_PX,
    "text.color": INK,
    "axes.titlecolor": INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": FAINT,
    "legend.labelcolor": MUTED,
}


@dataclass(frozen=True, kw_only=True)
class Paper:
    """What a figure is drawn on: how wide, and whether too narrow for words beside a panel.

    A phone's drawing is shown as it is, never shrunk: its panels stand below each other, and what
    an axis means stands in the heading, where there is room for words.
    """

    width_px: float
    narrow: bool

    def either(self, page: T, *, phone: T) -> T:
        """Return what holds for this paper.

        >>> PAGE.either(5, phone=2), PHONE.either(5, phone=2)
        (5, 2)
        """
        return phone if self.narrow else page


PAGE = Paper(width_px=720.0, narrow=False)
PHONE = Paper(width_px=330.0, narrow=True)
"""What a phone of 360 pixels leaves beside its margins."""


@contextmanager
def house() -> Iterator[None]:
    """Give matplotlib the house look and nothing of the reader's own settings, for a while."""
    sheets: list[str | Path | dict[str, Any]] = ["default", _SHEET, _CHOSEN]
    with mpl.style.context(sheets), warnings.catch_warnings():
        # A name's letters that the font lacks are the browser's to find.
        warnings.filterwarnings("ignore", message="Glyph")
        yield


def ramp(count: int) -> tuple[str, ...]:
    """Return `count` colours, evenly spaced in lightness, the last the darkest."""
    light, dark = _RAMP
    return _colours(light if count > 1 else dark + 12.0, dark, count=count, gain=False)


def shades(count: int, *, gain: bool = False) -> tuple[str, ...]:
    """Return colours for areas, from just off white, the last the darkest; sand for a gain."""
    return _colours(*_SHADES, count=count, gain=gain)


def _colours(light: float, dark: float, *, count: int, gain: bool) -> tuple[str, ...]:
    darkest, lightest = _LIGHTNESS
    step = (light - dark) / max(count - 1, 1)
    return tuple(
        to_hex(_HUES[gain]((light - index * step - darkest) / (lightest - darkest)))
        for index in range(count)
    )


def weights(count: int) -> tuple[float, ...]:
    """Return `count` line widths, the last the heaviest."""
    if count == 1:
        return (2.4,)
    return tuple(1.3 + 1.3 * index / (count - 1) for index in range(count))
