"""Write files so that a crash, a full disk or a second run leaves the old or the new, whole.

Everything is written beside its place in the same folder, brought to the disk, and renamed
over it: POSIX and Windows both replace a file in one step by that (`os.replace`). Nothing is
written through a link. What goes wrong is one `RenderError` line that names the file.
"""

import errno
import os
import re
import secrets
import shutil
import stat
from contextlib import suppress
from pathlib import Path

from reportlib.errors import RenderError
from reportlib.one_line import one_line

_DIGITS = 5
_WHAT_TO_DO = {
    errno.ENOSPC: "the disk is full. Make room and run it again",
    errno.EDQUOT: "the disk quota is used up. Make room and run it again",
    errno.EROFS: "the disk is read-only. Choose another folder",
    errno.EACCES: "no permission to write there. Change it, or close the program that holds it",
    errno.EPERM: "no permission to write there. Change it, or close the program that holds it",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter folder",
    errno.ENOTDIR: "a part of the path is a file, not a folder. Move that file away",
    errno.EEXIST: "a part of the path is a file, not a folder. Move that file away",
    errno.EISDIR: "there is a folder of that name. Move it away",
}


def write_bytes_safely(path: Path, data: bytes, *, inside: Path | None = None) -> None:
    """Write `data` to `path`: afterwards it holds either all of it or what it held before.

    Folders on the way are made. A file that is replaced keeps its permissions; a new one gets
    the ordinary ones. Where `inside` is given, a link on the way must not lead out of it.

    Raises
    ------
    RenderError
        It could not be written, is write-protected, or is a link or a folder.
    """
    try:
        _refuse_link(path, inside=inside)
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "")
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, "")
        beside = _written_beside(path, data=data)
        try:
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
        _sync_folder(path.parent)
    except (OSError, ValueError) as error:
        raise _fault(path, error=error) from error


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, in a folder that nobody reads before it is whole.

    Folders on the way are made; `replace_folder` brings their entries to the disk, once each.

    Raises
    ------
    RenderError
        It could not be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except (OSError, ValueError) as error:
        raise _fault(path, error=error) from error


def write_text_safely(path: Path, text: str, *, inside: Path | None = None) -> None:
    """Write `text` to `path` as UTF-8 with its line ends as they are, like `write_bytes_safely`.

    Raises
    ------
    RenderError
        It could not be written, or the text holds half a character.
    """
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise _fault(path, error=error) from error
    write_bytes_safely(path, data, inside=inside)


def replace_folder(new: Path, old: Path, *, inside: Path | None = None) -> None:
    """Put the finished folder `new` in the place of `old`, whose content is gone afterwards.

    Both lie on one disk, best side by side. Where the second of the two renames fails, `old`
    is put back. A crash between them leaves it beside its place, hidden, under its name with
    ``.before-`` and a random ending.

    Raises
    ------
    RenderError
        `new` could not be moved, or one of them is a link or a file; `old` is as it was.
    """
    aside = old.with_name(f".{old.name}.before-{secrets.token_hex(4)}")
    try:
        for folder in (new, old):
            _refuse_link(folder, inside=inside if folder == old else None)
            if not folder.is_dir() and (folder == new or folder.exists()):
                raise NotADirectoryError(errno.ENOTDIR, "")
        for folder in (new, *(path for path in new.rglob("*") if path.is_dir())):
            _sync_folder(folder)
        had_old = old.exists()
        if had_old:
            old.rename(aside)
        try:
            new.rename(old)
        except BaseException:
            if had_old:
                aside.rename(old)
            raise
        _sync_folder(old.parent)
    except OSError as error:
        raise _fault(old, error=error) from error
    shutil.rmtree(aside, ignore_errors=True)


def recover_folder(place: Path) -> None:
    """Put back what a run that was killed between the two renames of `replace_folder` left aside.

    Where `place` is there, only the leftovers go.
    """
    left = sorted(
        place.parent.glob(f".{place.name}.before-*"), key=lambda path: path.lstat().st_mtime
    )
    with suppress(OSError):
        if left and not place.exists():
            left.pop().rename(place)
    for stale in left:
        shutil.rmtree(stale, ignore_errors=True)


def keep_copy(path: Path, folder: Path, *, inside: Path | None = None) -> Path:
    """Copy the file `path` into `folder` under the next number, and return the copy.

    Names sort by age: ``00001-report.ipynb``, ``00002-report.ipynb``, …; one row of numbers
    serves all files of the folder, none is given twice and no copy is written over. The copy
    keeps the time at which the file was last changed.

    Raises
    ------
    RenderError
        The file could not be read or the copy not written.
    """
    try:
        data, status = path.read_bytes(), path.stat()
    except OSError as error:
        raise _fault(path, error=error, done="read") from error
    copy = folder / path.name
    try:
        _refuse_link(copy, inside=inside)
        folder.mkdir(parents=True, exist_ok=True)
        beside = _written_beside(copy, data=data)
        try:
            os.utime(beside, ns=(status.st_atime_ns, status.st_mtime_ns))
            number = max(_number_of(entry.name) for entry in folder.iterdir())
            claimed = False
            while not claimed:
                number += 1
                copy = folder / f"{number:0{_DIGITS}}-{path.name}"
                claimed = _claimed(beside, place=copy)
        finally:
            with suppress(OSError):
                beside.unlink()
        _sync_folder(folder)
    except OSError as error:
        raise _fault(copy, error=error) from error
    return copy


def _written_beside(path: Path, *, data: bytes) -> Path:
    """Return a hidden file of a new name in the folder of `path` that holds `data`, on disk."""
    beside = path.with_name(f".{path.name[:40]}.{secrets.token_hex(8)}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    descriptor = os.open(beside, flags, 0o666)  # the umask takes its part, as for any new file
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            beside.chmod(stat.S_IMODE(path.stat().st_mode))
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise
    return beside


def _claimed(beside: Path, *, place: Path) -> bool:
    """Give the finished file `beside` the name `place` too, unless that is taken."""
    try:
        os.link(beside, place)
    except FileExistsError:
        return False
    except OSError:  # a disk without hard links: nearly as good
        if place.exists():
            return False
        beside.rename(place)
    return True


def _refuse_link(path: Path, *, inside: Path | None) -> None:
    if path.is_symlink():
        text = f"{path}: this is a link, and nothing is written through one. Remove the link."
        raise RenderError(one_line(text))
    try:
        leads_out = inside is not None and not path.resolve().is_relative_to(inside.resolve())
    except RuntimeError:  # links in a circle, up to Python 3.12
        leads_out = True
    if leads_out:
        text = f"{path}: leads out of {inside} through a link. Replace the link by a folder."
        raise RenderError(one_line(text))


def _number_of(name: str) -> int:
    found = re.match(r"(\d+)-", name)
    return int(found[1]) if found else 0


def _sync_folder(folder: Path) -> None:
    """Bring the rename to the disk, where the system lets a folder be opened for that."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _fault(path: Path, *, error: OSError | ValueError, done: str = "written") -> RenderError:
    reason = getattr(error, "strerror", None) or str(error)
    number = getattr(error, "errno", None) if done == "written" else None
    what = _WHAT_TO_DO.get(number or 0, f"{reason}. Check the folder and its disk")
    return RenderError(one_line(f"{path}: could not be {done}: {what}."))
