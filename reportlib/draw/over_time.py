"""Left playing: band by band over time, and what the last sweeps say over frequency."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend_handler import HandlerLine2D
from matplotlib.lines import Line2D

from reportlib.draw import style
from reportlib.draw.drawing import (
    AS_AT_FIRST,
    AS_BEFORE,
    AS_COLD,
    LineEnd,
    draw_dots,
    draw_interval,
    draw_whiskers,
    draw_zero,
    grey_out,
    left_px,
    name_ends,
    say_leaving,
    set_decibels,
    write_axis_words,
)
from reportlib.draw.over_frequency import draw_change, shown_range_hz
from reportlib.draw.pictures import Drawn, Reading, drawn
from reportlib.draw.scales import change_scale, time_ticks
from reportlib.draw.sheet import (
    add_panel,
    from_corner,
    new_figure,
    set_height,
    size_px,
    write_heading,
)
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.draw.wordings import said
from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS, Band
from reportlib.numbers import db_interval, db_number, level_text, sentence, span_text
from reportlib.session.records import FloatArray
from reportlib.write import captions, stress_captions
from reportlib.write.readings_curves import why_band
from reportlib.write.readings_stress import (
    Course,
    Swept,
    Timeline,
    changed_by_playing,
    course,
    levels_played,
    swept,
    timeline,
    why_untold,
)
from reportlib.write.readings_sweeps import Track, after_text, last_curves, last_result, tracks
from reportlib.write.writer import Said

_SAME_END_PX = 6.0
_OVER_FREQUENCY_PX = 220.0

_COLUMNS = 3
_MINUTES_ABOVE_PX = 48.0
_MINUTES_UNDER_PX = 34.0
_MINUTES_BETWEEN_PX = 12.0
_MOST_NAMED = 3
_KEY_ROW_PX = 23.0


def left_playing(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw the last sweeps of the long-term test over frequency; None where nothing changed."""
    curves = last_curves(analysis)
    if not curves or not changed_by_playing(analysis):
        return None
    label = f"Left playing, {after_text(curves)}: read the curves at a frequency"
    return drawn(
        partial(draw_left_playing, analysis),
        name="left-playing",
        caption=captions.caption_left_playing(analysis, said=said),
        alt=captions.alt_left_playing(analysis, said=said),
        reading=Reading(label=label, curves=curves),
    )


def draw_left_playing(analysis: Analysis, paper: Paper) -> Figure:
    """Draw it on a paper."""
    curves = last_curves(analysis)
    figure = new_figure(paper)
    top = write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title=f"Left playing: {after_text(curves)}, over frequency",
        more="The sweep after the last stage, against before.",
        axes=AS_BEFORE.sentence,
    )
    draw_change(
        figure, curves, top=top, height=_OVER_FREQUENCY_PX,
        range_hz=shown_range_hz(analysis), words=AS_BEFORE, paper=paper,
    )  # fmt: skip
    return figure


def set_times(ax: Axes, longest_s: float, *, most: int) -> None:
    """Make the horizontal axis one of round times, in at most so many steps."""
    ticks = time_ticks(longest_s, most=most)
    ax.set_xlim(0.0, longest_s)
    ax.set_xticks([tick.at_s for tick in ticks], [tick.text for tick in ticks])


@dataclass(frozen=True, kw_only=True)
class _Band:
    """What one band's panel shows: a course a level, quietest first, and the loudest's sweeps.

    `tracks` is what sweeps alone say, a track a level, where nothing was told while it played.
    """

    name: str
    courses: tuple[Course, ...] = ()
    sweeps: tuple[Swept, ...] = ()
    tracks: tuple[Track, ...] = ()
    why_untold: str = ""

    @property
    def values_db(self) -> list[float]:
        """Everything that the scale must hold."""
        told = [one for one in self.courses if one.end is not None]
        parts = [one.change_db + sign * one.u95_db for one in told for sign in (-1.0, 1.0)]
        found = np.concatenate([*parts, *(one.fitted_db for one in told), np.zeros(1)])
        seen = [one.seen_db + sign * one.seen_u95_db for one in self.sweeps for sign in (-1.0, 1.0)]
        swept = [one.mean_db + sign * one.u95_db for one in self.tracks for sign in (-1.0, 1.0)]
        return [*found.tolist(), *seen, *(value for one in swept for value in one.tolist())]

    @property
    def told(self) -> bool:
        """Whether anything of it can be told."""
        swept = any(np.isfinite(one.mean_db[1:]).any() for one in self.tracks)
        return swept or any(one.end is not None for one in self.courses)


