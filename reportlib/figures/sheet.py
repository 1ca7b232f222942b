"""A sheet of paper to draw on, measured in CSS pixels from its top left corner."""

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from reportlib.figures import style
from reportlib.figures.axes import Axes
from reportlib.figures.lettering import ASCENT, fitted
from reportlib.figures.marks import (
    LINE_Z,
    PATCH_Z,
    TEXT_Z,
    Area,
    Dots,
    Line,
    LineStyle,
    Mark,
    Strokes,
    Words,
)
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.vector import svg_text
from reportlib.shown import ReadOut

MARGIN_PX = 4.0
_ANCHORS: dict[str, Literal["start", "middle", "end"]] = {
    "left": "start",
    "center": "middle",
    "right": "end",
}


class Sheet:
    """A drawing under way."""

    def __init__(self, *, height_px: float, paper: Paper = PAGE) -> None:
        self.paper = paper
        self.width_px = paper.width_px
        self.height_px = float(math.ceil(height_px))
        self.read_out: ReadOut | None = None
        self._marks: list[Mark | Axes] = []

    @property
    def marks(self) -> tuple[Mark, ...]:
        """What was drawn so far."""
        return tuple(one.group() if isinstance(one, Axes) else one for one in self._marks)

    def cut(self, height_px: float) -> None:
        """Leave only so much of it, from the top on; before anything is told as its share."""
        self.height_px = float(math.ceil(height_px))

    def add_axes(self, axes: Axes) -> Axes:
        """Add axes, whose curves may be drawn later."""
        self._marks.append(axes)
        return axes

    def text(
        self,
        x: float,
        y: float,
        *,
        text: str,
        size: float,
        color: str = style.INK,
        weight: str = "normal",
        ha: Literal["left", "center", "right"] = "left",
        va: Literal["baseline", "center"] = "baseline",
        linespacing: float = 1.2,
        rotation: float = 0.0,
    ) -> None:
        """Write lines of text; `x` and `y` are where `ha` and `va` say, `rotation` in degrees.

        The centre is that of the tall letters; descenders hang below it.
        """
        lines = text.split("\n")
        first = y
        if va == "center":
            first += (0.5 * ASCENT - 0.5 * (len(lines) - 1) * linespacing) * size
        for index, line in enumerate(lines):
            self._marks.append(
                Words(
                    text=line,
                    x=x,
                    y=first + index * linespacing * size,
                    size=size,
                    colour=color,
                    bold=weight == "bold",
                    anchor=_ANCHORS[ha],
                    turn=(rotation, x, y) if rotation else None,
                    zorder=TEXT_Z,
                )
            )

    def line(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        *,
        color: str = style.RULE,
        linewidth: float = 1.5,
        linestyle: LineStyle = "solid",
        alpha: float = 1.0,
        solid_capstyle: Literal["projecting", "butt"] = "projecting",
        zorder: float = LINE_Z,
    ) -> None:
        """Draw straight lines from point to point."""
        self._marks.append(
            Line(
                points=np.stack([xs, ys], axis=1).astype(float),
                colour=color,
                width=linewidth,
                style=linestyle,
                alpha=alpha,
                capped=solid_capstyle == "projecting",
                zorder=zorder,
            )
        )

    def dots(
        self,
        places: Sequence[tuple[float, float]],
        *,
        markersize: float,
        color: str,
        markerfacecolor: str | None = None,
        markeredgewidth: float = 0.0,
        zorder: float = LINE_Z,
    ) -> None:
        """Draw discs of one size around places; rings where their face is ``"none"``."""
        if places:
            self._marks.append(
                Dots(
                    centres=np.array(places, dtype=float),
                    diameter=markersize,
                    fill=markerfacecolor or color,
                    edge=color,
                    edge_width=markeredgewidth,
                    zorder=zorder,
                )
            )

    def boxes(
        self,
        corners: Sequence[tuple[float, float, float, float]],
        *,
        facecolor: str,
        edgecolor: str = "none",
        linewidth: float = 1.0,
        linestyle: LineStyle = "solid",
        alpha: float = 1.0,
        zorder: float = PATCH_Z,
    ) -> None:
        """Draw rectangles alike, as one shape: left, top, width and height of each."""
        if corners:
            self._marks.append(
                Area(
                    outlines=tuple(
                        np.array(((x, y), (x + wide, y), (x + wide, y + high), (x, y + high)))
                        for x, y, wide, high in corners
                    ),
                    fill=facecolor,
                    edge=edgecolor,
                    edge_width=linewidth,
                    edge_style=linestyle,
                    alpha=alpha,
                    zorder=zorder,
                )
            )

    def strokes(
        self,
        lines: Sequence[tuple[tuple[float, float], tuple[float, float]]],
        *,
        color: str,
        linewidth: float = 1.0,
        linestyle: LineStyle = "solid",
        zorder: float = PATCH_Z,
    ) -> None:
        """Draw straight strokes alike, as one shape: the two ends of each."""
        if lines:
            self._marks.append(
                Strokes(
                    ends=np.array(lines, dtype=float),
                    colour=color,
                    width=linewidth,
                    style=linestyle,
                    zorder=zorder,
                )
            )

    def polygon(
        self,
        corners: Sequence[tuple[float, float]],
        *,
        facecolor: str,
        edgecolor: str = "none",
        linewidth: float = 1.0,
        alpha: float = 1.0,
        zorder: float = PATCH_Z,
    ) -> None:
        """Draw a closed shape."""
        self._marks.append(
            Area(
                outlines=(np.array(corners, dtype=float),),
                fill=facecolor,
                edge=edgecolor,
                edge_width=linewidth,
                edge_style="solid",
                alpha=alpha,
                zorder=zorder,
            )
        )

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

    def svg(self) -> str:
        """Return the sheet as vector."""
        return svg_text(self.marks, width_px=self.width_px, height_px=self.height_px)
