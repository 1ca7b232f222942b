"""The nbconvert exporter for typst source, from which `typeset` sets the PDF.

Its template places the records of a `Publication`; whatever it places that is neither a number
nor `Source` becomes a string literal, which typst never reads as code.
"""

import re
import textwrap
from collections.abc import Sequence
from typing import Any

from jinja2 import Environment
from traitlets import Unicode, default

from reportlib.numbers import day_text
from reportlib.publish.page import ReportExporter
from reportlib.publish.prose import Outline, unbroken
from reportlib.publish.publication import (
    Block,
    Figure,
    Prose,
    Publication,
    anchors_of,
    long_columns,
    sides_of,
)
from reportlib.publish.typeset import Source, to_typst, typst_string
from reportlib.write.shown import Table

PAPERS_PT = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}
"""Width and height of the paper in points (1/72 inch): ISO 216; ANSI/ASME Y14.1, size A."""
_TYPST_PAPERS = {"a4": "a4", "letter": "us-letter"}

ATTACHED = {
    "compression.csv": ("text/csv", "Every point of every curve, with its 95 % interval"),
    "comparison.csv": ("text/csv", "Every number that was compared, with its 95 % interval"),
    "results.json": ("application/json", "The numbers behind the report, for programs"),
}
"""MIME type and description of the data files that travel in the PDF."""

SIDE_PT, TOP_PT, BOTTOM_PT = 70.0, 66.0, 60.0
TALLEST = 0.8
"""A figure is at most this share of the text's height, so that its caption stays with it."""
LONGEST_WHOLE = 16
"""A table of more rows than this may go over to the next page, with its heading repeated."""
FEW_COLUMNS = 3
"""So many columns leave room for a long text among them."""
_LETTER_PT, _LINE_PT, _INSET_PT = 3.5, 10.0, 8.0
"""Of a table as it is set, about: a letter's width, a line, what stands around a row's lines."""
_SURELY_WHOLE = 0.7
"""A table is kept whole up to this share of a page by that reckoning, which is a rough one."""
ROOM_PT = 110.0
"""Such a table starts on a new page where less than this is left: no lone first row."""


class TypstExporter(ReportExporter):
    """Typst source for the PDF; its drawings and pasted pictures are in ``outputs``.

    Data files that ``outputs`` holds beforehand are attached.
    """

    file_extension = ".typ"
    output_mimetype = "text/x-typst"
    paper = Unicode("a4", help="'a4' or 'letter'").tag(config=True)

    @default("template_name")
    def _our_template(self) -> str:
        return "pdf"

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        environment.finalize = _as_typst
        return environment

    def laid_out(self, publication: Publication, *, outputs: dict[str, bytes]) -> dict[str, Any]:
        """Return the fields of ``index.typ.j2``."""
        targets = frozenset(publication.targets)
        outline = Outline()
        day = publication.date
        language, _, region = publication.language.partition("-")
        return {
            "about": publication,
            "language": language,
            "region": region if re.fullmatch("[A-Za-z]{2}", region) else Source("none"),
            "paper": _TYPST_PAPERS[self.paper],
            "side": Source(f"{SIDE_PT:g}pt"),
            "top": Source(f"{TOP_PT:g}pt"),
            "bottom": Source(f"{BOTTOM_PT:g}pt"),
            "verdict": to_typst(
                publication.verdict, targets=targets, attachments={}, outline=outline
            ),
            "date": Source(
                "none"
                if day is None
                else f"datetime(year: {day.year}, month: {day.month}, day: {day.day})"
            ),
            "day": "" if day is None else day_text(day),
            "attached": [
                {"file": name, "mime": mime, "description": description}
                for name, (mime, description) in ATTACHED.items()
                if name in outputs
            ],
            "blocks": [
                self._placed(block, targets=targets, outline=outline, outputs=outputs)
                for block in publication.blocks
            ],
        }

    def _placed(
        self,
        block: Block,
        *,
        targets: frozenset[str],
        outline: Outline,
        outputs: dict[str, bytes],
    ) -> dict[str, Any]:
        match block:
            case Prose():
                files = {}
                for name, (mime, data) in block.attachments.items():
                    file = f"pasted-{len(outputs) + 1}.{mime.removeprefix('image/')}"
                    outputs[file] = data
                    files[name] = file
                body = to_typst(block.tokens, targets=targets, attachments=files, outline=outline)
                labels = [block.slot] if block.slot else []
                return {"template": "prose.typ.j2", "labels": labels, "body": body}
            case Figure(picture=picture):
                file = f"figure-{picture.name}.svg"
                outputs[file] = block.drawing.standalone(
                    width_px=picture.width_px, height_px=picture.height_px
                )
                return {
                    "template": "figure.typ.j2",
                    "label": f"figure-{picture.name}",
                    "file": file,
                    "alt": picture.alt,
                    "caption": unbroken(picture.caption),
                    "width": Source(f"{self._width_pt(block):.2f}pt"),
                }
            case Table():
                room = PAPERS_PT[self.paper][1] - TOP_PT - BOTTOM_PT
                return laid_out(block, room_pt=room)

    def _width_pt(self, figure: Figure) -> float:
        """Return the figure's own width at 96 px an inch, or what fits the paper."""
        width_pt = 0.75 * figure.picture.width_px
        height_pt = 0.75 * figure.picture.height_px
        paper_width_pt, paper_height_pt = PAPERS_PT[self.paper]
        room_width_pt = paper_width_pt - 2 * SIDE_PT
        room_height_pt = TALLEST * (paper_height_pt - TOP_PT - BOTTOM_PT)
        return width_pt * min(1.0, room_width_pt / width_pt, room_height_pt / height_pt)


