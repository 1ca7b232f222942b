"""Pictures to share: name, verdict and level ladder, square and wide.

Drawn when the report is published, since the verdict is the reviewer's by then. Texts are
measured and placed first (`laid_out`), then drawn; by Pillow, which publishing has at hand
without matplotlib's third of a second.
"""

import functools
import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PIL import Image, ImageDraw, ImageFont

from reportlib.publish.prose import plain_text, unbroken
from reportlib.publish.publication import Publication
from reportlib.session.files import shipped_font
from reportlib.write import shown
from reportlib.write.shown import Ladder

SIZES_PX = {"square": (1080, 1080), "wide": (1200, 630)}
"""What most places show whole: a square in a feed, 1.91 : 1 in a link's preview (common practice,
no source)."""

_MARGIN_PX = 64.0
_RULE_PX = 8.0
_SHARE_OF_TEXT = {"square": 0.42, "wide": 0.5}
"""How much of the square's height, of the wide one's width, the words take."""
_SHARE_OF_BANDS = 0.45
"""Of a ladder's width, for the bands' names."""
_KIND_PX, _KEY_PX, _BAND_PX = 28, 24, 30
_NAME_PX = (84, 72, 62, 54, 46)
_VERDICT_PX = (46, 42, 38, 34, 30, 26)
_LEADING = 1.28
_LID_SHARE = 0.2


@dataclass(frozen=True, kw_only=True)
class Words:
    """One line of text; `x` and `y` are its baseline's start, or its middle where `centred`."""

    text: str
    x: float
    y: float
    size_px: int
    colour: str
    bold: bool = False
    centred: bool = False

    def box(self) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of its ink."""
        anchor = "ms" if self.centred else "ls"
        left, top, right, bottom = _font(self.size_px, bold=self.bold).getbbox(
            self.text, anchor=anchor
        )
        return self.x + left, self.y + top, self.x + right, self.y + bottom


@dataclass(frozen=True, kw_only=True)
class Box:
    """One band at one level; lengths in pixels from the picture's top left."""

    share: float | None
    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """A picture, measured."""

    size_px: tuple[int, int]
    words: tuple[Words, ...]
    boxes: tuple[Box, ...]


def sharing_pictures(publication: Publication) -> dict[str, bytes]:
    """Return the two pictures as PNG and their alternative text, by file name."""
    ladder = publication.ladder
    verdict = plain_text(publication.verdict).strip()
    said = (f"{publication.title}: {publication.kind}", verdict, ladder.alt if ladder else "")
    made = {f"sharing/{shape}.png": _png(laid_out(publication, shape=shape)) for shape in SIZES_PX}
    return made | {"sharing/alt.txt": f"{' '.join(filter(None, said))}\n".encode()}


def laid_out(publication: Publication, *, shape: str) -> Sheet:
    """Measure and place everything.

    Parameters
    ----------
    shape : ``"square"`` or ``"wide"``
    """
    width, height = SIZES_PX[shape]
    picture = publication.ladder
    ladder = picture.ladder if picture else None
    left, top = _MARGIN_PX, _MARGIN_PX + 2.0 * _RULE_PX
    right, bottom = width - _MARGIN_PX, height - _MARGIN_PX
    words_right, words_bottom = right, bottom
    if ladder and shape == "wide":
        words_right = left + _SHARE_OF_TEXT[shape] * (right - left)
    elif ladder:
        words_bottom = top + _SHARE_OF_TEXT[shape] * (bottom - top)
    words = _opening(
        publication, left=left, top=top, width=words_right - left, height=words_bottom - top
    )
    if ladder is None:
        return Sheet(size_px=(width, height), words=words, boxes=())
    across = (words_right + 48.0, right) if shape == "wide" else (left, right)
    down = (top, bottom) if shape == "wide" else (words_bottom + 30.0, bottom)
    boxes, labels = _ladder(ladder, across=across, down=down)
    return Sheet(size_px=(width, height), words=(*words, *labels), boxes=boxes)


def _opening(
    publication: Publication, *, left: float, top: float, width: float, height: float
) -> tuple[Words, ...]:
    """Place kind, name and verdict: as large as they fit."""
    placed: list[Words] = []
    y = top

    def place(lines: list[str], *, size_px: int, colour: str, bold: bool) -> None:
        nonlocal y
        for line in lines:
            y += _LEADING * size_px
            placed.append(Words(text=line, x=left, y=y, size_px=size_px, colour=colour, bold=bold))

    kind, size_px = _fitted(publication.kind, sizes=(_KIND_PX, 24, 20), width=width, lines=2)
    place(kind, size_px=size_px, colour=shown.SEA, bold=True)
    # without a ladder there is room for the names of several
    lines = 1 if publication.ladder else 2
    name, size_px = _fitted(publication.title, sizes=_NAME_PX, width=width, lines=lines)
    y += 0.1 * size_px
    place(name, size_px=size_px, colour=shown.INK, bold=True)
    y += 14.0
    room = top + height - y
    verdict, size_px = _fitted(
        plain_text(publication.verdict).strip(),
        sizes=_VERDICT_PX,
        width=width,
        lines=lambda size_px: int(room / (_LEADING * size_px)),
        bold=False,
    )
    place(verdict, size_px=size_px, colour=shown.INK, bold=False)
    return tuple(placed)


