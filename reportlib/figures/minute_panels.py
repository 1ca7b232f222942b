"""Minute by minute: how each band loses level while the stress plays, and how it comes back."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.panel import write_axis_words
from reportlib.figures.panel_layout import left_px
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import in_order, spread
from reportlib.figures.scales import Scale, change_scale, time_ticks
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.figures.stress_parts import (
    AS_AT_FIRST,
    AS_COLD,
    draw_interval,
    draw_line,
    draw_pauses,
)
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.numbers import db_interval, db_number, level_text, sentence, span_text
from reportlib.readings.stress import (
    Course,
    Swept,
    Timeline,
    course,
    levels_played,
    swept,
    timeline,
    why_untold,
)
from reportlib.soaked import Playing

_COLUMNS = 3
_FRAME_PX = 150.0
_FRAME_PHONE_PX = 105.0
_ABOVE_PX = 48.0
_UNDER_PX = 34.0
_LABEL_PX = 40.0
_LABEL_PHONE_PX = 50.0
_BETWEEN_PX = 12.0
_LABEL_GAP_PX = 14.0
_SAME_END_PX = 6.0
_MOST_TIME_STEPS = 3
_BAND_ALPHA = 0.2
_DOT_PX = 3.4
_DIAMOND_PX = 4.6
_KEY_ROW_PX = 23.0
_MOST_NAMED = 3


@dataclass(frozen=True, kw_only=True)
class _Panel:
    """What one band's panel shows: a course a level, quietest first, and the loudest's sweeps."""

    band: str
    courses: tuple[Course, ...]
    sweeps: tuple[Swept, ...]


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no stress was recorded, or nothing of it can be told."""
    levels = levels_played(analysis)
    if not levels:
        return None
    loudest = levels[-1]
    panels = [
        _Panel(
            band=band.name,
            courses=tuple(course(level, band=band.name) for level in levels),
            sweeps=swept(loudest, band=band.name),
        )
        for band in BANDS
    ]
    scale = change_scale(_values(panels), hold_all=True)
    words = AS_COLD if loudest.cold_known else AS_AT_FIRST
    columns = paper.either(_COLUMNS, phone=1)
    rows = -(-(len(panels) + 1) // columns)
    frame_px = paper.either(_FRAME_PX, phone=_FRAME_PHONE_PX)
    row_px = _ABOVE_PX + frame_px + _UNDER_PX
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Left playing, minute by minute",
        more=f"Change in output while {level_text(loudest.level_db)} plays, band by band.",
        axes=words.sentence,
    )
    first = heading.height(paper)
    sheet = Sheet(paper=paper, height_px=first + rows * row_px)
    heading.write(sheet)
    each = (sheet.width_px - left_px(paper) - MARGIN_PX + _BETWEEN_PX) / columns
    lines = timeline(loudest)
    until_s = _until_s(levels, panels)
    for index, panel in enumerate(panels):
        row, column = divmod(index, columns)
        frame = Frame(
            left=left_px(paper) + column * each,
            top=first + row * row_px + _ABOVE_PX,
            width=each - _BETWEEN_PX - paper.either(_LABEL_PX, phone=_LABEL_PHONE_PX),
            height=frame_px,
            x_range=(0.0, until_s),
            y_range=(scale.low_db, scale.high_db),
        )
        if column == 0:
            frame.write_decibels(sheet, scale.ticks_db)
            write_axis_words(sheet, frame, words=words)
        _draw_band(sheet, panel, playing=loudest, lines=lines, frame=frame, scale=scale)
    row, column = divmod(len(panels), columns)
    left = left_px(paper) + column * each
    bottom = _write_key(
        sheet, panels, levels=levels, lines=lines, left=left, top=first + row * row_px + 30.0
    )
    if column == 0:  # nothing stands beside it
        sheet.cut(bottom)
    return sheet


