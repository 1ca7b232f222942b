"""While the stress plays: frequency against time in shades, and the coil's temperature."""

from functools import partial
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from reportlib.draw import style
from reportlib.draw.drawing import (
    AS_COLD,
    AxisWords,
    LineEnd,
    draw_interval,
    frequency_number,
    left_px,
    name_ends,
    say_leaving,
    set_decibels,
    write_axis_words,
)
from reportlib.draw.over_time import draw_pauses, set_times
from reportlib.draw.pictures import Drawn, drawn
from reportlib.draw.scales import change_scale, text_width, warming_scale
from reportlib.draw.sheet import (
    add_panel,
    from_corner,
    new_figure,
    place_px,
    set_height,
    write,
    write_heading,
)
from reportlib.draw.style import Paper
from reportlib.draw.wordings import said
from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS
from reportlib.numbers import db_number, level_text, sentence, true_minus
from reportlib.session.records import FloatArray
from reportlib.write import stress_captions
from reportlib.write.readings_curves import StressMap
from reportlib.write.readings_curves import stress_map as mapped
from reportlib.write.readings_stress import (
    CoilCourse,
    CoilEnd,
    changed_by_playing,
    coil_course,
    coil_end,
    with_coil,
)
from reportlib.write.writer import Said

_MAP_PX = 300.0
_MAP_RIGHT_PX = 92.0
_KEY_ROW_PX = 26.0
_KEY_BOX_PX = 32.0
_KEY_HIGH_PX = 14.0
_KEY_TEXT_PX = 11.5
_NAMED_PX = 18.0
_HATCH_PX = 5
_OCTAVES_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)

_COIL_PX = 140.0
_COIL_BETWEEN_PX = 44.0
_COIL_RIGHT_PX = 122.0


