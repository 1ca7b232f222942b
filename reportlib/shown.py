"""What a notebook cell shows: pictures and tables that carry their own words.

Jupyter draws them through ``_repr_mimebundle_``; the page and the PDF read the same bundle
back out of the saved notebook, so that publishing needs no analysis. Nothing here computes.
"""

import base64
import html
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

PICTURE_MIME = "application/vnd.upheld.picture+json"
TABLE_MIME = "application/vnd.upheld.table+json"


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """What the level ladder shows, for whoever draws it at another size.

    Attributes
    ----------
    levels : as written, quietest first
    bands : names, from the top
    shares : one a band and level: how much of the rise arrived, above 1 for more than asked;
        None: can't tell
    """

    levels: tuple[str, ...]
    bands: tuple[str, ...]
    shares: tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A figure with its caption and its alternative text.

    Attributes
    ----------
    name : file name without ending, also the anchor in the page, e.g. ``"turned-up"``
    svg : the drawing, text kept as text
    png : the same at twice the size of the page, for articles
    caption : what to see, one to three plain sentences (Markdown is not read)
    alt : the same for those who cannot see it, made from facts
    width_px, height_px : size in CSS pixels at 1×
    ladder : what it shows, where it is the level ladder
    """

    name: str
    svg: str
    png: bytes
    caption: str
    alt: str
    width_px: float
    height_px: float
    ladder: Ladder | None = None

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {
            "image/svg+xml": self.svg,
            "image/png": base64.b64encode(self.png).decode("ascii"),
            "text/plain": self.alt,
            PICTURE_MIME: {
                "name": self.name,
                "caption": self.caption,
                "alt": self.alt,
                "width_px": self.width_px,
                "height_px": self.height_px,
            }
            | ({} if self.ladder is None else {"ladder": asdict(self.ladder)}),
        }


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table whose cells are finished text.

    Attributes
    ----------
    name : anchor in the page
    caption : what the table lists, one sentence
    columns : headings
    rows : one sequence of texts a row, as many as there are columns
    anchors : one anchor a row (or empty), where quoted facts link to
    numeric : which columns align right
    folded : whether the page shows it closed at first
    """

    name: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    anchors: tuple[str, ...] = ()
    numeric: tuple[bool, ...] = ()
    folded: bool = False

    def _repr_mimebundle_(self, **_: object) -> dict[str, Any]:
        return {
            "text/html": _html_table(self.columns, self.rows),
            "text/plain": "\n".join("\t".join(row) for row in (self.columns, *self.rows)),
            TABLE_MIME: {
                "name": self.name,
                "caption": self.caption,
                "columns": list(self.columns),
                "rows": [list(row) for row in self.rows],
                "anchors": list(self.anchors or [""] * len(self.rows)),
                "numeric": list(self.numeric or [False] * len(self.columns)),
                "folded": self.folded,
            },
        }


def _html_table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f"<th>{html.escape(cell)}</th>" for cell in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
