"""The report as typst source, from which `typeset` sets the PDF.

Its template places the records of a `Publication`; whatever it places that is neither a number
nor `Source` becomes a string literal, which typst never reads as code.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reportlib.errors import RenderError
from reportlib.numbers import day_text
from reportlib.publish.page import rendered
from reportlib.publish.prose import Outline, unbroken
from reportlib.publish.publication import (
    Block,
    Figure,
    Prose,
    Publication,
    anchors_of,
    long_columns,
    read_publication,
    sides_of,
)
from reportlib.publish.typeset import Source, set_typst, to_typst, typst_string
from reportlib.session.parameters import Paper
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
WHOLE = 0.5
"""A table is kept whole up to this share of the text's height; a taller one may go over to the next
page, with its heading repeated."""
FEW_COLUMNS = 3
"""So many columns leave room for a long text among them."""
ROOM_PT = 110.0
"""Such a table starts on a new page where less than this is left: no lone first row."""


@dataclass(frozen=True, kw_only=True)
class ForPaper:
    """What a notebook's PDF is set from; see `set_typst`."""

    source: str
    files: Mapping[str, bytes]
    dated: bool


def pdf_bytes(
    nb: Mapping[str, Any],
    *,
    paper: Paper = "a4",
    data: Mapping[str, bytes] | None = None,
    publication: Publication | None = None,
) -> bytes:
    """Set an executed notebook for paper; see `for_paper`."""
    laid_out = for_paper(nb, paper=paper, data=data, publication=publication)
    return set_typst(laid_out.source, files=laid_out.files, dated=laid_out.dated)


def for_paper(
    nb: Mapping[str, Any],
    *,
    paper: Paper = "a4",
    data: Mapping[str, bytes] | None = None,
    publication: Publication | None = None,
) -> ForPaper:
    """Lay an executed notebook out for paper.

    Parameters
    ----------
    nb : notebook, nbformat 4.5, in memory
    paper : ``"a4"`` or ``"letter"`` (US letter)
    data : name and content of the report's data files; those of `paper.ATTACHED`
        travel in the PDF
    publication : what the notebook shows, where it has been read already

    Raises
    ------
    RenderError
        What the notebook shows is damaged.
    """
    if paper not in PAPERS_PT:
        raise RenderError(f"paper {paper!r} is not known; choose one of {', '.join(PAPERS_PT)}.")
    publication = publication or read_publication(nb)
    attached = {name: content for name, content in (data or {}).items() if name in ATTACHED}
    files = dict(attached)
    report = _fields(publication, paper=paper, files=files)
    return ForPaper(
        source=rendered("pdf", report=report, finalize=_as_typst),
        files=files,
        dated=publication.date is not None,
    )


def _fields(publication: Publication, *, paper: Paper, files: dict[str, bytes]) -> dict[str, Any]:
    """Return the fields of ``index.typ.j2``; what it refers to goes into `files`."""
    targets = frozenset(publication.targets)
    outline = Outline()
    day = publication.date
    language, _, region = publication.language.partition("-")
    return {
        "about": publication,
        "language": language,
        "region": region if re.fullmatch("[A-Za-z]{2}", region) else Source("none"),
        "paper": _TYPST_PAPERS[paper],
        "side": Source(f"{SIDE_PT:g}pt"),
        "top": Source(f"{TOP_PT:g}pt"),
        "bottom": Source(f"{BOTTOM_PT:g}pt"),
        "whole": Source(f"{WHOLE * _text_height_pt(paper):g}pt"),
        "room": Source(f"{ROOM_PT:g}pt"),
        "verdict": to_typst(publication.verdict, targets=targets, attachments={}, outline=outline),
        "date": Source(
            "none"
            if day is None
            else f"datetime(year: {day.year}, month: {day.month}, day: {day.day})"
        ),
        "day": "" if day is None else day_text(day),
        "attached": [
            {"file": name, "mime": mime, "description": description}
            for name, (mime, description) in ATTACHED.items()
            if name in files
        ],
        "blocks": [
            _placed(block, paper=paper, targets=targets, outline=outline, files=files)
            for block in publication.blocks
        ],
    }


def _placed(
    block: Block,
    *,
    paper: Paper,
    targets: frozenset[str],
    outline: Outline,
    files: dict[str, bytes],
) -> dict[str, Any]:
    match block:
        case Prose():
            pasted = {}
            for name, (mime, data) in block.attachments.items():
                file = f"pasted-{len(files) + 1}.{mime.removeprefix('image/')}"
                files[file] = data
                pasted[name] = file
            body = to_typst(block.tokens, targets=targets, attachments=pasted, outline=outline)
            labels = [block.slot] if block.slot else []
            return {"template": "prose.typ.j2", "labels": labels, "body": body}
        case Figure(picture=picture):
            file = f"figure-{picture.name}.svg"
            files[file] = block.drawing.standalone(
                width_px=picture.width_px, height_px=picture.height_px
            )
            return {
                "template": "figure.typ.j2",
                "label": f"figure-{picture.name}",
                "file": file,
                "alt": picture.alt,
                "caption": unbroken(picture.caption),
                "width": Source(f"{_width_pt(block, paper=paper):.2f}pt"),
            }
        case Table():
            return laid_out(block)


def _width_pt(figure: Figure, *, paper: Paper) -> float:
    """Return the figure's own width at 96 px an inch, or what fits the paper."""
    width_pt = 0.75 * figure.picture.width_px
    height_pt = 0.75 * figure.picture.height_px
    room_width_pt = PAPERS_PT[paper][0] - 2 * SIDE_PT
    room_height_pt = TALLEST * _text_height_pt(paper)
    return width_pt * min(1.0, room_width_pt / width_pt, room_height_pt / height_pt)


def _text_height_pt(paper: Paper) -> float:
    return PAPERS_PT[paper][1] - TOP_PT - BOTTOM_PT


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
