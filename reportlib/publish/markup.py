"""Markdown that anyone may have written, parsed once.

`hypertext` renders the tokens for a page, `typeset` for print. Conventions of both:

- a *quoted fact* is an ordinary link, ``[−1.5 dB](#fact-short.mids.94.mean)``; it stays a link
  where its target stands in the same publication, else its text alone is left;
- pictures come from the cell's own attachments and from nowhere else; a picture that would
  have to be fetched becomes an ordinary link;
- headings never skip a level, whatever was typed;
- of raw HTML, a page keeps plain elements and print their words; scripts and styles go whole.
"""

import re
from collections.abc import Iterable, Sequence
from typing import Any

import mistune
from mistune.plugins.formatting import strikethrough
from mistune.plugins.table import table
from mistune.plugins.url import url as bare_url
from mistune.util import unescape

Token = dict[str, Any]
Tokens = tuple[Token, ...]
"""Parsed Markdown: the nested tokens that mistune makes."""

_UNREADABLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ue000-\uf8ff\ufdd0-\ufdef\ufffe\uffff]"
    "|[\U000f0000-\U0010ffff]"
)
OUTWARD = re.compile(r"(?:https?://|mailto:)[^\s\\]{1,2000}", re.IGNORECASE)

_BEFORE_UNIT = re.compile(
    r"(?<=±) (?=\d)|(?<=\d) (?=(?:dB[AC]?|Hz|kHz|cm|m|ms|s|min|h|W|V|K|J|dBFS)\b|[%Ω]|m³)"
)
"""The blank between a number and its unit, or its interval's sign, where no line may break."""

WHOLE = 28
"""A quoted fact of at most so many characters is never broken across lines."""

DROPPED_WHOLE = "script style iframe object embed template noscript svg math title textarea select"
_DROPPED = re.compile(
    rf"<({DROPPED_WHOLE.replace(' ', '|')})\b(?:.*?</\1\s*>|[^>]*>?)", re.DOTALL | re.IGNORECASE
)
_RAW_TAG = re.compile(r"<(/?)([a-z][a-z0-9]*)\b", re.IGNORECASE)
_RAW_HEADING = re.compile(r"\s*<h([1-6])\b[^>]*>([^<]*)</h\1>\s*", re.IGNORECASE)
_RAW_FORMS = {
    "a": "link",
    "b": "strong",
    "strong": "strong",
    "i": "emphasis",
    "em": "emphasis",
    "s": "strikethrough",
    "del": "strikethrough",
    "sub": "subscript",
    "sup": "superscript",
}


def unbroken(text: str) -> str:
    """Return `text` with no-break spaces between numbers and their units."""
    return _BEFORE_UNIT.sub("\u00a0", text)


def readable(text: str) -> str:
    r"""Replace what no reader can see (control, surrogate, private use) by U+FFFD.

    Examples
    --------
    >>> readable("a\x00b\r\nc")
    'a�b\nc'
    """
    return _UNREADABLE.sub("\ufffd", text.replace("\r\n", "\n").replace("\r", "\n"))


def read_prose(text: str) -> Tokens:
    """Parse a Markdown cell: CommonMark with tables, ~~struck~~ words and bare addresses."""
    markdown = mistune.Markdown(plugins=[table, strikethrough, bare_url])
    return tuple(_settled(markdown.parse(readable(text))[0]))  # type: ignore[arg-type]


def read_line(text: str) -> Tokens:
    """Parse one sentence: emphasis and links, no headings, lists or paragraphs."""
    markdown = mistune.Markdown(plugins=[strikethrough])
    return tuple(_settled(markdown.inline(" ".join(readable(text).split()), {"ref_links": {}})))


def plain_text(tokens: Iterable[Token]) -> str:
    """Return the words of parsed Markdown without their form."""
    return "".join(
        unescape(token.get("raw", ""))
        if token["type"] in ("text", "codespan")
        else plain_text(token.get("children", ()))
        for token in tokens
    )


def _settled(tokens: Sequence[Token]) -> list[Token]:
    """Turn raw tags into tokens of their own, or drop them, so that all renderers agree."""
    settled: list[Token] = []
    position = 0
    while position < len(tokens):
        token = tokens[position]
        if "children" in token:
            settled.append({**token, "children": _settled(token["children"])})
        elif token["type"] == "block_html":
            settled.append(_block(_DROPPED.sub("", token["raw"])))
        elif token["type"] != "inline_html":
            settled.append(token)
        else:
            name = _tag_name(token, closing=False)
            end = _closing(tokens, name, start=position + 1)
            if name == "br":
                settled.append({"type": "linebreak"})
            elif name == "img":
                settled.append(_image(token["raw"]))
            elif end and name in _RAW_FORMS:
                inside = _settled(tokens[position + 1 : end])
                link = {"attrs": {"url": _attribute(token["raw"], "href")}} if name == "a" else {}
                settled.append({"type": _RAW_FORMS[name], "children": inside} | link)
                position = end
            elif end and name in DROPPED_WHOLE.split():
                position = end
        position += 1
    return settled


def _block(raw: str) -> Token:
    """Return a lone raw picture or heading as what it is; other blocks lose their headings."""
    if re.fullmatch(r"\s*<img\b[^>]*>\s*", raw, re.IGNORECASE):
        return {"type": "paragraph", "children": [_image(raw)]}
    if heading := _RAW_HEADING.fullmatch(raw):
        words = {"type": "text", "raw": heading[2].strip()}
        return {"type": "heading", "attrs": {"level": int(heading[1])}, "children": [words]}
    return {"type": "block_html", "raw": re.sub(r"</?h[1-6]\b[^>]*>", "", raw, flags=re.IGNORECASE)}


def _image(raw: str) -> Token:
    alt = {"type": "text", "raw": _attribute(raw, "alt")}
    return {"type": "image", "children": [alt], "attrs": {"url": _attribute(raw, "src")}}


def _attribute(raw: str, name: str) -> str:
    match = re.search(
        rf"\s{name}\s*=\s*(?:\"([^\"]*)\"|'([^']*)'|([^\s>\"']+))", raw, re.IGNORECASE
    )
    return unescape(next(filter(None, match.groups()), "")) if match else ""


def _tag_name(token: Token, *, closing: bool) -> str:
    match = _RAW_TAG.match(token["raw"]) if token["type"] == "inline_html" else None
    return match[2].lower() if match and bool(match[1]) == closing else ""


def _closing(tokens: Sequence[Token], name: str, *, start: int) -> int:
    """Return where the raw tag `name` closes, or 0."""
    if not name:
        return 0
    places = range(start, len(tokens))
    return next((at for at in places if _tag_name(tokens[at], closing=True) == name), 0)


def is_fact(url: str) -> bool:
    """Whether a link quotes a fact."""
    return url.startswith("#fact-")


class Outline:
    """Gives each heading of a publication its depth: 1, 2, 3 … without a skip.

    Narrative headings start at ``##``, which is depth 1; a lone ``#`` counts as one, too.
    """

    def __init__(self) -> None:
        self._last = 0

    def depth(self, level: int) -> int:
        """Return the depth of the next heading, typed with `level` number signs."""
        self._last = min(max(level - 1, 1), self._last + 1)
        return self._last
