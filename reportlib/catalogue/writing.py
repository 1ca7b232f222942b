"""The catalogue in its place: pictures first, then the page, then what is no longer needed goes."""

import hashlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from reportlib import files
from reportlib.archive import Index
from reportlib.catalogue.ladder import ladder_svg
from reportlib.catalogue.page import Listed, catalogue_html, listed, title_of
from reportlib.errors import RenderError
from reportlib.one_line import one_line

FOLDER = "catalogue"
_PICTURES = "pictures"
_OURS = b'<meta name="generator" content="upheld'
_HEAD_BYTES = 4000


def write_catalogue(index: Index, *, archive: Path) -> Path:
    """Write ``catalogue/index.html`` and ``catalogue/pictures/`` below `archive`.

    What is there already as it is to be is left alone. A picture's name is its content's, so
    that the old page stays whole until the new one takes its place.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    RenderError
        Something could not be written, or a page of somebody else's is in the way.
    """
    folder = archive / FOLDER
    for place in (folder, folder / _PICTURES):
        files.clear_leftovers(place, inside=archive)
    used: set[str] = set()

    def sessions() -> Iterator[Listed]:
        for one in index.pictured():
            picture = _kept_picture(folder, ladder=one.ladder, archive=archive, used=used)
            yield listed(one.row, address=one.address, picture=picture)

    page = folder / "index.html"
    data = catalogue_html(sessions(), title=title_of(archive), count=len(index)).encode(
        "utf-8", "replace"
    )
    _refuse_anothers(page)
    if not _holds(page, data):
        files.write_bytes_safely(page, data, inside=archive)
    files.refuse_links(folder / _PICTURES, inside=archive)
    for path in (folder / _PICTURES).glob("*.svg"):
        if path.name not in used:
            with suppress(OSError):
                path.unlink()
    return page


def _kept_picture(folder: Path, *, ladder: str, archive: Path, used: set[str]) -> str:
    data = ladder_svg(ladder).encode()
    if not data:
        return ""
    name = f"{hashlib.sha256(data).hexdigest()[:16]}.svg"
    if name not in used and not _holds(folder / _PICTURES / name, data):
        files.write_bytes_safely(folder / _PICTURES / name, data, inside=archive)
    used.add(name)
    return f"{_PICTURES}/{name}"


def _refuse_anothers(page: Path) -> None:
    """Refuse to write over a page that is none of ours."""
    with suppress(OSError):
        head = files.read_bytes(page, inside=page.parent, most=_HEAD_BYTES)
        if _OURS not in head:
            raise RenderError(
                one_line(
                    f"{page}: was not made by upheld, and is left as it is. Move it away, or list "
                    "with --no-catalogue."
                )
            )


def _holds(path: Path, data: bytes) -> bool:
    try:
        return path.read_bytes() == data
    except OSError:
        return False