def _fitted(
    text: str,
    *,
    sizes: tuple[int, ...],
    width: float,
    lines: int | Callable[[int], int],
    bold: bool = True,
) -> tuple[list[str], int]:
    """Break a text at the largest size that fits; cut it with an ellipsis where none does."""
    wrapped: list[str] = []
    most, size_px = 1, sizes[-1]
    for size_px in sizes:
        most = max(lines(size_px) if callable(lines) else lines, 1)
        wrapped = _wrapped(text, font=_font(size_px, bold=bold), width=width)
        if len(wrapped) <= most:
            return wrapped, size_px
    cut = wrapped[:most]
    cut[-1] = _cut(f"{cut[-1]} {wrapped[most]}", font=_font(size_px, bold=bold), width=width)
    return cut, size_px


def _wrapped(text: str, *, font: Any, width: float) -> list[str]:
    lines = [""]
    for word in unbroken(" ".join(text.split())).split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= width:
            lines[-1] = longer
        else:  # a word alone may be wider than the line
            fits = font.getlength(word) <= width
            lines.append(word if fits else _cut(word, font=font, width=width))
    return [line for line in lines if line]


def _cut(text: str, *, font: Any, width: float) -> str:
    while text and font.getlength(text + "…") > width:
        text = text[:-1].rstrip()
    return text + "…"


def _ladder(
    ladder: Ladder, *, across: tuple[float, float], down: tuple[float, float]
) -> tuple[tuple[Box, ...], tuple[Words, ...]]:
    """Place boxes, the levels above them, the bands beside them and the key below."""
    fonts = _font(_BAND_PX, bold=True)
    most = _SHARE_OF_BANDS * (across[1] - across[0])
    bands = [
        band if fonts.getlength(band) <= most else _cut(band, font=fonts, width=most)
        for band in ladder.bands
    ]
    left = across[0] + max(map(fonts.getlength, bands)) + 28.0
    pitch_x = (across[1] - left) / len(ladder.levels)
    first, key_y = down[0] + 1.6 * _BAND_PX, down[1]
    pitch_y = (key_y - 1.9 * _KEY_PX - first) / len(ladder.bands)
    width, height = min(0.78 * pitch_x, 110.0), 0.66 * pitch_y
    boxes = tuple(
        Box(
            share=share,
            left=left + (column + 0.5) * pitch_x - 0.5 * width,
            top=first + (row + 0.2) * pitch_y,
            width=width,
            height=height,
        )
        for row, shares in enumerate(ladder.shares)
        for column, share in enumerate(shares)
    )
    widest = max(fonts.getlength(level) for level in ladder.levels)
    every = max(1, math.ceil(1.2 * widest / pitch_x))
    loudest = len(ladder.levels) - 1
    labels = [
        Words(
            text=level,
            x=left + (column + 0.5) * pitch_x,
            y=first,
            size_px=_BAND_PX,
            colour=shown.INK,
            bold=True,
            centred=True,
        )
        for column, level in enumerate(ladder.levels)
        if (loudest - column) % every == 0
    ]
    labels += [
        Words(
            text=band,
            x=across[0],
            y=first + (row + 0.2) * pitch_y + 0.5 * height + 0.36 * _BAND_PX,
            size_px=_BAND_PX,
            colour=shown.INK,
            bold=True,
        )
        for row, band in enumerate(bands)
    ]
    # the levels' unit stands in the corner that bands and levels leave free
    labels.append(Words(text="dB", x=across[0], y=first, size_px=_KEY_PX, colour=shown.MUTED))
    key, size_px = _fitted(
        "Filled: how much of the asked-for rise came out.",
        sizes=(_KEY_PX, 21, 18),
        width=across[1] - across[0],
        lines=1,
        bold=False,
    )
    labels.append(Words(text=key[0], x=across[0], y=key_y, size_px=size_px, colour=shown.MUTED))
    unknown = [
        Words(
            text="?",
            x=box.left + 0.5 * box.width,
            y=box.top + 0.5 * box.height + 0.36 * _BAND_PX,
            size_px=_BAND_PX,
            colour=shown.MUTED,
            bold=True,
            centred=True,
        )
        for box in boxes
        if box.share is None
    ]
    return boxes, (*labels, *unknown)


def _png(sheet: Sheet) -> bytes:
    image = Image.new("RGB", sheet.size_px, shown.PAPER)
    draw = ImageDraw.Draw(image)
    width = sheet.size_px[0]
    for y in (_MARGIN_PX - _RULE_PX, _MARGIN_PX):  # the double rule of the page's head
        draw.rectangle((_MARGIN_PX, y, width - _MARGIN_PX, y + 2.0), fill=shown.SEA)
    for box in sheet.boxes:
        _draw_box(draw, box)
    for words in sheet.words:
        draw.text(
            (words.x, words.y),
            words.text,
            font=_font(words.size_px, bold=words.bold),
            fill=words.colour,
            anchor="ms" if words.centred else "ls",
        )
    file = io.BytesIO()
    image.save(file, format="png", compress_level=3)
    return file.getvalue()


def _draw_box(draw: ImageDraw.ImageDraw, box: Box) -> None:
    right, bottom = box.left + box.width, box.top + box.height
    whole = (box.left, box.top, right, bottom)
    if box.share is None:
        draw.rectangle(whole, outline=shown.UNTOLD, width=2)
        return
    draw.rectangle(whole, fill=shown.WATER)
    filled = bottom - min(box.share, 1.0) * box.height
    if filled < bottom:
        draw.rectangle((box.left, filled, right, bottom), fill=shown.SEA)
    draw.rectangle(whole, outline=shown.SEA, width=2)
    lid = min(box.share - 1.0, _LID_SHARE) * box.height
    if lid >= 1.0:
        draw.rectangle((box.left, box.top - lid, right, box.top), fill=shown.INK)


@functools.cache
def _font(size_px: int, *, bold: bool) -> Any:
    return ImageFont.truetype(
        shipped_font("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"), size_px
    )
