"""The nbconvert exporters for HTML: a page, and a section for somebody else's page.

Each lays the records of a `Publication` out for its templates under ``templates/``, which
only place them, and escape whatever is no `Markup`. Importing this costs nbconvert's import,
so `outputs` does it only when something is made.
"""

import base64
import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any, Self

from jinja2 import Environment
from markupsafe import Markup
from nbconvert.exporters.templateexporter import TemplateExporter
from nbformat import from_dict
from traitlets import List, default

from reportlib.numbers import day_text, slug
from reportlib.publish.prose import Outline, to_html, unbroken
from reportlib.publish.publication import (
    Figure,
    PageBlock,
    Prose,
    Publication,
    anchors_of,
    as_data,
    long_columns,
    policy,
    read_publication,
    scripts_for,
    sides_of,
    too_wide_for_a_phone,
)
from reportlib.publish.svg import Drawing
from reportlib.session.files import templates_folder
from reportlib.write.shown import LADDER, SeatCalculator, Table

_DECLARATION = re.compile(r"([\w-]+\s*:\s*[^;{}]+?)(?=\s*[;}])")


class _LaidOut(dict[str, Any]):
    """What a template places, and nothing changes: nbconvert copies all that it is handed."""

    def __deepcopy__(self, _: object) -> Self:
        return self


class ReportExporter(TemplateExporter):
    """What all of them have in common: our templates, nothing else's preprocessors."""

    default_preprocessors: Any = List([])

    def __init__(self, config: Any = None, **kw: Any) -> None:
        super().__init__(config, **kw)  # type: ignore[no-untyped-call]

    @default("extra_template_basedirs")
    def _our_templates(self) -> list[str]:
        return [str(templates_folder())]

    def from_notebook_node(  # type: ignore[override]  # as nbconvert's own, which returns text
        self, nb: Mapping[str, Any], resources: dict[str, Any] | None = None, **kw: Any
    ) -> tuple[str, dict[str, Any]]:
        """Return the finished text; `resources` may carry the publication, read already."""
        resources = dict(resources or {})
        publication = resources.get("publication") or read_publication(nb)
        outputs = resources.setdefault("outputs", {})
        resources["report"] = _LaidOut(self.laid_out(publication, outputs=outputs))
        # the records carry all that is shown: nbconvert need not copy the notebook's outputs
        bare = from_dict({**nb, "cells": []})
        return super().from_notebook_node(bare, resources, **kw)

    def laid_out(self, publication: Publication, *, outputs: dict[str, bytes]) -> dict[str, Any]:
        """Return what the template places; files that the text refers to go into `outputs`."""
        raise NotImplementedError


class PageExporter(ReportExporter):
    """One self-contained HTML page: no network, and of scripts only our own."""

    file_extension = ".html"
    output_mimetype = "text/html"
    first_heading = 2
    live = True
    """Whether scripts of our own come with it, and what only they can show."""

    @default("template_name")
    def _our_template(self) -> str:
        return "report"

    def _create_environment(self) -> Environment:
        environment: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        environment.autoescape = True
        return environment

    def id_prefix(self, publication: Publication) -> str:
        """Return what every id of the page starts with."""
        return ""

    def laid_out(self, publication: Publication, *, outputs: dict[str, bytes]) -> dict[str, Any]:
        """Return the fields of ``index.html.j2``."""
        prefix = self.id_prefix(publication)
        targets = {name: prefix + name for name in publication.targets}
        outline = Outline()
        verdict = to_html(publication.verdict, targets=targets, attachments={}, outline=outline)
        day = publication.date
        shown = self.shown(publication)
        blocks = [
            self._placed(block, prefix=prefix, targets=targets, outline=outline) for block in shown
        ]
        opening = opens_with(shown)
        return {
            "about": publication,
            "prefix": prefix,
            "verdict": verdict,
            "days": [] if day is None else [{"iso": day.isoformat(), "words": day_text(day)}],
            **self._live(publication),
            "opening": blocks[:opening],
            "blocks": blocks[opening:],
            "contents": [
                {"to": f"#{prefix}{one.slot}", "words": one.title}
                for one in shown[opening:]
                if isinstance(one, Prose) and one.slot and one.title
            ],
        }

    def shown(self, publication: Publication) -> Sequence[PageBlock]:
        """Return the blocks that are laid out."""
        return publication.page_blocks if self.live else publication.blocks

    def _live(self, publication: Publication) -> dict[str, Any]:
        """Return the scripts that the page's blocks need, and the policy that lets in no other."""
        needed = scripts_for(self.shown(publication)) if self.live else []
        return {"scripts": needed, "policy": policy(needed)}

    def _placed(
        self, block: PageBlock, *, prefix: str, targets: Mapping[str, str], outline: Outline
    ) -> dict[str, Any]:
        match block:
            case Prose():
                tokens = block.tokens[1:] if block.folded else block.tokens
                body = to_html(
                    tokens,
                    targets=targets,
                    attachments={
                        name: f"data:{mime};base64,{base64.b64encode(data).decode('ascii')}"
                        for name, (mime, data) in block.attachments.items()
                    },
                    outline=outline,
                    first_heading=self.first_heading,
                )
                slot = {"id": prefix + block.slot} if block.slot else {}
                return {
                    "template": "folded-prose.html.j2" if block.folded else "prose.html.j2",
                    "attributes": slot,
                    "title": block.title,
                    "body": body,
                }
            case Figure(picture=picture):
                name = f"{prefix}figure-{picture.name}"
                return {
                    "template": "folded-figure.html.j2" if block.folded else "figure.html.j2",
                    "id": name,
                    "folded_id": f"{prefix}fold-{picture.name}",
                    "summary": unbroken(in_a_line(picture.caption)),
                    "drawing": self._drawn(block, block.drawing, name=name),
                    "for_phone": []
                    if block.for_phone is None
                    else [self._drawn(block, block.for_phone, name=f"{name}-phone")],
                    "alt": picture.alt,
                    "caption": unbroken(picture.caption),
                    "width_px": f"{picture.width_px:g}",
                    "height_px": f"{picture.height_px:g}",
                    "data": [as_data(picture.read_out)]
                    if self.live and picture.read_out is not None
                    else [],
                }
            case Table():
                long = long_columns(block)
                sides = [
                    f"{side} long" if index in long else side
                    for index, side in enumerate(sides_of(block))
                ]
                columns = list(zip(block.columns, sides, strict=True))
                return {
                    "template": "folded.html.j2" if block.folded else "table.html.j2",
                    "id": f"{prefix}table-{block.name}",
                    "caption": unbroken(block.caption),
                    "summary": unbroken(in_a_line(block.caption)),
                    "narrow": "stacks" if too_wide_for_a_phone(block) else "fits",
                    "columns": columns,
                    "rows": [
                        _row(cells, anchors=anchors.split(), prefix=prefix, columns=columns)
                        for cells, anchors in zip(block.rows, anchors_of(block), strict=True)
                    ],
                }
            case SeatCalculator():
                return {
                    "template": "calculator.html.j2",
                    "id": f"{prefix}calculator",
                    "seat": block,
                    "data": as_data(block),
                }

    def _drawn(self, block: Figure, drawing: Drawing, *, name: str) -> Markup:
        """Return what the template places for a drawing: here the drawing itself."""
        return Markup(drawing.inline(prefix=f"{name}-", alt=block.picture.alt))


