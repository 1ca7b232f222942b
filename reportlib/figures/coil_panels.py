"""The coil while it plays: how much hotter it gets; the change expected, and the one heard."""

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.panel import write_axis_words
from reportlib.figures.panel_layout import left_px
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import spread
from reportlib.figures.scales import Scale, TimeTick, change_scale, time_ticks, warming_scale
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.figures.stress_parts import AS_COLD, draw_interval, draw_line, draw_pauses
from reportlib.model import Analysis
from reportlib.numbers import db_number, level_text, true_minus
from reportlib.readings.coil import CoilCourse, CoilEnd, coil_course, coil_end, with_coil

_ABOVE_PX = 34.0
_FRAME_PX = 140.0
_BETWEEN_PX = 44.0
_UNDER_PX = 34.0
_RIGHT_PX = 122.0
_MOST_TIME_STEPS = 6
_MOST_TIME_STEPS_PHONE = 2
_LABEL_GAP_PX = 16.0


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no coil's temperature can be told."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        return None
    playing, coil = found
    course = coil_course(playing, coil)
    heading = Heading(
        name=analysis.session.speaker.name,
        title="The coil while it plays",
        more=f"Drive unit {coil.unit}, at {level_text(playing.level_db)}.",
        axes=AS_COLD.sentence,
    )
    top = heading.height(paper) + _ABOVE_PX
    sheet = Sheet(paper=paper, height_px=top + 2.0 * _FRAME_PX + _BETWEEN_PX + _UNDER_PX)
    heading.write(sheet)
    rise, rise_u95 = course.rise_k
    warming = warming_scale([*(rise - rise_u95), *(rise + rise_u95)])
    upper = _frame(course, scale=warming, top=top, paper=paper)
    heard, heard_u95 = course.heard_db
    change = change_scale(
        [*(heard - heard_u95), *(heard + heard_u95), *course.expected_db], hold_all=True
    )
    lower = _frame(course, scale=change, top=upper.bottom + _BETWEEN_PX, paper=paper)
    _draw_warming(sheet, course, end=end, frame=upper, scale=warming)
    _draw_change(sheet, course, end=end, frame=lower, scale=change)
    for tick in _times(lower, paper=paper):
        sheet.text(
            lower.x(tick.at_s),
            lower.bottom + 18.0,
            text=tick.text,
            size=style.SMALL_PX,
            ha="center",
        )
    return sheet


def _frame(course: CoilCourse, *, scale: Scale, top: float, paper: Paper) -> Frame:
    left = left_px(paper)
    return Frame(
        left=left,
        top=top,
        width=paper.width_px - left - _RIGHT_PX,
        height=_FRAME_PX,
        x_range=(0.0, float(course.lines.ends_s[-1])),
        y_range=(scale.low_db, scale.high_db),
    )


def _times(frame: Frame, *, paper: Paper) -> tuple[TimeTick, ...]:
    most = paper.either(_MOST_TIME_STEPS, phone=_MOST_TIME_STEPS_PHONE)
    return time_ticks(frame.x_range[1], most=most)


def _prepare(sheet: Sheet, course: CoilCourse, *, frame: Frame, scale: Scale, title: str) -> None:
    times = _times(frame, paper=sheet.paper)
    frame.grid(sheet, xs=[tick.at_s for tick in times], ys=scale.ticks_db)
    draw_pauses(sheet, course.lines, frame=frame)
    sheet.text(frame.left, frame.top - 10.0, text=title, size=style.TEXT_PX, weight="bold")


def _draw_warming(
    sheet: Sheet, course: CoilCourse, *, end: CoilEnd, frame: Frame, scale: Scale
) -> None:
    title = sheet.paper.either("Temperature", phone="Temperature, °C above cold")
    _prepare(sheet, course, frame=frame, scale=scale, title=title)
    frame.write_decibels(sheet, scale.ticks_db, unit="°C")
    rise, u95 = course.rise_k
    draw_interval(sheet, course.at_s, ys=rise, u95=u95, frame=frame, colour=style.SEA)
    draw_line(sheet, course.at_s, ys=rise, frame=frame, color=style.SEA, linewidth=2.0)
    if not sheet.paper.narrow:
        sheet.text(
            MARGIN_PX, frame.y(0.0), text="as cold", size=style.SMALL_PX, color=style.MUTED,
            weight="bold", va="center",
        )  # fmt: skip
    text = true_minus(f"{end.rise_k:+.0f} °C")
    at = frame.y(end.rise_k)
    sheet.text(frame.right + 8.0, at, text=text, size=style.TEXT_PX, weight="bold", va="center")


def _draw_change(
    sheet: Sheet, course: CoilCourse, *, end: CoilEnd, frame: Frame, scale: Scale
) -> None:
    title = sheet.paper.either("Change in output", phone="Change in output, dB")
    _prepare(sheet, course, frame=frame, scale=scale, title=title)
    frame.write_decibels(sheet, scale.ticks_db)
    write_axis_words(sheet, frame, words=AS_COLD)
    heard, u95 = course.heard_db
    labels = [(end.expected_db, f"{db_number(end.expected_db)} expected", style.MUTED)]
    if end.heard_db is not None:
        draw_interval(sheet, course.at_s, ys=heard, u95=u95, frame=frame, colour=style.SEA)
        draw_line(sheet, course.at_s, ys=heard, frame=frame, color=style.SEA, linewidth=2.0)
        labels.append((end.heard_db, f"{db_number(end.heard_db)} heard", style.INK))
    sheet.line(
        [np.nan if np.isnan(x) else frame.x(float(x)) for x in course.at_s],
        [np.nan if np.isnan(y) else frame.y(float(y)) for y in course.expected_db],
        color=style.INK,
        linewidth=1.4,
        linestyle=(0, (4, 2)),
        zorder=3.0,
    )
    places = spread(
        [frame.y(value) for value, _, _ in labels],
        gap=_LABEL_GAP_PX,
        low=frame.top,
        high=frame.bottom,
    )
    for (_, text, colour), y in zip(labels, places, strict=True):
        sheet.text(frame.right + 8.0, y, text=text, size=style.TEXT_PX, color=colour, va="center")
