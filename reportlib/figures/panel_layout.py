"""A panel of change over frequency, measured before it is drawn.

How many words stand above and below the frame depends on the data: what can't be told and
why, which lines leave the scale and how far. Here they are found their places.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.placing import in_rows
from reportlib.figures.scales import Excursion, Scale, change_scale, excursions, usable_values
from reportlib.figures.sheet import MARGIN_PX
from reportlib.levels import BANDS
from reportlib.model import ChangeCurve
from reportlib.numbers import db_number, level_text, sentence
from reportlib.readings.untold import Stretch, stretches

LEFT_PX = 132.0
PHONE_LEFT_PX = 44.0
"""Room for the numbers alone."""
WORD_ROW_PX = 17.0
LABEL_OUT_PX = 18.0
_RIGHT_PX = 80.0
_ABOVE_FRAME_PX = 6.0
_BELOW_FRAME_PX = 48.0
_ONE_PLACE_PX = 30.0
_EXCURSIONS_A_LINE = 3


def left_px(paper: Paper) -> float:
    """Return how far right a scale of changes begins: after its words and numbers."""
    return paper.either(LEFT_PX, phone=PHONE_LEFT_PX)


@dataclass(frozen=True, kw_only=True)
class Note:
    """Text above or below the frame, placed in a row."""

    text: str
    row: int
    left: float


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A panel, measured: what stands where, in pixels from its own top."""

    curves: tuple[ChangeCurve, ...]
    scale: Scale
    frame: Frame
    untold: tuple[Stretch, ...]
    reasons: tuple[Note, ...]
    above: tuple[Note, ...]
    below: tuple[Note, ...]
    leaving: tuple[Excursion, ...]
    bands: tuple[Note, ...]

    @property
    def range_hz(self) -> tuple[float, float]:
        """The frequencies that the panel shows."""
        return self.frame.x_range

    @property
    def height(self) -> float:
        """How high the whole panel is, with its numbers and the bands' names."""
        under_frequencies = max(rows_px(self.bands) - WORD_ROW_PX, 0.0)
        return self.frequencies_y + 28.0 + under_frequencies

    @property
    def frequencies_y(self) -> float:
        """The baseline of the frequencies' numbers; the bands' strokes and names follow it."""
        return self.frame.bottom + rows_px(self.below) + _BELOW_FRAME_PX - 28.0


def lay_out(
    curves: Sequence[ChangeCurve],
    *,
    range_hz: tuple[float, float],
    frame_height: float,
    paper: Paper = PAGE,
) -> Layout:
    """Measure a panel of curves, quietest first, for a sheet of this kind."""
    scale = change_scale(usable_values(curves, range_hz=range_hz))
    untold = stretches(curves, range_hz=range_hz)
    leaving = tuple(
        found for curve in curves for found in excursions(curve, scale=scale, range_hz=range_hz)
    )
    left = left_px(paper)
    frame = Frame(
        left=left,
        top=0.0,
        width=paper.width_px - left - paper.either(_RIGHT_PX, phone=_labels_px(curves)),
        height=frame_height,
        x_range=range_hz,
        y_range=(scale.low_db, scale.high_db),
        x_log=True,
    )
    widest: dict[str, Stretch] = {}
    for stretch in sorted(untold, key=lambda s: s.high_hz / s.low_hz):
        widest[stretch.words] = stretch
    why = [
        (0.5 * (frame.x(stretch.low_hz) + frame.x(stretch.high_hz)), words)
        for words, stretch in widest.items()
    ]
    within = paper.either((frame.left, frame.right), phone=(frame.left, paper.width_px - MARGIN_PX))
    reasons = _placed(why, within=within)
    gains = [found for found in leaving if found.change_db > 0.0]
    losses = [found for found in leaving if found.change_db < 0.0]
    room = within[1] - within[0]
    above = _placed(_leaving_words(gains, frame=frame, room=room), within=within)
    return Layout(
        curves=tuple(curves),
        scale=scale,
        frame=frame.moved(rows_px(reasons) + rows_px(above) + _ABOVE_FRAME_PX),
        untold=untold,
        reasons=reasons,
        above=above,
        below=_placed(_leaving_words(losses, frame=frame, room=room), within=within),
        leaving=leaving,
        bands=_band_names(frame, within=within, paper=paper),
    )


def _labels_px(curves: Sequence[ChangeCurve]) -> float:
    """Return the room that the levels beside the lines' ends need, with a "?" for any of them."""
    widths = [text_width(f"{level_text(c.level_db)} ?", size=style.TEXT_PX) for c in curves]
    return LABEL_OUT_PX + max(widths, default=0.0) + MARGIN_PX


def _band_names(frame: Frame, *, within: tuple[float, float], paper: Paper) -> tuple[Note, ...]:
    """Name the bands that the panel shows: on a page those whose names have room."""
    low, high = frame.x_range
    shown = [band for band in BANDS if band.high_hz > low and band.low_hz < high]
    sides = [(frame.x(band.low_hz), frame.x(band.high_hz)) for band in shown]
    named = [
        (0.5 * (left + right), sentence(band.name))
        for band, (left, right) in zip(shown, sides, strict=True)
        if paper.narrow or text_width(sentence(band.name), size=style.SMALL_PX) < right - left
    ]
    return _placed(named, within=within, gap=6.0)


def _placed(
    wanted: Sequence[tuple[float, str]], *, within: tuple[float, float], gap: float = 14.0
) -> tuple[Note, ...]:
    """Put words near their centres in as few rows as they need."""
    places = in_rows(
        [centre for centre, _ in wanted],
        widths=[text_width(text, size=style.SMALL_PX) for _, text in wanted],
        gap=gap,
        low=within[0],
        high=within[1],
    )
    return tuple(
        Note(text=text, row=row, left=left)
        for (_, text), (row, left) in zip(wanted, places, strict=True)
    )


def _leaving_words(
    found: Sequence[Excursion], *, frame: Frame, room: float
) -> list[tuple[float, str]]:
    """Say where lines left the scale: those that leave together share their lines of text."""
    groups: list[list[Excursion]] = []
    for excursion in sorted(found, key=lambda e: e.frequency_hz):
        x = frame.x(excursion.frequency_hz)
        if groups and x - frame.x(groups[-1][-1].frequency_hz) < _ONE_PLACE_PX:
            groups[-1].append(excursion)
        else:
            groups.append([excursion])
    words = []
    for group in groups:
        centre = float(np.mean([frame.x(excursion.frequency_hz) for excursion in group]))
        loudest_first = sorted(group, key=lambda e: -e.level_db)
        lines: list[list[str]] = [[]]
        for one in loudest_first:
            part = f"{db_number(one.change_db)} dB at {level_text(one.level_db)}"
            longer = ", ".join([*lines[-1], part])
            full = len(lines[-1]) == _EXCURSIONS_A_LINE
            if lines[-1] and (full or text_width(longer, size=style.SMALL_PX) > room):
                lines.append([])
            lines[-1].append(part)
        words += [(centre, ", ".join(line)) for line in lines]
    return words


def rows_px(notes: Sequence[Note]) -> float:
    """Return how high the rows of some notes are together."""
    return WORD_ROW_PX * (max((note.row for note in notes), default=-1) + 1)
