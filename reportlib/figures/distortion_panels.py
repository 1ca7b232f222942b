"""Distortion: harmonics 2 to 5 above the change at the same level, on one frequency scale."""

from collections.abc import Sequence

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.lettering import text_width
from reportlib.figures.marks import LineStyle
from reportlib.figures.panel import (
    draw_curve,
    draw_lone_points,
    draw_untold,
    draw_zero,
    write_axis_words,
)
from reportlib.figures.panel_layout import left_px
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import in_rows, spread
from reportlib.figures.scales import change_scale, harmonic_scale, usable_values
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.figures.turned_up_panel import AS_ASKED, shown_range_hz
from reportlib.model import Analysis, ChangeCurve, HarmonicCurves
from reportlib.numbers import level_text
from reportlib.readings.harmonics import ordinal, shown_beside, two_levels
from reportlib.readings.untold import stretches

_ABOVE_PX = 22.0
_HARMONICS_PX = 190.0
_HARMONICS_PHONE_PX = 160.0
_CHANGE_PX = 120.0
_CHANGE_PHONE_PX = 90.0
_BETWEEN_LEVELS_PX = 34.0
_BETWEEN_ROWS_PX = 36.0
_UNDER_PX = 32.0
_ORDER_LABEL_PX = 46.0
_PERCENT_PX = 52.0
_LABEL_GAP_PX = 15.0
_DASHES: tuple[LineStyle, ...] = ("solid", (0, (6, 1.8)), (0, (6, 1.8, 1.5, 1.8)), (0, (1.5, 1.5)))


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no harmonic can be shown."""
    shown = two_levels(analysis)
    if not shown:
        return None
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Distortion beside the change",
        more="Above: harmonics against the tone that makes them. Below: change at the same level.",
        axes=f"Harmonics in dB and %. {AS_ASKED.sentence}",
    )
    first = heading.height(paper) + _ABOVE_PX
    harmonics_px = paper.either(_HARMONICS_PX, phone=_HARMONICS_PHONE_PX)
    change_px = paper.either(_CHANGE_PX, phone=_CHANGE_PHONE_PX)
    level_px = harmonics_px + _BETWEEN_ROWS_PX + change_px + _UNDER_PX
    columns = paper.either(len(shown), phone=1)
    rows = len(shown) // columns
    pitch_px = level_px + _BETWEEN_LEVELS_PX
    sheet = Sheet(paper=paper, height_px=first + rows * pitch_px - _BETWEEN_LEVELS_PX)
    heading.write(sheet)
    left = left_px(paper)
    room = sheet.width_px - left - _PERCENT_PX - MARGIN_PX
    width = room / columns - _ORDER_LABEL_PX
    range_hz = shown_range_hz(analysis)
    curves = shown_beside(analysis, shown)
    harmonic = harmonic_scale(shown, range_hz=range_hz)
    change = change_scale(usable_values(curves, range_hz=range_hz), hold_all=True)
    for index, (harmonics, curve) in enumerate(zip(shown, curves, strict=True)):
        row, column = divmod(index, columns)
        upper = Frame(
            left=left + column * (width + _ORDER_LABEL_PX),
            top=first + row * pitch_px,
            width=width,
            height=harmonics_px,
            x_range=range_hz,
            y_range=(harmonic.low_db, harmonic.high_db),
            x_log=True,
        )
        lower = Frame(
            left=upper.left,
            top=upper.bottom + _BETWEEN_ROWS_PX,
            width=width,
            height=change_px,
            x_range=range_hz,
            y_range=(change.low_db, change.high_db),
            x_log=True,
        )
        upper.grid(sheet, xs=upper.frequency_ticks(), ys=harmonic.ticks_db)
        lower.grid(sheet, xs=lower.frequency_ticks(), ys=change.ticks_db)
        sheet.text(
            upper.left,
            upper.top - 10.0,
            text=f"at {level_text(harmonics.level_db)}",
            size=style.TEXT_PX,
            weight="bold",
        )
        if column == 0:
            upper.write_decibels(sheet, harmonic.ticks_db, signed=False)
            lower.write_decibels(sheet, change.ticks_db)
            write_axis_words(sheet, lower, words=AS_ASKED)
            _write_harmonic_words(sheet, upper)
        if column == columns - 1:
            _write_percent(sheet, harmonic.ticks_db, frame=upper)
        _draw_harmonics(sheet, harmonics, frame=upper)
        _draw_change(sheet, curve, frame=lower, last=column == columns - 1)
    return sheet


def _write_harmonic_words(sheet: Sheet, frame: Frame) -> None:
    if sheet.paper.narrow:
        return  # its heading says so
    sheet.text(
        MARGIN_PX,
        0.5 * (frame.top + frame.bottom),
        text="harmonics,\nagainst the\ntone that\nmakes them",
        size=style.SMALL_PX,
        color=style.MUTED,
        va="center",
        linespacing=1.15,
    )


def _write_percent(sheet: Sheet, ticks_db: Sequence[float], *, frame: Frame) -> None:
    for tick in ticks_db:
        sheet.text(
            frame.right + _ORDER_LABEL_PX,
            frame.y(tick),
            text=f"{100.0 * 10.0 ** (tick / 20.0):.3g} %",
            size=style.SMALL_PX,
            va="center",
        )


def _draw_harmonics(sheet: Sheet, harmonics: HarmonicCurves, *, frame: Frame) -> None:
    axes = frame.axes(sheet)
    count = len(harmonics.orders)
    colours, widths = style.ramp(count)[::-1], style.weights(count)[::-1]
    ends: list[tuple[int, float, float]] = []
    for index, order in enumerate(harmonics.orders):
        values = harmonics.relative_db[index]
        axes.plot(
            harmonics.frequency_hz,
            values,
            color=colours[index],
            linewidth=widths[index],
            linestyle=_DASHES[min(index, len(_DASHES) - 1)],
            zorder=3.0 - 0.1 * index,
        )
        draw_lone_points(
            axes,
            xs=harmonics.frequency_hz,
            ys=values,
            color=colours[index],
            markersize=widths[index] + 2.0,
            zorder=3.0,
        )
        shown = np.flatnonzero(np.isfinite(values) & (harmonics.frequency_hz <= frame.x_range[1]))
        if shown.size:
            last = int(shown[-1])
            x, y = frame.x(harmonics.frequency_hz[last]), frame.y(values[last])
            ends.append((order, x, y))
    if not ends:
        sheet.text(
            0.5 * (frame.left + frame.right),
            0.5 * (frame.top + frame.bottom),
            text="can't tell",
            size=style.TEXT_PX,
            color=style.MUTED,
            ha="center",
            va="center",
        )
    places = spread([y for _, _, y in ends], gap=_LABEL_GAP_PX, low=frame.top, high=frame.bottom)
    for (order, x, y), label_y in zip(ends, places, strict=True):
        sheet.line(
            (x + 2.0, frame.right, frame.right + 8.0),
            (y, y, label_y),
            color=style.RULE,
            linewidth=0.8,
            zorder=-1.0,
        )
        sheet.text(
            frame.right + 10.0,
            label_y,
            text=ordinal(order),
            size=style.SMALL_PX,
            va="center",
        )


def _draw_change(sheet: Sheet, curve: ChangeCurve, *, frame: Frame, last: bool) -> None:
    reasons = stretches([curve], range_hz=frame.x_range)
    centres = [0.5 * (frame.x(found.low_hz) + frame.x(found.high_hz)) for found in reasons]
    widths = [text_width(found.words, size=style.SMALL_PX) for found in reasons]
    high = sheet.paper.either(frame.right, phone=sheet.width_px - MARGIN_PX)
    places = in_rows(centres, widths=widths, gap=10.0, low=frame.left, high=high)
    for found, (row, left) in zip(reasons, places, strict=True):
        if row == 0:  # one row has room; the caption lists all of them
            words, y = found.words, frame.top - 7.0
            sheet.text(left, y, text=words, size=style.SMALL_PX, color=style.MUTED)
    axes = frame.axes(sheet)
    draw_zero(axes, None)
    draw_untold(axes, [curve], range_hz=frame.x_range)
    draw_curve(axes, curve, colour=style.ramp(1)[0], width=2.0)
    frame.write_frequencies(sheet, y=frame.bottom + 19.0, unit=last)
