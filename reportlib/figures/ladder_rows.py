"""The level ladder: one row a band, one box a level, filled by how much of the rise arrived."""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.figures import style
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.sheet import MARGIN_PX, Sheet, text_width
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.readings.ladder import Rung, driven_levels, rungs
from reportlib.wording import db_number, hz_range_text, sentence


@dataclass(frozen=True, kw_only=True)
class _Sizes:
    """How large everything is, in pixels."""

    heading: float
    labels: float
    text: float
    note: float
    box: float
    row: float
    widest: float
    title: str
    more: str


_PAGE = _Sizes(
    heading=70.0,
    labels=138.0,
    text=17.0,
    note=14.0,
    box=38.0,
    row=69.0,
    widest=84.0,
    title="Turned up: how much of the rise came out",
    more="Filled: share of the rise in sound power. Under it: dB less (−) or more (+) than asked.",
)
_PHONE = _Sizes(
    heading=38.0,
    labels=88.0,
    text=14.0,
    note=11.5,
    box=34.0,
    row=64.0,
    widest=60.0,
    title="How much of the rise came out",
    more="",
)
_NARROWEST_PX = 36.0
"""A phone's boxes stand at least so far apart, else nobody could read their numbers."""
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


def draw(analysis: Analysis, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the ladder; None without a driven level, or with too many of them for a phone."""
    levels = driven_levels(analysis)
    sizes = paper.either(_PAGE, phone=_PHONE)
    room = paper.width_px - sizes.labels - MARGIN_PX
    if not levels or (paper.narrow and len(levels) > room / _NARROWEST_PX):
        return None
    pitch = min(room / len(levels), 1.36 * sizes.widest)
    width = min(0.74 * pitch, sizes.widest)
    size = min(sizes.text, 0.3 * pitch)
    centres = {level: sizes.labels + (index + 0.5) * pitch for index, level in enumerate(levels)}
    boxes = []
    numbers = []
    first = sizes.heading + 50.0
    tops = {band.name: first + index * sizes.row for index, band in enumerate(reversed(BANDS))}
    for rung in rungs(analysis):
        x, top = centres[rung.level_db], tops[rung.band]
        numbers.append((rung, x, top + sizes.box + size + 2.0))
        boxes.append(
            _Box(
                share=rung.share,
                left=x - width / 2.0,
                top=top,
                width=width,
                height=sizes.box,
                text_px=size,
            )
        )
    under = first + len(BANDS) * sizes.row + 4.0
    key = _key(boxes, top=under, sizes=sizes, paper=paper)
    lowest = max(box.top for box, _ in key)
    sheet = Sheet(paper=paper, height_px=lowest + 30.0)
    sheet.heading(sizes.title, name=analysis.session.speaker.name, more=sizes.more, size=sizes.note)
    y = sizes.heading + 36.0
    sheet.text(MARGIN_PX, y, text="asked for, dB", size=sizes.note, color=style.MUTED)
    for level_db, x in centres.items():
        sheet.text(x, y, text=f"{level_db:g}", size=size, weight="bold", ha="center")
    for band in BANDS:
        top = tops[band.name]
        name = sentence(band.name)
        sheet.text(MARGIN_PX, top + sizes.text, text=name, size=sizes.text, weight="bold")
        words = hz_range_text(band.low_hz, band.high_hz)
        below = top + 2.12 * sizes.text
        sheet.text(MARGIN_PX, below, text=words, size=sizes.note, color=style.MUTED)
    for rung, x, y in numbers:
        _number(sheet, rung, x=x, y=y, size=size)
    for box, words in key:
        left, y = box.left + 32.0, box.top + 14.0
        sheet.text(left, y, text=words, size=sizes.note, color=style.MUTED)
    _draw_boxes(sheet, [*boxes, *(box for box, _ in key)])
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


def _key(
    boxes: Sequence[_Box], *, top: float, sizes: _Sizes, paper: Paper
) -> list[tuple[_Box, str]]:
    """Return the key under the ladder, of what occurs in it: its boxes and their words."""
    samples: list[tuple[float | None, str]] = [(1.0, "all came out"), (0.5, "half of it")]
    if any(box.lid >= _LOWEST_LID_PX for box in boxes):
        samples.append((1.2, "more than asked"))
    if any(box.share is None for box in boxes):
        samples.append((None, "can't tell"))
    keys = []
    x = start = paper.either(sizes.labels, phone=MARGIN_PX)
    for share, words in samples:
        wide = 32.0 + text_width(words, size=sizes.note)
        if x > start and x + wide > paper.width_px - MARGIN_PX:
            x, top = start, top + 28.0
        box = _Box(share=share, left=x, top=top, width=24.0, height=18.0, text_px=13.0)
        keys.append((box, words))
        x += wide + 22.0
    return keys
