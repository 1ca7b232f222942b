"""Change over frequency, one line a level: the panel that several figures share."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.figures import style
from reportlib.figures.axes import Axes
from reportlib.figures.frame import Frame
from reportlib.figures.lettering import text_width
from reportlib.figures.marks import LineStyle
from reportlib.figures.panel_layout import LABEL_OUT_PX, WORD_ROW_PX, Layout, rows_px
from reportlib.figures.placing import in_order, spread
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.levels import BANDS
from reportlib.model import BaselineCurve, ChangeCurve, FloatArray
from reportlib.numbers import level_text
from reportlib.readings.untold import cell_edges, hidden, runs

_LABEL_GAP_PX = 16.0
_SAME_END_PX = 10.0
_BAND_ALPHA = 0.16


@dataclass(frozen=True, kw_only=True)
class Words:
    """What the vertical axis says at zero, below it and above it."""

    zero: str
    less: str
    more: str

    @property
    def sentence(self) -> str:
        """The same for a heading, where a narrow sheet has no room beside the axis."""
        return f"0 dB: {self.zero}; below: {self.less.replace(chr(10), ' ')}."


def draw_panel(
    sheet: Sheet,
    layout: Layout,
    *,
    top: float,
    words: Words,
    baseline: BaselineCurve | None = None,
) -> None:
    """Draw a panel with its top edge at `top`; `baseline` makes zero as wide as its own u95."""
    frame = layout.frame.moved(top)
    frame.grid(sheet, xs=frame.frequency_ticks(), ys=layout.scale.ticks_db)
    frame.write_decibels(sheet, layout.scale.ticks_db)
    y = top + layout.frequencies_y
    frame.write_frequencies(sheet, y=y)
    axes = frame.axes(sheet)
    draw_zero(axes, baseline)
    draw_untold(axes, layout.curves, range_hz=layout.range_hz)
    colours = style.ramp(len(layout.curves))
    widths = style.weights(len(layout.curves))
    for curve, colour, width in zip(layout.curves, colours, widths, strict=True):
        draw_curve(axes, curve, colour=colour, width=width)
    _write_reasons(sheet, layout, frame=frame)
    _write_leaving(sheet, layout, frame=frame, colours=colours)
    write_axis_words(sheet, frame, words=words)
    _name_lines(sheet, layout.curves, frame=frame, colours=colours)
    _name_bands(sheet, layout, frame=frame, y=y + 20.0)


def draw_zero(axes: Axes, baseline: BaselineCurve | None) -> None:
    """Draw the zero line; with a baseline, as wide a band as its own 95 % interval."""
    if baseline is not None:
        known = baseline.usable & np.isfinite(baseline.u95_db)
        half = np.where(known, baseline.u95_db, np.nan)
        axes.fill_between(
            baseline.frequency_hz, low=-half, high=half, facecolor=style.WATER, zorder=0.5
        )
    axes.axhline(0.0, color=style.UNTOLD, linewidth=0.9, zorder=1.0)


def draw_untold(
    axes: Axes, curves: Sequence[ChangeCurve], *, range_hz: tuple[float, float]
) -> None:
    """Grey what can't be told, the deeper the more levels it holds for."""
    if not curves:
        return
    lost = np.sum([hidden(curve, range_hz=range_hz) for curve in curves], axis=0)
    f = curves[0].frequency_hz
    for count in range(1, len(curves) + 1):
        for first, last in runs(lost == count):
            axes.axvspan(
                *cell_edges(f, first=first, last=last, range_hz=range_hz),
                facecolor=style.UNTOLD,
                alpha=style.UNTOLD_ALPHA * count / len(curves),
                zorder=0.4,
            )


def draw_curve(axes: Axes, curve: ChangeCurve, *, colour: str, width: float) -> None:
    """Draw what may be used of a curve with its 95 % band; dotted what the gate hides."""
    f = curve.frequency_hz
    told = np.where(curve.usable, curve.change_db, np.nan)
    u95 = np.where(curve.usable, curve.u95_db, np.nan)
    axes.fill_between(
        f, low=told - u95, high=told + u95, facecolor=colour, alpha=_BAND_ALPHA, zorder=2.0
    )
    dashes: LineStyle = (0, (5, 2)) if curve.source == "text" else "solid"
    axes.plot(
        f,
        told,
        color=colour,
        linewidth=width,
        linestyle=dashes,
        zorder=3.0,
    )
    draw_lone_points(axes, xs=f, ys=told, color=colour, markersize=width + 2.0, zorder=3.0)
    behind_gate = np.array([reason == "gate" for reason in curve.reason])
    if behind_gate.any():
        # One point more, so that the dots reach the line.
        behind_gate[1:] |= behind_gate[:-1]
        ungraded = np.where(behind_gate, curve.change_db, np.nan)
        axes.plot(f, ungraded, color=colour, linewidth=1.0, linestyle=(0, (1, 2.5)), zorder=2.5)


def draw_lone_points(
    axes: Axes, *, xs: FloatArray, ys: FloatArray, color: str, markersize: float, zorder: float
) -> None:
    """Draw as dots the points that no line can show, for want of a neighbour."""
    alone = [first for first, last in runs(np.isfinite(ys)) if first == last]
    if alone:
        axes.dots(xs[alone], ys[alone], color=color, markersize=markersize, zorder=zorder)


