"""One run at a time in a session folder, and in no other; a killed run lets go of it at once."""

import contextlib
import datetime
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from reportlib.errors import BusyError, RenderError, SessionError
from reportlib.one_line import one_line


@contextlib.contextmanager
def only_run(folder: Path, *, what: str) -> Iterator[None]:
    """Hold the session folder for one run, by a lock of the operating system on ``lock``.

    Parameters
    ----------
    folder : where the lock file lies, the session's ``.upheld``; made where it is missing
    what : said to a second run, such as ``"upheld report"``

    Raises
    ------
    BusyError
        Another run holds it.
    RenderError
        The folder cannot be written to.
    """
    path = folder / "lock"
    try:
        folder.mkdir(exist_ok=True)
        file = path.open("a+", encoding="utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        text = f"{path}: could not be written ({reason}). Make the session folder writable."
        raise RenderError(one_line(text)) from error
    with file:
        if not _taken(file):
            file.seek(0)
            holder = " ".join(file.read(200).split()) or "another run"
            raise BusyError(
                one_line(
                    f"{path.parent.parent}: {holder} is at work there. Wait until it is done; "
                    "nothing was changed."
                )
            )
        try:
            file.truncate(0)
            since = datetime.datetime.now().strftime("%H:%M:%S")
            file.write(f"{what} (process {os.getpid()}, since {since})")
            file.flush()
            yield
        finally:
            file.truncate(0)


@contextlib.contextmanager
def same_folder(folder: Path) -> Iterator[None]:
    """See to it that what begins in a folder ends in that very folder.

    Raises
    ------
    SessionError
        It was deleted, moved away or replaced by another meanwhile, whatever came of that.
    """
    before = _identity(folder)
    left: Exception | None = None
    try:
        yield
    except Exception as error:
        left = error
    if _identity(folder) != before:
        text = f"{folder}: was deleted or moved away while it was worked on. Put it back, or start"
        raise SessionError(one_line(f"{text} again where it is now.")) from left
    if left is not None:
        raise left


def _identity(folder: Path) -> tuple[int, int] | None:
    try:
        status = folder.stat()
    except (OSError, ValueError):  # ValueError: a name that no file system takes
        return None
    return status.st_dev, status.st_ino


def _taken(file: IO[str]) -> bool:
    """Take the lock, which the system lets go of when the process ends, however it ends."""
    try:
        if os.name == "nt":
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
