"""Distortion: harmonics 2 to 5 above the change at the same level, on one frequency scale."""

from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator
from matplotlib.transforms import blended_transform_factory

from reportlib.draw import style
from reportlib.draw.drawing import (
    AS_ASKED,
    LineEnd,
    draw_line,
    draw_zero,
    left_px,
    name_ends,
    say_leaving,
    set_decibels,
    set_frequencies,
    write_axis_words,
)
from reportlib.draw.over_frequency import across_px, draw_curve, draw_untold, shown_range_hz
from reportlib.draw.pictures import Drawn, drawn
from reportlib.draw.scales import change_scale, harmonic_scale, in_rows, text_width, usable_values
from reportlib.draw.sheet import (
    add_panel,
    box_px,
    from_corner,
    new_figure,
    set_height,
    write_heading,
)
from reportlib.draw.style import MARGIN_PX, Paper
from reportlib.draw.wordings import said
from reportlib.judge.records import Analysis
from reportlib.measure.records import ChangeCurve, HarmonicCurves
from reportlib.numbers import level_text
from reportlib.write import captions
from reportlib.write.readings_curves import stretches
from reportlib.write.readings_sweeps import ordinal, percent_text, shown_beside, two_levels
from reportlib.write.writer import Said

_HARMONICS_PX, _HARMONICS_PHONE_PX = 190.0, 160.0
_CHANGE_PX, _CHANGE_PHONE_PX = 120.0, 90.0
_ORDER_LABEL_PX = 46.0
_PERCENT_PX = 52.0
_NAMED = 0.1
"""Of the frequencies: a harmonic that is told at fewer has no line that a name could stand at."""
_DASHES = ("solid", (0, (6, 1.8)), (0, (6, 1.8, 1.5, 1.8)), (0, (1.5, 1.5)))


