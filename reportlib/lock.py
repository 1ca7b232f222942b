"""One run at a time in a session folder; what a killed run held is free at once."""

import contextlib
import datetime
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from reportlib.errors import BusyError, RenderError
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
