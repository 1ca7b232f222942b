"""A sheet of paper to draw on, measured in CSS pixels from its top left corner.

One matplotlib figure without pyplot; texts are measured before they are placed, so that
nothing needs a second layout pass. A sheet is made and saved inside ``style.drawing()``.
"""

import bisect
import io
import math
import re
import warnings
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.textpath import TextToPath
from matplotlib.transforms import Affine2D
from PIL import Image

from reportlib.figures import style
from reportlib.figures.paper import PAGE, Paper
from reportlib.shown import Picture, ReadOut

_DPI = 72
"""At 72 dots an inch one point is one pixel."""

MARGIN_PX = 4.0
_HINTING = 1.04
"""Letters set on whole pixels need up to so much more room than their outlines say."""
_POLYLINE = re.compile(r"[ML] [-\d. ]+(?:\nL [-\d. ]+)+")
"""A run of straight lines as matplotlib writes it."""
_MEASURED_FAMILY = f"'{style.FONT}'"


class Sheet:
    """A drawing under way."""

    def __init__(self, *, height_px: float, paper: Paper = PAGE) -> None:
        self.paper = paper
        self.width_px = paper.width_px
        self.height_px = float(math.ceil(height_px))
        self.figure = Figure(
            figsize=(self.width_px / _DPI, self.height_px / _DPI),
            dpi=_DPI,
        )
        self.figure.patch.set_visible(False)
        self.read_out: ReadOut | None = None
        self._pixels = (
            Affine2D().scale(1.0 / self.width_px, -1.0 / self.height_px).translate(0.0, 1.0)
            + self.figure.transFigure
        )

    def axes(self, *, left: float, top: float, width: float, height: float, **kwargs: Any) -> Axes:
        """Add axes with this box as their frame."""
        w, h = self.width_px, self.height_px
        return self.figure.add_axes(
            (left / w, 1.0 - (top + height) / h, width / w, height / h), **kwargs
        )

    def text(self, x: float, y: float, *, text: str, size: float, **kwargs: Any) -> Text:
        """Write; `x` and `y` are where ``ha`` and ``va`` (default: left, baseline) say."""
        return self.figure.text(
            x, y, text, fontsize=size, transform=self._pixels, **{"color": style.INK, **kwargs}
        )

    def line(self, xs: Sequence[float], ys: Sequence[float], **kwargs: Any) -> None:
        """Draw straight lines from point to point."""
        line = Line2D(xs, ys, transform=self._pixels, **{"color": style.RULE, **kwargs})
        self.figure.add_artist(line)

    def boxes(self, corners: Sequence[tuple[float, float, float, float]], **kwargs: Any) -> None:
        """Draw rectangles alike, as one shape: left, top, width and height of each."""
        outlines = [
            Path(
                ((x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)),
                closed=True,
            )
            for x, y, width, height in corners
        ]
        if outlines:
            shape = Path.make_compound_path(*outlines)
            self.figure.add_artist(PathPatch(shape, transform=self._pixels, **kwargs))

    def strokes(
        self, lines: Sequence[tuple[tuple[float, float], tuple[float, float]]], **kwargs: Any
    ) -> None:
        """Draw straight strokes alike, as one shape: the two ends of each."""
        if lines:
            ends = [end for line in lines for end in line]
            path = Path(ends, [Path.MOVETO, Path.LINETO] * len(lines))
            colour = {"edgecolor": kwargs.pop("color"), "facecolor": "none"}
            self.figure.add_artist(PathPatch(path, transform=self._pixels, **colour, **kwargs))

    def polygon(self, corners: Sequence[tuple[float, float]], **kwargs: Any) -> None:
        """Draw a closed shape."""
        self.figure.add_artist(Polygon(corners, transform=self._pixels, **kwargs))

    @property
    def read_box(self) -> tuple[float, float, float, float] | None:
        """Where the curves to read lie: left, right, top, bottom as shares of the sheet."""
        read = self.read_out
        return None if read is None else (read.left, read.right, read.top, read.bottom)

    def heading(
        self, title: str, *, name: str, more: str = "", size: float = style.SMALL_PX
    ) -> float:
        """Write the loudspeaker's name, the title and what is drawn; return the last baseline."""
        room = self.width_px - 2.0 * MARGIN_PX
        large = style.TITLE_PX * size / style.SMALL_PX
        rows = (
            (name, size, style.MUTED, "normal", 1.3 * size),
            (title, large, style.INK, "bold", 1.4 * large),
            (more, size, style.MUTED, "normal", 1.7 * size),
        )
        y = 0.0
        for text, text_size, colour, weight, height in rows:
            if text:
                y += height
                short = fitted(text, size=text_size, width=room, weight=weight)
                self.text(MARGIN_PX, y, text=short, size=text_size, color=colour, weight=weight)
        return y

    def picture(self, *, name: str, caption: str, alt: str) -> Picture:
        """Save the sheet as vector and at twice its size as pixels."""
        with _missing_glyphs_allowed(), ThreadPoolExecutor(1) as packing:
            # Packing needs neither the interpreter nor the sheet: the vector is drawn meanwhile.
            png = packing.submit(_packed, self._pixels_drawn())
            return Picture(
                name=name,
                svg=self.svg(),
                png=png.result(),
                caption=caption,
                alt=alt,
                width_px=self.width_px,
                height_px=self.height_px,
                read_out=self.read_out,
            )

    def svg(self) -> str:
        """Save the sheet as vector."""
        file = io.StringIO()
        nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        with _missing_glyphs_allowed():
            self.figure.savefig(file, format="svg", transparent=True, metadata=nothing)
        return _for_a_page(file.getvalue(), width_px=self.width_px, height_px=self.height_px)

    def _pixels_drawn(self) -> Image.Image:
        pixels = io.BytesIO()
        self.figure.patch.set_visible(True)
        self.figure.savefig(pixels, format="rgba", dpi=2 * _DPI, facecolor="white")
        self.figure.patch.set_visible(False)
        size = (round(2.0 * self.width_px), round(2.0 * self.height_px))
        return Image.frombuffer("RGBA", size, pixels.getvalue(), "raw", "RGBA", 0, 1)