def _values(panels: Sequence[_Panel]) -> list[float]:
    """Everything that the scale must hold."""
    found = [0.0]
    for panel in panels:
        for one in panel.courses:
            if one.end is not None:
                found += [*(one.change_db - one.u95_db), *(one.change_db + one.u95_db)]
                found += [*one.fitted_db]
        for sweep in panel.sweeps:
            found += [sweep.seen_db - sweep.seen_u95_db, sweep.seen_db + sweep.seen_u95_db]
    return [float(value) for value in found]


def _until_s(levels: Sequence[Playing], panels: Sequence[_Panel]) -> float:
    ends = [float(timeline(level).ends_s[-1]) for level in levels]
    return max([*ends, *(sweep.at_s for panel in panels for sweep in panel.sweeps)]) * 1.02


def _draw_band(
    sheet: Sheet, panel: _Panel, *, playing: Playing, lines: Timeline, frame: Frame, scale: Scale
) -> None:
    times = time_ticks(frame.x_range[1], most=_MOST_TIME_STEPS)
    end = panel.courses[-1].end
    sheet.text(
        frame.left, frame.top - 26.0, text=sentence(panel.band), size=style.TEXT_PX, weight="bold"
    )
    frame.grid(sheet, xs=[tick.at_s for tick in times], ys=scale.ticks_db)
    if all(one.end is None for one in panel.courses):
        frame.grey_out(sheet, why=why_untold(playing, panel.band))
        return
    for tick in times:
        sheet.text(
            frame.x(tick.at_s),
            frame.bottom + 18.0,
            text=tick.text,
            size=style.SMALL_PX,
            ha="center",
        )
    if end is not None:
        text = f"{db_interval(end.change_db, u95_db=end.u95_db)} at the end"
        text += "" if end.since_cold else "*"
        sheet.text(frame.left, frame.top - 9.0, text=text, size=style.SMALL_PX, color=style.MUTED)
    draw_pauses(sheet, lines, frame=frame)
    zero = frame.y(0.0)
    sheet.strokes([((frame.left, zero), (frame.right, zero))], color=style.UNTOLD, linewidth=0.9)
    colours, widths = style.ramp(len(panel.courses)), style.weights(len(panel.courses))
    for one, colour, width in zip(panel.courses[:-1], colours, widths, strict=False):
        if one.end is not None:
            _draw_line(sheet, one, frame=frame, colour=colour, width=width)
    if end is not None:
        _draw_loudest(sheet, panel.courses[-1], frame=frame, colour=colours[-1])
        _draw_sweeps(sheet, panel.sweeps, frame=frame)
    _name_ends(sheet, panel.courses, frame=frame)


def _draw_line(sheet: Sheet, one: Course, *, frame: Frame, colour: str, width: float) -> None:
    """Draw the fitted curve, or what was measured where there is none."""
    xs, ys = (one.knots_s, one.fitted_db) if one.fitted_db.size else (one.at_s, one.change_db)
    draw_line(sheet, xs, ys=ys, frame=frame, color=colour, linewidth=width)


def _draw_loudest(sheet: Sheet, one: Course, *, frame: Frame, colour: str) -> None:
    ys = one.change_db
    draw_interval(sheet, one.at_s, ys=ys, u95=one.u95_db, frame=frame, colour=colour)
    places = zip(one.at_s.tolist(), ys.tolist(), strict=True)
    _dots(sheet, [(frame.x(at_s), frame.y(db)) for at_s, db in places if np.isfinite(db)])
    if one.fitted_db.size:
        _draw_line(sheet, one, frame=frame, colour=colour, width=1.6)


def _dots(sheet: Sheet, places: Sequence[tuple[float, float]]) -> None:
    sheet.dots(places, color=style.SEA, markersize=_DOT_PX, zorder=1.8)


