"""Finding the sessions below a folder: every folder that holds a ``session.toml``.

Links are not followed: a session belongs where its files lie, and a circle would have no end.
"""

import os
from collections.abc import Callable, Iterator
from pathlib import Path

from reportlib.archive.rows import RESULTS
from reportlib.errors import ArchiveError
from reportlib.kinds import REPORT, kind_of
from reportlib.one_line import one_line

OWN = ("catalogue",)
"""What the archive itself makes beside its sessions."""
_IN_A_SESSION = frozenset(("out", "captures", "stimulus", "calibration", "recordings"))
_WATCHED = ("session.toml", *RESULTS, ".upheld/rendered.json", "out/report.html", "captures")
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
