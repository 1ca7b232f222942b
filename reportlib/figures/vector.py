"""Marks drawn as SVG by matplotlib: text kept as text, lines as steps of tenths of a pixel.

Everything stands where its mark says, so that matplotlib has nothing to lay out: its renderer for
SVG is given paths, texts and pictures one by one. What it writes is then made fit for a page.
"""

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.colors import to_rgb
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Bbox

from reportlib.arrays import FloatArray
from reportlib.figures import style
from reportlib.figures.marks import Area, Dots, Group, Line, LineStyle, Mark, Raster, Strokes, Words
from reportlib.readings.untold import runs

_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",  # text stays text
    "path.simplify": False,  # every point stands
    "svg.hashsalt": "upheld",  # the same drawing gives the same names
}
_NOTHING = dict.fromkeys(("Date", "Creator", "Format", "Type"))
_DPI = 72
"""At 72 dots an inch one point is one pixel."""
_ALIGNED = {"start": "left", "middle": "center", "end": "right"}
_MEASURED_FAMILY = f"'{style.FONT}'"
_JOINS = "stroke-linejoin:round;stroke-linecap:butt"
"""As `publish.svg` hands drawings on: outlines of areas alone have sharp corners."""
_NO_TEXT = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (2.2) does not allow, and no name needs."""
_POLYLINE = re.compile(r"[ML] [-\d. ]+(?:\nL [-\d. ]+)+")
"""A run of straight lines as matplotlib writes it."""


def svg_text(marks: Sequence[Mark], *, width_px: float, height_px: float) -> str:
    """Return a drawing as the text of an SVG file, in CSS pixels.

    Nothing in it depends on anything but the marks: the same give the same text.
    """
    file = io.StringIO()
    with mpl.rc_context(_SETTINGS):
        made: Any = RendererSVG  # carries no annotations
        renderer = made(width_px, height_px, file, image_dpi=_DPI, metadata=_NOTHING)
        up = Affine2D().scale(1.0, -1.0).translate(0.0, height_px)
        _Pen(renderer=renderer, up=up, height_px=height_px).draw(marks, frame=None)
        renderer.finalize()
    return _for_a_page(file.getvalue(), width_px=width_px, height_px=height_px)


@dataclass(frozen=True, kw_only=True)
class _Pen:
    """matplotlib's renderer, which counts pixels from the sheet's lower left corner."""

    renderer: Any
    up: Affine2D
    height_px: float

    def draw(self, marks: Sequence[Mark], *, frame: Bbox | None) -> None:
        """Draw marks from the lowest to the highest, cut off at a frame."""
        for mark in sorted(marks, key=lambda one: one.zorder):
            if isinstance(mark, Group):
                left, top, width, height = mark.frame
                below = self.height_px - top - height
                self.draw(mark.marks, frame=Bbox.from_bounds(left, below, width, height))
                continue
            gc = self.renderer.new_gc()
            if frame is not None:
                gc.set_clip_rectangle(frame)
            self._draw(mark, gc)
            gc.restore()

    def _draw(self, mark: Mark, gc: GraphicsContextBase) -> None:
        match mark:
            case Line():
                _stroke(gc, mark.colour, width=mark.width, line_style=mark.style)
                gc.set_capstyle("projecting" if mark.capped and mark.style == "solid" else "butt")
                _see_through(gc, mark.alpha)
                if lines := _unbroken(mark.points):
                    self.renderer.draw_path(gc, Path.make_compound_path(*lines), self.up)
            case Strokes():
                _stroke(gc, mark.colour, width=mark.width, line_style=mark.style)
                codes = [Path.MOVETO, Path.LINETO] * len(mark.ends)
                self.renderer.draw_path(gc, Path(mark.ends.reshape(-1, 2), codes), self.up)
            case Area():
                _stroke(gc, mark.edge, width=mark.edge_width, line_style=mark.edge_style)
                gc.set_joinstyle("miter")
                _see_through(gc, mark.alpha)
                shape = Path.make_compound_path(*map(_closed, mark.outlines))
                self.renderer.draw_path(gc, shape, self.up, _paint(mark.fill))
            case Dots():
                _stroke(gc, mark.edge, width=mark.edge_width, line_style="solid")
                disc = Affine2D().scale(mark.diameter / 2.0)
                self.renderer.draw_markers(
                    gc, Path.unit_circle(), disc, Path(mark.centres), self.up, _paint(mark.fill)
                )
            case Words():
                self._write(mark, gc)
            case Raster():
                shape_up = self.up.transform([(mark.left, mark.top + mark.height)])[0]
                size = Affine2D().scale(mark.width, mark.height)
                self.renderer.draw_image(gc, *shape_up, mark.pixels[::-1], size)

    def _write(self, mark: Words, gc: GraphicsContextBase) -> None:
        """Write a line of text: its letters are the browser's, so that none is measured."""
        degrees, about_x, about_y = mark.turn or (0.0, mark.x, mark.y)
        away, down = mark.x - about_x, mark.y - about_y
        cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        x = about_x + away * cos + down * sin
        y = about_y - away * sin + down * cos
        gc.set_foreground(mark.colour)
        font = FontProperties(
            family=[style.FONT], size=mark.size, weight="bold" if mark.bold else "normal"
        )
        text = _NO_TEXT.sub("\ufffd", mark.text)
        placed = Text(x, self.height_px - y, text, ha=_ALIGNED[mark.anchor], rotation_mode="anchor")
        self.renderer.draw_text(gc, x, y, text, font, degrees, mtext=placed)


