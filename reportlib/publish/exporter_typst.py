"""The nbconvert exporter for typst source, from which `pdf` sets the PDF.

Its template places the records of a `Publication`; whatever it places that is neither a number
nor `Source` becomes a string literal, which typst never reads as code.
"""

import math
import re
from typing import Any

from jinja2 import Environment
from traitlets import Unicode, default

from reportlib.publish.exporters import ReportExporter, anchors_of, in_words, sides_of
from reportlib.publish.markup import Outline, unbroken
from reportlib.publish.published import Block, Figure, Prose, Publication
from reportlib.publish.typeset import Source, to_typst, typst_string
from reportlib.shown import Table

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
_WIDE_TABLE = 80
"""Where a table's longest cells are together longer than this, its long columns share the room."""
_LONG_CELL = 22
_LEAST_LEFT = 4
"""Where fewer letters than these would be left to each long column, all of them share the room."""
_LETTER_PT, _LINE_PT, _INSET_PT = 4.0, 10.0, 8.0
"""Of a table as it is set, about: a letter's width, a line, what stands around a row's lines."""
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
            "day": "" if day is None else in_words(day),
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
                long = len(block.rows) > LONGEST_WHOLE or _height_pt(block) > room
                return {
                    "template": "table.typ.j2",
                    "rooms": [Source(f"{ROOM_PT:g}pt")] if long else [],
                    "label": f"table-{block.name}",
                    "caption": unbroken(block.caption),
                    "sides": [
                        Source({"number": "right"}.get(side, "left")) for side in sides_of(block)
                    ],
                    "breakable": Source(str(long).lower()),
                    "widths": [Source(width) for width in _widths(block)],
                    "columns": block.columns,
                    "rows": [
                        {"labels": anchors.split(), "first": cells[0], "rest": cells[1:]}
                        for cells, anchors in zip(block.rows, anchors_of(block), strict=True)
                    ],
                }

    def _width_pt(self, figure: Figure) -> float:
        """Return the figure's own width at 96 px an inch, or what fits the paper."""
        width_pt = 0.75 * figure.picture.width_px
        height_pt = 0.75 * figure.picture.height_px
        paper_width_pt, paper_height_pt = PAPERS_PT[self.paper]
        room_width_pt = paper_width_pt - 2 * SIDE_PT
        room_height_pt = TALLEST * (paper_height_pt - TOP_PT - BOTTOM_PT)
        return width_pt * min(1.0, room_width_pt / width_pt, room_height_pt / height_pt)


def _widths(table: Table) -> list[str]:
    """Return each column's width as typst has it: where cells are long, by how long they are."""
    longest = [max(map(len, cells)) for cells in zip(table.columns, *table.rows, strict=True)]
    if sum(longest) <= _WIDE_TABLE:
        return ["auto"] * len(longest)
    wide = sum(count > _LONG_CELL for count in longest)
    left = _room(table) - sum(count for count in longest if count <= _LONG_CELL)
    if left < _LEAST_LEFT * wide:
        return [f"{count**0.5:.1f}fr" for count in longest]
    return [f"{count**0.5:.1f}fr" if count > _LONG_CELL else "auto" for count in longest]


def _room(table: Table) -> float:
    """Return about how many letters stand beside each other in a table as wide as the text."""
    return (PAPERS_PT["a4"][0] - 2 * SIDE_PT - _INSET_PT * len(table.columns)) / _LETTER_PT


def _height_pt(table: Table) -> float:
    """Return about how tall a table is: few rows of many lines can be longer than a page."""
    longest = [max(map(len, cells)) for cells in zip(table.columns, *table.rows, strict=True)]
    room = _room(table)
    widths: list[float] = [float(count) for count in longest]
    if sum(longest) > room:
        shares = [count**0.5 for count in longest]
        widths = [max(room * share / sum(shares), 1.0) for share in shares]
    lines = [
        max(math.ceil(len(cell) / width) for cell, width in zip(row, widths, strict=True) if cell)
        for row in table.rows
        if any(row)
    ]
    return sum(_LINE_PT * count + _INSET_PT for count in lines)


def _as_typst(value: object) -> str:
    return str(value) if isinstance(value, Source | int) else typst_string(str(value))