def stress_map(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw every tone against every period of the loudest level; None where nothing is told,
    or nothing changed.
    """
    if mapped(analysis) is None or not changed_by_playing(analysis):
        return None
    return drawn(
        partial(draw_map, analysis),
        name="stress-map",
        caption=stress_captions.caption_stress_map(analysis, said=said),
        alt=stress_captions.alt_stress_map(analysis, said=said),
    )


def draw_map(analysis: Analysis, paper: Paper) -> Figure:
    """Draw it on a paper."""
    found = mapped(analysis)
    if found is None:
        raise ValueError("nothing of the stress can be told")
    figure = new_figure(paper)
    key_top = 6.0 + write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title="Left playing: what is lost where, and when",
        more=f"{level_text(found.level_db)}: change against "
        f"{'the cold loudspeaker' if found.cold_known else 'the first period'}, dB.",
    )
    left = paper.either(62.0, phone=40.0)
    second_row = paper.narrow and (found.beyond or not found.told.all())
    top = key_top + 44.0 + (_KEY_ROW_PX if second_row else 0.0)
    width = paper.width_px - left - _MAP_RIGHT_PX
    ax = add_panel(figure, left=left, top=top, width=width, height=_MAP_PX)
    ax.grid(visible=False)
    octaves = (float(np.log2(found.edges_hz[0])), float(np.log2(found.edges_hz[-1])))
    until_s = float(found.ends_s[-1])
    pixels = _pixels(found, width=round(width), height=round(_MAP_PX), octaves=octaves)
    ax.imshow(pixels, extent=(0.0, until_s, *octaves), aspect="auto")
    set_times(ax, until_s, most=paper.either(6, phone=2))
    shown_hz = [hz for hz in _OCTAVES_HZ if octaves[0] <= np.log2(hz) <= octaves[1]]
    ax.set_yticks(np.log2(shown_hz), [frequency_number(hz) for hz in shown_hz])
    ax.tick_params(length=4.0, color=style.MUTED, pad=4.0)
    where = from_corner(ax)
    ax.add_patch(
        Rectangle((0.0, 0.0), width, _MAP_PX, facecolor="none", edgecolor=style.RULE,
                  linewidth=0.9, transform=where, clip_on=False)
    )  # fmt: skip
    ax.text(-8.0, -8.0, "Hz", ha="right", transform=where)
    for end, start in zip(found.ends_s[:-1], found.starts_s[1:], strict=True):
        if (start - end) / until_s * width > _NAMED_PX:
            ax.text(0.5 * (end + start), sum(octaves) / 2.0, "pause", color=style.MUTED,
                    rotation=90.0, ha="center", va="center")  # fmt: skip
    _name_bands(ax, octaves=octaves)
    _write_key(figure, found, left=left, top=key_top, paper=paper)
    set_height(figure, top + _MAP_PX + 44.0)
    return figure


def _pixels(
    found: StressMap, *, width: int, height: int, octaves: tuple[float, float]
) -> NDArray[np.uint8]:
    """The map as a picture, one element a pixel of the page; see-through where nothing played."""
    at_s = (np.arange(width) + 0.5) / width * float(found.ends_s[-1])
    rows_hz = 2.0 ** np.linspace(octaves[1], octaves[0], 2 * height + 1)[1::2]
    tone = np.clip(np.searchsorted(found.edges_hz, rows_hz) - 1, 0, found.told.shape[1] - 1)
    column = np.maximum(np.searchsorted(found.starts_s, at_s, side="right") - 1, 0)
    played = (at_s >= found.starts_s[column]) & (at_s < found.ends_s[column])
    colour_of = np.array([_rgba(colour) for colour in _shade_colours(found)])
    shade = found.shades[np.ix_(column, tone)].T.astype(int)
    picture = colour_of[shade + found.losses]
    rows, columns = np.indices((height, width))
    # Rises are told from losses by stripes too, for grey print.
    picture[(shade > 0) & (rows % 4 == 0)] = _rgba("#ffffff")
    hatch = (rows + columns) % _HATCH_PX == 0
    grey = np.where(hatch[..., np.newaxis], _rgba(style.UNTOLD), _rgba(style.FAINT))
    untold = ~found.told[np.ix_(column, tone)].T
    picture[untold] = grey[untold]
    picture[:, ~played] = (255, 255, 255, 0)
    return np.asarray(picture, dtype=np.uint8)


def _rgba(colour: str) -> tuple[int, ...]:
    return (*bytes.fromhex(colour[1:]), 255)


def _shade_colours(found: StressMap) -> list[str]:
    """Colours from the deepest loss over none to the largest gain."""
    most = max(found.losses, found.gains)  # so that as many decibels are as dark either way
    losses = style.shades(most)[: found.losses]
    gains = style.shades(most, gain=True)[: found.gains]
    return [*reversed(losses), style.NO_CHANGE, *gains]


def _name_bands(ax: Axes, *, octaves: tuple[float, float]) -> None:
    """Write the bands' names right of the frequencies that they stand for."""
    low, high = (2.0**edge for edge in octaves)
    where = from_corner(ax, right=True)
    for band in BANDS:
        if band.high_hz <= low or band.low_hz >= high:
            continue
        bottom, top = (
            place_px(ax, (0.0, float(np.log2(hz))))[1] for hz in (band.low_hz, band.high_hz)
        )
        ax.plot((8.0, 8.0), (bottom - 1.5, top + 1.5), color=style.RULE, linewidth=1.2,
                transform=where, clip_on=False)  # fmt: skip
        if bottom - top > style.SMALL_PX:
            ax.text(15.0, 0.5 * (bottom + top), sentence(band.name), color=style.MUTED,
                    va="center_baseline", transform=where)  # fmt: skip


def _write_key(figure: Figure, found: StressMap, *, left: float, top: float, paper: Paper) -> None:
    """Draw the shades in a row, gains first, the deepest loss last, with what they stand for."""

    def box(x: float, *, width: float, **looks: Any) -> None:
        where = from_corner(figure)
        figure.add_artist(Rectangle((x, top), width, _KEY_HIGH_PX, transform=where, **looks))

    def stroke(xs: tuple[float, ...], ys: tuple[float, ...], *, color: str) -> None:
        looks: dict[str, Any] = {"color": color, "linewidth": 1.0, "solid_capstyle": "butt"}
        figure.add_artist(Line2D(xs, ys, transform=from_corner(figure), **looks))

    colour_of = dict(zip(range(-found.losses, found.gains + 1), _shade_colours(found), strict=True))
    room = paper.either(400.0, phone=260.0)
    width = min(_KEY_BOX_PX, room / len(colour_of))
    # Numbers of every second shade where those of all would not fit.
    sparse = found.step_db < 0.5 or width < _KEY_BOX_PX
    x = left
    for shade in range(found.gains, -found.losses - 1, -1):
        box(x, width=width, facecolor=colour_of[shade], edgecolor=style.RULE, linewidth=0.6)
        if shade > 0:
            for y in (2.5, 6.5, 10.5):
                stroke((x, x + width), (top + y, top + y), color="#ffffff")
        if not (sparse and shade % 2) or shade == found.gains == 1:
            text = true_minus(f"{shade * found.step_db:+g}") if shade else "0"
            looks: dict[str, Any] = {"size": _KEY_TEXT_PX, "color": style.MUTED, "ha": "center"}
            write(figure, text, x=x + 0.5 * width, y=top + _KEY_HIGH_PX + 14.0, **looks)
        x += width + 1.5
    if paper.narrow:
        x, top = left - 4.0, top + _KEY_HIGH_PX + _KEY_ROW_PX
    if found.beyond:
        text = paper.either("or beyond", phone="strongest: or beyond")
        write(figure, text, x=x + 4.0, y=top + 12.0, color=style.MUTED)
        x += 10.0 + text_width(text, size=style.SMALL_PX)
    if not found.told.all():
        x += 14.0
        box(x, width=_KEY_BOX_PX, facecolor=style.FAINT)
        for at in np.arange(0.0, _KEY_BOX_PX - _KEY_HIGH_PX + 0.1, _HATCH_PX - 1.0):
            ends = (x + at, x + at + _KEY_HIGH_PX)
            stroke(ends, (top + _KEY_HIGH_PX, top), color=style.UNTOLD)
        write(figure, "can't tell", x=x + _KEY_BOX_PX + 6.0, y=top + 12.0, color=style.MUTED)


def coil(analysis: Analysis, *, said: Said = said) -> Drawn | None:
    """Draw the coil's temperature, and the change that it predicts against the one heard.

    None where no coil's temperature can be told.
    """
    found = with_coil(analysis)
    if found is None or coil_end(*found) is None:
        return None
    return drawn(
        partial(draw_coil, analysis),
        name="coil",
        caption=stress_captions.caption_coil(analysis, said=said),
        alt=stress_captions.alt_coil(analysis, said=said),
    )


def draw_coil(analysis: Analysis, paper: Paper) -> Figure:
    """Draw it on a paper."""
    found = with_coil(analysis)
    end = coil_end(*found) if found else None
    if found is None or end is None:
        raise ValueError("no coil's temperature can be told")
    playing, track = found
    course = coil_course(playing, track)
    figure = new_figure(paper)
    first = 34.0 + write_heading(
        figure,
        paper,
        name=analysis.session.speaker.name,
        title="The coil while it plays",
        more=f"Drive unit {track.unit}, at {level_text(playing.level_db)}.",
        axes=AS_COLD.sentence,
    )
    _draw_warming(figure, course, end=end, top=first, paper=paper)
    _draw_heard(figure, course, end=end, top=first + _COIL_PX + _COIL_BETWEEN_PX, paper=paper)
    set_height(figure, first + 2.0 * _COIL_PX + _COIL_BETWEEN_PX + 34.0)
    return figure


def _coil_panel(
    figure: Figure, course: CoilCourse, *, top: float, title: str, paper: Paper
) -> Axes:
    left = left_px(paper)
    width = paper.width_px - left - _COIL_RIGHT_PX
    ax = add_panel(figure, left=left, top=top, width=width, height=_COIL_PX)
    ax.set_title(title, pad=10.0)
    set_times(ax, float(course.lines.ends_s[-1]), most=paper.either(6, phone=2))
    draw_pauses(ax, course.lines)
    return ax


def _draw_warming(
    figure: Figure, course: CoilCourse, *, end: CoilEnd, top: float, paper: Paper
) -> None:
    title = paper.either("Temperature", phone="Temperature, °C above cold")
    ax = _coil_panel(figure, course, top=top, title=title, paper=paper)
    ax.tick_params(labelbottom=False)
    rise, u95 = course.rise_k
    scale = warming_scale([*(rise - u95), *(rise + u95)])
    set_decibels(ax, scale, paper=paper, unit="°C")
    ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    _draw_told(ax, course, y=rise, u95=u95)
    if not paper.narrow:
        write_axis_words(ax, AxisWords(zero="as cold", less="", more=""), paper=paper)
    text = true_minus(f"{end.rise_k:+.0f} °C")
    last = LineEnd(text=text, at=(0.0, end.rise_k), weight="bold")
    name_ends(ax, [last], out=8.0, gap=16.0, size=style.TEXT_PX)
    say_leaving(ax)


def _draw_heard(
    figure: Figure, course: CoilCourse, *, end: CoilEnd, top: float, paper: Paper
) -> None:
    title = paper.either("Change in output", phone="Change in output, dB")
    ax = _coil_panel(figure, course, top=top, title=title, paper=paper)
    heard, u95 = course.heard_db
    scale = change_scale([*(heard - u95), *(heard + u95), *course.expected_db], hold_all=True)
    set_decibels(ax, scale, paper=paper)
    write_axis_words(ax, AS_COLD, paper=paper)
    ends = [
        LineEnd(
            text=f"{db_number(end.expected_db)} expected",
            at=(0.0, end.expected_db),
            color=style.MUTED,
        )
    ]
    if end.heard_db is not None:
        _draw_told(ax, course, y=heard, u95=u95)
        text = f"{db_number(end.heard_db)} heard"
        ends.append(LineEnd(text=text, at=(0.0, end.heard_db)))
    ax.plot(course.at_s, course.expected_db, color=style.INK, linewidth=1.4,
            linestyle=(0, (4, 2)), zorder=3.0)  # fmt: skip
    name_ends(ax, ends, out=8.0, gap=16.0, size=style.TEXT_PX)
    say_leaving(ax)


def _draw_told(ax: Axes, course: CoilCourse, *, y: FloatArray, u95: FloatArray) -> None:
    draw_interval(ax, course.at_s, y=y, u95=u95, color=style.SEA)
    ax.plot(course.at_s, y, color=style.SEA, linewidth=2.0)
