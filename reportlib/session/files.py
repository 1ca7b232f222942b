"""Files written so that nothing is ever half there, and where the tool's own lie.

A session folder may come from a stranger. What is written or deleted in it is checked here from
the folder `inside` down and goes through no link; only ordinary files that lie in it are read.

Everything is written beside its place in the same folder, brought to the disk, and renamed
over it: POSIX and Windows both replace a file in one step by that (`os.replace`). Until then it
has a hidden name, and is held while its process lives: what bears such a name and is not held, a
killed run left. What goes wrong is one `RenderError` line that names the file.

The tool's templates and notebooks:

In a checkout they stand at the top level, where people edit them; a wheel carries them as
``reportlib/_templates`` and ``reportlib/_notebooks``. The wheel's own place is looked at
first, so that a stranger's ``site-packages/templates`` is never taken for ours.

Fonts are those that matplotlib ships, found without importing it.

Importing it takes a third of a second. Its font of last resort stays out of documents: it has a
box for every letter, and would hide that one is missing.
"""

import errno
import functools
import importlib.util
import os
import re
import secrets
import shutil
import stat
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from reportlib.errors import RenderError, one_line

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


def read_bytes(path: Path, *, inside: Path, most: int = -1) -> bytes:
    """Return what an ordinary file of the folder `inside` holds, of a long one the first `most`.

    A link to a file that lies in the folder too is followed.

    Raises
    ------
    OSError
        There is none, it cannot be read, or it is a pipe, a device, a folder or a link that
        leaves `inside`.
    """
    try:
        stays = path.resolve().is_relative_to(inside.resolve())
    except RuntimeError:  # links in a circle, up to Python 3.12
        stays = False
    if not stays:
        raise OSError(errno.ELOOP, "a link that leaves the folder")
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "not an ordinary file")
    with path.open("rb") as file:
        return file.read(most)


def write_bytes_safely(path: Path, data: bytes, *, inside: Path, durable: bool = True) -> None:
    """Write `data` to `path`: afterwards it holds either all of it or what it held before.

    Folders on the way are made. A file that is replaced keeps its permissions; a new one gets
    the ordinary ones.

    Parameters
    ----------
    inside : folder below which no part of `path` may be a link
    durable : whether it must outlast a failure of the power, not just of the process

    Raises
    ------
    RenderError
        It could not be written, is write-protected, or is a link or a folder.
    """
    try:
        refuse_links(path, inside=inside)
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "")
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, "")
        beside = path.with_name(f".{path.name[:40]}.{secrets.token_hex(8)}")
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        descriptor = os.open(beside, flags, 0o666)  # the umask takes its part, as of any new file
        try:
            with os.fdopen(descriptor, "wb") as file:
                hold(file.fileno())
                file.write(data)
                file.flush()
                if durable:
                    os.fsync(file.fileno())
                if path.exists():
                    beside.chmod(stat.S_IMODE(path.stat().st_mode))
                if os.name == "nt":  # which renames no open file
                    file.close()
                beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
        if durable:
            sync_folder(path.parent)
    except (OSError, ValueError) as error:
        raise fault(path, error=error) from error


def write_text_safely(path: Path, text: str, *, inside: Path) -> None:
    """Write `text` to `path` as UTF-8 with its line ends as they are, like `write_bytes_safely`.

    Raises
    ------
    RenderError
        It could not be written, or the text holds half a character.
    """
    try:
        write_bytes_safely(path, text.encode("utf-8"), inside=inside)
    except UnicodeEncodeError as error:
        raise fault(path, error=error) from error


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, in a folder that nobody reads before it is whole.

    Folders on the way are made; `lock.fresh_folder` brings their entries to the disk, once each.

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
        raise fault(path, error=error) from error


def clear_leftovers(folder: Path, *, inside: Path, name: str = ".+") -> None:
    """Clear what killed runs left in a folder: hidden names of ours that no process holds.

    Parameters
    ----------
    name : of what it was to become, as a regular expression
    """
    ours = re.compile(rf"\.({name})\.(?:[0-9a-f]{{16}}|(new|before)-[0-9a-f]{{8}})")
    with suppress(OSError, RenderError):
        refuse_links(folder, inside=inside)
        for path in list(folder.iterdir()):
            found = ours.fullmatch(path.name)
            with suppress(OSError):
                if found is None or path.is_symlink() or bool(found[2]) != path.is_dir():
                    continue
                if not found[2] and _is_left(path):
                    path.unlink()
                elif found[2] == "before" and not path.with_name(found[1]).exists():
                    path.rename(path.with_name(found[1]))  # killed between the two renames
                elif found[2] and _is_left(path):
                    shutil.rmtree(path)


