"""One run at a time in a session folder, and folders that a process holds while it fills them.

What a killed run held is free at once.

Their names are hidden, and the process holds them by a lock that ends with it: those of killed
ones are cleared by whoever next makes one there (`files.clear_leftovers`). Windows can't hold a
folder; there they stay.
"""

import contextlib
import datetime
import errno
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reportlib.errors import BusyError, RenderError, SessionError, one_line
from reportlib.session import files

_MOST_TRIES = 5


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


@contextmanager
def own_folder(place: Path | None = None) -> Iterator[Path]:
    """Make an empty folder, which is gone on leaving.

    Parameters
    ----------
    place : beside which it lies and by which it is named; None: in the system's temporary
        directory

    Raises
    ------
    RenderError
        It could not be made.
    """
    place = place or Path(tempfile.gettempdir()) / "upheld"
    name = place.name[:40]
    files.clear_leftovers(place.parent, inside=place.parent, name=re.escape(name))
    for left in reversed(range(_MOST_TRIES)):
        folder, descriptor = place.with_name(f".{name}.new-{secrets.token_hex(4)}"), -1
        try:
            folder.mkdir(0o700)
            if os.name != "nt":
                descriptor = os.open(folder, os.O_RDONLY)
                if not files.hold(descriptor) and left:  # another run may be clearing it away
                    os.close(descriptor)
                    shutil.rmtree(folder, ignore_errors=True)
                    continue
            break
        except OSError as error:
            if not left or not isinstance(error, FileNotFoundError) or not place.parent.is_dir():
                raise files.fault(folder, error=error) from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if descriptor >= 0:
            os.close(descriptor)


@contextmanager
def fresh_folder(place: Path, *, inside: Path) -> Iterator[Path]:
    """Give a folder to fill, which then takes the place of `place`, whose content is gone.

    Where the second of the two renames fails, the old one is put back; where a crash comes
    between them, `files.clear_leftovers` does that.

    Raises
    ------
    RenderError
        It could not be put in place, or there is a link or a file; `place` is as it was.
    """
    files.refuse_links(place, inside=inside)
    if place.exists() and not place.is_dir():
        raise files.fault(place, error=NotADirectoryError(errno.ENOTDIR, ""))
    aside = place.with_name(f".{place.name}.before-{secrets.token_hex(4)}")
    with own_folder(place) as own:
        new = own / place.name
        new.mkdir()
        yield new
        try:
            for folder in (new, *(path for path in new.rglob("*") if path.is_dir())):
                files.sync_folder(folder)
            had_old = place.exists()
            if had_old:
                place.rename(aside)
            try:
                new.rename(place)
            except BaseException:
                if had_old:
                    aside.rename(place)
                raise
            files.sync_folder(place.parent)
        except OSError as error:
            raise files.fault(place, error=error) from error
    shutil.rmtree(aside, ignore_errors=True)
