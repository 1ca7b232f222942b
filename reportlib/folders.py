"""Folders of one process while it fills them: in place when they are whole, gone otherwise.

Their names are hidden, and the process holds them by a lock that ends with it: those of killed
ones are cleared by whoever next makes one there (`files.clear_leftovers`). Windows can't hold a
folder; there they stay.
"""

import errno
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reportlib import files


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
    folder, descriptor = place.with_name(f".{name}.new-{secrets.token_hex(4)}"), -1
    try:
        folder.mkdir(0o700)
        if os.name != "nt":
            descriptor = os.open(folder, os.O_RDONLY)
            files.hold(descriptor)
    except OSError as error:
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
