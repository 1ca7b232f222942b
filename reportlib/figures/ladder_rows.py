"""The level ladder: one row a band, one box a level, filled by how much of the rise arrived."""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.figures import style
from reportlib.figures.sheet import MARGIN_PX, Sheet, text_width
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.readings.ladder import Rung, driven_levels, rungs
from reportlib.wording import db_number, hz_range_text, sentence

_TEXT_PX = 17.0
_NOTE_PX = 14.0
_LABELS_PX = 138.0
_BOX_PX = 38.0
_ROW_PX = 69.0
_WIDEST_PX = 84.0
_LOWEST_LID_PX = 1.0
_HIGHEST_LID_PX = 8.0


@dataclass(frozen=True, kw_only=True)
class _Box:
    share: float | None
    left: float
    top: float
    width: float
    height: float
    text_px: float

    @property
    def lid(self) -> float:
        """How high what came out beyond a full box stands on it."""
        return min(((self.share or 0.0) - 1.0) * self.height, _HIGHEST_LID_PX)


def draw(analysis: Analysis) -> Sheet | None:
    """Draw the ladder; None where no level was driven above the baseline."""
    levels = driven_levels(analysis)
    if not levels:
        return None
    sheet = Sheet(width_px=style.PAGE_WIDTH_PX, height_px=140.0 + len(BANDS) * _ROW_PX + 30.0)
    y = sheet.heading(
        "Turned up: how much of the rise came out",
        name=analysis.session.speaker.name,
        more=(
            "Filled: share of the rise in sound power. "
            "Under it: dB less (−) or more (+) than asked."
        ),
        size=_NOTE_PX,
    )
    pitch = min((sheet.width_px - _LABELS_PX - MARGIN_PX) / len(levels), 1.36 * _WIDEST_PX)
    width = min(0.74 * pitch, _WIDEST_PX)
    size = min(_TEXT_PX, 0.3 * pitch)
    centres = {level: _LABELS_PX + (index + 0.5) * pitch for index, level in enumerate(levels)}
    y += 36.0
    sheet.text(MARGIN_PX, y, text="asked for, dB", size=_NOTE_PX, color=style.MUTED)
    for level_db, x in centres.items():
        sheet.text(x, y, text=f"{level_db:g}", size=size, weight="bold", ha="center")
    y += 14.0
    tops = {band.name: y + index * _ROW_PX for index, band in enumerate(reversed(BANDS))}
    for band in BANDS:
        top = tops[band.name]
        sheet.text(MARGIN_PX, top + 17.0, text=sentence(band.name), size=_TEXT_PX, weight="bold")
        words = hz_range_text(band.low_hz, band.high_hz)
        sheet.text(MARGIN_PX, top + 36.0, text=words, size=_NOTE_PX, color=style.MUTED)
    boxes = []
    for rung in rungs(analysis):
        x, top = centres[rung.level_db], tops[rung.band]
        boxes.append(
            _Box(
                share=rung.share,
                left=x - width / 2.0,
                top=top,
                width=width,
                height=_BOX_PX,
                text_px=size,
            )
        )
        _number(sheet, rung, x=x, y=top + _BOX_PX + size + 2.0, size=size)
    key = _key(sheet, boxes, top=y + len(BANDS) * _ROW_PX + 4.0)
    _draw_boxes(sheet, [*boxes, *key])
    return sheet


def _number(sheet: Sheet, rung: Rung, *, x: float, y: float, size: float) -> None:
    if rung.change_db is None:
        return
    quiet = rung.grade == "holds"
    sheet.text(
        x,
        y,
        text=db_number(rung.change_db, u95_db=rung.u95_db),
        size=size,
        weight="normal" if quiet else "bold",
        color=style.MUTED if quiet else style.INK,
        ha="center",
    )


def _draw_boxes(sheet: Sheet, boxes: Sequence[_Box]) -> None:
    told = [(box, box.share) for box in boxes if box.share is not None]
    outlines = [(box.left, box.top, box.width, box.height) for box, _ in told]
    fills = [
        (box.left, box.top + box.height * (1.0 - share), box.width, box.height * share)
        for box, share in ((box, min(share, 1.0)) for box, share in told)
    ]
    lids = [
        (box.left, box.top - box.lid, box.width, box.lid)
        for box, _ in told
        if box.lid >= _LOWEST_LID_PX
    ]
    unknown = [box for box in boxes if box.share is None]
    sheet.boxes(outlines, facecolor=style.WATER, edgecolor="none")
    sheet.boxes(fills, facecolor=style.SEA, edgecolor="none")
    sheet.boxes(outlines, facecolor="none", edgecolor=style.SEA, linewidth=1.0)
    sheet.boxes(lids, facecolor=style.INK, edgecolor="none")
    sheet.boxes(
        [(box.left, box.top, box.width, box.height) for box in unknown],
        facecolor="none",
        edgecolor=style.UNTOLD,
        linewidth=1.0,
        linestyle=(0, (3, 3)),
    )
    for box in unknown:
        middle = box.top + box.height / 2.0 + 0.36 * box.text_px
        sheet.text(
            box.left + box.width / 2.0,
            middle,
            text="?",
            size=box.text_px,
            color=style.MUTED,
            weight="bold",
            ha="center",
        )


def _key(sheet: Sheet, boxes: Sequence[_Box], *, top: float) -> list[_Box]:
    """Write the key under the ladder, of what occurs in it, and return its boxes."""
    samples: list[tuple[float | None, str]] = [(1.0, "all came out"), (0.5, "half of it")]
    if any(box.lid >= _LOWEST_LID_PX for box in boxes):
        samples.append((1.2, "more than asked"))
    if any(box.share is None for box in boxes):
        samples.append((None, "can't tell"))
    keys = []
    x = _LABELS_PX
    for share, words in samples:
        keys.append(_Box(share=share, left=x, top=top, width=24.0, height=18.0, text_px=13.0))
        sheet.text(x + 32.0, top + 14.0, text=words, size=_NOTE_PX, color=style.MUTED)
        x += 54.0 + text_width(words, size=_NOTE_PX)
    return keys
