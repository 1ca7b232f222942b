"""The nbconvert exporter for static-site generators: Markdown, with the files of `beside`."""

from typing import Any

from jinja2 import Environment
from traitlets import default

from reportlib.numbers import day_text
from reportlib.publish.beside import figure_file, pasted_files
from reportlib.publish.exporters import ReportExporter
from reportlib.publish.markup import Outline
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


class MarkdownExporter(ReportExporter):
    """Markdown with pictures beside it: the opening, then the blocks in order."""

    file_extension = ".md"
    output_mimetype = "text/markdown"

    @default("template_name")
    def _our_template(self) -> str:
        return "markdown"

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        environment.finalize = _as_markdown
        return environment

    def laid_out(self, publication: Publication, *, outputs: dict[str, bytes]) -> dict[str, Any]:
        """Return the fields of the template."""
        outline = Outline()
        day = publication.date
        return {
            "about": publication,
            "verdict": line_markdown(publication.verdict),
            "days": [] if day is None else [day_text(day)],
            "blocks": [
                _placed(block, files=files, outline=outline)
                for block, files in zip(publication.blocks, pasted_files(publication), strict=True)
            ],
        }


def _placed(block: Block, *, files: dict[str, str], outline: Outline) -> dict[str, Any]:
    match block:
        case Prose():
            body = to_markdown(block.tokens, attachments=files, outline=outline)
            return {"template": "prose.md.j2", "body": body}
        case Figure(picture=picture):
            return {
                "template": "figure.md.j2",
                "file": Written(figure_file(picture)),
                "alt": picture.alt,
                "caption": picture.caption,
            }
        case Table():
            sides = [{"number": "right"}.get(side, "left") for side in sides_of(block)]
            body = table_markdown(block.columns, rows=block.rows, sides=sides)
            return {"template": "table.md.j2", "caption": block.caption, "body": body}


def _as_markdown(value: object) -> str:
    return str(value) if isinstance(value, Written) else escaped(str(value).strip())
