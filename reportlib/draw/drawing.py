"""What the house look draws in axes, beyond what a style sheet says: scales, lines, their names."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, Formatter, FuncFormatter, MaxNLocator, NullLocator
from matplotlib.transforms import blended_transform_factory

from reportlib.draw import style
from reportlib.draw.scales import Scale, in_order, spread, wrapped
from reportlib.draw.sheet import box_px, figure_of, follow, from_corner, place_px
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.measure.levels import runs
from reportlib.numbers import db_number, true_minus
from reportlib.session.records import FloatArray

ASIDE = "_aside"
"""Label of lines that are no measured curve: how far they go is not said."""
_OCTAVES_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)
_DECADES_HZ = (20.0, 100.0, 1e3, 10e3)
_OCTAVE_PX = 36.0
"""Octaves that are narrower have no room for numbers of their own."""


@dataclass(frozen=True, kw_only=True)
class AxisWords:
    """What a scale of changes says at zero, below it and above it."""

    zero: str
    less: str
    more: str

    @property
    def sentence(self) -> str:
        """The same for a heading, where a narrow sheet has no room beside the axis."""
        return f"0 dB: {self.zero}; below: {self.less.replace(chr(10), ' ')}."


AS_ASKED = AxisWords(zero="as asked", less="less than\nasked", more="more than\nasked")
AS_BEFORE = AxisWords(zero="as before", less="less than\nbefore", more="more than\nbefore")
AS_COLD = AxisWords(zero="as cold", less="less than\ncold", more="more than\ncold")
AS_AT_FIRST = AxisWords(zero="as at first", less="less than\nat first", more="more than\nat first")


def left_px(paper: Paper) -> float:
    """Return how far right a scale of changes begins: after its words and numbers."""
    return paper.either(132.0, phone=44.0)


def write_axis_words(ax: Axes, words: AxisWords, *, paper: Paper) -> None:
    """Say beside a scale of changes what its sides mean; a narrow sheet's heading says it."""
    if paper.narrow:
        return
    figure = figure_of(ax)
    where = blended_transform_factory(from_corner(figure), from_corner(ax))
    looks: dict[str, Any] = {"color": style.MUTED, "linespacing": 1.15, "transform": where}
    looks["va"] = "center"
    less = ax.text(MARGIN_PX, 0.0, words.less, **looks)
    more = ax.text(MARGIN_PX, 0.0, words.more, **looks)
    looks |= {"va": "center_baseline", "weight": "bold"}
    zero = ax.text(MARGIN_PX, 0.0, words.zero, **looks)

    def place() -> None:
        low, high = sorted(ax.get_ylim())
        at = place_px(ax, (ax.get_xlim()[0], 0.0))[1]
        height = box_px(ax)[3]
        zero.set_y(at)
        less.set_y(0.5 * (at + height))
        more.set_y(min(0.5 * at, at - 26.0))
        zero.set_visible(low <= 0.0 <= high)
        less.set_visible(low < 0.0)
        more.set_visible(high > 0.0)

    follow(ax, place)


