"""A panel of change over frequency, measured before it is drawn.

How many words stand above and below the frame depends on the data: what can't be told and
why, which lines leave the scale and how far. Here they are found their places.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.figures import style
from reportlib.figures.frame import Frame
from reportlib.figures.placing import in_rows
from reportlib.figures.scales import Excursion, Scale, change_scale, excursions, usable_values
from reportlib.figures.sheet import text_width
from reportlib.model import ChangeCurve
from reportlib.readings.untold import Stretch, stretches
from reportlib.wording import db_number, level_text

LEFT_PX = 132.0
WORD_ROW_PX = 17.0
_RIGHT_PX = 80.0
_ABOVE_FRAME_PX = 6.0
_BELOW_FRAME_PX = 48.0
_ONE_PLACE_PX = 30.0
_EXCURSIONS_A_LINE = 3


@dataclass(frozen=True, kw_only=True)
class Note:
    """A line of text above or below the frame, placed in a row."""

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

    @property
    def range_hz(self) -> tuple[float, float]:
        """The frequencies that the panel shows."""
        return self.frame.x_range

    @property
    def height(self) -> float:
        """How high the whole panel is, with its numbers and the bands' names."""
        return self.frame.bottom + rows_px(self.below) + _BELOW_FRAME_PX


def lay_out(
    curves: Sequence[ChangeCurve],
    *,
    range_hz: tuple[float, float],
    frame_height: float,
    width: float = style.PAGE_WIDTH_PX,
) -> Layout:
    """Measure a panel of curves, quietest first, for a sheet of this width."""
    scale = change_scale(usable_values(curves, range_hz=range_hz))
    untold = stretches(curves, range_hz=range_hz)
    leaving = tuple(
        found for curve in curves for found in excursions(curve, scale=scale, range_hz=range_hz)
    )
    frame = Frame(
        left=LEFT_PX,
        top=0.0,
        width=width - LEFT_PX - _RIGHT_PX,
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
    reasons = _placed(why, frame=frame)
    gains = [found for found in leaving if found.change_db > 0.0]
    losses = [found for found in leaving if found.change_db < 0.0]
    above = _placed(_leaving_words(gains, frame=frame), frame=frame)
    return Layout(
        curves=tuple(curves),
        scale=scale,
        frame=frame.moved(rows_px(reasons) + rows_px(above) + _ABOVE_FRAME_PX),
        untold=untold,
        reasons=reasons,
        above=above,
        below=_placed(_leaving_words(losses, frame=frame), frame=frame),
        leaving=leaving,
    )


def _placed(wanted: Sequence[tuple[float, str]], *, frame: Frame) -> tuple[Note, ...]:
    """Put words near their centres in as few rows as they need."""
    places = in_rows(
        [centre for centre, _ in wanted],
        widths=[text_width(text, size=style.SMALL_PX) for _, text in wanted],
        gap=14.0,
        low=frame.left,
        high=frame.right,
    )
    return tuple(
        Note(text=text, row=row, left=left)
        for (_, text), (row, left) in zip(wanted, places, strict=True)
    )


def _leaving_words(found: Sequence[Excursion], *, frame: Frame) -> list[tuple[float, str]]:
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
        for start in range(0, len(group), _EXCURSIONS_A_LINE):
            line = loudest_first[start : start + _EXCURSIONS_A_LINE]
            parts = [f"{db_number(e.change_db)} dB at {level_text(e.level_db)}" for e in line]
            words.append((centre, ", ".join(parts)))
    return words


def rows_px(notes: Sequence[Note]) -> float:
    """Return how high the rows of some notes are together."""
    return WORD_ROW_PX * (max((note.row for note in notes), default=-1) + 1)
