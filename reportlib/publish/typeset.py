r"""Typst source in which no text that anyone typed can be code, and the PDF that is set from it.

Every word travels as a string literal, and only ``\`` and ``"`` mean anything in one; what
surrounds the literals is written here. The conventions of quoted facts, pictures and
headings are those of `prose`.

The document is PDF/A-3a and PDF/UA-1 by the maker's own enforcement: tagged, with alternative
texts, a language, embedded fonts, and the report's data attached. Fonts come from the wheel and
from matplotlib's own folder, never from the machine, and the date from the report, so that the
same notebook gives the same bytes. Two things make it give way, rather than fail, and no further
than they must:

- a report without a date cannot be PDF/A (an invented date would be false): PDF/UA-1 remains;
- letters that none of those fonts has (a name in Japanese) are looked for among the machine's
  fonts, and where it has none either, the PDF is made without the promise of the standards.
"""

import html
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

import nh3
from mistune.core import BaseRenderer, BlockState
from mistune.util import unescape

from reportlib.draw.press import pressed
from reportlib.errors import RenderError
from reportlib.publish.prose import (
    OUTWARD,
    WHOLE,
    Outline,
    Token,
    Tokens,
    is_fact,
    plain_text,
    readable,
    unbroken,
)
from reportlib.publish.publication import Publication, read_publication
from reportlib.session.lock import own_folder
from reportlib.session.parameters import Paper


class Source(str):
    """Typst source that this program wrote; any other text becomes a string literal."""

    __slots__ = ()


def typst_string(text: str) -> Source:
    r"""Return `text` as a typst string literal, which typst never reads as code.

    Examples
    --------
    >>> print(typst_string('#eval("1") $x$ \\'))
    "#eval(\"1\") $x$ \\"
    """
    escaped = readable(text).replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return Source(f'"{escaped}"')


def to_typst(
    tokens: Tokens,
    *,
    targets: Collection[str],
    attachments: Mapping[str, str],
    outline: Outline,
) -> Source:
    r"""Render parsed Markdown as typst markup in which every typed word is a string literal.

    Parameters
    ----------
    targets : labels that stand in the same document
    attachments : name of an attachment, and its file in the document's root
    outline : depths of the headings so far

    Examples
    --------
    >>> from reportlib.publish.prose import read_line
    >>> words = read_line("*Down* [−1.5 dB](#fact-mids)")
    >>> to_typst(words, targets=(), attachments={}, outline=Outline())
    '#emph[#"Down";];#" ";#box[#"−1.5\xa0dB";];'
    """
    renderer = _Print(targets=targets, attachments=attachments, outline=outline)
    return Source(renderer(tokens, BlockState()))