def _stroke(gc: GraphicsContextBase, colour: str, *, width: float, line_style: LineStyle) -> None:
    if colour == "none":
        gc.set_linewidth(0.0)
        return
    gc.set_foreground(colour)
    gc.set_linewidth(width)
    if line_style != "solid":
        start, lengths = line_style
        gc.set_dashes(width * start, [width * length for length in lengths])


def _see_through(gc: GraphicsContextBase, alpha: float) -> None:
    if alpha < 1.0:
        gc.set_alpha(alpha)


def _paint(colour: str) -> tuple[float, float, float] | None:
    return None if colour == "none" else to_rgb(colour)


def _unbroken(points: FloatArray) -> list[Path]:
    """Return the stretches of two points and more that have no gap."""
    known = runs(np.asarray(np.isfinite(points).all(axis=1)))
    return [Path(points[first : last + 1]) for first, last in known if last > first]


def _closed(outline: FloatArray) -> Path:
    return Path(np.concatenate([outline, outline[:1]]), closed=True)


def _for_a_page(svg: str, *, width_px: float, height_px: float) -> str:
    """Return the drawing in CSS pixels, with fonts to fall back on and no style sheet.

    matplotlib gives sizes in points, names only the font that was measured, writes a rule for
    every element of whatever page the drawing stands in, and millionths of a pixel.
    """
    head, body = svg[svg.index("<svg") :].split(">", 1)
    head = re.sub(r'\s(width|height)="[\d.]+pt"', "", head)
    head = head.replace(
        "<svg", f'<svg width="{width_px:g}" height="{height_px:g}" style="{_JOINS}"', 1
    )
    body = re.sub(r"<style.*?</style>\s*", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r"\s*<defs>\s*</defs>", "", body)
    body = _POLYLINE.sub(_packed_line, body)
    body = re.sub(r"(?<=\.\d\d)\d+(?=[^<>]*>)", "", body)  # in tags, never in a text
    body = re.sub(r' transform="rotate\(-?0 [^"]*"', "", body).replace("; text-anchor: start", "")
    body = re.sub(r"\n\s+", "\n", body).replace("\nz", "z").replace('\n"', '"')
    body = body.replace(f"; font-family: {_MEASURED_FAMILY}", "")
    start, end = f'<g style="font-family: {style.FONT_STACK}">', "</g>\n</svg>"
    return f"{head}>\n{start}{body.replace('</svg>', end)}"


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
