"""Asked and given: by band, how far the output rose against how far it was asked to.

A ring marks where a band is first 1 dB and 3 dB behind, the stroke along the parallel through it
is the bracket. They are named in the corner above the diagonal, which only gains reach.
"""

from collections.abc import Sequence

import numpy as np

from reportlib.facts import FactTable, collect
from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import spread
from reportlib.figures.scales import Scale, rise_scale
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.judged import Limit
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.numbers import db_number, sentence
from reportlib.readings.behind import limit_label, marked_limits
from reportlib.readings.ladder import Rung, rungs
from reportlib.readings.untold import why_band
from reportlib.thresholds import BEHIND_DB

_LEFT_PX = 70.0
_LEFT_PHONE_PX = 44.0
_PARALLELS_PX = 82.0
_BETWEEN_PX = 18.0
_FRAME_PX = 260.0
_FRAME_PHONE_PX = 190.0
_ABOVE_PX = 40.0
_BETWEEN_ROWS_PX = 30.0
_UNDER_PX = 52.0
_COLUMNS_PHONE = 2
_LABEL_GAP_PX = 15.0
_SHORTFALLS_DB = (0.0, *BEHIND_DB)
_LIMIT_ROW_PX = 16.0


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no level was driven above the baseline."""
    every = rungs(analysis)
    if not every:
        return None
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Asked and given",
        more="How far the output rose as the volume was turned up; "
        f"under each name the change at {every[-1].level_db:g} dB.",
        axes="Axes in dB.",
    )
    scale = rise_scale(every)
    facts = collect(analysis)
    frames = _frames(scale, top=heading.height(paper) + _ABOVE_PX, paper=paper)
    sheet = Sheet(paper=paper, height_px=frames[-1].bottom + _UNDER_PX)
    heading.write(sheet)
    for band, frame in zip(BANDS, frames, strict=True):
        steps = [tick for tick in scale.ticks_db if tick >= 0.0]
        frame.grid(sheet, xs=steps, ys=scale.ticks_db)
        if frame.left == frames[0].left:
            frame.write_decibels(sheet, scale.ticks_db)
        band_rungs = [rung for rung in every if rung.band == band.name]
        _write_band(sheet, band_rungs, frame=frame)
        for tick in steps:
            text = f"+{tick:g}" if tick else "0"
            sheet.text(
                frame.x(tick), frame.bottom + 18.0, text=text, size=style.SMALL_PX, ha="center"
            )
        if all(rung.change_db is None for rung in band_rungs):
            why = why_band(band_rungs[-1].result, curve=analysis.short_term[-1], band=band)
            frame.grey_out(sheet, why=why)
            # The ends alone, for the names beside the last band.
            _draw_promise(sheet, frame=frame, from_db=0.9 * scale.high_db)
        else:
            _draw_promise(sheet, frame=frame, from_db=0.0)
            _draw_given(sheet, band_rungs, frame=frame)
            _mark_limits(
                sheet,
                marked_limits(analysis, band=band.name),
                frame=frame,
                from_db=analysis.baseline.level_asked_db,
                facts=facts,
            )
    _name_parallels(sheet, frames[-1])
    left, top = frames[0].left, frames[0].top
    below = f"asked for, dB above {analysis.baseline.level_asked_db:g} dB"
    sheet.text(left, frames[-1].bottom + 40.0, text=below, size=style.SMALL_PX, color=style.MUTED)
    sheet.text(MARGIN_PX, top - 22.0, text="given", size=style.SMALL_PX, color=style.MUTED)
    return sheet


def _frames(scale: Scale, *, top: float, paper: Paper) -> list[Frame]:
    """Return a frame a band; right of the last of them there is room to name the parallels."""
    left = paper.either(_LEFT_PX, phone=_LEFT_PHONE_PX)
    columns = paper.either(len(BANDS), phone=_COLUMNS_PHONE)
    height = paper.either(_FRAME_PX, phone=_FRAME_PHONE_PX)
    beside = paper.either(_PARALLELS_PX, phone=MARGIN_PX + 8.0)
    each = (paper.width_px - left - beside + _BETWEEN_PX) / columns
    return [
        Frame(
            left=left + column * each,
            top=top + row * (height + _ABOVE_PX + _BETWEEN_ROWS_PX),
            width=each - _BETWEEN_PX,
            height=height,
            x_range=(0.0, scale.high_db),
            y_range=(scale.low_db, scale.high_db),
        )
        for row, column in (divmod(index, columns) for index in range(len(BANDS)))
    ]


def _write_band(sheet: Sheet, band_rungs: Sequence[Rung], *, frame: Frame) -> None:
    """Write a band's name and what is left of the highest level's rise."""
    highest = band_rungs[-1]
    sheet.text(
        frame.left,
        frame.top - 26.0,
        text=sentence(highest.band),
        size=style.TEXT_PX,
        weight="bold",
    )
    change = "?"
    if highest.change_db is not None:
        change = f"{db_number(highest.change_db, u95_db=highest.u95_db)} dB"
    sheet.text(
        frame.left,
        frame.top - 9.0,
        text=change,
        size=style.SMALL_PX,
        color=style.MUTED,
    )


def _draw_promise(sheet: Sheet, *, frame: Frame, from_db: float) -> None:
    """Draw the diagonal that was promised, and faintly what lies 1 dB and 3 dB below it."""
    high = frame.x_range[1]
    for short_db in _SHORTFALLS_DB:
        start = max(from_db, frame.y_range[0] + short_db)
        sheet.line(
            (frame.x(start), frame.right),
            (frame.y(start - short_db), frame.y(high - short_db)),
            color=style.RULE if short_db else style.UNTOLD,
            linewidth=1.0,
            zorder=0.0,
        )


def _draw_given(sheet: Sheet, band_rungs: Sequence[Rung], *, frame: Frame) -> None:
    told = [
        (frame.x(rung.asked_db), rung.given_db, rung.u95_db)
        for rung in band_rungs
        if rung.given_db is not None
    ]
    known = [rung.given_db for rung in band_rungs]
    xs = [frame.x(0.0), *(frame.x(rung.asked_db) for rung in band_rungs)]
    ys = [frame.y(0.0), *(np.nan if given is None else frame.y(given) for given in known)]
    sheet.line(xs, ys, color=style.SEA, linewidth=2.0)
    dots = [(x, y) for x, y in zip(xs, ys, strict=True) if np.isfinite(y)]
    sheet.dots(dots, color=style.SEA, markersize=6.0)
    whiskers = [((x, frame.y(given - u95)), (x, frame.y(given + u95))) for x, given, u95 in told]
    sheet.strokes(whiskers, color=style.INK, linewidth=1.0)


def _mark_limits(
    sheet: Sheet, limits: Sequence[Limit], *, frame: Frame, from_db: float, facts: FactTable
) -> None:
    """Mark where the band is behind, on the parallel that lies so far below the promise."""
    for row, limit in enumerate(limits):
        short_db = limit.threshold_db
        low, high = (
            frame.x_range[1] if level is None else level - from_db
            for level in (limit.low_db or from_db, limit.high_db)
        )
        sheet.line(
            (frame.x(low), frame.x(high)),
            (frame.y(low - short_db), frame.y(high - short_db)),
            color=style.INK,
            linewidth=4.0,
            alpha=0.45,
            solid_capstyle="butt",
            zorder=3.0,
        )
        if limit.level_db is not None:
            at = limit.level_db - from_db
            sheet.dots(
                [(frame.x(at), frame.y(at - short_db))],
                markersize=8.0,
                color=style.INK,
                markerfacecolor="none",
                markeredgewidth=1.6,
                zorder=4.0,
            )
        sheet.text(
            frame.left + 2.0,
            frame.top + _LIMIT_ROW_PX * (row + 0.9),
            text=f"{short_db:g} dB: {limit_label(limit, facts=facts)}",
            size=style.SMALL_PX,
        )


def _name_parallels(sheet: Sheet, frame: Frame) -> None:
    """Name the diagonal and its parallels right of the last band."""
    high = frame.x_range[1]
    at = [frame.y(high - short_db) for short_db in _SHORTFALLS_DB]
    places = spread(at, gap=_LABEL_GAP_PX, low=frame.top - 6.0, high=frame.bottom)
    for short_db, here, y in zip(_SHORTFALLS_DB, at, places, strict=True):
        sheet.line(
            (frame.right, frame.right + 3.0, frame.right + 10.0), (here, here, y), linewidth=0.8
        )
        sheet.text(
            frame.right + 12.0,
            y,
            text=f"{short_db:g} dB less" if short_db else "as asked",
            size=style.SMALL_PX,
            color=style.MUTED,
            va="center",
        )
