"""The archive's index: sessions found, and a table of facts in ``.upheld-archive/index.sqlite``.

It is never the only copy of anything: it is brought up to date from the sessions whenever it is
read, rows of unchanged sessions being taken over, and made anew where it is missing, damaged,
tampered with or from another version. It lives in memory and is written as a whole, beside and
renamed, so that two that read it never meet a half of it (about 1 kB a session).

Links are not followed: a session belongs where its files lie, and a circle would have no end.
"""

import contextlib
import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from reportlib import __version__
from reportlib.errors import ArchiveError, RenderError, one_line
from reportlib.many import again, rows
from reportlib.many.columns import COLUMNS, Filter, Kind, Value
from reportlib.many.rows import LADDER, RESULTS, row_of
from reportlib.publish import memory
from reportlib.publish.kinds import REPORT, kind_of
from reportlib.session import files

FOLDER = ".upheld-archive"
FILE = "index.sqlite"
_TYPES: dict[Kind, str] = {"text": "TEXT", "number": "REAL", "limit": "REAL"}
_ABOUT = "CREATE TABLE about (layout TEXT)"
_COLUMNS = ", ".join(f'"{one.name}" {_TYPES[one.kind]}' for one in COLUMNS.values())
_TABLE = f"CREATE TABLE sessions (at TEXT PRIMARY KEY, seen TEXT NOT NULL, ladder TEXT, {_COLUMNS})"
_ORDER = "ORDER BY state = 'damaged', name COLLATE NOCASE, date DESC, at"


def layout_digest() -> str:
    """Return what stands for the table's layout and the code that fills it."""
    filled_by = [Path(str(module.__file__)).read_bytes() for module in (rows, again)]
    return hashlib.sha256(b"".join([f"{__version__} {_TABLE}".encode(), *filled_by])).hexdigest()


@dataclass(frozen=True)
class Pictured:
    """A row with its ladder, as `rows.ladder_of` writes it, and its folder as a relative URL."""

    row: dict[str, Value]
    ladder: str
    address: str


class Index:
    """An archive's index, in memory."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def __len__(self) -> int:
        return int(self._connection.execute("SELECT count(*) FROM sessions").fetchone()[0])

    def rows(self, chosen: Filter | None = None) -> Iterator[dict[str, Value]]:
        """Yield the rows that a filter holds for: by loudspeaker, the newest day first."""
        where, values = (f"WHERE {chosen.sql}", chosen.values) if chosen else ("", ())
        for row in self._connection.execute(
            f"SELECT {_names(COLUMNS)} FROM sessions {where} {_ORDER}", values
        ):
            yield dict(zip(COLUMNS, row, strict=True))

    def folders(self, chosen: Filter | None = None) -> Iterator[str]:
        """Yield the folders that a filter holds for, from the archive on: as paths, not as said."""
        where, values = (f"WHERE {chosen.sql}", chosen.values) if chosen else ("", ())
        for (at,) in self._connection.execute(f"SELECT at FROM sessions {where} {_ORDER}", values):
            yield unquote(at, errors="surrogateescape")

    def pictured(self) -> Iterator[Pictured]:
        """Yield every row with its level ladder and the address of its folder."""
        asked = f"SELECT at, ladder, {_names(COLUMNS)} FROM sessions {_ORDER}"
        for at, ladder, *row in self._connection.execute(asked):
            cells = dict(zip(COLUMNS, row, strict=True))
            yield Pictured(row=cells, ladder=ladder or "", address=at)

    def loudspeakers(self) -> int:
        """Return how many loudspeakers there are, as far as names and serials tell."""
        asked = (
            "SELECT count(*) FROM (SELECT DISTINCT name, coalesce(serial, '') FROM sessions "
            "WHERE state != 'damaged')"
        )
        return int(self._connection.execute(asked).fetchone()[0])

    def untold(self, chosen: Filter) -> int:
        """Return for how many sessions it can't be told whether a filter holds."""
        asked = f"SELECT count(*) FROM sessions WHERE ({chosen.sql}) IS NULL"
        return int(self._connection.execute(asked, chosen.values).fetchone()[0])

    def same_names(self) -> Iterator[tuple[str, int]]:
        """Yield every name and day that several sessions have, and how many."""
        yield from self._connection.execute(
            "SELECT CASE WHEN date IS NULL THEN name ELSE name || ', ' || date END AS both, "
            "count(*) AS many FROM sessions WHERE state != 'damaged' GROUP BY both "
            "HAVING many > 1 ORDER BY both"
        )


