"""What of an executed notebook its readers see, as frozen records.

Page, section and PDF are all made from one `Publication`, so that they cannot disagree about
what is shown: Markdown cells, and the pictures and tables that code cells carry in their own
MIME bundles (`shown`). Code, streams, errors, foreign HTML and cells tagged ``notebook-only``
stay in the notebook.

What is live in the page:

A script is part of the page, so that it works from disk and without a network. The policy names
each by the digest of its text: a script that anyone else got into the page would not run.
"""

import base64
import binascii
import datetime
import hashlib
import math
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from io import BytesIO
from typing import Any, Self

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup

from reportlib.errors import NotebookError
from reportlib.publish.prose import Tokens, plain_text, read_line, read_prose, readable
from reportlib.publish.svg import Drawing, fits_a_page, read_drawing
from reportlib.session.files import templates_folder
from reportlib.write.shown import (
    CALCULATOR_MIME,
    LADDER,
    PICTURE_MIME,
    TABLE_MIME,
    Picture,
    ReadOut,
    SeatCalculator,
    Table,
)

UNSEEN_TAGS = frozenset(
    ("notebook-only", "parameters", "injected-parameters", "papermill-error-cell-tag")
)
FOLDS = "folds"
"""Tag of a Markdown cell: what stands behind it is folded, a line each to open; on paper and in
plain texts it stands open where it is. What has been shown before is not folded away again."""
_DAMAGED = (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError)
"""What reading a bundle stops with where anything may stand in it."""
_ATTACHMENT_FORMATS = {"image/png": "PNG", "image/jpeg": "JPEG"}


@dataclass(frozen=True, kw_only=True)
class Prose:
    """A Markdown cell. `slot` is empty where the cell is the reviewer's own.

    `title` is its section's, without form, where it begins with a heading; what stands behind a
    cell that `folds` is folded.
    """

    tokens: Tokens
    slot: str
    title: str = ""
    attachments: Mapping[str, tuple[str, bytes]]
    """MIME type and bytes by name: PNG and JPEG pictures that can be read."""
    folded: bool = False
    folds: bool = False


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A picture and its drawing, made harmless; and the one for phones, where there is one."""

    picture: Picture
    drawing: Drawing
    for_phone: Drawing | None = None
    folded: bool = False


Block = Prose | Figure | Table
PageBlock = Block | SeatCalculator
"""What stands in the page alone is live: paper and pasted sections do without it."""


@dataclass(frozen=True, kw_only=True)
class Publication:
    """Everything that a page or a PDF shows, in order.

    `page_blocks` is what the page shows, `blocks` what all the others do.
    """

    title: str
    kind: str
    date: datetime.date | None
    verdict: Tokens
    description: str
    colophon: str
    language: str
    tool_version: str
    page_blocks: tuple[PageBlock, ...]

    def __deepcopy__(self, _: object) -> Self:
        """Return itself: it is frozen, and nbconvert copies all that it is handed."""
        return self

    @property
    def ladder(self) -> Figure | None:
        """The level ladder, if there is one."""
        figures = (block for block in self.blocks if isinstance(block, Figure))
        return next((figure for figure in figures if figure.picture.name == LADDER), None)

    @property
    def blocks(self) -> tuple[Block, ...]:
        """What is shown wherever the report is published."""
        return tuple(one for one in self.page_blocks if not isinstance(one, SeatCalculator))

    @property
    def targets(self) -> tuple[str, ...]:
        """What a link within the publication may point to, each once."""
        names: list[str] = []
        for block in self.blocks:
            match block:
                case Prose():
                    names += block.slot.split()
                case Figure():
                    names.append(f"figure-{block.picture.name}")
                case Table():
                    names += [f"table-{block.name}", *" ".join(block.anchors).split()]
        return tuple(names)


def read_publication(nb: Mapping[str, Any]) -> Publication:
    """Read what is shown out of an executed notebook (nbformat 4.5, in memory).

    Raises
    ------
    NotebookError
        The notebook is no report, or a bundle in it is damaged.
    RenderError
        A drawing in it cannot be read.
    """
    about = nb["metadata"].get("upheld")
    if not isinstance(about, Mapping) or about.get("format") != 1:
        found = about.get("format") if isinstance(about, Mapping) else "nothing"
        raise NotebookError(
            f"the notebook's metadata 'upheld' should say format 1, but says {found!r}. "
            "Make the notebook with 'upheld report' of this version."
        )
    language = _text(about, "language", default="en")
    if not _text(about, "title"):
        raise NotebookError("the notebook's metadata 'upheld': 'title' is empty.")
    return Publication(
        title=_text(about, "title"),
        kind=_text(about, "kind"),
        date=_date(about.get("date")),
        verdict=read_line(_text(about, "verdict")),
        description=_text(about, "description", default=""),
        colophon=_text(about, "colophon", default=""),
        language=language if re.fullmatch(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*", language) else "en",
        tool_version=_text(about, "tool_version"),
        page_blocks=tuple(_named_once(_blocks(nb["cells"]))),
    )


def _text(about: Mapping[str, Any], key: str, *, default: str | None = None) -> str:
    value = about.get(key, default)
    if not isinstance(value, str):
        raise NotebookError(
            f"the notebook's metadata 'upheld': {key!r} should be text, but is {value!r}. "
            "Run 'upheld report' again."
        )
    return " ".join(readable(value).split())


def _date(value: object) -> datetime.date | None:
    if value is None:
        return None
    try:
        return datetime.date.fromisoformat(str(value))
    except ValueError as error:
        raise NotebookError(
            f"the notebook's metadata 'upheld': 'date' should read like 2026-05-04, "
            f"but is {value!r}."
        ) from error


def _blocks(cells: list[Mapping[str, Any]]) -> Iterator[PageBlock]:
    folds = False
    for number, cell in enumerate(cells, start=1):
        tags = cell["metadata"].get("tags", ())
        if UNSEEN_TAGS.intersection(tags):
            continue
        if cell["cell_type"] == "markdown":
            tokens = read_prose(_whole(cell["source"]).lstrip("\r\n"))
            if any(token["type"] != "blank_line" for token in tokens):
                title = _title(tokens)
                yield Prose(
                    tokens=tokens,
                    slot=_slot(cell),
                    title=title,
                    attachments=_attachments(cell),
                    folded=folds and bool(title) and FOLDS not in tags,
                    folds=FOLDS in tags,
                )
            folds = folds or FOLDS in tags
        elif cell["cell_type"] == "code":
            for output in cell["outputs"]:
                data = output.get("data", {})
                try:
                    if PICTURE_MIME in data:
                        yield replace(_figure(data), folded=folds)
                    elif TABLE_MIME in data:
                        table = _table(data[TABLE_MIME])
                        yield replace(table, folded=table.folded or folds)
                    elif CALCULATOR_MIME in data:
                        yield SeatCalculator.from_json(_plain(data[CALCULATOR_MIME]))
                except _DAMAGED as error:
                    raise NotebookError(
                        f"cell {number} of the notebook shows a damaged picture, table or "
                        f"calculator ({error}). Run the cell again."
                    ) from error


def _whole(text: str | list[str]) -> str:
    """Return a notebook's text, which may stand in it line by line."""
    return text if isinstance(text, str) else "".join(text)