def distortion(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw harmonics 2 to 5 above the change at the same level, at a middle and the highest."""
    if not two_levels(analysis):
        return None
    return drawn(
        partial(draw_distortion, analysis),
        name="distortion",
        caption=captions.caption_distortion(analysis, said=said),
        alt=captions.alt_distortion(analysis, said=said),
    )


def draw_distortion(analysis: Analysis, paper: Paper) -> Figure:
    """Draw it on a paper."""
    shown = two_levels(analysis)
    figure = new_figure(paper)
    first = 22.0 + write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title="Distortion beside the change",
        more="Above: harmonics against the tone that makes them. Below: change at the same level.",
        axes=f"Harmonics in dB and %. {AS_ASKED.sentence}",
    )
    harmonics_px = paper.either(_HARMONICS_PX, phone=_HARMONICS_PHONE_PX)
    change_px = paper.either(_CHANGE_PX, phone=_CHANGE_PHONE_PX)
    pitch_px = harmonics_px + change_px + 102.0
    columns = paper.either(len(shown), phone=1)
    left = left_px(paper)
    each = (paper.width_px - left - _PERCENT_PX - MARGIN_PX) / columns
    range_hz = shown_range_hz(analysis)
    curves = shown_beside(analysis, shown)
    scales = (
        harmonic_scale(shown, range_hz=range_hz),
        change_scale(usable_values(curves, range_hz=range_hz), hold_all=True),
    )
    for index, (harmonics, curve) in enumerate(zip(shown, curves, strict=True)):
        row, column = divmod(index, columns)
        box = {"left": left + column * each, "width": each - _ORDER_LABEL_PX}
        top = first + row * pitch_px
        upper = add_panel(figure, top=top, height=harmonics_px, **box)
        lower = add_panel(figure, top=top + harmonics_px + 36.0, height=change_px, **box)
        for ax, scale, signed in ((upper, scales[0], False), (lower, scales[1], True)):
            set_frequencies(ax, range_hz)
            set_decibels(ax, scale, paper=paper, signed=signed)
            ax.tick_params(labelleft=column == 0)
        upper.yaxis.set_major_locator(MultipleLocator(20.0))
        upper.tick_params(labelbottom=False)
        upper.set_title(f"at {level_text(harmonics.level_db)}", pad=10.0)
        if column == 0:
            write_axis_words(lower, AS_ASKED, paper=paper)
            if not paper.narrow:
                words = "harmonics,\nagainst the\ntone that\nmakes them"
                where = blended_transform_factory(from_corner(figure), upper.transAxes)
                upper.text(MARGIN_PX, 0.5, words, va="center", linespacing=1.15,
                           color=style.MUTED, transform=where)  # fmt: skip
        if column == columns - 1:
            percent = upper.secondary_yaxis("right")
            percent.yaxis.set_major_locator(MultipleLocator(20.0))
            percent.yaxis.set_major_formatter(FuncFormatter(lambda db, _: percent_text(db)))
            percent.tick_params(pad=_ORDER_LABEL_PX)
            lower.text(16.0, 19.0, "Hz", transform=from_corner(lower, right=True, bottom=True))
        _draw_harmonics(upper, harmonics, range_hz=range_hz)
        _draw_change_beside(lower, curve, range_hz=range_hz, paper=paper)
    set_height(figure, first + (index // columns + 1) * pitch_px - 34.0)
    return figure


def _draw_harmonics(ax: Axes, harmonics: HarmonicCurves, *, range_hz: tuple[float, float]) -> None:
    count = len(harmonics.orders)
    colours, widths = style.ramp(count)[::-1], style.weights(count)[::-1]
    f = harmonics.frequency_hz
    floor = np.min(np.nan_to_num(harmonics.floor_db, nan=np.inf), axis=0)
    looked = np.isfinite(floor)
    bottom, _ = ax.get_ylim()
    ax.fill_between(f[looked], np.maximum(floor[looked], bottom), y2=bottom,
                    facecolor=style.WATER, linewidth=0.0, zorder=0.5)  # fmt: skip
    ends = []
    for index, order in enumerate(harmonics.orders):
        values = harmonics.relative_db[index]
        dashes = _DASHES[min(index, len(_DASHES) - 1)]
        looks: dict[str, Any] = {
            "color": colours[index],
            "linewidth": widths[index],
            "linestyle": dashes,
        }
        line = draw_line(ax, f, y=values, zorder=3.0 - 0.1 * index, **looks)
        told = np.isfinite(values) & (f <= range_hz[1])
        if np.count_nonzero(told) > _NAMED * np.count_nonzero(looked):
            ends.append(LineEnd(text=ordinal(order), at=line, leader=style.RULE))
    if not np.isfinite(harmonics.relative_db).any():
        looks = {"size": style.TEXT_PX, "color": style.MUTED, "ha": "center"}
        ax.text(0.5, 0.5, "lost in noise", va="center_baseline", transform=ax.transAxes, **looks)
    name_ends(ax, ends, out=10.0, gap=15.0)
    say_leaving(ax)


def _draw_change_beside(
    ax: Axes, curve: ChangeCurve, *, range_hz: tuple[float, float], paper: Paper
) -> None:
    """Draw the change under its harmonics; one row has room for reasons, the caption lists all."""
    draw_zero(ax)
    draw_untold(ax, [curve], range_hz=range_hz)
    draw_curve(ax, curve, color=style.ramp(1)[0], width=2.0)
    say_leaving(ax)
    found = stretches([curve], range_hz=range_hz)
    left, _, width, _ = box_px(ax)
    room = paper.either(width, phone=paper.width_px - MARGIN_PX - left)
    places = in_rows(
        [0.5 * sum(across_px(ax, one.low_hz, one.high_hz)) for one in found],
        widths=[text_width(one.words, size=style.SMALL_PX) for one in found],
        gap=10.0,
        low=0.0,
        high=room,
    )
    for one, (row, x) in zip(found, places, strict=True):
        if row == 0:
            ax.text(x, -7.0, one.words, color=style.MUTED, transform=from_corner(ax))
