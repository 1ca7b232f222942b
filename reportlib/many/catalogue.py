"""The catalogue of an archive: one page over all its sessions, with ladders a few pixels high.

Names and verdicts come from sessions that anybody may have made: they are escaped, whatever
they hold, and the page's policy lets in no script but our own.

It stands in a page as a picture of its own, so that it turns dark with the reader's screen by
itself. The page says what it shows.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from reportlib import __version__
from reportlib.errors import RenderError, one_line
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many.columns import NEEDS, YES, Value, limit_column, seat_column
from reportlib.many.index import Index
from reportlib.many.rows import first_behind, limit_said, since_before
from reportlib.measure.levels import BANDS
from reportlib.numbers import counted, level_text, sentence
from reportlib.numbers import listed as joined
from reportlib.publish.prose import unbroken
from reportlib.publish.publication import policy
from reportlib.session import files
from reportlib.session.files import templates_folder
from reportlib.write import shown

FOLDER = "catalogue"
_PICTURES = "pictures"
_OURS = b'<meta name="generator" content="upheld'
_HEAD_BYTES = 4000
FIRST = 200
"""So many sessions are in the page at once; the browser lays out more when they are asked for."""


def write_catalogue(index: Index, *, archive: Path) -> Path:
    """Write ``catalogue/index.html`` and ``catalogue/pictures/`` below `archive`.

    What is there already as it is to be is left alone. A picture's name is its content's, so
    that the old page stays whole until the new one takes its place.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    RenderError
        Something could not be written, or a page of somebody else's is in the way.
    """
    folder = archive / FOLDER
    for place in (folder, folder / _PICTURES):
        files.clear_leftovers(place, inside=archive)
    used: set[str] = set()

    def sessions() -> Iterator[Listed]:
        for one in index.pictured():
            picture = _kept_picture(folder, ladder=one.ladder, archive=archive, used=used)
            yield listed(one.row, address=one.address, picture=picture)

    page = folder / "index.html"
    made = catalogue_html(
        sessions(),
        title=title_of(archive),
        count=len(index),
        loudspeakers=index.loudspeakers(),
    )
    data = made.encode("utf-8", "replace")
    _refuse_anothers(page)
    if not _holds(page, data):
        files.write_bytes_safely(page, data, inside=archive)
    files.refuse_links(folder / _PICTURES, inside=archive)
    for path in (folder / _PICTURES).glob("*.svg"):
        if path.name not in used:
            with suppress(OSError):
                path.unlink()
    return page


def _kept_picture(folder: Path, *, ladder: str, archive: Path, used: set[str]) -> str:
    data = ladder_svg(ladder).encode()
    if not data:
        return ""
    name = f"{hashlib.sha256(data).hexdigest()[:16]}.svg"
    if name not in used and not _holds(folder / _PICTURES / name, data):
        files.write_bytes_safely(folder / _PICTURES / name, data, inside=archive)
    used.add(name)
    return f"{_PICTURES}/{name}"


def _refuse_anothers(page: Path) -> None:
    """Refuse to write over a page that is none of ours."""
    with suppress(OSError):
        head = files.read_bytes(page, inside=page.parent, most=_HEAD_BYTES)
        if _OURS not in head:
            raise RenderError(
                one_line(
                    f"{page}: was not made by upheld, and is left as it is. Move it away, or list "
                    "with --no-catalogue."
                )
            )


def _holds(path: Path, data: bytes) -> bool:
    try:
        return path.read_bytes() == data
    except OSError:
        return False


Row = Mapping[str, Value]


@dataclass(frozen=True, kw_only=True)
class Listed:
    """A session as the page lists it.

    Attributes
    ----------
    links : to its report, from the catalogue's folder on; none where it has none
    plain : its name where it has no link
    pictures : files of its picture, none or one
    cells : by band the level that is 1 dB behind, then left playing
    more : what it is loud enough for; what changed since it was measured before; each may be none
    """

    links: tuple[str, ...]
    plain: tuple[str, ...]
    name: str
    pictures: tuple[str, ...]
    said: str
    folder: str
    day: str
    cells: tuple[str, ...]
    more: tuple[str, ...] = ()


def listed(row: Row, *, address: str, picture: str) -> Listed:
    """Return what the page says of a session.

    Parameters
    ----------
    address : of its folder, as a URL from the archive on
    picture : its file, from the catalogue's folder on; empty where there is none
    """
    name = str(row["name"])
    there = row["report"] == YES
    said = row["verdict"] if there else None
    return Listed(
        links=(f"../{address}/out/report.html",) if there else (),
        plain=() if there else (name,),
        name=name,
        pictures=(picture,) if picture else (),
        said=unbroken(str(said or row["problem"] or sentence(str(row["state"])))),
        folder=str(row["folder"]),
        day=str(row["date"] or ""),
        cells=(
            *(
                limit_said(row, limit_column(test="short_term", threshold_db=1.0, band=band.name))
                for band in BANDS
            ),
            first_behind(row, test="long_term").removesuffix(" dB"),
        ),
        more=tuple(f"{sentence(line)}." for line in (_enough(row), since_before(row)) if line),
    )


def _enough(row: Row) -> str:
    """Say what it is loud enough for, and where; nothing where no answer is known."""
    said = []
    for answer, words in (("yes", ""), ("just", "just "), ("no", "not ")):
        needs = [need for need in NEEDS if row[seat_column(need)] == answer]
        if needs:
            said.append(f"{words}loud enough for {joined(needs)}")
    where = f"{row['seat_room']}: " if row["seat_room"] and said else ""
    return where + "; ".join(said)


def catalogue_html(sessions: Iterable[Listed], *, title: str, count: int, loudspeakers: int) -> str:
    """Return the page.

    Parameters
    ----------
    sessions : in the order in which they stand without a script
    title : of the archive
    count, loudspeakers : how many they are, and of how many
    """
    return "".join(_parts(sessions, title=title, count=count, loudspeakers=loudspeakers))


def _parts(
    sessions: Iterable[Listed], *, title: str, count: int, loudspeakers: int
) -> Iterator[str]:
    folder = templates_folder()
    environment = Environment(
        loader=FileSystemLoader([folder / "catalogue", folder / "report"]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    script = Markup((folder / "catalogue" / "catalogue.js").read_text("utf-8"))
    about: dict[str, Any] = {
        "title": title,
        "count": counted(count, "session"),
        "loudspeakers": counted(loudspeakers, "loudspeaker"),
        "tool_version": __version__,
        "policy": policy([script], pictures="'self' file:"),
        "script": script,
        "bands": [sentence(band.name) for band in BANDS],
        "behind": level_text(BEHIND_DB[0]),
        "lowest": BANDS[0].name,
        "highest": BANDS[-1].name,
    }
    left = iter(sessions)
    yield from environment.get_template("index.html.j2").generate(
        about=about, first=islice(left, FIRST), more=[left] if count > FIRST else []
    )


def title_of(archive: Path) -> str:
    """Return what an archive is called: its folder's name."""
    return one_line(archive.resolve().name) or "Archive"