def _packed(drawn: Image.Image) -> bytes:
    file = io.BytesIO()
    # Level 3 packs as fast as any and within a fifth of the smallest.
    drawn.convert("RGB").save(file, format="png", compress_level=3)
    return file.getvalue()


@lru_cache(maxsize=2048)
def text_width(text: str, *, size: float, weight: str = "normal") -> float:
    """Return how wide a line of text comes out at most, in pixels, however letters are hinted."""
    font = FontProperties(family=[style.FONT], size=size, weight=weight)
    with _missing_glyphs_allowed():
        width, _, _ = TextToPath().get_text_width_height_descent(text, font, ismath=False)
    return _HINTING * float(width)


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


def _for_a_page(svg: str, *, width_px: float, height_px: float) -> str:
    """Return the drawing in CSS pixels, with fonts to fall back on and no style sheet.

    matplotlib gives sizes in points, names only the font that was measured, writes a rule for
    every element of whatever page the drawing stands in, and millionths of a pixel.
    """
    head, body = svg[svg.index("<svg") :].split(">", 1)
    head = re.sub(r'\s(width|height)="[\d.]+pt"', "", head)
    joins = "stroke-linejoin:round;stroke-linecap:butt"
    head = head.replace(
        "<svg", f'<svg width="{width_px:g}" height="{height_px:g}" style="{joins}"', 1
    )
    body = re.sub(r"<style.*?</style>\s*", "", body, count=1, flags=re.DOTALL)
    body = _POLYLINE.sub(_packed_line, body)
    body = re.sub(r"(?<=\.\d\d)\d+", "", body)
    body = re.sub(r' transform="rotate\(-?0 [^"]*"', "", body).replace("text-anchor: start; ", "")
    body = re.sub(r"\n\s+", "\n", body)
    return f"{head}>{body.replace(_MEASURED_FAMILY, style.FONT_STACK)}"


def _packed_line(found: re.Match[str]) -> str:
    """Return a run of lines as steps of tenths of a pixel, which add up without a remainder."""
    numbers = [round(10.0 * float(number)) for number in re.findall(r"-?[\d.]+", found[0])]
    xs, ys = numbers[::2], numbers[1::2]
    steps = [
        f"{_tenths(x - x_before)} {_tenths(y - y_before)}"
        for x, x_before, y, y_before in zip(xs[1:], xs, ys[1:], ys, strict=False)
    ]
    start = f"{found[0][0]}{_tenths(xs[0])} {_tenths(ys[0])}"
    return f"{start}l{' '.join(steps)}".replace(" -", "-")


def _tenths(count: int) -> str:
    text = f"{count / 10.0:.7g}"
    return text.replace("0.", ".", 1) if -10 < count < 10 else text


class _missing_glyphs_allowed(warnings.catch_warnings):  # noqa: N801
    """A name may hold signs that the font lacks: the page's own fonts will have them."""

    def __enter__(self) -> Any:
        entered = super().__enter__()
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        return entered
