"""HTML for a page out of Markdown that anyone may have written, safe by an allow-list.

Two walls stand behind each other: the renderer decides what a link and a picture become, and
nh3 then keeps plain elements with plain attributes and nothing else.
"""

import html
import re
from collections.abc import Mapping
from typing import Any
from urllib.parse import unquote

import nh3
from markupsafe import Markup
from mistune.core import BlockState
from mistune.renderers.html import HTMLRenderer
from mistune.util import striptags, unescape

from reportlib.publish.markup import (
    DROPPED_WHOLE,
    OUTWARD,
    WHOLE,
    Outline,
    Tokens,
    is_fact,
    unbroken,
)

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
    >>> from reportlib.publish.markup import read_prose
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
