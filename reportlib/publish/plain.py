"""The report as plain Markdown, with pictures beside it, and its nbconvert exporter.

For static-site generators: their Markdown readers differ and their template languages
(``{{ … }}``, ``{% … %}``) run first, so what could mean anything to either is written as a
character reference or with a backslash that all of them know. CommonMark 0.31; tables and
struck words as most readers' extensions have them.

It refers to the files that stand beside, and places the records of a `Publication`.
"""

import html
import re
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote, unquote

import nh3
from jinja2 import Environment
from mistune.core import BlockState
from mistune.renderers.markdown import MarkdownRenderer
from mistune.util import unescape
from traitlets import default

from reportlib.numbers import day_text
from reportlib.publish.outputs import figure_file, pasted_files
from reportlib.publish.page import ReportExporter
from reportlib.publish.prose import OUTWARD, Outline, Token, Tokens, plain_text, readable
from reportlib.publish.publication import Block, Figure, Prose, Publication, sides_of
from reportlib.write.shown import Table

_REFERENCES = {ord(sign): f"&#{ord(sign)};" for sign in "{}|$~^"} | {
    ord("<"): "&lt;",
    ord(">"): "&gt;",
    ord("&"): "&amp;",
}
_BACKSLASHED = {ord(sign): f"\\{sign}" for sign in "\\`*_[]#"}
_SIGNS = _REFERENCES | _BACKSLASHED
_OPENS_A_BLOCK = re.compile(r"(\d{1,9})[.)](?!\S)|[-+:](?!\S)|[-=:]{2}|=")
"""At the start of a line: a list, an underlined heading, a definition, a container."""
_NO_CODE = re.compile(r"[{}|]")
_IN_ADDRESSES = ":/?#[]@!&'*+,;=%-._"


class Written(str):
    """Markdown that this program wrote; any other text is escaped before it is placed."""

    __slots__ = ()


def escaped(text: str, *, starts: bool = True) -> Written:
    r"""Return `text` on one line, as Markdown that reads as just these letters.

    Parameters
    ----------
    starts : whether it may stand at the start of a line

    Examples
    --------
    >>> print(escaped("<b> & {{ 7 * 7 }}"))
    &lt;b&gt; &amp; &#123;&#123; 7 \* 7 &#125;&#125;
    >>> print(escaped("1. of May"))
    1\. of May
    """
    signs = " ".join(readable(text).split("\n")).translate(_SIGNS)
    return Written(_no_block(signs) if starts else signs)


def _no_block(lines: str) -> str:
    """Return lines of which none opens a block of its own."""

    def settled(line: str) -> str:
        bare = line.lstrip()
        opened = _OPENS_A_BLOCK.match(bare)
        at = len(opened[1] or "") if opened else 0
        return f"{bare[:at]}\\{bare[at:]}" if opened else bare

    return "\n".join(map(settled, lines.split("\n")))


def to_markdown(tokens: Tokens, *, attachments: Mapping[str, str], outline: Outline) -> Written:
    r"""Render parsed Markdown as Markdown that says the same wherever it is read.

    Parameters
    ----------
    tokens : of a cell, from `prose.read_prose`
    attachments : name of an attachment, and its file beside the document
    outline : depths of the headings so far

    Examples
    --------
    >>> from reportlib.publish.prose import read_prose
    >>> tokens = read_prose("It *lost* [−1.5 dB](#fact-mids)<script>alert(1)</script>.")
    >>> to_markdown(tokens, attachments={}, outline=Outline())
    'It *lost* −1.5 dB.'
    """
    return Written(_Plain(attachments=attachments, outline=outline)(tokens, BlockState()).strip())


def line_markdown(tokens: Tokens) -> Written:
    """Render a parsed sentence (`prose.read_line`); see `to_markdown`."""
    paragraph = {"type": "paragraph", "children": list(tokens)}
    return to_markdown((paragraph,), attachments={}, outline=Outline())


