"""The nbconvert exporter for typst source, from which `pdf` sets the PDF.

Its template places the records of a `Publication`; whatever it places that is neither a number
nor `Source` becomes a string literal, which typst never reads as code.
"""

import math
import re
from collections.abc import Sequence
from typing import Any

from jinja2 import Environment
from traitlets import Unicode, default

from reportlib.publish.exporters import ReportExporter, in_words
from reportlib.publish.markup import Outline, unbroken
from reportlib.publish.published import Block, Figure, Prose, Publication
from reportlib.publish.tabling import anchors_of, long_columns, sides_of
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
MOST_LINES = 60
"""So may one of more lines than this, about as many as a page holds, in however few rows."""
_LINE_LETTERS, _GAP_LETTERS = 112, 2
"""Letters that stand beside each other in a table as wide as the text, and between columns."""
FEW_COLUMNS = 3
"""So many columns leave room for a long text among them."""
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
                return laid_out(block)

    def _width_pt(self, figure: Figure) -> float:
        """Return the figure's own width at 96 px an inch, or what fits the paper."""
        width_pt = 0.75 * figure.picture.width_px
        height_pt = 0.75 * figure.picture.height_px
        paper_width_pt, paper_height_pt = PAPERS_PT[self.paper]
        room_width_pt = paper_width_pt - 2 * SIDE_PT
        room_height_pt = TALLEST * (paper_height_pt - TOP_PT - BOTTOM_PT)
        return width_pt * min(1.0, room_width_pt / width_pt, room_height_pt / height_pt)


def laid_out(table: Table) -> dict[str, Any]:
    """Return what the template places; beside many columns, long texts stand below their row."""
    long = long_columns(table) if len(table.columns) > FEW_COLUMNS else ()
    told = [
        index
        for index in range(len(table.columns))
        if not table.rows or any(cells[index] for cells in table.rows)
    ]
    short = [index for index in told if index not in long]
    # the last column takes what is left, so that lines below span the text; where nothing is,
    # it would vanish
    fits = sum(_longest(table, index) + _GAP_LETTERS for index in short) <= _LINE_LETTERS
    many = len(table.rows) > LONGEST_WHOLE or _lines(table, short=short) > MOST_LINES
    sides = sides_of(table)
    return {
        "template": "told.typ.j2" if long else "table.typ.j2",
        "rooms": [Source(f"{ROOM_PT:g}pt")] if many else [],
        "label": f"table-{table.name}",
        "caption": unbroken(table.caption),
        "sides": [Source({"number": "right"}.get(sides[index], "left")) for index in short],
        "breakable": Source(str(many).lower()),
        "widths": [Source("auto")] * (len(short) - 1)
        + [Source("1fr" if long and fits else "auto")],
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


def _longest(table: Table, index: int) -> int:
    return max(len(row[index]) for row in (table.columns, *table.rows))


def _lines(table: Table, *, short: Sequence[int]) -> float:
    """Return about how many lines a table takes, with half a line of room a row."""
    longest = {index: _longest(table, index) for index in short}
    room = _LINE_LETTERS - _GAP_LETTERS * len(short)
    share = max(room / max(sum(longest.values()), 1), 0.0)
    wide = {index: max(count * min(share, 1.0), 4.0) for index, count in longest.items()}
    return sum(
        max((math.ceil(len(row[index]) / wide[index]) for index in short), default=0)
        + sum(
            math.ceil(len(text) / _LINE_LETTERS)
            for index, text in enumerate(row)
            if index not in wide
        )
        + 0.8
        for row in table.rows
    )


def _as_typst(value: object) -> str:
    return str(value) if isinstance(value, Source | int) else typst_string(str(value))
