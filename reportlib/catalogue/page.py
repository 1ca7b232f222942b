"""The catalogue's page: a row a session, which a small script sorts and searches.

Names and verdicts come from sessions that anybody may have made: they are escaped, whatever
they hold, and the page's policy lets in no script but our own.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from reportlib import __version__
from reportlib.archive import Value
from reportlib.archive.columns import YES, limit_column
from reportlib.archive.said import first_behind, limit_said
from reportlib.levels import BANDS
from reportlib.numbers import counted, level_text, sentence
from reportlib.one_line import one_line
from reportlib.publish.live import policy
from reportlib.publish.markup import unbroken
from reportlib.resources import templates_folder
from reportlib.thresholds import BEHIND_DB

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
    """

    links: tuple[str, ...]
    plain: tuple[str, ...]
    name: str
    pictures: tuple[str, ...]
    said: str
    folder: str
    day: str
    cells: tuple[str, ...]


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
    )


def catalogue_html(sessions: Iterable[Listed], *, title: str, count: int) -> str:
    """Return the page.

    Parameters
    ----------
    sessions : in the order in which they stand without a script
    title : of the archive
    count : how many they are
    """
    return "".join(_parts(sessions, title=title, count=count))


def _parts(sessions: Iterable[Listed], *, title: str, count: int) -> Iterator[str]:
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
        "tool_version": __version__,
        "policy": policy([script], pictures="'self' file:"),
        "script": script,
        "bands": [sentence(band.name) for band in BANDS],
        "behind": level_text(BEHIND_DB[0]),
        "lowest": BANDS[0].name,
        "highest": BANDS[-1].name,
    }
    yield from environment.get_template("index.html.j2").generate(about=about, sessions=sessions)


def title_of(archive: Path) -> str:
    """Return what an archive is called: its folder's name."""
    return one_line(archive.resolve().name) or "Archive"
