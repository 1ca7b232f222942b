"""Rows of intervals, a block a band and a row a session: limits, and what is left after playing."""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.figures import style
from reportlib.figures.beside_parts import Key
from reportlib.figures.frame import Frame
from reportlib.figures.heading import Heading
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import Paper
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.numbers import sentence, true_minus

_ROW_PX = 20.0
_BLOCK_HEAD_PX = 24.0
_BETWEEN_BLOCKS_PX = 14.0
_UNDER_PX = 34.0
_LABEL_PX = 220.0
_LABEL_PHONE_PX = 84.0
_BAR_PX = 7.0
_ARROW_PX = 6.0
_OUT_PX = 10.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """One session in one band.

    Attributes
    ----------
    label, words : what stands left and right of it
    value, low, high : where the mark and its bar stand; None for no mark, or an open end
    marked : whether anything is drawn
    """

    label: str
    words: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    marked: bool = True


@dataclass(frozen=True, kw_only=True)
class Block:
    """One band: its name, what is said beside it, and a row a session."""

    band: str
    note: str
    rows: tuple[Row, ...]


def label_room(paper: Paper) -> float:
    """Return how wide a session's name may be."""
    return paper.either(_LABEL_PX, phone=_LABEL_PHONE_PX)


def draw_rows(
    blocks: Sequence[Block],
    *,
    heading: Heading,
    legend: Key,
    x_range: tuple[float, float],
    ticks: Sequence[float],
    paper: Paper,
    zero: bool = False,
) -> Sheet:
    """Draw blocks of rows under a heading, with one scale under them all.

    Parameters
    ----------
    x_range, ticks : the scale in dB
    zero : whether a line stands at 0 dB, and numbers carry their sign
    """
    words = [row.words for block in blocks for row in block.rows]
    right = max(text_width(text, size=style.SMALL_PX) for text in words) + _OUT_PX + MARGIN_PX
    names = [row.label for block in blocks for row in block.rows]
    left = max(text_width(name, size=style.SMALL_PX) for name in names) + 5.0 * MARGIN_PX
    tops, y = [], heading.height(paper) + legend.height
    for block in blocks:
        tops.append(y + _BLOCK_HEAD_PX)
        y = tops[-1] + _ROW_PX * len(block.rows) + _BETWEEN_BLOCKS_PX
    sheet = Sheet(paper=paper, height_px=y + _UNDER_PX)
    heading.write(sheet)
    legend.write(sheet, top=heading.height(paper))
    for block, top in zip(blocks, tops, strict=True):
        frame = Frame(
            left=left,
            top=top,
            width=paper.width_px - left - right,
            height=_ROW_PX * len(block.rows),
            x_range=x_range,
            y_range=(0.0, 1.0),
        )
        frame.grid(sheet, xs=ticks)
        if zero:
            x = frame.x(0.0)
            sheet.strokes([((x, frame.top), (x, frame.bottom))], color=style.UNTOLD, linewidth=0.9)
        _draw_block(sheet, block, frame=frame)
    _write_ticks(sheet, ticks, frame=frame, y=frame.bottom + 20.0, signed=zero)
    return sheet


def _draw_block(sheet: Sheet, block: Block, *, frame: Frame) -> None:
    name = sentence(block.band)
    size = style.TEXT_PX
    sheet.text(MARGIN_PX, frame.top - 6.0, text=name, size=size, weight="bold")
    if block.note:
        x = MARGIN_PX + text_width(name, size=size, weight="bold") + 8.0
        y = frame.top - 6.0
        sheet.text(x, y, text=block.note, size=style.SMALL_PX, color=style.MUTED)
    for index, row in enumerate(block.rows):
        y = frame.top + _ROW_PX * (index + 0.5)
        known = row.marked
        colour = style.INK if known else style.MUTED
        for x, text in ((2.0 * MARGIN_PX, row.label), (frame.right + _OUT_PX, row.words)):
            sheet.text(x, y, text=text, size=style.SMALL_PX, color=colour, va="center")
        if known:
            _draw_row(sheet, row, frame=frame, y=y)


def _draw_row(sheet: Sheet, row: Row, *, frame: Frame, y: float) -> None:
    """Draw the bar, an arrow for each open end, and the mark."""
    low = frame.left if row.low is None else frame.x(row.low)
    high = frame.right if row.high is None else frame.x(row.high)
    sheet.boxes(
        [(low, y - 0.5 * _BAR_PX, max(high - low, 1.5), _BAR_PX)],
        facecolor=style.SEA,
        alpha=0.45,
        edgecolor="none",
    )
    for end, way, is_open in ((low, -1.0, row.low is None), (high, 1.0, row.high is None)):
        if is_open:
            sheet.polygon(
                ((end, y - _ARROW_PX), (end, y + _ARROW_PX), (end + way * _ARROW_PX, y)),
                facecolor=style.SEA,
                edgecolor="none",
            )
    if row.value is not None:
        x = frame.x(row.value)
        sheet.strokes([((x, y - _ARROW_PX), (x, y + _ARROW_PX))], color=style.INK, linewidth=2.2)


def _write_ticks(
    sheet: Sheet, ticks: Sequence[float], *, frame: Frame, y: float, signed: bool
) -> None:
    for index, tick in enumerate(ticks):
        text = f"{tick:+g}" if signed and tick else f"{tick:g}"
        text += " dB" if index == len(ticks) - 1 else ""
        sheet.text(frame.x(tick), y, text=true_minus(text), size=style.SMALL_PX, ha="center")
