"""What the figures of the stress share: pauses, lines with gaps, the axis' words."""

from collections.abc import Sequence

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.panel import Words
from reportlib.figures.sheet import Sheet
from reportlib.readings.stress import Timeline
from reportlib.readings.untold import runs

AS_COLD = Words(zero="as cold", less="less than\ncold", more="more than\ncold")
AS_AT_FIRST = Words(zero="as at first", less="less than\nat first", more="more than\nat first")
_BAND_ALPHA = 0.2


def draw_pauses(sheet: Sheet, lines: Timeline, *, frame: Frame) -> None:
    """Shade what is no stress: between the stages, and after the last."""
    edges = [
        (frame.x(float(end)), frame.x(float(start)))
        for end, start in zip(lines.ends_s, [*lines.starts_s[1:], frame.x_range[1]], strict=True)
    ]
    sheet.boxes(
        [(left, frame.top, right - left, frame.height) for left, right in edges],
        facecolor=style.WATER,
        edgecolor="none",
        zorder=-1.5,
    )
    sheet.strokes(
        [((left, frame.top), (left, frame.bottom)) for left, _ in edges],
        color=style.MUTED,
        linewidth=0.8,
        linestyle=(0, (2, 2)),
        zorder=-1.0,
    )


def draw_line(
    sheet: Sheet,
    xs: Sequence[float] | FloatArray,
    *,
    ys: FloatArray,
    frame: Frame,
    color: str,
    linewidth: float,
) -> None:
    """Draw a line through values, broken where they are NaN."""
    sheet.line(
        [np.nan if np.isnan(x) else frame.x(float(x)) for x in xs],
        [np.nan if np.isnan(y) else frame.y(float(y)) for y in ys],
        color=color,
        linewidth=linewidth,
    )


def draw_interval(
    sheet: Sheet, xs: FloatArray, *, ys: FloatArray, u95: FloatArray, frame: Frame, colour: str
) -> None:
    """Draw the soft band of a 95 % interval."""
    for first, last in runs(np.isfinite(ys) & np.isfinite(u95)):
        here = slice(first, last + 1)
        upper = [(frame.x(x), frame.y(y)) for x, y in zip(xs[here], (ys + u95)[here], strict=True)]
        lower = [(frame.x(x), frame.y(y)) for x, y in zip(xs[here], (ys - u95)[here], strict=True)]
        sheet.polygon(
            [*upper, *reversed(lower)], facecolor=colour, alpha=_BAND_ALPHA, edgecolor="none"
        )