class Numbers(Formatter):
    """Numbers with as many digits as they need together, the topmost with its unit."""

    def __init__(self, *, unit: str = "", signed: bool = True) -> None:
        self.unit = f" {unit}" if unit else ""
        self.sign = "+" if signed else ""

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Return one number alone."""
        return self.format_ticks([x])[0]

    def format_ticks(self, values: Sequence[float]) -> list[str]:
        """Return all numbers of an axis."""
        low, high = sorted(self.axis.get_view_interval()) if self.axis else (-np.inf, np.inf)
        seen = [value for value in values if low - 1e-9 <= value <= high + 1e-9]
        digits = int(any(round(value, 6) % 1.0 for value in seen))
        return [
            true_minus(f"{value:{self.sign}.{digits}f}" if abs(value) > 1e-9 else "0")
            + (self.unit if seen and value == max(seen) else "")
            for value in values
        ]


def set_decibels(
    ax: Axes, scale: Scale, *, paper: Paper, unit: str = "dB", signed: bool = True, most: int = 6
) -> None:
    """Make the vertical axis one of decibels, in at most so many steps."""
    ax.set_ylim(scale.low_db, scale.high_db)
    ax.yaxis.set_major_locator(MaxNLocator(most, steps=[1, 2, 3, 5, 10]))
    ax.yaxis.set_major_formatter(Numbers(unit=paper.either(unit, phone=""), signed=signed))
    ax.grid(clip_on=False)


def draw_zero(ax: Axes, **looks: Any) -> None:
    """Draw the line at zero."""
    ax.axhline(0.0, **{"color": style.UNTOLD, "linewidth": 0.9, "zorder": 1.0, **looks})


def set_frequencies(ax: Axes, range_hz: tuple[float, float]) -> None:
    """Make the horizontal axis one of plain frequencies: fewer where it is narrow."""
    ax.set_xscale("log")
    ax.set_xlim(range_hz)
    low, high = range_hz
    roomy = box_px(ax)[2] / math.log2(high / low) > _OCTAVE_PX
    ax.xaxis.set_major_locator(FixedLocator(_OCTAVES_HZ if roomy else _DECADES_HZ))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: frequency_number(hz)))


def frequency_number(hz: float) -> str:
    """Return a frequency as an axis has room for it.

    >>> frequency_number(500.0), frequency_number(2000.0)
    ('500', '2k')
    """
    return f"{hz / 1000.0:g}k" if hz >= 1000.0 else f"{hz:g}"


@dataclass(frozen=True, kw_only=True)
class LineEnd:
    """What stands right of a line's end.

    Attributes
    ----------
    at : the line, or a point in the axes' own values; None: there is no end to tell, and the name
        stands at the bottom
    leader : colour of the stroke from the end to the name
    """

    text: str
    at: Line2D | tuple[float, float] | None
    color: str = style.INK
    weight: str = "normal"
    leader: str = "none"


def name_ends(
    ax: Axes,
    ends: Sequence[LineEnd],
    *,
    out: float,
    gap: float,
    size: float = style.SMALL_PX,
    inset: float = 0.0,
    within: float = 0.0,
) -> None:
    """Write names beside the ends of lines, moved apart where they would cover each other.

    Parameters
    ----------
    out : how far right of the frame
    gap : least distance from name to name
    inset : how far inside the frame's lower and upper edge
    within : ends that nearly meet stand in the order of `ends`, whatever noise says
    """
    where = from_corner(ax, right=True)
    looks: dict[str, Any] = {"va": "center_baseline", "size": size, "transform": where}
    names = [
        ax.text(out, 0.0, end.text, color=end.color, weight=end.weight, **looks) for end in ends
    ]
    looks = {"transform": where, "clip_on": False}
    strokes = [ax.plot([], [], color=end.leader, linewidth=1.0, **looks)[0] for end in ends]
    bridges = [ax.plot([], [], color=style.RULE, linewidth=0.8, **looks)[0] for _ in ends]

    def place() -> None:
        _, _, width, height = box_px(ax)
        at = [
            None if place is None else place_px(ax, place)
            for place in (_last_point(ax, end.at) for end in ends)
        ]
        wanted = [height if one is None else one[1] for one in at]
        places = spread(in_order(wanted, within=within), gap=gap, low=inset, high=height - inset)
        for index, (end, one, y) in enumerate(zip(ends, at, places, strict=True)):
            names[index].set_y(y)
            led = one is not None and end.leader != "none"
            strokes[index].set_visible(led)
            bridges[index].set_visible(led and one is not None and width - one[0] > 3.0)
            if one is not None:
                x, here = one
                strokes[index].set_data((0.0, 4.0, out - 4.0), (here, here, y))
                bridges[index].set_data((x + 2.0 - width, 0.0), (here, here))

    follow(ax, place)


def _last_point(ax: Axes, end: Line2D | tuple[float, float] | None) -> tuple[float, float] | None:
    """Return where a line ends within the frame's sides; None where nothing of it is told."""
    if not isinstance(end, Line2D):
        return end
    x, y = np.asarray(end.get_xydata(), dtype=float).T
    low, high = sorted(ax.get_xlim())
    told = np.flatnonzero(np.isfinite(y) & (x >= low * 0.999) & (x <= high * 1.001))
    return (float(x[told[-1]]), float(y[told[-1]])) if told.size else None


