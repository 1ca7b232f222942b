"""The nbconvert exporters for sites that take no styles: plain HTML, and Markdown.

Both refer to the files of `beside`, and place the records of a `Publication` as the others do.
"""

from typing import Any

import nh3
from jinja2 import Environment
from markupsafe import Markup
from traitlets import default

from reportlib.numbers import day_text
from reportlib.publish.beside import figure_file, pasted_files
from reportlib.publish.exporters import ReportExporter
from reportlib.publish.hypertext import to_html
from reportlib.publish.markup import Outline, Tokens
from reportlib.publish.plain_markdown import (
    Written,
    escaped,
    line_markdown,
    table_markdown,
    to_markdown,
)
from reportlib.publish.published import Block, Figure, Prose, Publication
from reportlib.publish.tabling import sides_of
from reportlib.shown import Table

_TAGS = (
    "a b blockquote br code dd del dl dt em h3 h4 h5 h6 hr i img li ol p pre s strong sub sup "
    "table tbody td th thead tr u ul"
)


class _PlainExporter(ReportExporter):
    """What both lay out: the opening, then the blocks in order."""

    parts = ""
    """What the names of the templates of parts end in."""

    def laid_out(self, publication: Publication, *, outputs: dict[str, bytes]) -> dict[str, Any]:
        """Return the fields of the template."""
        outline = Outline()
        day = publication.date
        return {
            "about": publication,
            "verdict": self._line(publication.verdict),
            "days": [] if day is None else [day_text(day)],
            "blocks": [
                self._placed(block, files=files, outline=outline)
                for block, files in zip(publication.blocks, pasted_files(publication), strict=True)
            ],
        }

    def _placed(self, block: Block, *, files: dict[str, str], outline: Outline) -> dict[str, Any]:
        match block:
            case Prose():
                body = self._prose(block.tokens, files=files, outline=outline)
                return {"template": f"prose{self.parts}", "body": body}
            case Figure(picture=picture):
                return {
                    "template": f"figure{self.parts}",
                    "file": Written(figure_file(picture)),
                    "alt": picture.alt,
                    "caption": picture.caption,
                    "width_px": f"{picture.width_px:g}",
                    "height_px": f"{picture.height_px:g}",
                }
            case Table():
                return {
                    "template": f"table{self.parts}",
                    "caption": block.caption,
                    **self._table(block),
                }

    def _line(self, tokens: Tokens) -> str:
        raise NotImplementedError

    def _prose(self, tokens: Tokens, *, files: dict[str, str], outline: Outline) -> str:
        raise NotImplementedError

    def _table(self, table: Table) -> dict[str, Any]:
        raise NotImplementedError


class PicturesExporter(_PlainExporter):
    """Plain elements and pictures, for sites that strip styles; no ids, no classes."""

    file_extension = ".html"
    output_mimetype = "text/html"
    parts = ".html.j2"

    @default("template_name")
    def _our_template(self) -> str:
        return "pictures"

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        environment.autoescape = True
        return environment

    def _line(self, tokens: Tokens) -> str:
        return self._prose(tokens, files={}, outline=Outline())

    def _prose(self, tokens: Tokens, *, files: dict[str, str], outline: Outline) -> str:
        safe = to_html(tokens, targets={}, attachments=files, outline=outline, first_heading=3)
        return Markup(  # the same again, without what only a style sheet could use
            nh3.clean(
                safe,
                tags=set(_TAGS.split()),
                attributes={"a": {"href"}, "img": {"src", "alt"}, "ol": {"start"}},
                link_rel=None,
            )
        )

    def _table(self, table: Table) -> dict[str, Any]:
        return {"columns": table.columns, "rows": table.rows}


class MarkdownExporter(_PlainExporter):
    """Markdown with pictures beside it, for static-site generators."""

    file_extension = ".md"
    output_mimetype = "text/markdown"
    parts = ".md.j2"

    @default("template_name")
    def _our_template(self) -> str:
        return "markdown"

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        environment.finalize = _as_markdown
        return environment

    def _line(self, tokens: Tokens) -> str:
        return line_markdown(tokens)

    def _prose(self, tokens: Tokens, *, files: dict[str, str], outline: Outline) -> str:
        return to_markdown(tokens, attachments=files, outline=outline)

    def _table(self, table: Table) -> dict[str, Any]:
        body = table_markdown(
            [escaped(cell, starts=False) for cell in table.columns],
            rows=[[escaped(cell, starts=False) for cell in row] for row in table.rows],
            sides=[{"number": "right"}.get(side, "left") for side in sides_of(table)],
        )
        return {"body": Written(body)}


def _as_markdown(value: object) -> str:
    return str(value) if isinstance(value, Written) else escaped(str(value).strip())