def write_axis_words(sheet: Sheet, frame: Frame, *, words: Words) -> None:
    """Say beside a change scale what zero means, and what lies below and above it.

    A narrow sheet says it in its heading.
    """
    if sheet.paper.narrow:
        return
    low_db, high_db = frame.y_range
    zero = frame.y(0.0)
    for y, text, weight in (
        (zero, words.zero, "bold"),
        (frame.y(0.5 * low_db), words.less, "normal"),
        (min(frame.y(0.5 * high_db), zero - 26.0), words.more, "normal"),
    ):
        sheet.text(
            MARGIN_PX,
            y,
            text=text,
            size=style.SMALL_PX,
            color=style.MUTED,
            weight=weight,
            va="center",
            linespacing=1.15,
        )


def _write_reasons(sheet: Sheet, layout: Layout, *, frame: Frame) -> None:
    y = frame.top - 2.0
    for stretch in layout.untold:
        span = (frame.x(stretch.low_hz), frame.x(stretch.high_hz))
        sheet.line(span, (y, y), color=style.UNTOLD, linewidth=2.0)
    for note in layout.reasons:
        y = frame.top - 8.0 - rows_px(layout.above) - note.row * WORD_ROW_PX
        sheet.text(note.left, y, text=note.text, size=style.SMALL_PX, color=style.MUTED)
    if not any(curve.usable.any() for curve in layout.curves):
        x, y = 0.5 * (frame.left + frame.right), 0.5 * (frame.top + frame.bottom)
        sheet.text(x, y, text="can't tell", size=style.TITLE_PX, ha="center", va="center")


def _write_leaving(sheet: Sheet, layout: Layout, *, frame: Frame, colours: Sequence[str]) -> None:
    """Mark where lines leave the scale, and write how far they go."""
    colour_of = {c.level_db: colour for c, colour in zip(layout.curves, colours, strict=True)}
    for found in layout.leaving:
        x = frame.x(found.frequency_hz)
        edge, way = (frame.bottom, 1.0) if found.change_db < 0.0 else (frame.top, -1.0)
        sheet.polygon(
            ((x - 5.0, edge - 5.0 * way), (x + 5.0, edge - 5.0 * way), (x, edge + 4.0 * way)),
            facecolor=colour_of[found.level_db],
            edgecolor="none",
        )
    for note in layout.below:
        y = frame.bottom + 16.0 + note.row * WORD_ROW_PX
        sheet.text(note.left, y, text=note.text, size=style.SMALL_PX)
    for note in layout.above:
        y = frame.top - 8.0 - note.row * WORD_ROW_PX
        sheet.text(note.left, y, text=note.text, size=style.SMALL_PX)


def _name_lines(
    sheet: Sheet, curves: Sequence[ChangeCurve], *, frame: Frame, colours: Sequence[str]
) -> None:
    """Write each line's level beside its right end, moved apart where they would collide."""
    ends = [_right_end(curve, range_hz=frame.x_range) for curve in curves]
    at = [frame.bottom if end is None else frame.y(end[1]) for end in ends]
    # Ends that nearly meet stand in the order of their levels, whatever noise says.
    # On a phone, words above and below the frame reach under the labels.
    inset = sheet.paper.either(2.0, phone=6.0)
    places = spread(
        in_order(at, within=_SAME_END_PX),
        gap=_LABEL_GAP_PX,
        low=frame.top + inset,
        high=frame.bottom - inset,
    )
    for curve, colour, end, here, y in zip(curves, colours, ends, at, places, strict=True):
        label = level_text(curve.level_db)
        if end is None:
            label += " ?"
        else:
            x = frame.x(end[0])
            if frame.right - x > 3.0:
                sheet.line((x + 2.0, frame.right), (here, here), color=style.RULE, linewidth=0.8)
            leader = (frame.right, frame.right + 4.0, frame.right + 14.0)
            sheet.line(leader, (here, here, y), color=colour, linewidth=1.0)
        sheet.text(
            frame.right + LABEL_OUT_PX,
            y,
            text=label,
            size=style.TEXT_PX,
            color=style.MUTED if end is None else style.INK,
            va="center",
        )


def _right_end(curve: ChangeCurve, *, range_hz: tuple[float, float]) -> tuple[float, float] | None:
    inside = curve.usable & (curve.frequency_hz <= range_hz[1] * 1.001)
    where = np.flatnonzero(inside & (curve.frequency_hz >= range_hz[0] * 0.999))
    if where.size == 0:
        return None
    return float(curve.frequency_hz[where[-1]]), float(curve.change_db[where[-1]])


def _name_bands(sheet: Sheet, layout: Layout, *, frame: Frame, y: float) -> None:
    """Write the bands' names under the frequencies that they stand for."""
    low, high = frame.x_range
    for band in BANDS:
        if band.high_hz <= low or band.low_hz >= high:
            continue
        left, right = frame.x(band.low_hz), frame.x(band.high_hz)
        sheet.line((left + 1.5, right - 1.5), (y - 13.0, y - 13.0), linewidth=1.2)
    for note in layout.bands:
        y_note = y + note.row * WORD_ROW_PX
        x = note.left + 0.5 * text_width(note.text, size=style.SMALL_PX)
        sheet.text(x, y_note, text=note.text, size=style.SMALL_PX, color=style.MUTED, ha="center")
