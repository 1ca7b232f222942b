r"""Plain Markdown out of parsed Markdown, in which no text that anyone typed can be code.

For static-site generators: their Markdown readers differ and their template languages
(``{{ … }}``, ``{% … %}``) run first, so what could mean anything to either is written as a
character reference or with a backslash that all of them know. CommonMark 0.31; tables and
struck words as most readers' extensions have them.
"""

import html
import re
from collections.abc import Iterable, Mapping
from textwrap import indent
from typing import Any
from urllib.parse import quote, unquote

import nh3
from mistune.core import BaseRenderer, BlockState
from mistune.util import unescape

from reportlib.publish.markup import OUTWARD, Outline, Token, Tokens, plain_text, readable

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
    line = " ".join(readable(text).split("\n"))
    signs = line.translate(_SIGNS)
    opened = _OPENS_A_BLOCK.match(signs.lstrip()) if starts else None
    if opened is None:
        return Written(signs.lstrip() if starts else signs)
    digits = len(opened[1] or "")
    return Written(f"{signs.lstrip()[:digits]}\\{signs.lstrip()[digits:]}")


def to_markdown(tokens: Tokens, *, attachments: Mapping[str, str], outline: Outline) -> Written:
    r"""Render parsed Markdown as Markdown that says the same wherever it is read.

    Parameters
    ----------
    tokens : of a cell, from `markup.read_prose`
    attachments : name of an attachment, and its file beside the document
    outline : depths of the headings so far

    Examples
    --------
    >>> from reportlib.publish.markup import read_prose
    >>> tokens = read_prose("It *lost* [−1.5 dB](#fact-mids)<script>alert(1)</script>.")
    >>> to_markdown(tokens, attachments={}, outline=Outline())
    'It *lost* −1.5 dB.'
    """
    renderer = _Plain(attachments=attachments, outline=outline)
    return Written(renderer.blocks(tokens))


def line_markdown(tokens: Tokens) -> Written:
    """Render a parsed sentence (`markup.read_line`); see `to_markdown`."""
    return Written(_Plain(attachments={}, outline=Outline()).line(tokens))


class _Plain(BaseRenderer):
    """Blocks without their line end; what separates them is `blocks`' affair."""

    NAME = "markdown"

    def __init__(self, *, attachments: Mapping[str, str], outline: Outline) -> None:
        super().__init__()
        self._attachments = attachments
        self._outline = outline

    def blocks(self, tokens: Tokens, *, between: str = "\n\n") -> str:
        parts = (self.render_token(token, BlockState()).rstrip() for token in tokens)
        return between.join(part for part in parts if part.strip())

    def _inside(self, token: Token) -> str:
        return self.line(token.get("children", ()))

    def line(self, tokens: Iterable[Token]) -> str:
        """Return a line's worth of inline parts, safe at its start."""
        line = ""
        for child in tokens:
            if child["type"] == "text":
                starts = not line.strip() or line.endswith("\n")
                line += escaped(unescape(child["raw"]), starts=starts)
            else:
                line += self.render_token(child, BlockState())
        return line

    def _around(self, mark: str, token: Token) -> str:
        words = self._inside(token)
        return f"{mark}{words.strip()}{mark}" if words.strip() else words

    def text(self, token: Token, _: BlockState) -> str:
        return escaped(unescape(token["raw"]))

    def codespan(self, token: Token, _: BlockState) -> str:
        code = readable(token["raw"])
        if _NO_CODE.search(code):  # a template language would run it, a table end its cell
            return escaped(code)
        fence = "`" * (max(map(len, re.findall("`+", code)), default=0) + 1)
        return f"{fence} {code} {fence}" if "`" in code else f"{fence}{code}{fence}"

    def linebreak(self, token: Token, _: BlockState) -> str:
        return "\\\n"

    def softbreak(self, token: Token, _: BlockState) -> str:
        return " "

    def emphasis(self, token: Token, _: BlockState) -> str:
        return self._around("*", token)

    def strong(self, token: Token, _: BlockState) -> str:
        return self._around("**", token)

    def strikethrough(self, token: Token, _: BlockState) -> str:
        return self._around("~~", token)

    def subscript(self, token: Token, _: BlockState) -> str:
        return self._inside(token)

    superscript = subscript

    def link(self, token: Token, _: BlockState) -> str:
        words, address = self._inside(token), token["attrs"]["url"]
        return f"[{words}]({_address(address)})" if OUTWARD.fullmatch(address) else words

    def image(self, token: Token, _: BlockState) -> str:
        address = token["attrs"]["url"]
        alt = escaped(plain_text(token.get("children", ())))
        file = self._attachments.get(unquote(address.removeprefix("attachment:")))
        if file and address.startswith("attachment:"):
            return f"![{alt}]({file})"
        return f"[{alt or 'picture'}]({_address(address)})" if OUTWARD.fullmatch(address) else alt

    def paragraph(self, token: Token, _: BlockState) -> str:
        return self._inside(token)

    block_text = paragraph

    def heading(self, token: Token, _: BlockState) -> str:
        words = self._inside(token).replace("\\\n", " ")
        if not words.strip():
            return ""
        return f"{'#' * min(self._outline.depth(token['attrs']['level']) + 1, 6)} {words}"

    def blank_line(self, token: Token, _: BlockState) -> str:
        return ""

    def thematic_break(self, token: Token, _: BlockState) -> str:
        return "* * *"

    def block_code(self, token: Token, _: BlockState) -> str:
        code = readable(token["raw"]).rstrip()
        if _NO_CODE.search(code):
            return "\\\n".join(escaped(line) or " " for line in code.split("\n"))
        fence = "`" * max(3, max(map(len, re.findall("`+", code)), default=0) + 1)
        return f"{fence}\n{code}\n{fence}"

    def block_quote(self, token: Token, _: BlockState) -> str:
        return indent(self.blocks(token["children"]), "> ", lambda _: True)

    def block_html(self, token: Token, _: BlockState) -> str:
        return escaped(html.unescape(nh3.clean(token["raw"], tags=set())).strip())

    def list(self, token: Token, _: BlockState) -> str:
        attrs, items = token["attrs"], []
        between = "\n" if token["tight"] else "\n\n"
        for number, item in enumerate(token["children"], start=attrs.get("start", 1)):
            mark = f"{number}. " if attrs["ordered"] else "- "
            body = self.blocks(item["children"], between=between)
            items.append(mark + indent(body, " " * len(mark)).lstrip(" "))
        return between.join(items)

    def table(self, token: Token, _: BlockState) -> str:
        head, *bodies = token["children"]
        sides = [cell["attrs"]["align"] or "" for cell in head["children"]]
        rows = [row["children"] for body in bodies for row in body["children"]]
        return table_markdown(
            [Written(self._inside(cell)) for cell in head["children"]],
            rows=[[Written(self._inside(cell)) for cell in row] for row in rows],
            sides=sides,
        )


def table_markdown(columns: list[Written], *, rows: list[list[Written]], sides: list[str]) -> str:
    """Return a table with bars; `sides` are ``"right"``, ``"center"``, ``"left"`` or empty."""
    rules = {"right": "---:", "center": ":---:", "left": ":---"}
    lines: list[list[Any]] = [columns, [rules.get(side, "---") for side in sides], *rows]
    return "\n".join(
        f"| {' | '.join(cell.replace(chr(92) + chr(10), ' ') for cell in line)} |" for line in lines
    )


def _address(address: str) -> str:
    return quote(address, safe=_IN_ADDRESSES).replace("&", "&amp;")