def _draw_sweeps(sheet: Sheet, sweeps: Sequence[Swept], *, frame: Frame) -> None:
    """Draw what the sweeps saw at their own time, tied to the true value when the stage ended."""
    for sweep in sweeps:
        x, y = frame.x(sweep.at_s), frame.y(sweep.seen_db)
        end = (frame.x(sweep.end_s), frame.y(sweep.end_db))
        sheet.strokes([(end, (x, y))], color=style.INK, linewidth=0.9, linestyle=(0, (1, 1.5)))
        half = sweep.seen_u95_db
        whisker = ((x, frame.y(sweep.seen_db - half)), (x, frame.y(sweep.seen_db + half)))
        sheet.strokes([whisker], color=style.INK, linewidth=0.9, zorder=3.0)
        _diamond(sheet, x=x, y=y)


def _diamond(sheet: Sheet, *, x: float, y: float) -> None:
    r = _DIAMOND_PX
    sheet.polygon(
        ((x - r, y), (x, y - r), (x + r, y), (x, y + r)),
        facecolor="white",
        edgecolor=style.INK,
        linewidth=1.1,
        zorder=3.5,
    )


def _name_ends(sheet: Sheet, courses: Sequence[Course], *, frame: Frame) -> None:
    """Write the loss at the end beside each line's end, the loudest level's in bold.

    Of many levels the loudest alone: nobody could tell whose the other numbers are.
    """
    courses = courses if len(courses) <= _MOST_NAMED else courses[-1:]
    at = [frame.bottom if one.end is None else frame.y(one.end.change_db) for one in courses]
    places = spread(
        in_order(at, within=_SAME_END_PX), gap=_LABEL_GAP_PX, low=frame.top, high=frame.bottom
    )
    for index, (one, y) in enumerate(zip(courses, places, strict=True)):
        loudest = index == len(courses) - 1
        end = one.end
        sheet.text(
            frame.right + 5.0,
            y,
            text="?" if end is None else db_number(end.change_db, u95_db=end.u95_db),
            size=style.SMALL_PX,
            color=style.INK if loudest else style.MUTED,
            weight="bold" if loudest else "normal",
            va="center",
        )


def _write_key(
    sheet: Sheet,
    panels: Sequence[_Panel],
    *,
    levels: Sequence[Playing],
    lines: Timeline,
    left: float,
    top: float,
) -> float:
    """Say in the free place what the marks are, of those that occur; return where it ends."""
    colours = style.ramp(len(levels))
    middle, y = left + 12.0, top
    size = style.SMALL_PX

    def row(text: str) -> float:
        nonlocal y
        sheet.text(left + 32.0, y + 4.5, text=text, size=size, color=style.MUTED)
        y += _KEY_ROW_PX
        return y - _KEY_ROW_PX

    at = row(f"{level_text(levels[-1].level_db)}, 95 % band")
    sheet.boxes(
        [(left, at - 6.0, 24.0, 12.0)], facecolor=colours[-1], alpha=_BAND_ALPHA, edgecolor="none"
    )
    _dots(sheet, [(left + x, at) for x in (4.0, 12.0, 20.0)])
    if any(panel.courses[-1].fitted_db.size for panel in panels):
        at = row("the curve fitted to it")
        sheet.line((left, left + 24.0), (at, at), color=colours[-1], linewidth=1.6)
    if len(levels) > 1:
        at = row(span_text([one.level_db for one in levels[:-1]]))
        width = style.weights(len(levels))[0]
        sheet.line((left, left + 24.0), (at, at), color=colours[0], linewidth=width)
    at = row("a pause" if lines.exact else "a pause, not to scale")
    sheet.boxes([(left, at - 7.0, 24.0, 14.0)], facecolor=style.WATER, edgecolor="none")
    if any(panel.sweeps for panel in panels):
        at = row("the sweep that follows")
        _diamond(sheet, x=middle, y=at)
    if any(
        one.end is not None and not one.end.since_cold for p in panels for one in p.courses[-1:]
    ):
        at = row("since the first period")
        sheet.text(middle, at + 6.0, text="*", size=style.TEXT_PX, ha="center")
    return y