def _slot(cell: Mapping[str, Any]) -> str:
    if "narrative" not in cell["metadata"].get("tags", ()):
        return ""
    about = cell["metadata"].get("upheld")
    slot = about.get("slot") if isinstance(about, Mapping) else None
    return slot if isinstance(slot, str) and re.fullmatch(r"[a-z][a-z0-9-]*", slot) else ""


def _title(tokens: Tokens) -> str:
    first = tokens[0]
    return plain_text(first["children"]).strip() if first["type"] == "heading" else ""


def _attachments(cell: Mapping[str, Any]) -> dict[str, tuple[str, bytes]]:
    kept = {}
    for name, bundle in cell.get("attachments", {}).items():
        for mime, kind in _ATTACHMENT_FORMATS.items():
            try:
                data = base64.b64decode(_whole(bundle[mime]))
            except (KeyError, TypeError, binascii.Error):
                continue
            if _is_picture(data, kind=kind):
                kept[name] = (mime, data)
    return kept


def _is_picture(data: bytes, *, kind: str) -> bool:
    from PIL import Image  # only where somebody pasted a picture

    try:
        with warnings.catch_warnings(action="error"):
            Image.open(BytesIO(data), formats=[kind]).load()
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError):
        return False
    return True


def _figure(data: Mapping[str, Any]) -> Figure:
    about = data[PICTURE_MIME]
    name = _file_name(about["name"])
    svg = _whole(data["image/svg+xml"])
    caption = readable(str(about["caption"]))
    width_px, height_px = float(about["width_px"]), float(about["height_px"])
    if not fits_a_page(width_px, height_px):
        raise ValueError(f"size {width_px} × {height_px}")
    picture = Picture(
        name=name,
        svg=svg,
        png=base64.b64decode(_whole(data["image/png"]), validate=False),
        caption=caption,
        alt=readable(str(about["alt"])).strip() or caption.strip() or name,
        width_px=width_px,
        height_px=height_px,
        phone_svg=_whole(about.get("phone_svg", "")),
        read_out=ReadOut.from_json(_plain(about["read_out"])) if about.get("read_out") else None,
    )
    phone_svg = picture.phone_svg
    return Figure(
        picture=picture,
        drawing=read_drawing(svg, name=name),
        for_phone=read_drawing(phone_svg, name=f"{name}-phone") if phone_svg else None,
    )


