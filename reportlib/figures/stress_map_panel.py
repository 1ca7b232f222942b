"""Frequency against time: what every tone loses, period by period, in shades with a key."""

import numpy as np
from numpy.typing import NDArray

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.scales import time_ticks
from reportlib.figures.sheet import Sheet
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.numbers import level_text, sentence, true_minus
from reportlib.readings.stress_map import StressMap, stress_map

_ABOVE_PX = 50.0
_KEY_ROW_PX = 26.0
_FRAME_PX = 300.0
_UNDER_PX = 44.0
_LEFT_PX = 62.0
_LEFT_PHONE_PX = 40.0
_RIGHT_PX = 92.0
_KEY_BOX_PX = 32.0
_KEY_PX = 400.0
_KEY_PHONE_PX = 260.0
_KEY_TEXT_PX = 11.5
_NAMED_PX = 18.0
_KEY_HIGH_PX = 14.0
_MOST_TIME_STEPS = 6
_MOST_TIME_STEPS_PHONE = 2
_HATCH_PX = 5
_OCTAVES_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no stress was recorded, or nothing of it can be told."""
    found = stress_map(analysis)
    if found is None:
        return None
    heading = Heading(
        name=analysis.session.speaker.name,
        title="Left playing: what is lost where, and when",
        more=f"{level_text(found.level_db)}: change against "
        f"{'the cold loudspeaker' if found.cold_known else 'the first period'}, dB.",
    )
    left, key_top = paper.either(_LEFT_PX, phone=_LEFT_PHONE_PX), heading.height(paper) + 6.0
    second_row = paper.narrow and (found.beyond or not found.told.all())
    top = key_top + _ABOVE_PX - 6.0 + (_KEY_ROW_PX if second_row else 0.0)
    sheet = Sheet(paper=paper, height_px=top + _FRAME_PX + _UNDER_PX)
    heading.write(sheet)
    frame = Frame(
        left=left,
        top=top,
        width=sheet.width_px - left - _RIGHT_PX,
        height=_FRAME_PX,
        x_range=(0.0, float(found.ends_s[-1])),
        y_range=(float(np.log2(found.edges_hz[0])), float(np.log2(found.edges_hz[-1]))),
    )
    axes = frame.axes(sheet)
    axes.imshow(_pixels(found, frame=frame))
    sheet.boxes(
        [(frame.left, frame.top, frame.width, frame.height)],
        facecolor="none",
        edgecolor=style.RULE,
        linewidth=0.9,
    )
    _name_pauses(sheet, found, frame=frame)
    _write_frequencies(sheet, frame)
    _name_bands(sheet, frame)
    most = paper.either(_MOST_TIME_STEPS, phone=_MOST_TIME_STEPS_PHONE)
    for tick in time_ticks(frame.x_range[1], most=most):
        x = frame.x(tick.at_s)
        sheet.strokes([((x, frame.bottom), (x, frame.bottom + 4.0))], color=style.MUTED)
        sheet.text(x, frame.bottom + 19.0, text=tick.text, size=style.SMALL_PX, ha="center")
    _write_key(sheet, found, left=left, top=key_top)
    return sheet


def _pixels(found: StressMap, *, frame: Frame) -> NDArray[np.uint8]:
    """The map as a picture, one element a pixel of the page; see-through where nothing played."""
    width, height = round(frame.width), round(frame.height)
    at_s = (np.arange(width) + 0.5) / width * frame.x_range[1]
    octaves = np.linspace(frame.y_range[1], frame.y_range[0], 2 * height + 1)[1::2]
    tone = np.clip(np.searchsorted(found.edges_hz, 2.0**octaves) - 1, 0, found.told.shape[1] - 1)
    column = np.maximum(np.searchsorted(found.starts_s, at_s, side="right") - 1, 0)
    played = (at_s >= found.starts_s[column]) & (at_s < found.ends_s[column])
    colour_of = np.array([_rgba(colour) for colour in _shade_colours(found)])
    shade = found.shades[np.ix_(column, tone)].T.astype(int)
    picture = colour_of[shade + found.losses]
    rows, columns = np.indices((height, width))
    # Rises are told from losses by stripes too, for grey print.
    picture[(shade > 0) & (rows % 4 == 0)] = _rgba("#ffffff")
    hatch = (rows + columns) % _HATCH_PX == 0
    grey = np.where(
        hatch[..., np.newaxis],
        _rgba(style.UNTOLD),
        _rgba(style.FAINT),
    )
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


def _name_pauses(sheet: Sheet, found: StressMap, *, frame: Frame) -> None:
    for end, start in zip(found.ends_s[:-1], found.starts_s[1:], strict=True):
        left, right = frame.x(float(end)), frame.x(float(start))
        if right - left > _NAMED_PX:
            sheet.text(
                0.5 * (left + right),
                0.5 * (frame.top + frame.bottom),
                text="pause",
                size=style.SMALL_PX,
                color=style.MUTED,
                rotation=90.0,
                ha="center",
                va="center",
            )


def _write_frequencies(sheet: Sheet, frame: Frame) -> None:
    low, high = (2.0**edge for edge in frame.y_range)
    for f in _OCTAVES_HZ:
        if not low <= f <= high:
            continue
        y = frame.y(float(np.log2(f)))
        sheet.strokes([((frame.left - 4.0, y), (frame.left, y))], color=style.MUTED)
        text = f"{f / 1000.0:g}k" if f >= 1000.0 else f"{f:g}"
        sheet.text(frame.left - 8.0, y, text=text, size=style.SMALL_PX, ha="right", va="center")
    sheet.text(frame.left - 8.0, frame.top - 8.0, text="Hz", size=style.SMALL_PX, ha="right")


def _name_bands(sheet: Sheet, frame: Frame) -> None:
    """Write the bands' names right of the frequencies that they stand for."""
    low, high = (2.0**edge for edge in frame.y_range)
    for band in BANDS:
        if band.high_hz <= low or band.low_hz >= high:
            continue
        bottom, top = (frame.y(float(np.log2(hz))) for hz in (band.low_hz, band.high_hz))
        x = frame.right + 8.0
        sheet.line((x, x), (bottom - 1.5, top + 1.5), linewidth=1.2)
        if bottom - top > style.SMALL_PX:
            sheet.text(
                x + 7.0,
                0.5 * (bottom + top),
                text=sentence(band.name),
                size=style.SMALL_PX,
                color=style.MUTED,
                va="center",
            )


