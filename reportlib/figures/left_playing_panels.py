"""Left playing: long-term change, band by band over the time of stress, then over frequency."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.panel import Words, draw_panel, write_axis_words
from reportlib.figures.panel_layout import lay_out, left_px
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import in_order, spread
from reportlib.figures.reading_out import read_out
from reportlib.figures.scales import Scale, change_scale, seconds_ticks
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.figures.turned_up_panel import shown_range_hz
from reportlib.levels import BANDS, Band
from reportlib.model import Analysis
from reportlib.numbers import sentence
from reportlib.readings.stages import Track, after_text, last_curves, last_result, tracks
from reportlib.readings.untold import why_band

_ABOVE_MULTIPLES_PX = 22.0
_MULTIPLES_PX = 160.0
_MULTIPLES_PHONE_PX = 130.0
_UNDER_MULTIPLES_PX = 40.0
_BETWEEN_ROWS_PX = 52.0
_COLUMNS_PHONE = 2
_BETWEEN_PX = 14.0
_LABEL_PX = 30.0
_SUBHEAD_PX = 40.0
_FRAME_PX = 220.0
_LABEL_GAP_PX = 13.5
_SAME_END_PX = 6.0
_MOST_TIME_STEPS = 2
AS_BEFORE = Words(zero="as before", less="less than\nbefore", more="more than\nbefore")


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None without a long-term test."""
    curves = last_curves(analysis)
    if not curves:
        return None
    layout = lay_out(curves, range_hz=shown_range_hz(analysis), frame_height=_FRAME_PX, paper=paper)
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Left playing: change as time goes on",
        more=(
            "Output after so much loud playing, against before. At each line's end: its level, dB."
        ),
        axes=AS_BEFORE.sentence,
    )
    multiples = _multiples(analysis, top=heading.height(paper) + _ABOVE_MULTIPLES_PX, paper=paper)
    under = multiples.frames[-1].bottom + _UNDER_MULTIPLES_PX
    sheet = Sheet(paper=paper, height_px=under + _SUBHEAD_PX + layout.height)
    heading.write(sheet)
    _draw_multiples(sheet, analysis, multiples=multiples)
    sheet.text(
        MARGIN_PX,
        under + 22.0,
        text=f"{sentence(after_text(curves))}, over frequency",
        size=style.TEXT_PX,
        weight="bold",
    )
    draw_panel(sheet, layout, top=under + _SUBHEAD_PX, words=AS_BEFORE)
    sheet.read_out = read_out(
        f"Left playing, {after_text(curves)}: read the curves at a frequency",
        curves=curves,
        frame=layout.frame.moved(under + _SUBHEAD_PX),
        sheet=sheet,
    )
    return sheet


@dataclass(frozen=True, kw_only=True)
class _Multiples:
    """A frame a band, with the lines that it shows."""

    frames: tuple[Frame, ...]
    lines: tuple[tuple[Track, ...], ...]
    scale: Scale
    columns: int


def _multiples(analysis: Analysis, *, top: float, paper: Paper) -> _Multiples:
    found = {band.name: tracks(analysis, band=band) for band in BANDS}
    values = [
        value
        for lines in found.values()
        for track in lines
        for mean, u95 in zip(track.mean_db, track.u95_db, strict=True)
        for value in (mean - u95, mean + u95)
    ]
    scale = change_scale(values, hold_all=True)
    longest_s = max(
        (time for lines in found.values() for track in lines for time in track.elapsed_s),
        default=1.0,
    )
    left = left_px(paper)
    columns = paper.either(len(BANDS), phone=_COLUMNS_PHONE)
    each = (paper.width_px - left - MARGIN_PX + _BETWEEN_PX) / columns
    height = paper.either(_MULTIPLES_PX, phone=_MULTIPLES_PHONE_PX)
    places = [divmod(index, columns) for index in range(len(BANDS))]
    return _Multiples(
        frames=tuple(
            Frame(
                left=left + column * each,
                top=top + row * (height + _BETWEEN_ROWS_PX),
                width=each - _BETWEEN_PX - _LABEL_PX,
                height=height,
                x_range=(0.0, longest_s),
                y_range=(scale.low_db, scale.high_db),
            )
            for row, column in places
        ),
        lines=tuple(tuple(found[band.name]) for band in BANDS),
        scale=scale,
        columns=columns,
    )


