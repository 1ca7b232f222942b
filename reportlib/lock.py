"""One run at a time in a session folder, and in no other; a killed run lets go of it at once."""

import contextlib
import datetime
import errno
import os
from collections.abc import Iterator
from pathlib import Path

from reportlib import files
from reportlib.errors import BusyError, RenderError, SessionError
from reportlib.one_line import one_line


@contextlib.contextmanager
def only_run(folder: Path, *, what: str) -> Iterator[None]:
    """Hold the session folder for one run, by a lock of the operating system on ``lock``.

    What earlier runs left there that were killed is cleared first.

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
    session = folder.parent
    files.refuse_links(path, inside=session)
    try:
        folder.mkdir(exist_ok=True)
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, "not an ordinary file")
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
        file = os.fdopen(os.open(path, flags, 0o666), "r+", encoding="utf-8", errors="replace")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        text = f"{path}: could not be written ({reason}). Make the session folder writable."
        raise RenderError(one_line(text)) from error
    with file:
        if not files.hold(file.fileno()):
            holder = " ".join(file.read(200).split()) or "another run"
            raise BusyError(
                one_line(
                    f"{session}: {holder} is at work there. Wait until it is done; "
                    "nothing was changed."
                )
            )
        try:
            file.truncate(0)
            since = datetime.datetime.now().strftime("%H:%M:%S")
            file.write(f"{what} (process {os.getpid()}, since {since})")
            file.flush()
            for place in (session, session / "calibration", folder, *folder.iterdir()):
                files.clear_leftovers(place, inside=session)
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