def _write_key(sheet: Sheet, found: StressMap, *, left: float, top: float) -> None:
    """Draw the shades in a row, gains first, the deepest loss last, with what they stand for."""
    x = left
    colour_of = dict(zip(range(-found.losses, found.gains + 1), _shade_colours(found), strict=True))
    room = sheet.paper.either(_KEY_PX, phone=_KEY_PHONE_PX)
    width = min(_KEY_BOX_PX, room / len(colour_of))
    # Numbers of every second shade where those of all would not fit.
    sparse = found.step_db < 0.5 or width < _KEY_BOX_PX
    for shade in range(found.gains, -found.losses - 1, -1):
        box = (x, top, width, _KEY_HIGH_PX)
        sheet.boxes([box], facecolor=colour_of[shade], edgecolor=style.RULE, linewidth=0.6)
        if shade > 0:
            stripes = [((x, top + y), (x + width, top + y)) for y in (2.5, 6.5, 10.5)]
            sheet.strokes(stripes, color="#ffffff", linewidth=1.0)
        if not (sparse and shade % 2) or shade == found.gains == 1:
            sheet.text(
                x + 0.5 * width,
                top + _KEY_HIGH_PX + 14.0,
                text=true_minus(f"{shade * found.step_db:+g}") if shade else "0",
                size=_KEY_TEXT_PX,
                color=style.MUTED,
                ha="center",
            )
        x += width + 1.5
    if sheet.paper.narrow:
        x, top = left - 4.0, top + _KEY_HIGH_PX + _KEY_ROW_PX
    if found.beyond:
        text = sheet.paper.either("or beyond", phone="strongest: or beyond")
        sheet.text(x + 4.0, top + 12.0, text=text, size=style.SMALL_PX, color=style.MUTED)
        x += 10.0 + text_width(text, size=style.SMALL_PX)
    if not found.told.all():
        _key_untold(sheet, left=x + 14.0, top=top)


def _key_untold(sheet: Sheet, *, left: float, top: float) -> None:
    box = (left, top, _KEY_BOX_PX, _KEY_HIGH_PX)
    sheet.boxes([box], facecolor=style.FAINT, edgecolor="none")
    strokes = [
        ((left + at, top + _KEY_HIGH_PX), (left + at + _KEY_HIGH_PX, top))
        for at in np.arange(0.0, _KEY_BOX_PX - _KEY_HIGH_PX + 0.1, _HATCH_PX - 1.0)
    ]
    sheet.strokes(strokes, color=style.UNTOLD, linewidth=1.0)
    x = left + _KEY_BOX_PX + 6.0
    sheet.text(x, top + 12.0, text="can't tell", size=style.SMALL_PX, color=style.MUTED)
