"""What stands on a sheet: frozen marks, in CSS pixels from the sheet's top left corner.

`sheet` and `axes` make them, `vector` writes them. Marks of one `zorder` stand in the order in
which they were drawn.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reportlib.arrays import FloatArray

LineStyle = Literal["solid"] | tuple[float, tuple[float, ...]]
"""Solid, or dashes: where they begin, and what is drawn and left out in turn, in line widths."""

PATCH_Z, LINE_Z, TEXT_Z = 1.0, 2.0, 3.0
"""Where areas and strokes stand, where lines and dots, where words: unless told otherwise."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """Straight lines from point to point, shape (n, 2), broken where one is not finite."""

    points: FloatArray
    colour: str
    width: float
    style: LineStyle
    alpha: float
    capped: bool
    """Whether its ends reach half a width beyond its last points."""
    zorder: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Strokes:
    """Single straight strokes alike: their two ends, shape (n, 2, 2)."""

    ends: FloatArray
    colour: str
    width: float
    style: LineStyle
    zorder: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Area:
    """Closed outlines alike, as one shape: the corners of each, shape (n, 2)."""

    outlines: tuple[FloatArray, ...]
    fill: str
    edge: str
    edge_width: float
    edge_style: LineStyle
    alpha: float
    zorder: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Dots:
    """Discs alike, or rings where `fill` is ``"none"``: their centres, shape (n, 2)."""

    centres: FloatArray
    diameter: float
    fill: str
    edge: str
    edge_width: float
    zorder: float


@dataclass(frozen=True, kw_only=True)
class Words:
    """A line of text; `x` and `y` are where its baseline starts, ends or has its middle."""

    text: str
    x: float
    y: float
    size: float
    colour: str
    bold: bool
    anchor: Literal["start", "middle", "end"]
    turn: tuple[float, float, float] | None
    """Degrees counter-clockwise, and about which point."""
    zorder: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Raster:
    """A picture of its own pixels, shape (height, width, 4), sRGB and opacity, 0 to 255."""

    pixels: NDArray[np.uint8]
    left: float
    top: float
    width: float
    height: float
    zorder: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Marks cut off at a frame: left, top, width and height."""

    marks: "tuple[Mark, ...]"
    frame: tuple[float, float, float, float]
    zorder: float


Mark = Line | Strokes | Area | Dots | Words | Raster | Group
