"""What the figures of a comparison share: how sessions are drawn, what they are called."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.compared import Comparison
from reportlib.figures import style
from reportlib.figures.lettering import fitted, text_width, wrapped
from reportlib.figures.marks import LineStyle
from reportlib.figures.paper import Paper
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.numbers import listed

_DASHES: tuple[LineStyle, ...] = (
    "solid",
    (0.0, (5.0, 2.0)),
    (0.0, (1.5, 1.5)),
    (0.0, (8.0, 2.0, 1.5, 2.0)),
)
_SHORT_NAMES = 60
_KEY_ROW_PX = 17.0
_LEVEL_STEPS_DB = (1.0, 2.0, 3.0, 5.0, 6.0, 10.0, 20.0)


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """How one session's line is drawn: in grey print its dashes and its weight tell it apart."""

    colour: str
    width: float
    dashes: LineStyle


def strokes(count: int) -> tuple[Stroke, ...]:
    """Return a stroke for each session, the last the darkest and heaviest."""
    colours, widths = style.ramp(count), style.weights(count)
    return tuple(
        Stroke(colour=colour, width=width, dashes=_DASHES[index % len(_DASHES)])
        for index, (colour, width) in enumerate(zip(colours, widths, strict=True))
    )


def labels(names: Sequence[str], *, size: float, width: float) -> tuple[str, ...]:
    """Return what stands beside lines: the names where all fit, else a letter each."""
    if all(text_width(name, size=size) <= width for name in names):
        return tuple(names)
    return tuple("ABCDEFGH"[: len(names)])


@dataclass(frozen=True, kw_only=True)
class Key:
    """Which letter is whose, in lines under a heading; none where names stand for themselves."""

    lines: tuple[str, ...]

    @property
    def height(self) -> float:
        """How high it is."""
        return _KEY_ROW_PX * len(self.lines)

    def write(self, sheet: Sheet, *, top: float) -> None:
        """Write it under a heading that ends at `top`."""
        for row, line in enumerate(self.lines):
            y = top + _KEY_ROW_PX * row
            sheet.text(MARGIN_PX, y, text=line, size=style.SMALL_PX)


def key(names: Sequence[str], *, labelled: Sequence[str], paper: Paper) -> Key:
    """Say which letter is whose, each in one piece."""
    if tuple(names) == tuple(labelled):
        return Key(lines=())
    room = paper.width_px - 2.0 * MARGIN_PX
    parts = [
        fitted(f"{label}: {name}", size=style.SMALL_PX, width=room - 12.0).replace(" ", "\u00a0")
        for label, name in zip(labelled, names, strict=True)
    ]
    return Key(lines=tuple(wrapped("; ".join(parts), size=style.SMALL_PX, width=room)))


def heading_name(comparison: Comparison) -> str:
    """Return the loudspeakers in one line, or how many sessions there are."""
    names = listed(comparison.names)
    if len(names) <= _SHORT_NAMES:
        return names
    return f"{len(comparison.names)} sessions side by side"


def level_ticks(low_db: float, high_db: float, *, most: int) -> tuple[float, ...]:
    """Return round levels between two, at most `most` steps.

    >>> level_ticks(72.0, 99.0, most=3)
    (80.0, 90.0)
    """
    step = next((s for s in _LEVEL_STEPS_DB if (high_db - low_db) / s <= most), 20.0)
    first = math.ceil(low_db / step - 1e-9)
    last = math.floor(high_db / step + 1e-9)
    return tuple(step * index for index in range(first, last + 1))
