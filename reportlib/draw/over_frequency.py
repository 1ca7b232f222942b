"""Turned up: short-term change over frequency, one line a level.

`draw_change` is the panel of change over frequency that several figures share. How many words
stand above and below its frame depends on the data and on the scale: what can't be told and why,
which lines leave the scale and how far.
"""

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from reportlib.draw import style
from reportlib.draw.drawing import (
    AS_ASKED,
    ASIDE,
    AxisWords,
    LineEnd,
    draw_interval,
    draw_line,
    draw_zero,
    left_px,
    name_ends,
    set_decibels,
    set_frequencies,
    write_axis_words,
)
from reportlib.draw.pictures import READ_AXES, Drawn, Reading, drawn
from reportlib.draw.scales import (
    Excursion,
    Scale,
    change_scale,
    excursions,
    in_rows,
    text_width,
    usable_values,
)
from reportlib.draw.sheet import (
    add_panel,
    box_px,
    figure_of,
    follow,
    from_corner,
    new_figure,
    place_px,
    set_box,
    set_height,
    write_heading,
)
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.draw.wordings import said
from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS, runs
from reportlib.measure.records import BaselineCurve, ChangeCurve
from reportlib.numbers import db_number, level_text, sentence
from reportlib.write import captions
from reportlib.write.readings_curves import cell_edges, hidden, stretches
from reportlib.write.writer import Said

_FRAME_PX = 300.0
_ABOVE_FRAME_PX = 6.0
_BELOW_FRAME_PX = 48.0
_LABEL_OUT_PX = 18.0
_RIGHT_PX = 80.0
_WORD_ROW_PX = 17.0
_ONE_PLACE_PX = 30.0
_EXCURSIONS_A_LINE = 3
_UNDER_NUMBERS_PX = 10.5