def minute_by_minute(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw what each band loses while it plays, and in the sweeps between and afterwards.

    The sweeps alone where nothing was told while it played; None where nothing changed.
    """
    anything = levels_played(analysis) or last_curves(analysis)
    if not anything or not changed_by_playing(analysis):
        return None
    return drawn(
        partial(draw_minutes, analysis),
        name="minute-by-minute",
        caption=stress_captions.caption_minute_by_minute(analysis, said=said),
        alt=stress_captions.alt_minute_by_minute(analysis, said=said),
    )


def draw_minutes(analysis: Analysis, paper: Paper) -> Figure:
    """Draw a panel a band, and a key in the free place."""
    levels = levels_played(analysis)
    bands = [_band(analysis, band) for band in BANDS]
    scale = change_scale([value for band in bands for value in band.values_db], hold_all=True)
    until_s = 1.02 * max(
        [float(timeline(level).ends_s[-1]) for level in levels]
        + [one.at_s for band in bands for one in band.sweeps]
        + [float(one.elapsed_s[-1]) for band in bands for one in band.tracks]
    )
    words, more = AS_BEFORE, "Sweeps after so much loud playing, band by band, against before."
    if levels:
        words = AS_COLD if levels[-1].cold_known else AS_AT_FIRST
        more = f"Change in output while {level_text(levels[-1].level_db)} plays, band by band."
    figure = new_figure(paper)
    first = write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title="Left playing, minute by minute",
        more=more,
        axes=words.sentence,
    )
    columns, height, label = paper.either((_COLUMNS, 150.0, 40.0), phone=(1, 105.0, 50.0))
    row_px = _MINUTES_ABOVE_PX + height + _MINUTES_UNDER_PX
    left = left_px(paper)
    each = (paper.width_px - left - MARGIN_PX + _MINUTES_BETWEEN_PX) / columns
    key: dict[int, tuple[Any, str]] = {}
    for index, band in enumerate(bands):
        row, column = divmod(index, columns)
        ax = add_panel(
            figure,
            left=left + column * each,
            top=first + row * row_px + _MINUTES_ABOVE_PX,
            width=each - _MINUTES_BETWEEN_PX - label,
            height=height,
        )
        ax.set_title(sentence(band.name), pad=26.0)
        set_times(ax, until_s, most=3)
        set_decibels(ax, scale, paper=paper)
        ax.tick_params(labelleft=column == 0)
        if column == 0:
            write_axis_words(ax, words, paper=paper)
        if not band.told:
            grey_out(ax, band.why_untold)
            ax.tick_params(labelbottom=False)
        elif levels:
            key |= _draw_band(ax, band, lines=timeline(levels[-1]))
        else:
            key |= _draw_tracks(ax, band.tracks)
    row, column = divmod(len(bands), columns)
    top = first + row * row_px
    bottom = top + 30.0 + _KEY_ROW_PX * len(key)
    set_height(figure, bottom if column == 0 else first + (row + 1) * row_px)
    _write_key(figure, key, left=left + column * each, top=top + 24.0)
    return figure


def _band(analysis: Analysis, band: Band) -> _Band:
    levels = levels_played(analysis)
    if levels:
        return _Band(
            name=band.name,
            courses=tuple(course(level, band=band.name) for level in levels),
            sweeps=swept(levels[-1], band=band.name),
            why_untold=why_untold(levels[-1], band.name),
        )
    curve = last_curves(analysis)[-1]
    result = last_result(analysis, band=band.name, curve=curve)
    return _Band(
        name=band.name,
        tracks=tracks(analysis, band=band),
        why_untold=why_band(result, curve=curve, band=band),
    )


def _draw_tracks(ax: Axes, lines: Sequence[Track]) -> dict[int, tuple[Any, str]]:
    """Draw a band's sweeps, quietest level first, each line named by its level at its end."""
    draw_zero(ax)
    ends, key = [], {}
    looks = zip(lines, style.ramp(len(lines)), style.weights(len(lines)), strict=True)
    for place, (track, color, width) in enumerate(looks):
        x, y, u95 = track.elapsed_s, track.mean_db, track.u95_db
        ax.plot(x, y, color=color, linewidth=width)
        told = np.isfinite(y) & (np.arange(y.size) > 0)
        draw_whiskers(ax, x[told], y=y[told], u95=u95[told], color=color, linewidth=0.9)
        mark = _draw_diamonds(ax, x[told], y=y[told], color=color)
        key[place] = (mark, f"sweep after {level_text(track.level_db)}")
        last = (float(x[told][-1]), float(y[told][-1])) if told.any() else None
        text = db_number(last[1], u95_db=float(u95[told][-1])) if last else "?"
        ends.append(LineEnd(text=text, at=last, color=style.INK if last else style.MUTED))
    named = ends if len(ends) <= _MOST_NAMED else ends[-1:]
    name_ends(ax, named, out=6.0, gap=13.5, within=_SAME_END_PX)
    say_leaving(ax)
    return key


def _draw_band(ax: Axes, band: _Band, *, lines: Timeline) -> dict[int, tuple[Any, str]]:
    """Draw a band's courses; return what the key says of the marks, by its place there."""
    *quieter, loudest = band.courses
    colours, widths = style.ramp(len(band.courses)), style.weights(len(band.courses))
    pause = draw_pauses(ax, lines)
    draw_zero(ax)
    key = {3: (pause, "a pause" if lines.exact else "a pause, not to scale")}
    for one, color, width in zip(quieter, colours, widths, strict=False):
        if one.end is not None:
            quiet = _draw_course(ax, one, color=color, width=width)
            key[2] = (quiet, span_text([each.level_db for each in quieter]))
    end = loudest.end
    if end is not None:
        text = f"{db_interval(end.change_db, u95_db=end.u95_db)} at the end"
        text += "" if end.since_cold else "*"
        ax.text(0.0, -9.0, text, color=style.MUTED, transform=from_corner(ax))
        x, y = loudest.at_s, loudest.change_db
        soft = draw_interval(ax, x, y=y, u95=loudest.u95_db, color=colours[-1])
        dots = draw_dots(ax, x, y=y, color=style.SEA, markersize=3.4, zorder=1.8)
        key[0] = ((soft, dots), f"{level_text(loudest.level_db)}, 95 % band")
        if loudest.fitted_db.size:
            fitted = _draw_course(ax, loudest, color=colours[-1], width=1.6)
            key[1] = (fitted, "the curve fitted to it")
        if band.sweeps:
            key[4] = (_draw_sweeps(ax, band.sweeps), "the sweep that follows")
        if not end.since_cold:
            star = Line2D([], [], marker="*", linestyle="none", color=style.INK, markersize=7.0)
            key[5] = (star, "since the first period")
    # Of many levels the loudest alone: nobody could tell whose the other numbers are.
    named = band.courses if len(band.courses) <= _MOST_NAMED else band.courses[-1:]
    ends = [_named_end(one, loudest=one is loudest) for one in named]
    name_ends(ax, ends, out=5.0, gap=14.0, within=_SAME_END_PX)
    say_leaving(ax)
    return key


def _named_end(one: Course, *, loudest: bool) -> LineEnd:
    """Name a line by the loss at its end, the loudest level's in bold."""
    color, weight = (style.INK, "bold") if loudest else (style.MUTED, "normal")
    if one.end is None:
        return LineEnd(text="?", at=None, color=color, weight=weight)
    text = db_number(one.end.change_db, u95_db=one.end.u95_db)
    return LineEnd(text=text, at=(0.0, one.end.change_db), color=color, weight=weight)


def draw_pauses(ax: Axes, lines: Timeline) -> Any:
    """Shade what is no stress: between the stages, and after the last."""
    for end, start in zip(lines.ends_s, [*lines.starts_s[1:], ax.get_xlim()[1]], strict=True):
        shade = ax.axvspan(end, start, facecolor=style.WATER, linewidth=0.0, zorder=0.2)
        ax.axvline(end, color=style.MUTED, linewidth=0.8, linestyle=(0, (2, 2)), zorder=0.6)
    return shade


def _draw_course(ax: Axes, one: Course, *, color: str, width: float) -> Any:
    """Draw the fitted curve, or what was measured where there is none."""
    x, y = (one.knots_s, one.fitted_db) if one.fitted_db.size else (one.at_s, one.change_db)
    return ax.plot(x, y, color=color, linewidth=width)[0]


def _draw_sweeps(ax: Axes, sweeps: Sequence[Swept]) -> Any:
    """Draw what the sweeps saw at their own time, tied to the true value when the stage ended."""
    for one in sweeps:
        ax.plot((one.end_s, one.at_s), (one.end_db, one.seen_db), color=style.INK, linewidth=0.9,
                linestyle=(0, (1, 1.5)), zorder=1.9)  # fmt: skip
    at_s, seen_db, u95_db = (
        np.array([getattr(one, name) for one in sweeps])
        for name in ("at_s", "seen_db", "seen_u95_db")
    )
    draw_whiskers(ax, at_s, y=seen_db, u95=u95_db, color=style.INK, linewidth=0.9, zorder=3.0)
    return _draw_diamonds(ax, at_s, y=seen_db, color=style.INK)


def _draw_diamonds(ax: Axes, x: FloatArray, *, y: FloatArray, color: str) -> Any:
    return ax.plot(
        x, y, "D", color="white", markeredgecolor=color, markeredgewidth=1.1, markersize=6.5,
        zorder=3.5,
    )[0]  # fmt: skip


def _write_key(figure: Figure, key: dict[int, tuple[Any, str]], *, left: float, top: float) -> None:
    """Say what the marks are, of those that occur."""
    wide, high = size_px(figure)
    marks = [key[place] for place in sorted(key)]
    in_bands = [mark[1] for mark, _ in marks if isinstance(mark, tuple)]
    figure.legend(
        [mark for mark, _ in marks],
        [words for _, words in marks],
        handler_map={dots: HandlerLine2D(numpoints=3) for dots in in_bands},
        loc="upper left",
        bbox_to_anchor=(left / wide, 1.0 - top / high),
    )
