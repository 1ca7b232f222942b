"""The level ladder: one row a band, one box a level, filled by how much of the rise arrived."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reportlib.figures import style
from reportlib.figures.lettering import text_width
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.sheet import MARGIN_PX, Sheet
from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.numbers import db_number, hz_range_text, sentence
from reportlib.readings.ladder import Rung, driven_levels, rungs


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
    bare_more: str


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
    bare_more="Filled: share of the rise in sound power. Numbers: in the table of bands.",
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
    bare_more="Numbers: in the table of bands.",
)
_NUMBERS_FROM_PX = 36.0
"""Boxes that stand closer leave no room for numbers: these then stand in the table alone."""
_BARE_TEXT_PX = 12.0
_BARE_GAP_PX = 5.0
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
    """Draw the ladder, without numbers where boxes stand too close; None without a level."""
    levels = driven_levels(analysis)
    sizes = paper.either(_PAGE, phone=_PHONE)
    room = paper.width_px - sizes.labels - MARGIN_PX
    if not levels:
        return None
    pitch = min(room / len(levels), 1.36 * sizes.widest)
    bare = pitch < _NUMBERS_FROM_PX
    width = min(0.74 * pitch, sizes.widest)
    size = _BARE_TEXT_PX if bare else min(sizes.text, 0.3 * pitch)
    centres = {level: sizes.labels + (index + 0.5) * pitch for index, level in enumerate(levels)}
    boxes = []
    numbers = []
    first = sizes.heading + (56.0 if bare else 50.0)
    row = sizes.row - sizes.note if bare else sizes.row
    tops = {band.name: first + index * row for index, band in enumerate(reversed(BANDS))}
    for rung in rungs(analysis):
        x, top = centres[rung.level_db], tops[rung.band]
        if not bare:
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
    under = first + len(BANDS) * row + 4.0
    key = _key(boxes, top=under, sizes=sizes, paper=paper)
    lowest = max(box.top for box, _ in key)
    sheet = Sheet(paper=paper, height_px=lowest + 30.0)
    more = sizes.bare_more if bare else sizes.more
    sheet.heading(sizes.title, name=analysis.session.speaker.name, more=more, size=sizes.note)
    y = first - 14.0
    sheet.text(MARGIN_PX, y, text="asked for, dB", size=sizes.note, color=style.MUTED)
    right = paper.width_px - MARGIN_PX
    named = _spaced(centres, size=size, right=right) if bare else centres
    for level_db, x in named.items():
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


def _spaced(centres: Mapping[float, float], *, size: float, right: float) -> dict[float, float]:
    """Return of the levels those whose names fit beside each other, the loudest first."""
    kept: dict[float, float] = {}
    free = right
    for level_db, centre in reversed([*centres.items()]):
        half = text_width(f"{level_db:g}", size=size, weight="bold") / 2.0
        x = centre if kept else min(centre, right - half)
        if x + half <= free:
            kept[level_db] = x
            free = x - half - _BARE_GAP_PX
    return kept


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