_WIDTH, _HEIGHT, _GAP = 20, 14, 3
_LID = 3
"""In drawing units; most that a box for more than asked rises above its own."""
_STYLE = (
    f".a{{fill:{shown.WATER}}}.b{{fill:{shown.SEA}}}.c{{fill:{shown.INK}}}"
    f".d{{fill:none;stroke:{shown.UNTOLD};stroke-dasharray:2 2}}"
    "@media(prefers-color-scheme:dark){.a{fill:#25414f}.b{fill:#8ec7dc}.c{fill:#e9e3d6}}"
)


def ladder_svg(ladder: str) -> str:
    """Return the drawing of a ladder, as `rows.ladder_of` writes it.

    Empty where it is no ladder.

    >>> ladder_svg("[[1.0, 0.5]]").count("<rect"), ladder_svg("")
    (4, '')
    """
    try:
        rows = json.loads(ladder)
        shares = [[None if one is None else float(one) for one in row] for row in rows]
    except (ValueError, TypeError):
        return ""
    columns = max((len(row) for row in shares), default=0)
    if not columns:
        return ""
    boxes = [
        _box(share, left=column * (_WIDTH + _GAP), top=_LID + row * (_HEIGHT + _GAP))
        for row, across in enumerate(shares)
        for column, share in enumerate(across)
    ]
    width = columns * (_WIDTH + _GAP) - _GAP
    height = _LID + len(shares) * (_HEIGHT + _GAP) - _GAP
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><style>{_STYLE}</style>{"".join(boxes)}</svg>\n'
    )


def _box(share: float | None, *, left: int, top: int) -> str:
    if share is None:
        return _rect("d", left=left + 0.5, top=top + 0.5, width=_WIDTH - 1, height=_HEIGHT - 1)
    full = min(share, 1.0) * _HEIGHT
    drawn = _rect("a", left=left, top=top, width=_WIDTH, height=_HEIGHT)
    drawn += _rect("b", left=left, top=top + _HEIGHT - full, width=_WIDTH, height=full)
    lid = min((share - 1.0) * _HEIGHT, _LID)
    if lid >= 0.5:
        drawn += _rect("c", left=left, top=top - lid, width=_WIDTH, height=lid)
    return drawn


def _rect(kind: str, *, left: float, top: float, width: float, height: float) -> str:
    return (
        f'<rect class="{kind}" x="{left:g}" y="{top:.4g}" width="{width}" height="{height:.4g}"/>'
    )