def laid_out(table: Table, *, room_pt: float) -> dict[str, Any]:
    """Return what the template places; beside many columns, long texts stand below their row.

    A table that is taller than a page's `room_pt` goes over to the next one.
    """
    long = long_columns(table) if len(table.columns) > FEW_COLUMNS else ()
    told = [
        index
        for index in range(len(table.columns))
        if not (index and table.rows) or any(cells[index] for cells in table.rows)
    ]
    short = [index for index in told if index not in long]
    over = (
        len(table.rows) > LONGEST_WHOLE
        or _height_pt(table, short=short, long=long) > _SURELY_WHOLE * room_pt
    )
    sides = sides_of(table)
    return {
        "template": "told.typ.j2" if long else "table.typ.j2",
        "rooms": [Source(f"{ROOM_PT:g}pt")] if over else [],
        "label": f"table-{table.name}",
        "caption": unbroken(table.caption),
        "sides": [Source({"number": "right"}.get(sides[index], "left")) for index in short],
        "breakable": Source(str(over).lower()),
        "widths": [Source(width) for width in widths(table, short=short, long=long)],
        "columns": [table.columns[index] for index in short],
        "across": len(short),
        "rows": [
            {
                "labels": anchors.split(),
                "first": cells[0],
                "rest": [cells[index] for index in short[1:]],
                "below": [(table.columns[index], cells[index]) for index in long if cells[index]],
            }
            for cells, anchors in zip(table.rows, anchors_of(table), strict=True)
        ],
    }


def widths(table: Table, *, short: Sequence[int], long: Sequence[int]) -> list[str]:
    """Return each short column's width as typst has it.

    Where room is scarce columns share it by their cells: those of words alone, where numbers
    leave each of them its longest word.
    """
    whole, letters = _shared(table, short=short)
    if whole == set(short):
        return ["auto"] * (len(short) - 1) + ["1fr" if long else "auto"]
    return ["auto" if index in whole else f"{letters[index]:.1f}fr" for index in short]


def _shared(table: Table, *, short: Sequence[int]) -> tuple[set[int], dict[int, float]]:
    """Return which columns keep their whole width, and about how many letters each gets."""
    longest = {index: float(_longest(table, index)) for index in short}
    room, sides = _letters_across(short), sides_of(table)
    if sum(longest.values()) <= room:
        return set(short), longest
    numbers = {index for index in short if sides[index] == "number"}
    words = [index for index in short if index not in numbers]
    left = room - sum(longest[index] for index in numbers)
    if words and left > 0.0:
        roots = {index: longest[index] ** 0.5 for index in words}
        got = {index: left * root / sum(roots.values()) for index, root in roots.items()}
        if all(got[index] >= _longest_word(table, index) for index in words):
            return numbers, {index: got.get(index, longest[index]) for index in short}
    roots = {index: longest[index] ** 0.5 for index in short}
    return set(), {
        index: max(room * root / sum(roots.values()), 1.0) for index, root in roots.items()
    }


def _height_pt(table: Table, *, short: Sequence[int], long: Sequence[int]) -> float:
    """Return about how tall a table is: few rows of many lines can be longer than a page."""
    _, letters = _shared(table, short=short)
    across = int(_letters_across(short))
    heights = []
    for cells in table.rows:
        lines = max(_lines(cells[index], room=int(letters[index])) for index in short)
        below = sum(_lines(cells[index], room=across) for index in long)
        heights.append(_LINE_PT * (lines + below) + _INSET_PT)
    return sum(heights)


def _lines(cell: str, *, room: int) -> int:
    return max(1, len(textwrap.wrap(cell, max(room, 1))))


def _longest_word(table: Table, index: int) -> int:
    column = (table.columns[index], *(cells[index] for cells in table.rows))
    return max((len(word) for cell in column for word in cell.split()), default=1)


def _longest(table: Table, index: int) -> int:
    return max(1, *(len(cells[index]) for cells in (table.columns, *table.rows)))


def _letters_across(short: Sequence[int]) -> float:
    """Return about how many letters stand beside each other in a table as wide as the text."""
    return (PAPERS_PT["a4"][0] - 2 * SIDE_PT - _INSET_PT * len(short)) / _LETTER_PT


def _as_typst(value: object) -> str:
    return str(value) if isinstance(value, Source | int) else typst_string(str(value))