def table_markdown(
    columns: Sequence[str], *, rows: Sequence[Sequence[str]], sides: Sequence[str]
) -> Written:
    """Return a table with bars; `sides` are ``"right"``, ``"center"``, ``"left"`` or empty."""

    def row(cells: Sequence[str]) -> list[Token]:
        return [
            {"type": "table_cell", "attrs": {"align": side}, "children": [_text(cell)]}
            for cell, side in zip(cells, sides, strict=True)
        ]

    head = {"type": "table_head", "children": row(columns)}
    body = [{"type": "table_row", "children": row(cells)} for cells in rows]
    table = {"type": "table", "children": [head, {"type": "table_body", "children": body}]}
    return to_markdown((table,), attachments={}, outline=Outline())


def _text(words: str) -> Token:
    return {"type": "text", "raw": html.escape(words, quote=False)}


class _Plain(MarkdownRenderer):
    """The library's own writer, but for what anyone typed: that stays letters."""

    def __init__(self, *, attachments: Mapping[str, str], outline: Outline) -> None:
        super().__init__()
        self._attachments = attachments
        self._outline = outline

    def _around(self, mark: str, words: str) -> str:
        return f"{mark}{words.strip()}{mark}" if words.strip() else words

    def text(self, token: Token, state: BlockState) -> str:
        return escaped(unescape(token["raw"]), starts=False)

    def codespan(self, token: Token, state: BlockState) -> str:
        code = readable(token["raw"])
        if _NO_CODE.search(code):  # a template language would run it, a table end its cell
            return escaped(code, starts=False)
        return super().codespan({**token, "raw": code}, state)

    def softbreak(self, token: Token, state: BlockState) -> str:
        return " "

    def emphasis(self, token: Token, state: BlockState) -> str:
        return self._around("*", self.render_children(token, state))

    def strong(self, token: Token, state: BlockState) -> str:
        return self._around("**", self.render_children(token, state))

    def strikethrough(self, token: Token, state: BlockState) -> str:
        return self._around("~~", self.render_children(token, state))

    def subscript(self, token: Token, state: BlockState) -> str:
        return self.render_children(token, state)

    superscript = subscript

    def link(self, token: Token, state: BlockState) -> str:
        words, address = self.render_children(token, state), token["attrs"]["url"]
        return f"[{words}]({_address(address)})" if OUTWARD.fullmatch(address) else words

    def image(self, token: Token, state: BlockState) -> str:
        address = token["attrs"]["url"]
        alt = escaped(plain_text(token.get("children", ())), starts=False)
        file = self._attachments.get(unquote(address.removeprefix("attachment:")))
        if file and address.startswith("attachment:"):
            return f"![{alt}]({file})"
        return f"[{alt or 'picture'}]({_address(address)})" if OUTWARD.fullmatch(address) else alt

    def paragraph(self, token: Token, state: BlockState) -> str:
        return f"{_no_block(self.render_children(token, state))}\n\n"

    def block_text(self, token: Token, state: BlockState) -> str:
        return f"{_no_block(self.render_children(token, state))}\n"

    def heading(self, token: Token, state: BlockState) -> str:
        words = " ".join(self.render_children(token, state).split())
        depth = min(self._outline.depth(token["attrs"]["level"]) + 1, 6) if words else 0
        return f"{'#' * depth} {words}\n\n" if words else ""

    def block_code(self, token: Token, state: BlockState) -> str:
        code = readable(token["raw"]).rstrip()
        if _NO_CODE.search(code):
            lines = "  \n".join(escaped(line) or " " for line in code.split("\n"))
            return f"{lines}\n\n"
        return super().block_code({"type": "block_code", "raw": code}, state)

    def block_html(self, token: Token, state: BlockState) -> str:
        words = escaped(html.unescape(nh3.clean(token["raw"], tags=set())).strip())
        return f"{words}\n\n" if words else ""


def _address(address: str) -> str:
    return quote(address, safe=_IN_ADDRESSES).replace("&", "&amp;")


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