class SectionExporter(PageExporter):
    """The same without a page around it, to paste into a site with styles of its own.

    Drawings travel as pictures inside it, where no rule of the site reaches their lines.
    """

    first_heading = 3
    live = False

    def from_notebook_node(  # type: ignore[override]  # as nbconvert's own, which returns text
        self, nb: Mapping[str, Any], resources: dict[str, Any] | None = None, **kw: Any
    ) -> tuple[str, dict[str, Any]]:
        """Return the section without an empty line, which would end it in a Markdown file."""
        text, resources = super().from_notebook_node(nb, resources, **kw)
        return _without_empty_lines(text), resources

    @default("template_name")
    def _our_template(self) -> str:
        return "section"

    def _create_environment(self) -> Environment:
        environment = super()._create_environment()
        environment.filters["sturdy"] = sturdy
        return environment

    def _drawn(self, block: Figure, drawing: Drawing, *, name: str) -> Markup:
        _, _, width_px, height_px = map(float, drawing.view_box.replace(",", " ").split())
        svg = drawing.standalone(width_px=width_px, height_px=height_px)
        return Markup(f"data:image/svg+xml;base64,{base64.b64encode(svg).decode('ascii')}")

    def id_prefix(self, publication: Publication) -> str:
        """Return a prefix that two reports on one page do not share."""
        plain = unicodedata.normalize("NFKD", publication.title).encode("ascii", "ignore").decode()
        name = slug(plain)[:40]
        return f"upheld-{name}-" if name else "upheld-"


def in_a_line(caption: str) -> str:
    """Return what a fold says of itself: a caption's first clause.

    >>> in_a_line("Is it loud enough? At 2.5 m, or farther.")
    'Is it loud enough?'
    >>> in_a_line("The coil, from voltage and current.")
    'The coil'
    """
    return re.split(r"(?<=\?)\s|[,.:;](?=\s|$)", caption.strip(), maxsplit=1)[0]


def opens_with(blocks: Sequence[PageBlock]) -> int:
    """Return how many blocks the first screen holds: the opening words, and the ladder if next."""
    words = next((at for at, one in enumerate(blocks) if not isinstance(one, Prose)), len(blocks))
    following = blocks[words] if words < len(blocks) else None
    if words and isinstance(following, Figure) and following.picture.name == LADDER:
        return words + 1
    return min(words, 1)


def _row(
    cells: tuple[str, ...], *, anchors: list[str], prefix: str, columns: list[tuple[str, str]]
) -> dict[str, Any]:
    """The first anchor is the row's own id; any further ones stand in its first cell."""
    return {
        "attributes": {"id": prefix + anchors[0]} if anchors else {},
        "further": [prefix + anchor for anchor in anchors[1:]],
        "first": cells[0],
        "first_side": columns[0][1],
        "rest": [
            (words, side, column)
            for words, (column, side) in zip(cells[1:], columns[1:], strict=True)
        ],
    }


def sturdy(css: str) -> str:
    r"""Make a style sheet hold against a site's own rules, whatever their weight.

    Every selector outweighs three ids, every declaration is important, and names of the
    report's own properties are nobody else's.

    Examples
    --------
    >>> print(sturdy("/* ink */ .upheld-report p { color: var(--ink); }"))
     .upheld-report:not(#_#_#_) p { color: var(--upheld-ink) !important; }
    """
    bare = re.sub(r"/\*.*?\*/", "", str(css), flags=re.DOTALL)
    own = re.sub(r"--(?=[a-z])", "--upheld-", bare)
    heavy = own.replace(".upheld-report", ".upheld-report:not(#_#_#_)")
    return Markup(_DECLARATION.sub(r"\1 !important", heavy))


def _without_empty_lines(text: str) -> str:
    """Return HTML in which no line is empty: inside ``pre`` line ends become references."""
    parts = re.split(r"(<pre>.*?</pre>)", text, flags=re.DOTALL)
    parts[1::2] = [part.replace("\n", "&#10;") for part in parts[1::2]]
    parts[::2] = [re.sub(r"\n\s*\n", "\n", part) for part in parts[::2]]
    return "".join(parts)