def turned_up(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw the short-term change over frequency; None where no level was above the baseline."""
    if not analysis.short_term:
        return None
    curves = sorted(analysis.short_term, key=lambda curve: curve.level_db)
    return drawn(
        partial(draw_turned_up, analysis),
        name="turned-up",
        caption=captions.caption_turned_up(analysis, said=said),
        alt=captions.alt_turned_up(analysis, said=said),
        reading=Reading(label="Turned up: read the curves at a frequency", curves=curves),
    )


def draw_turned_up(analysis: Analysis, paper: Paper) -> Figure:
    """Draw it on a paper."""
    figure = new_figure(paper)
    top = write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title="Turned up: change over frequency",
        more="Output against what was asked for, on the way from "
        f"{analysis.baseline.level_asked_db:g} dB up to each level.",
        axes=AS_ASKED.sentence,
    )
    draw_change(
        figure,
        sorted(analysis.short_term, key=lambda curve: curve.level_db),
        top=top,
        height=_FRAME_PX,
        range_hz=shown_range_hz(analysis),
        words=AS_ASKED,
        paper=paper,
        baseline=analysis.baseline,
    )
    return figure


def shown_range_hz(analysis: Analysis) -> tuple[float, float]:
    """Return the frequencies that figures show: the sweep's, inside 20 Hz to 20 kHz."""
    low, high = analysis.sweep_range_hz
    return max(low, 20.0), min(high, 20000.0)


def draw_change(
    figure: Figure,
    curves: Sequence[ChangeCurve],
    *,
    top: float,
    height: float,
    range_hz: tuple[float, float],
    words: AxisWords,
    paper: Paper,
    baseline: BaselineCurve | None = None,
) -> Axes:
    """Draw a panel of curves, quietest first, as the last of a figure, from `top` on.

    Parameters
    ----------
    height : of its frame
    baseline : makes zero as wide as its own 95 % interval
    """
    left = left_px(paper)
    names = [text_width(f"{level_text(one.level_db)} ?", size=style.TEXT_PX) for one in curves]
    right = paper.either(_RIGHT_PX, phone=_LABEL_OUT_PX + max(names) + MARGIN_PX)
    ax = add_panel(figure, left=left, top=top, width=paper.width_px - left - right, height=height)
    ax.set_label(READ_AXES)
    set_frequencies(ax, range_hz)
    scale = change_scale(usable_values(curves, range_hz=range_hz))
    set_decibels(ax, scale, paper=paper)
    if baseline is not None:
        half = np.where(baseline.usable, baseline.u95_db, np.nan)
        ax.fill_between(
            baseline.frequency_hz, -half, half, facecolor=style.WATER, linewidth=0.0, zorder=0.6
        )
    draw_zero(ax)
    draw_untold(ax, curves, range_hz=range_hz)
    colours, widths = style.ramp(len(curves)), style.weights(len(curves))
    ends = []
    for curve, colour, width in zip(curves, colours, widths, strict=True):
        line = draw_curve(ax, curve, color=colour, width=width)
        told = usable_values([curve], range_hz=range_hz).size > 1  # zero is one of them
        ends.append(
            LineEnd(
                text=level_text(curve.level_db) + ("" if told else " ?"),
                at=line if told else None,
                color=style.INK if told else style.MUTED,
                leader=colour,
            )
        )
    write_axis_words(ax, words, paper=paper)
    # On a phone, words above and below the frame reach under the labels.
    inset = paper.either(2.0, phone=6.0)
    name_ends(ax, ends, out=_LABEL_OUT_PX, gap=16.0, size=style.TEXT_PX, inset=inset, within=10.0)
    if not any(curve.usable.any() for curve in curves):
        looks: dict[str, Any] = {"size": style.TITLE_PX, "ha": "center", "va": "center_baseline"}
        ax.text(0.5, 0.5, "can't tell", transform=ax.transAxes, **looks)
    _write_around(ax, curves, top=top, height=height, paper=paper)
    return ax


def draw_untold(ax: Axes, curves: Sequence[ChangeCurve], *, range_hz: tuple[float, float]) -> None:
    """Grey what can't be told, the deeper the more levels it holds for."""
    lost = np.sum([hidden(curve, range_hz=range_hz) for curve in curves], axis=0)
    f = curves[0].frequency_hz
    for count in range(1, len(curves) + 1):
        for first, last in runs(lost == count):
            low, high = cell_edges(f, first=first, last=last, range_hz=range_hz)
            alpha = style.UNTOLD_ALPHA * count / len(curves)
            ax.axvspan(low, high, facecolor=style.UNTOLD, alpha=alpha, linewidth=0.0, zorder=0.55)


def draw_curve(ax: Axes, curve: ChangeCurve, *, color: str, width: float) -> Line2D:
    """Draw what may be used of a curve with its 95 % band; dotted what the gate hides.

    Returns
    -------
    the line of what may be used
    """
    f = curve.frequency_hz
    told = np.where(curve.usable, curve.change_db, np.nan)
    draw_interval(ax, f, y=told, u95=curve.u95_db, color=color, alpha=0.16, zorder=2.0)
    dashes = (0, (5, 2)) if curve.lower_bound else "solid"
    line = draw_line(ax, f, y=told, color=color, linewidth=width, linestyle=dashes, zorder=3.0)
    behind_gate = np.array([reason == "gate" for reason in curve.reason])
    if behind_gate.any():
        # One point more, so that the dots reach the line.
        behind_gate[1:] |= behind_gate[:-1]
        ungraded = np.where(behind_gate, curve.change_db, np.nan)
        looks: dict[str, Any] = {"color": color, "linewidth": 1.0, "linestyle": (0, (1, 2.5))}
        ax.plot(f, ungraded, zorder=2.5, label=ASIDE, **looks)
    return line


def _write_around(
    ax: Axes, curves: Sequence[ChangeCurve], *, top: float, height: float, paper: Paper
) -> None:
    """Write what stands above and below a frame, and give it the room that this takes."""
    figure = figure_of(ax)
    left, _, width, _ = box_px(ax)
    room = paper.either(width, phone=paper.width_px - MARGIN_PX - left)
    where = from_corner(ax)
    written: list[Artist] = []

    def rows(notes: Sequence[tuple[float, str]], *, y: float, pitch: float, **looks: Any) -> float:
        """Write words near where they belong, in as few rows as they need; return their height."""
        widths = [text_width(text, size=style.SMALL_PX) for _, text in notes]
        gap = looks.pop("gap", 14.0)
        places = in_rows([x for x, _ in notes], widths=widths, gap=gap, low=0.0, high=room)
        for (_, text), (row, start), wide in zip(notes, places, widths, strict=True):
            at = (start + 0.5 * wide, y + pitch * row)
            written.append(ax.text(*at, text, ha="center", transform=where, **looks))
        return _WORD_ROW_PX * (max((row for row, _ in places), default=-1) + 1)

    def place() -> None:
        for artist in written:
            artist.remove()
        written.clear()
        range_hz, scale = _limits(ax)
        found = [
            one for curve in curves for one in excursions(curve, scale=scale, range_hz=range_hz)
        ]
        losses = [one for one in found if one.change_db < scale.low_db]
        gains = [one for one in found if one.change_db > scale.high_db]
        above = rows(_leaving_words(gains, ax=ax, room=room), y=-8.0, pitch=-_WORD_ROW_PX)
        below = rows(_leaving_words(losses, ax=ax, room=room), y=height + 16.0, pitch=_WORD_ROW_PX)
        untold = stretches(curves, range_hz=range_hz)
        widest = {
            one.words: 0.5 * sum(across_px(ax, one.low_hz, one.high_hz))
            for one in sorted(untold, key=lambda one: one.high_hz / one.low_hz)
        }
        above += rows(
            [(x, text) for text, x in widest.items()], y=-8.0 - above, pitch=-_WORD_ROW_PX,
            color=style.MUTED,
        )  # fmt: skip
        colour_of = {
            curve.level_db: colour
            for curve, colour in zip(curves, style.ramp(len(curves)), strict=True)
        }
        for marker, edge, ones in (("v", height, losses), ("^", 0.0, gains)):
            for one in ones:
                (x,) = across_px(ax, one.frequency_hz)
                written.extend(
                    ax.plot(x, edge, marker, color=colour_of[one.level_db], markersize=9.5,
                            transform=where, clip_on=False, zorder=4.0)
                )  # fmt: skip
        strokes = [
            (across_px(ax, one.low_hz, one.high_hz), -2.0, style.UNTOLD, 2.0) for one in untold
        ]
        shown = [band for band in BANDS if band.high_hz > range_hz[0] and band.low_hz < range_hz[1]]
        named = []
        for band in shown:
            low, high = across_px(ax, band.low_hz, band.high_hz)
            strokes.append(((low + 1.5, high - 1.5), height + below + 27.0, style.RULE, 1.2))
            name = sentence(band.name)
            if paper.narrow or text_width(name, size=style.SMALL_PX) < high - low:
                named.append((0.5 * (low + high), name))
        for (low, high), y, colour, weight in strokes:
            written.extend(
                ax.plot((low, high), (y, y), color=colour, linewidth=weight, transform=where,
                        clip_on=False)
            )  # fmt: skip
        under = rows(named, y=height + below + 40.0, pitch=_WORD_ROW_PX, color=style.MUTED, gap=6.0)
        at = (width + 16.0, height + below + 20.0)
        written.append(ax.text(*at, "Hz", transform=where))
        ax.tick_params(axis="x", pad=_UNDER_NUMBERS_PX + below)
        frame_top = top + above + _ABOVE_FRAME_PX
        set_box(ax, left=left, top=frame_top, width=width, height=height)
        under = max(under - _WORD_ROW_PX, 0.0)
        set_height(figure, frame_top + height + below + _BELOW_FRAME_PX + under)

    follow(ax, place)


def _limits(ax: Axes) -> tuple[tuple[float, float], Scale]:
    low_hz, high_hz = sorted(ax.get_xlim())
    low_db, high_db = sorted(ax.get_ylim())
    return (low_hz, high_hz), Scale(low_db=low_db, high_db=high_db)


def across_px(ax: Axes, *frequencies_hz: float) -> tuple[float, ...]:
    """Return how far right of the frame's left edge frequencies stand, kept inside."""
    return tuple(place_px(ax, (hz, 0.0))[0] for hz in frequencies_hz)


def _leaving_words(found: Sequence[Excursion], *, ax: Axes, room: float) -> list[tuple[float, str]]:
    """Say where lines left the scale: those that leave together share their lines of text."""
    groups: list[list[tuple[float, Excursion]]] = []
    for one in sorted(found, key=lambda e: e.frequency_hz):
        (x,) = across_px(ax, one.frequency_hz)
        if groups and x - groups[-1][-1][0] < _ONE_PLACE_PX:
            groups[-1].append((x, one))
        else:
            groups.append([(x, one)])
    words = []
    for group in groups:
        centre = float(np.mean([x for x, _ in group]))
        lines: list[list[str]] = [[]]
        for _, one in sorted(group, key=lambda pair: -pair[1].level_db):
            part = f"{db_number(one.change_db)} dB at {level_text(one.level_db)}"
            longer = ", ".join([*lines[-1], part])
            full = len(lines[-1]) == _EXCURSIONS_A_LINE
            if lines[-1] and (full or text_width(longer, size=style.SMALL_PX) > room):
                lines.append([])
            lines[-1].append(part)
        words += [(centre, ", ".join(line)) for line in lines]
    return words