def draw_interval(
    ax: Axes, x: FloatArray, *, y: FloatArray, u95: FloatArray, color: str, alpha: float = 0.2,
    zorder: float = 1.5,
) -> Any:  # fmt: skip
    """Draw the soft band of a 95 % interval."""
    return ax.fill_between(
        x, y - u95, y + u95, facecolor=color, alpha=alpha, linewidth=0.0, zorder=zorder
    )


def draw_dots(ax: Axes, x: FloatArray, *, y: FloatArray, **looks: Any) -> Line2D:
    """Draw a disc at each value."""
    return ax.plot(x, y, linestyle="none", marker="o", **looks)[0]


def draw_line(ax: Axes, x: FloatArray, *, y: FloatArray, **looks: Any) -> Line2D:
    """Draw a line, broken where it is NaN; a point without neighbours is a dot."""
    line = ax.plot(x, y, **looks)[0]
    alone = [first for first, last in runs(np.isfinite(y)) if first == last]
    if alone:
        size = line.get_linewidth() + 2.0
        draw_dots(
            ax, x[alone], y=y[alone], color=line.get_color(), markersize=size, zorder=line.zorder
        )
    return line


def draw_whiskers(ax: Axes, x: FloatArray, *, y: FloatArray, u95: FloatArray, **looks: Any) -> None:
    """Draw upright strokes as long as 95 % intervals."""
    ax.vlines(x, y - u95, y + u95, **looks)


def grey_out(ax: Axes, why: str) -> None:
    """Grey the whole panel and say that it can't be told, and why."""
    ax.axvspan(
        0.0, 1.0, transform=ax.transAxes, facecolor=style.UNTOLD, alpha=style.UNTOLD_ALPHA,
        linewidth=0.0,
    )  # fmt: skip
    lines = wrapped(why, size=style.SMALL_PX, width=box_px(ax)[2] - 6.0)
    text = "\n".join(["can't tell:", *lines])
    looks: dict[str, Any] = {"ha": "center", "va": "center", "transform": ax.transAxes}
    ax.text(0.5, 0.5, text, linespacing=1.3, **looks)


def say_leaving(ax: Axes) -> None:
    """Mark at either edge where the farthest of all lines goes that leave the frame, and how far.

    For panels whose scale holds everything, until somebody changes it. As long as it does, what
    lies on the frame's edge is drawn whole.
    """
    where = from_corner(ax)
    looks: dict[str, Any] = {"transform": where, "clip_on": False, "zorder": 5.0}
    marks = [
        (
            ax.plot([], [], marker, color=style.INK, markersize=9.5, **looks)[0],
            ax.text(0.0, 0.0, "", va="center_baseline", **looks),
        )
        for marker in ("v", "^")
    ]

    def place() -> None:
        low, high = sorted(ax.get_ylim())
        first, last = sorted(ax.get_xlim())
        told = [np.empty((0, 2))]
        for line in ax.lines:
            if line.get_transform() != ax.transData:
                continue
            xy = np.asarray(line.get_xydata(), dtype=float)
            xy = xy[np.isfinite(xy).all(axis=1)]
            within = (xy[:, 0] >= first) & (xy[:, 0] <= last)
            inside = within & (xy[:, 1] >= low) & (xy[:, 1] <= high)
            line.set_clip_on(not inside.all())
            if line.get_label() != ASIDE:
                told.append(xy[within])
        points = np.concatenate(told)
        below, above = points[:, 1] < low, points[:, 1] > high
        _, _, width, height = box_px(ax)
        for (arrow, words), outside, farthest, edge in (
            (marks[0], points[below], np.argmin, height),
            (marks[1], points[above], np.argmax, 0.0),
        ):
            arrow.set_visible(outside.size > 0)
            words.set_visible(outside.size > 0)
            if not outside.size:
                continue
            x, y = outside[farthest(outside[:, 1])]
            across = place_px(ax, (x, y))[0]
            arrow.set_data([across], [edge])
            words.set_text(db_number(float(y)))
            side = -1.0 if across > 0.5 * width else 1.0
            words.set_horizontalalignment("left" if side > 0.0 else "right")
            words.set_position((across + 9.0 * side, edge + (-9.0 if edge else 9.0)))

    follow(ax, place)