def read_index(archive: Path, *, say: Callable[[str], None], address: str | None = None) -> Index:
    """Return the archive's index as its sessions are now, and keep it where it has changed.

    Parameters
    ----------
    address : what rows call the archive where it is the shadow of one in a store
    say : called with one line for everything that somebody should know: an index that had to be
        made anew, a folder that can't be read

    Raises
    ------
    ArchiveError
        There is no such folder, or it can't be read.
    """
    place = archive / FOLDER / FILE
    found = session_folders(archive, say=say)
    first = next(found, None)  # before anything is made in a wrong folder
    files.clear_leftovers(place.parent, inside=archive)
    connection, changed = _loaded(place, say=say)
    folders = () if first is None else (first, *found)
    changed |= _brought_up_to_date(
        connection, archive=archive, folders=folders, address=address or str(archive)
    )
    if changed and (folders or place.exists()):
        try:
            files.write_bytes_safely(place, connection.serialize(), inside=archive)
        except RenderError as error:  # a read-only archive can be listed all the same
            say(f"The index could not be kept, and is made anew next time: {error}")
    return Index(connection)


def _brought_up_to_date(
    connection: sqlite3.Connection, *, archive: Path, folders: Iterable[str], address: str
) -> bool:
    """Make the rows of new and changed sessions, and let go of those that are gone."""
    known = dict(connection.execute("SELECT at, seen FROM sessions"))
    before = connection.total_changes
    kept = (LADDER, *COLUMNS)
    put = f"INSERT OR REPLACE INTO sessions VALUES ({', '.join('?' * (2 + len(kept)))})"
    with connection:
        for folder in folders:
            seen = state_of(archive / folder)  # first: what changes meanwhile is read again
            at = quote(folder, errors="surrogateescape")  # a name may be no text at all
            if known.get(at) != seen and not (archive / folder).is_dir():
                continue  # deleted meanwhile
            if known.pop(at, None) != seen:
                row = row_of(archive / folder, folder=folder)
                if row["problem"]:
                    row["problem"] = str(row["problem"]).replace(str(archive), address)
                connection.execute(put, (at, seen, *(row[name] for name in kept)))
        connection.executemany("DELETE FROM sessions WHERE at = ?", ([one] for one in known))
        if connection.total_changes > before:
            _tell_what_changed(connection)
    return connection.total_changes > before


_SPECIMEN = "state = 'reported' AND serial IS NOT NULL AND date IS NOT NULL"


def _tell_what_changed(connection: sqlite3.Connection) -> None:
    """Fill in what several days of one loudspeaker tell; without a serial it may be another."""
    connection.execute(
        f"UPDATE sessions SET measured = CASE WHEN {_SPECIMEN} THEN 1 END, before = NULL, "
        "changed = NULL"
    )
    found = connection.execute(
        f"SELECT at, {_names(COLUMNS)} FROM sessions WHERE {_SPECIMEN} AND (name, serial) IN "
        f"(SELECT name, serial FROM sessions WHERE {_SPECIMEN} GROUP BY name, serial "
        "HAVING count(DISTINCT date) > 1) ORDER BY name, serial, date, at"
    ).fetchall()
    listed = [(at, dict(zip(COLUMNS, cells, strict=True))) for at, *cells in found]
    for _, own in groupby(listed, key=lambda one: (one[1]["name"], one[1]["serial"])):
        days = [list(day) for _, day in groupby(own, key=lambda one: one[1]["date"])]
        then = None
        for day in days:
            for at, row in day:
                told = (then["date"], again.changed(then, row)) if then else (None, None)
                connection.execute(
                    "UPDATE sessions SET measured = ?, before = ?, changed = ? WHERE at = ?",
                    (len(days), *told, at),
                )
            then = day[-1][1]


