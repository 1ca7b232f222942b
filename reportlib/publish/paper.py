"""The nbconvert exporter for typst source, from which `typeset` sets the PDF.

Its template places the records of a `Publication`; whatever it places that is neither a number
nor `Source` becomes a string literal, which typst never reads as code.
"""

import re
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
LEAST = 0.62
"""A figure that a page has no room for is drawn at no less than this share of its size; where that
would not do it stands on the next page, and leaves no more than a third of a page empty."""
BEHIND = 0.7
"""How large figures are behind the main part."""
FONTS = "Libertinus Serif", "DejaVu Sans"
"""Of words and figures alike; the second has the letters that the first lacks."""
WHOLE = 0.32
"""A table is kept whole up to this share of the text's height; a taller one may go over to the next
page, with its heading repeated."""
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
        main = next(
            (
                at
                for at, one in enumerate(publication.blocks)
                if isinstance(one, Prose) and one.folds
            ),
            len(publication.blocks),
        )
        blocks = [
            self._placed(block, targets=targets, outline=outline, outputs=outputs)
            for block in publication.blocks
        ]
        language, _, region = publication.language.partition("-")
        return {
            "about": publication,
            "language": language,
            "region": region if re.fullmatch("[A-Za-z]{2}", region) else Source("none"),
            "paper": _TYPST_PAPERS[self.paper],
            "side": Source(f"{SIDE_PT:g}pt"),
            "top": Source(f"{TOP_PT:g}pt"),
            "bottom": Source(f"{BOTTOM_PT:g}pt"),
            "whole": Source(f"{WHOLE * self._text_height_pt:g}pt"),
            "room": Source(f"{ROOM_PT:g}pt"),
            "fonts": FONTS,
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
            "blocks": blocks[:main],
            "behind": blocks[main:],
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
                drawing = block.drawing.standalone(
                    width_px=picture.width_px, height_px=picture.height_px
                )
                fonts = f"font-family: '{FONTS[0]}', '{FONTS[1]}'".encode()
                outputs[file] = re.sub(rb"font-family:[^;\"]*", fonts, drawing)
                width_pt = self._width_pt(block) * (BEHIND if block.folded else 1.0)
                return {
                    "template": "figure.typ.j2",
                    "label": f"figure-{picture.name}",
                    "file": file,
                    "alt": picture.alt,
                    "caption": unbroken(picture.caption),
                    "width": Source(f"{width_pt:.2f}pt"),
                    "height": Source(f"{width_pt * picture.height_px / picture.width_px:.2f}pt"),
                    "least": Source(f"{1.0 if block.folded else LEAST:g}"),
                }
            case Table():
                return laid_out(block)

    def _width_pt(self, figure: Figure) -> float:
        """Return the figure's own width at 96 px an inch, or what fits the paper."""
        width_pt = 0.75 * figure.picture.width_px
        height_pt = 0.75 * figure.picture.height_px
        room_width_pt = PAPERS_PT[self.paper][0] - 2 * SIDE_PT
        room_height_pt = TALLEST * self._text_height_pt
        return width_pt * min(1.0, room_width_pt / width_pt, room_height_pt / height_pt)

    @property
    def _text_height_pt(self) -> float:
        return PAPERS_PT[self.paper][1] - TOP_PT - BOTTOM_PT


def laid_out(table: Table) -> dict[str, Any]:
    """Return what the template places; beside many columns, long texts stand below their row."""
    long = long_columns(table) if len(table.columns) > FEW_COLUMNS else ()
    told = [
        index
        for index in range(len(table.columns))
        if not (index and table.rows) or any(cells[index] for cells in table.rows)
    ]
    short = [index for index in told if index not in long]
    sides = sides_of(table)
    return {
        "template": "table.typ.j2",
        "label": f"table-{table.name}",
        "caption": unbroken(table.caption),
        "sides": [Source({"number": "right"}.get(sides[index], "left")) for index in short],
        "columns": [table.columns[index] for index in short],
        "across": len(short),
        "first": Source("strong" if long else "text"),
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


def _as_typst(value: object) -> str:
    return str(value) if isinstance(value, Source | int) else typst_string(str(value))