def _draw_multiples(sheet: Sheet, analysis: Analysis, *, multiples: _Multiples) -> None:
    scale = multiples.scale
    drawn = zip(BANDS, multiples.lines, multiples.frames, strict=True)
    for index, (band, lines, frame) in enumerate(drawn):
        if index % multiples.columns == 0:
            frame.write_decibels(sheet, scale.ticks_db)
            write_axis_words(sheet, frame, words=AS_BEFORE)
        _draw_band(sheet, analysis, band=band, lines=lines, frame=frame, scale=scale)


def _draw_band(
    sheet: Sheet,
    analysis: Analysis,
    *,
    band: Band,
    lines: Sequence[Track],
    frame: Frame,
    scale: Scale,
) -> None:
    times = seconds_ticks(frame.x_range[1], most=_MOST_TIME_STEPS)
    frame.grid(sheet, xs=times, ys=scale.ticks_db)
    sheet.text(
        frame.left, frame.top - 10.0, text=sentence(band.name), size=style.TEXT_PX, weight="bold"
    )
    if not any(np.isfinite(track.mean_db[1:]).any() for track in lines):
        loudest = last_curves(analysis)[-1]
        result = last_result(analysis, band=band.name, curve=loudest)
        why = why_band(result, curve=loudest, band=band)
        frame.grey_out(sheet, why=why)
        return
    _write_times(sheet, times, frame=frame)
    zero = frame.y(0.0)
    sheet.strokes([((frame.left, zero), (frame.right, zero))], color=style.UNTOLD, linewidth=0.9)
    colours, widths = style.ramp(len(lines)), style.weights(len(lines))
    for track, colour, width in zip(lines, colours, widths, strict=True):
        _draw_track(sheet, track, frame=frame, colour=colour, width=width)
    _name_ends(sheet, lines, frame=frame)


def _draw_track(sheet: Sheet, track: Track, *, frame: Frame, colour: str, width: float) -> None:
    xs = [frame.x(time) for time in track.elapsed_s]
    ys = [np.nan if np.isnan(mean) else frame.y(mean) for mean in track.mean_db]
    sheet.line(
        xs,
        ys,
        color=colour,
        linewidth=width,
    )
    told = [(x, y) for x, y in zip(xs[1:], ys[1:], strict=True) if np.isfinite(y)]
    sheet.dots(told, color=colour, markersize=width + 2.6)
    whiskers = [
        ((x, frame.y(mean - u95)), (x, frame.y(mean + u95)))
        for x, mean, u95 in zip(xs, track.mean_db, track.u95_db, strict=True)
        if u95 > 0.0 and not np.isnan(mean)
    ]
    sheet.strokes(whiskers, color=colour, linewidth=0.9)


def _write_times(sheet: Sheet, times: Sequence[float], *, frame: Frame) -> None:
    minutes = frame.x_range[1] > 180.0
    for index, time in enumerate(times):
        text = f"{time / 60.0:g}" if minutes else f"{time:g}"
        if index == len(times) - 1:
            text += " min" if minutes else " s"
        sheet.text(frame.x(time), frame.bottom + 18.0, text=text, size=style.SMALL_PX, ha="center")


def _name_ends(sheet: Sheet, lines: Sequence[Track], *, frame: Frame) -> None:
    """Write each line's level at its end; a level without a line gets a question mark."""
    ends = [np.flatnonzero(np.isfinite(track.mean_db)) for track in lines]
    told = [where.size > 1 for where in ends]
    wanted = [
        frame.y(float(track.mean_db[where[-1]])) if known else frame.bottom
        for track, where, known in zip(lines, ends, told, strict=True)
    ]
    places = spread(
        in_order(wanted, within=_SAME_END_PX), gap=_LABEL_GAP_PX, low=frame.top, high=frame.bottom
    )
    for track, y, known in zip(lines, places, told, strict=True):
        sheet.text(
            frame.right + 6.0,
            y,
            text=f"{track.level_db:g}" if known else f"{track.level_db:g}?",
            size=style.SMALL_PX,
            color=style.INK if known else style.MUTED,
            va="center",
        )