def _table(about: Mapping[str, Any]) -> Table:
    table = Table(
        name=_file_name(about["name"]),
        caption=readable(str(about["caption"])),
        columns=tuple(readable(str(cell)) for cell in about["columns"]),
        rows=tuple(tuple(readable(str(cell)) for cell in row) for row in about["rows"]),
        anchors=tuple(readable(str(anchor)) for anchor in about["anchors"]),
        numeric=tuple(bool(flag) for flag in about["numeric"]),
        folded=bool(about["folded"]),
    )
    width = len(table.columns)
    if not width or len(table.numeric) != width or len(table.anchors) != len(table.rows):
        raise ValueError("columns, numeric and anchors do not fit each other")
    if any(len(row) != width for row in table.rows):
        raise ValueError(f"table {table.name!r} has a row of another length than {width}")
    return table


def _plain(value: Any) -> Any:
    """Return JSON that a script may be handed: readable texts, finite numbers, lists of them."""
    if isinstance(value, str):
        return readable(value)
    if isinstance(value, Mapping):
        return {readable(str(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is no number to reckon with")
    return value


def _file_name(name: object) -> str:
    """Return `name` as a file name that cannot leave its folder."""
    return re.sub(r"[^a-z0-9_-]+", "-", str(name).lower()).strip("-")[:80] or "unnamed"


def _named_once(blocks: Iterator[PageBlock]) -> Iterator[PageBlock]:
    """See to it that every name can be an id: a second picture of a name gets a number, a
    second half of a split slot and a second row of an anchor get none. A second calculator would
    only be the first again, as a picture would that is folded away after it has been shown.
    """
    seen = {"main"}
    drawings = set()

    def fresh(name: str, *, kind: str) -> str:
        chosen, count = name, 1
        while f"{kind}-{chosen}" in seen:
            count += 1
            chosen = f"{name}-{count}"
        seen.add(f"{kind}-{chosen}")
        return chosen

    for block in blocks:
        match block:
            case Prose():
                slot = block.slot if block.slot not in seen else ""
                seen.update({slot} - {""})
                yield replace(block, slot=slot)
            case Figure():
                if block.folded and block.picture.svg in drawings:
                    continue
                drawings.add(block.picture.svg)
                name = fresh(block.picture.name, kind="figure")
                yield replace(block, picture=replace(block.picture, name=name))
            case Table():
                anchors = []
                for names in block.anchors:
                    new = [name for name in dict.fromkeys(names.split()) if name not in seen]
                    seen.update(new)
                    anchors.append(" ".join(new))
                name = fresh(block.name, kind="table")
                yield replace(block, name=name, anchors=tuple(anchors))
            case SeatCalculator():
                if "calculator" not in seen:
                    seen.add("calculator")
                    yield block


LONG_CELL = 60
"""A longer text makes a line of its own below its row."""
MOST_ON_A_PHONE = 4
"""So many columns of numbers or short words stand beside each other on a phone."""


def sides_of(table: Table) -> list[str]:
    """Return ``"number"`` for each column that aligns right, else ``"words"``."""
    return [
        "number" if right else "words" for right in table.numeric or [False] * len(table.columns)
    ]


def anchors_of(table: Table) -> tuple[str, ...]:
    """Return the anchors of each row, none where the table has none."""
    return table.anchors or ("",) * len(table.rows)


def too_wide_for_a_phone(table: Table) -> bool:
    """Tell whether the table's rows become cards on a phone."""
    return len(table.columns) > MOST_ON_A_PHONE or bool(long_columns(table))


def long_columns(table: Table) -> tuple[int, ...]:
    """Return which columns hold texts that would make a row tall, the first one never."""
    return tuple(
        index
        for index, cells in enumerate(zip(*table.rows, strict=True))
        if index and max(map(len, cells)) > LONG_CELL
    )


_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src {pictures}; base-uri 'none'; "
    "form-action 'none'"
)


def as_data(record: ReadOut | SeatCalculator) -> Markup:
    """Return a record as JSON that can stand inside a script element, whatever its texts hold.

    What could end the element, or a line of a script, is escaped.
    """
    return htmlsafe_json_dumps(asdict(record), allow_nan=False, separators=(",", ":"))


def scripts_for(blocks: Iterable[PageBlock]) -> list[Markup]:
    """Return the text of every script that some block needs, each once."""
    shown = list(blocks)
    names = []
    if any(isinstance(block, SeatCalculator) for block in shown):
        names.append("calculator.js")
    if any(isinstance(block, Figure) and block.picture.read_out is not None for block in shown):
        names.append("readout.js")
    folder = templates_folder() / "report"
    return [Markup((folder / name).read_text("utf-8")) for name in names]


def policy(scripts: Iterable[str], *, pictures: str = "data:") -> str:
    """Return the page's content security policy, which allows these scripts and nothing else.

    `pictures`: where pictures may come from; by default out of the page itself.

    >>> "script-src" in policy([]), policy(["go();"]).rpartition("; ")[2][:19]
    (False, "script-src 'sha256-")
    """
    digests = (hashlib.sha256(script.encode()).digest() for script in scripts)
    allowed = " ".join(f"'sha256-{base64.b64encode(one).decode('ascii')}'" for one in digests)
    rest = _POLICY.format(pictures=pictures)
    return f"{rest}; script-src {allowed}" if allowed else rest
