"""A matplotlib figure measured in CSS pixels from its top left corner, with its heading.

Words hang on a corner of the figure or of axes, a pixel being a point; what depends on the limits
of axes is placed anew whenever these change.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, ScaledTranslation, Transform

from reportlib.draw import style
from reportlib.draw.scales import fitted, plain, wrapped
from reportlib.draw.style import MARGIN_PX, Paper

POINTS_AN_INCH = 72.0
_UNDER_HEADING_PX = 20.0
_UNKNOWN_HEIGHT_PX = 100.0


def new_figure(paper: Paper) -> Figure:
    """Return an empty figure as wide as the paper; `set_height` ends it."""
    size = (paper.width_px / POINTS_AN_INCH, _UNKNOWN_HEIGHT_PX / POINTS_AN_INCH)
    return Figure(figsize=size, frameon=False)


def size_px(figure: Figure) -> tuple[float, float]:
    """Return how wide and how high a figure is."""
    width, height = figure.get_size_inches()
    return float(width) * POINTS_AN_INCH, float(height) * POINTS_AN_INCH


def set_height(figure: Figure, height_px: float) -> None:
    """Make a figure so high; its axes keep their size and their distance from its top."""
    boxes = [box_px(ax) for ax in figure.axes]
    figure.set_figheight(math.ceil(height_px) / POINTS_AN_INCH)
    for ax, (left, top, width, height) in zip(figure.axes, boxes, strict=True):
        set_box(ax, left=left, top=top, width=width, height=height)


def add_panel(figure: Figure, *, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes at a place that is counted from the figure's top left corner."""
    ax = figure.add_axes((0.0, 0.0, 1.0, 1.0), frameon=False)
    set_box(ax, left=left, top=top, width=width, height=height)
    return ax


def set_box(ax: Axes, *, left: float, top: float, width: float, height: float) -> None:
    """Put axes at a place that is counted from the figure's top left corner."""
    wide, high = size_px(figure_of(ax))
    ax.set_position((left / wide, 1.0 - (top + height) / high, width / wide, height / high))


def box_px(ax: Axes) -> tuple[float, float, float, float]:
    """Return the left, top, width and height of axes, from the figure's top left corner."""
    wide, high = size_px(figure_of(ax))
    left, bottom, width, height = map(float, ax.get_position().bounds)
    return left * wide, (1.0 - bottom - height) * high, width * wide, height * high


def place_px(ax: Axes, at: tuple[float, float]) -> tuple[float, float]:
    """Return where a value stands right of and below the frame's top left corner, kept inside."""
    across, up = ax.transAxes.inverted().transform(ax.transData.transform(at))
    _, _, width, height = box_px(ax)
    return float(np.clip(across, 0.0, 1.0)) * width, float(np.clip(1.0 - up, 0.0, 1.0)) * height


def from_corner(where: Figure | Axes, *, right: bool = False, bottom: bool = False) -> Transform:
    """Return the transform from pixels right of and below a corner, the top left one as a rule."""
    figure = where if isinstance(where, Figure) else figure_of(where)
    within: Any = where.transFigure if isinstance(where, Figure) else where.transAxes
    pixels = Affine2D().scale(1.0 / POINTS_AN_INCH, -1.0 / POINTS_AN_INCH)
    corner = ScaledTranslation(float(right), float(not bottom), within)
    return pixels + figure.dpi_scale_trans + corner


def follow(ax: Axes, place: Callable[[], object]) -> None:
    """Place what depends on the limits of axes, now and whenever they change."""
    place()
    for changed in ("xlim_changed", "ylim_changed"):
        ax.callbacks.connect(changed, lambda _: place())


def figure_of(ax: Axes) -> Figure:
    """Return the figure that axes stand in."""
    found = ax.get_figure(root=True)
    if found is None:
        raise ValueError("the axes have left their figure")
    return found


def write(figure: Figure, text: str, *, x: float, y: float, **looks: Any) -> Text:
    """Write text so far right of and below the figure's top left corner."""
    return figure.text(x, y, text, transform=from_corner(figure), **looks)


def write_heading(
    figure: Figure,
    paper: Paper,
    *,
    name: str,
    title: str,
    more: str,
    axes: str = "",
    small: float = style.SMALL_PX,
) -> float:
    """Write the loudspeaker's name, the title and what is drawn, in as many lines as they need.

    Parameters
    ----------
    axes : what else a page writes beside its panels: only a narrow sheet says it here
    small : size of all but the title

    Returns
    -------
    how far down it reaches, with some room below it
    """
    room = paper.width_px - 2.0 * MARGIN_PX
    large = paper.either(style.TITLE_PX * small / style.SMALL_PX, phone=style.PHONE_TITLE_PX)
    below = f"{more} {axes}".strip() if paper.narrow else more
    muted, bold = {"color": style.MUTED}, {"weight": "bold"}
    y = 0.0
    for lines, pitches, size, looks in (
        ([fitted(plain(name), size=small, width=room)], (1.3, 1.3), small, muted),
        (wrapped(title, size=large, width=room, weight="bold"), (1.4, 1.25), large, bold),
        (wrapped(below, size=small, width=room) if below else [], (1.7, 1.3), small, muted),
    ):
        for index, line in enumerate(lines):
            y += pitches[index > 0] * size
            write(figure, line, x=MARGIN_PX, y=y, size=size, **looks)
    return y + _UNDER_HEADING_PX