def keep_copy(path: Path, folder: Path, *, inside: Path) -> Path:
    """Copy the file `path` into `folder` under the next number, and return the copy.

    Names sort by age: ``00001-report.ipynb``, ``00002-report.ipynb``, …; one row of numbers
    serves all files of the folder. The copy keeps the time at which the file was last changed.
    Both lie below `inside`, of which only one run at a time keeps copies (`lock`).

    Raises
    ------
    RenderError
        The file could not be read or the copy not written.
    """
    try:
        data, changed_ns = read_bytes(path, inside=inside), path.stat().st_mtime_ns
        there = [entry.name for entry in folder.iterdir()] if folder.is_dir() else []
    except OSError as error:
        raise fault(path, error=error, done="read") from error
    numbers = [int(found[0]) for name in there if (found := re.match(r"\d+(?=-)", name))]
    copy = folder / f"{max(numbers, default=0) + 1:0{_DIGITS}}-{path.name}"
    write_bytes_safely(copy, data, inside=inside)
    with suppress(OSError):
        os.utime(copy, ns=(changed_ns, changed_ns))
    return copy


def refuse_links(path: Path, *, inside: Path) -> None:
    """Refuse to write or to delete where a part of `path` below `inside` is a link.

    Raises
    ------
    RenderError
        One is, or `path` does not lie below `inside`.
    """
    for place in (path, *path.parents):
        if place == inside and ".." not in path.relative_to(inside).parts:
            return
        if place.is_symlink() or getattr(os.path, "isjunction", os.path.islink)(place):
            said = "this is a link, and nothing is written through one. Remove the link."
            raise RenderError(one_line(f"{place}: {said}"))
    raise RenderError(one_line(f"{path}: leads out of {inside}. Name a place in that folder."))


def relative(path: Path, *, start: Path) -> str:
    """Return an absolute path as seen from a folder, without leaving all that both have in common.

    >>> relative(Path("/days/words"), start=Path("/days/marram-12"))
    '../words'
    """
    common = common_folder((path, start))
    if common is None or common == Path(common.anchor):
        return path.as_posix()
    return Path(os.path.relpath(path, start)).as_posix()


def common_folder(paths: Sequence[Path]) -> Path | None:
    """Return the innermost folder that absolute paths have in common, None on several drives."""
    try:
        return Path(os.path.commonpath(paths))
    except ValueError:
        return None


def hold(descriptor: int) -> bool:
    """Hold an open file or folder until it is closed, or this process ends, however it ends.

    Returns False where another process holds it, or the disk knows of no such lock.
    """
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(descriptor, 0, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is_left(path: Path) -> bool:
    if os.name == "nt":  # which deletes no open file, and can't hold a folder
        return path.is_file()
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        return hold(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Bring the rename to the disk, where the system lets a folder be opened for that."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def fault(path: Path, *, error: OSError | ValueError, done: str = "written") -> RenderError:
    """Return what a failure of the disk is to its user, as one line."""
    reason = getattr(error, "strerror", None) or str(error)
    number = getattr(error, "errno", None) if done == "written" else None
    what = _WHAT_TO_DO.get(number or 0, f"{reason}. Check the folder and its disk")
    return RenderError(one_line(f"{path}: could not be {done}: {what}."))


def templates_folder() -> Path:
    """Return the folder that holds ``report/``, ``section/``, ``pdf/`` and ``narrative/``.

    Raises
    ------
    RenderError
        The installation carries no templates.

    Examples
    --------
    >>> (templates_folder() / "report" / "conf.json").is_file()
    True
    """
    return _folder("templates")


def notebooks_folder() -> Path:
    """Return the folder that holds the report notebooks, stored without outputs.

    Raises
    ------
    RenderError
        The installation carries no notebooks.
    """
    return _folder("notebooks")


def _folder(name: str) -> Path:
    package = Path(__file__).resolve().parents[1]
    for folder in (package / f"_{name}", package.parent / name):
        if folder.is_dir():
            return folder
    raise RenderError(
        f"this installation of upheld carries no {name} (looked in {package / f'_{name}'} and "
        f"{package.parent / name}). Install it again: pip install --force-reinstall upheld"
    )


FIGURE_FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
"""Those that figures are measured and drawn in: regular, bold."""


def shipped_fonts() -> list[Path]:
    """Return the font files.

    Raises
    ------
    RenderError
        The installation is damaged.
    """
    return sorted(Path(_fonts_folder()).glob("DejaVuSans*.ttf"))


@functools.cache
def shipped_font(name: str) -> str:
    """Return the path of one of them, e.g. ``DejaVuSans.ttf``."""
    return str(Path(_fonts_folder()) / name)


@functools.cache
def _fonts_folder() -> str:
    package = importlib.util.find_spec("matplotlib")
    if package is None or package.origin is None:
        raise RenderError("matplotlib is not installed. Install upheld again.")
    return str(Path(package.origin).parent / "mpl-data" / "fonts" / "ttf")
