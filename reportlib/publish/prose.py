"""Markdown that anyone may have written, parsed once; and HTML of it, safe by an allow-list.

Tokens are rendered here for a page, in `typeset` for print. Conventions of both:

- a *quoted fact* is an ordinary link, ``[−1.5 dB](#fact-short.mids.94.mean)``; it stays a link
  where its target stands in the same publication, else its text alone is left;
- pictures come from the cell's own attachments and from nowhere else; a picture that would
  have to be fetched becomes an ordinary link;
- headings never skip a level, whatever was typed;
- of raw HTML, a page keeps plain elements and print their words; scripts and styles go whole.

HTML for a page:

Two walls stand behind each other: the renderer decides what a link and a picture become, and
nh3 then keeps plain elements with plain attributes and nothing else.
"""

import html
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import unquote

import mistune
import nh3
from markupsafe import Markup
from mistune.core import BlockState
from mistune.plugins.formatting import strikethrough
from mistune.plugins.table import table
from mistune.plugins.url import url as bare_url
from mistune.renderers.html import HTMLRenderer
from mistune.util import striptags, unescape

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


_BESIDE = re.compile(r"(?![/ ])[^:\\?#\x00-\x1f\x7f]{1,500}")
"""A path below the report: nothing that a browser strips, or takes for a scheme or a host."""
_TAGS = (
    "a abbr b blockquote br code dd del details div dl dt em h2 h3 h4 h5 h6 hr i img kbd li ol p "
    "pre q s small span strong sub summary sup table tbody td th thead tr u ul var"
)


def to_html(
    tokens: Tokens,
    *,
    targets: Mapping[str, str],
    attachments: Mapping[str, str],
    outline: Outline,
    first_heading: int = 2,
) -> Markup:
    r"""Render parsed Markdown as HTML that holds nothing but plain elements.

    Parameters
    ----------
    targets : what may be linked to within the publication, and the id it has in this page
    attachments : name of an attachment, and its ``data:`` address
    outline : depths of the headings so far
    first_heading : the heading element of depth 1, e.g. 2 for ``h2``

    Examples
    --------
    >>> from reportlib.publish.prose import read_prose
    >>> to_html(
    ...     read_prose("It lost [−1.5 dB](#fact-mids)<script>alert(1)</script>."),
    ...     targets={"fact-mids": "fact-mids"}, attachments={}, outline=Outline(),
    ... )
    Markup('<p>It lost <a href="#fact-mids" class="fact">−1.5&nbsp;dB</a>.</p>\n')
    """
    renderer = _Page(targets=targets, outline=outline, first_heading=first_heading)

    def kept(element: str, attribute: str, value: str) -> str | None:  # noqa: PLR0917 — nh3's order
        if (element, attribute) == ("a", "href"):
            if not value.startswith("#"):
                return value if _may_link(value) else None
            target = targets.get(unquote(value[1:]))
            return None if target is None else f"#{target}"
        if attribute == "src":
            return attachments.get(unquote(value.removeprefix("attachment:")))
        return value

    return Markup(  # cleaned by the allow-list right here
        nh3.clean(
            renderer(tokens, BlockState()),
            tags=set(_TAGS.split()),
            clean_content_tags=set(DROPPED_WHOLE.split()),
            attributes={
                "a": {"href", "title"},
                "abbr": {"title"},
                "div": {"aria-label"},
                "img": {"src", "alt", "title"},
                "ol": {"start"},
            },
            tag_attribute_values={
                "details": {"open": {"", "open"}},
                "div": {"role": {"group"}, "tabindex": {"0"}},
                "th": {"scope": {"col"}},
            },
            allowed_classes={
                "a": {"fact"},
                "div": {"scroll"},
                "span": {"fact"},
                "td": {"center", "number"},
                "th": {"center", "number"},
            },
            attribute_filter=kept,
            url_schemes={"http", "https", "mailto", "attachment"},
            link_rel=None,
        )
    )


def _may_link(address: str) -> bool:
    """Whether a link may lead there, as Markdown typed it or as raw HTML did."""
    return bool(OUTWARD.fullmatch(address) or _BESIDE.fullmatch(unquote(address)))


class _Page(HTMLRenderer):
    """HTML for the allow-list to go over; decides what a link and a picture become."""

    def __init__(self, *, targets: Mapping[str, str], outline: Outline, first_heading: int) -> None:
        super().__init__(escape=False)
        self._targets = targets
        self._outline = outline
        self._shift = first_heading - 1

    def heading(self, text: str, level: int, **_: Any) -> str:
        if not text.strip():
            return ""
        rank = min(self._outline.depth(level) + self._shift, 6)
        return f"<h{rank}>{text}</h{rank}>\n"

    def text(self, text: str) -> str:
        return super().text(unbroken(text))

    def link(self, text: str, url: str, title: str | None = None) -> str:  # noqa: PLR0917
        if url.startswith("#"):
            style = ' class="fact"' if is_fact(url) and len(text) <= WHOLE else ""
            if unquote(url[1:]) in self._targets:
                return f'<a href="{html.escape(url)}"{style}>{text}</a>'
            return f"<span{style}>{text}</span>"
        return super().link(text, url, title) if _may_link(url) else text

    def image(self, text: str, url: str, title: str | None = None) -> str:  # noqa: PLR0917
        alt = html.escape(unescape(striptags(text)))
        if url.startswith("attachment:"):
            return f'<img src="{html.escape(url)}" alt="{alt}">'
        if OUTWARD.fullmatch(url):
            return f'<a href="{html.escape(url)}">{alt or html.escape(url)}</a>'
        return alt

    def strikethrough(self, text: str) -> str:
        return f"<del>{text}</del>"

    def subscript(self, text: str) -> str:
        return f"<sub>{text}</sub>"

    def superscript(self, text: str) -> str:
        return f"<sup>{text}</sup>"

    def block_code(self, code: str, info: str | None = None) -> str:
        return f"<pre><code>{html.escape(code)}</code></pre>\n"

    def table(self, text: str) -> str:
        return (
            '<div class="scroll" role="group" tabindex="0" aria-label="Table">'
            f"<table>{text}</table></div>\n"
        )

    def table_head(self, text: str) -> str:
        return f"<thead><tr>{text}</tr></thead>"

    def table_body(self, text: str) -> str:
        return f"<tbody>{text}</tbody>"

    def table_row(self, text: str) -> str:
        return f"<tr>{text}</tr>"

    def table_cell(self, text: str, *, align: str | None = None, head: bool = False) -> str:
        style = {"right": ' class="number"', "center": ' class="center"'}.get(align or "", "")
        return f'<th scope="col"{style}>{text}</th>' if head else f"<td{style}>{text}</td>"
