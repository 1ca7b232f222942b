"""Curves in a frame by their values: what leaves it is cut off."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reportlib.arrays import FloatArray
from reportlib.figures.box import Box
from reportlib.figures.marks import Area, Dots, Group, Line, LineStyle, Mark, Raster
from reportlib.readings.untold import runs


@dataclass(kw_only=True)
class Axes:
    """What is drawn by its values into a box, under way."""

    box: Box
    marks: list[Mark] = field(default_factory=list)

    def plot(
        self,
        xs: ArrayLike,
        ys: ArrayLike,
        *,
        color: str,
        linewidth: float,
        linestyle: LineStyle = "solid",
        zorder: float,
    ) -> None:
        """Draw a line through values, broken where they are NaN."""
        self.marks.append(
            Line(
                points=self.box.place(xs, ys),
                colour=color,
                width=linewidth,
                style=linestyle,
                alpha=1.0,
                capped=True,
                zorder=zorder,
            )
        )

    def dots(
        self, xs: ArrayLike, ys: ArrayLike, *, color: str, markersize: float, zorder: float
    ) -> None:
        """Draw a disc at each value."""
        self.marks.append(
            Dots(
                centres=self.box.place(xs, ys),
                diameter=markersize,
                fill=color,
                edge="none",
                edge_width=0.0,
                zorder=zorder,
            )
        )

    def fill_between(
        self,
        xs: ArrayLike,
        *,
        low: FloatArray,
        high: FloatArray,
        facecolor: str,
        alpha: float = 1.0,
        zorder: float,
    ) -> None:
        """Fill from `low` to `high`, broken where either is NaN."""
        upper, lower = self.box.place(xs, high), self.box.place(xs, low)
        known = np.isfinite(np.hstack([upper, lower])).all(axis=1)
        outlines = [
            np.concatenate([upper[first : last + 1], lower[first : last + 1][::-1]])
            for first, last in runs(np.asarray(known))
            if last > first
        ]
        self._fill(outlines, facecolor=facecolor, alpha=alpha, zorder=zorder)

    def axvspan(
        self, low: float, high: float, *, facecolor: str, alpha: float = 1.0, zorder: float
    ) -> None:
        """Fill the whole height between two values."""
        bottom, top = self.box.y_range
        outline = self.box.place([low, low, high, high], [bottom, top, top, bottom])
        self._fill([outline], facecolor=facecolor, alpha=alpha, zorder=zorder)

    def axhline(self, value: float, *, color: str, linewidth: float, zorder: float) -> None:
        """Draw a line across at a value."""
        self.plot(self.box.x_range, (value, value), color=color, linewidth=linewidth, zorder=zorder)

    def imshow(self, pixels: NDArray[np.uint8]) -> None:
        """Fill the frame with a picture, shape (height, width, 4), its first row on top."""
        self.marks.append(
            Raster(
                pixels=pixels,
                left=self.box.left,
                top=self.box.top,
                width=self.box.width,
                height=self.box.height,
                zorder=0.0,
            )
        )

    def group(self) -> Group:
        """Return what was drawn so far."""
        frame = (self.box.left, self.box.top, self.box.width, self.box.height)
        return Group(marks=tuple(self.marks), frame=frame, zorder=0.0)

    def _fill(
        self, outlines: Sequence[FloatArray], *, facecolor: str, alpha: float, zorder: float
    ) -> None:
        if outlines:
            self.marks.append(
                Area(
                    outlines=tuple(outlines),
                    fill=facecolor,
                    edge="none",
                    edge_width=0.0,
                    edge_style="solid",
                    alpha=alpha,
                    zorder=zorder,
                )
            )