def _loaded(place: Path, *, say: Callable[[str], None]) -> tuple[sqlite3.Connection, bool]:
    """Return what is kept, or an empty index where nothing is that can be believed."""
    try:
        data = b"" if place.is_symlink() else place.read_bytes()
    except OSError:
        return _empty(), True
    connection = _connected()
    why = "damaged"
    with contextlib.suppress(sqlite3.Error, ValueError, OverflowError):
        if data:  # of nothing SQLite says that memory ran out
            connection.deserialize(data)
        if _reads(connection, "SELECT layout FROM about") != [(layout_digest(),)]:
            why = "of another version"
        elif _holds(connection):
            return connection, False
    say(one_line(f"{place}: the index is {why}; it was made anew from the sessions."))
    connection.close()
    return _empty(), True


def _holds(connection: sqlite3.Connection) -> bool:
    """Whether it is whole, and holds no more than our own two tables."""
    made = _reads(connection, "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")
    return made == [(_ABOUT,), (_TABLE,)] and _reads(connection, "PRAGMA quick_check") == [("ok",)]


def _names(columns: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in columns)


def _reads(connection: sqlite3.Connection, asked: str) -> list[Any]:
    return connection.execute(asked).fetchall()


def _empty() -> sqlite3.Connection:
    connection = _connected()
    with connection:
        connection.execute(_ABOUT)
        connection.execute("INSERT INTO about VALUES (?)", [layout_digest()])
        connection.execute(_TABLE)
    return connection


def _connected() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:")
    connection.execute("PRAGMA trusted_schema = OFF")  # it may have come with a stranger's folder
    return connection


OWN = ("catalogue",)
"""What the archive itself makes beside its sessions."""
_IN_A_SESSION = frozenset(("out", "captures", "stimulus", "calibration", "recordings"))
_WATCHED = ("session.toml", *RESULTS, *memory.RENDERED, "out/report.html", "captures")
"""What a session's row is made of; where none of them changed, neither has the row."""


def session_folders(archive: Path, *, say: Callable[[str], None]) -> Iterator[str]:
    """Yield the folders of all sessions below `archive`, itself too, in the order of names.

    Parameters
    ----------
    say : called with one line for every folder below it that can't be read

    Yields
    ------
    paths from `archive` on with ``/``; ``"."`` for `archive` itself

    Raises
    ------
    ArchiveError
        There is no such folder, or it can't be read.
    """
    if not archive.is_dir():
        raise ArchiveError(
            one_line(f"{archive}: there is no such folder. Name the one that holds the sessions.")
        )
    if not os.access(archive, os.R_OK | os.X_OK):
        raise ArchiveError(one_line(f"{archive}: the folder can't be read. Change its permission."))

    def unreadable(error: OSError) -> None:
        say(one_line(f"{error.filename}: can't be read ({error.strerror}); it was left out."))

    for top, folders, names in os.walk(archive, onerror=unreadable):
        held = "session.toml" in names
        left = ".upheld" in folders and (Path(top) / RESULTS[0]).is_file()
        left = left and kind_of(Path(top)) is REPORT  # a comparison is of sessions, but is none
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".")
            and not (held and name in _IN_A_SESSION)
            and not (Path(top) == archive and name in OWN and not _is_session(Path(top, name)))
        )
        if held or left:  # results without the session that they are of are half copied
            yield Path(top).relative_to(archive).as_posix()


def _is_session(folder: Path) -> bool:
    return (folder / "session.toml").exists()


def state_of(folder: Path) -> str:
    """Return size and time of change of what a session's row is made of, as one text."""
    parts = []
    for name in _WATCHED:
        try:
            status = (folder / name).stat()
            parts.append(f"{status.st_size} {status.st_mtime_ns}")
        except OSError:
            parts.append("-")
    return "|".join(parts)