class _Print(BaseRenderer):
    """Typst markup. Each embedded expression ends in ``;`` so that nothing can follow it."""

    NAME = "typst"

    def __init__(
        self, *, targets: Collection[str], attachments: Mapping[str, str], outline: Outline
    ) -> None:
        super().__init__()
        self._targets = targets
        self._attachments = attachments
        self._outline = outline

    def _inside(self, token: Token) -> str:
        return self.render_tokens(token.get("children", ()), BlockState())

    def _call(self, function: str, token: Token) -> str:
        return f"#{function}[{self._inside(token)}];"

    def text(self, token: Token, _: BlockState) -> str:
        words = unbroken(unescape(token["raw"]))
        return f"#{typst_string(words)};"

    def codespan(self, token: Token, _: BlockState) -> str:
        return f"#raw({typst_string(token['raw'])});"

    def linebreak(self, token: Token, _: BlockState) -> str:
        return "#linebreak();"

    def softbreak(self, token: Token, _: BlockState) -> str:
        return '#" ";'

    def emphasis(self, token: Token, _: BlockState) -> str:
        return self._call("emph", token)

    def strong(self, token: Token, _: BlockState) -> str:
        return self._call("strong", token)

    def strikethrough(self, token: Token, _: BlockState) -> str:
        return self._call("strike", token)

    def subscript(self, token: Token, _: BlockState) -> str:
        return self._call("sub", token)

    def superscript(self, token: Token, _: BlockState) -> str:
        return self._call("super", token)

    def link(self, token: Token, _: BlockState) -> str:
        address = token["attrs"]["url"]
        whole = is_fact(address) and len(plain_text(token["children"])) <= WHOLE
        words = self._call("box", token) if whole else self._inside(token)
        if address.startswith("#") and unquote(address[1:]) in self._targets:
            return f"#link(label({typst_string(unquote(address[1:]))}))[{words}];"
        if OUTWARD.fullmatch(address):
            return f"#link({typst_string(address)})[{words}];"
        return words

    def image(self, token: Token, _: BlockState) -> str:
        address = token["attrs"]["url"]
        alt = plain_text(token.get("children", ()))
        file = self._attachments.get(unquote(address.removeprefix("attachment:")))
        if file and address.startswith("attachment:"):
            shown = typst_string(alt or "Picture without a description")
            return f"#box(image({typst_string(file)}, alt: {shown}));"
        if OUTWARD.fullmatch(address):
            return f"#link({typst_string(address)}, {typst_string(alt or address)});"
        return f"#{typst_string(alt)};"

    def paragraph(self, token: Token, _: BlockState) -> str:
        return f"{self._inside(token)}\n\n"

    def block_text(self, token: Token, _: BlockState) -> str:
        return self._inside(token)

    def heading(self, token: Token, _: BlockState) -> str:
        if not plain_text(token["children"]).strip():
            return ""
        depth = self._outline.depth(token["attrs"]["level"])
        return self._call(f"heading(level: {depth})", token) + "\n\n"

    def blank_line(self, token: Token, _: BlockState) -> str:
        return "\n\n"

    def thematic_break(self, token: Token, _: BlockState) -> str:
        return "#pdf.artifact(line(length: 100%, stroke: 0.5pt));\n\n"

    def block_code(self, token: Token, _: BlockState) -> str:
        return f"#raw({typst_string(token['raw'].rstrip())}, block: true);\n\n"

    def block_quote(self, token: Token, _: BlockState) -> str:
        return self._call("quote(block: true)", token) + "\n\n"

    def block_html(self, token: Token, _: BlockState) -> str:
        words = nh3.clean(token["raw"], tags=set())
        return f"#{typst_string(html.unescape(words).strip())};\n\n"

    def list(self, token: Token, state: BlockState) -> str:
        attrs = token["attrs"]
        start = f", start: {attrs.get('start', 1)}" if attrs["ordered"] else ""
        function = "enum" if attrs["ordered"] else "list"
        tight = "true" if token["tight"] else "false"
        return (
            f"#{function}(tight: {tight}{start}){self.render_tokens(token['children'], state)};\n\n"
        )

    def list_item(self, token: Token, _: BlockState) -> str:
        return f"[{self._inside(token)}]"

    def table(self, token: Token, state: BlockState) -> str:
        head, *rest = token["children"]
        sides = ", ".join(cell["attrs"]["align"] or "start" for cell in head["children"])
        rows = "".join(self.render_token(part, state) for part in rest)
        return (
            f"#table(columns: {len(head['children'])}, align: ({sides},), "
            f"table.header{self._cells(head)}){rows};\n\n"
        )

    def table_body(self, token: Token, _: BlockState) -> str:
        return "".join(self._cells(row) for row in token["children"])

    def _cells(self, row: Token) -> str:
        return "".join(f"[{self._inside(cell)}]" for cell in row["children"])


_NO_GLYPH = re.compile("could not be displayed|PDF contains the codepoint")


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
    from reportlib.publish.paper import ATTACHED, PAPERS_PT, TypstExporter

    if paper not in PAPERS_PT:
        raise RenderError(f"paper {paper!r} is not known; choose one of {', '.join(PAPERS_PT)}.")
    publication = publication or read_publication(nb)
    attached = {name: content for name, content in (data or {}).items() if name in ATTACHED}
    source, resources = TypstExporter(paper=paper).from_notebook_node(
        nb, resources={"publication": publication, "outputs": attached}
    )
    return ForPaper(source=source, files=resources["outputs"], dated=publication.date is not None)


def set_typst(source: str, *, files: Mapping[str, bytes], dated: bool) -> bytes:
    """Set typst source for paper.

    Parameters
    ----------
    source : in which everything that anyone typed is a string literal
    files : what it refers to, by name
    dated : whether the document carries a date, without which it can't be PDF/A

    Raises
    ------
    RenderError
        Typst refused the document; the line carries its reason.
    """
    standards = ["a-3a", "ua-1"] if dated else ["ua-1"]
    attempts = ((False, standards), (True, standards), (True, standards[:0]))
    with own_folder() as root:
        for name, data in files.items():
            (root / name).write_bytes(data)
        for machine_fonts, promised in attempts:
            try:
                return pressed(
                    source,
                    what="the PDF",
                    machine_fonts=machine_fonts,
                    root=str(root),
                    pdf_standards=promised,
                )
            except RenderError as error:
                if not (promised and _NO_GLYPH.search(str(error))):
                    raise
    raise AssertionError("the last attempt either returns or raises")
