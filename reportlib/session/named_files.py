"""The files that a session names: each is there, inside the folder, once, and holds data."""

import difflib
import hashlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from reportlib.day import SessionFile, document_of
from reportlib.errors import CaptureError
from reportlib.session.faults import Fault, Place, key_name

_NAMING_KEYS = {
    "microphone_correction",
    "recording",
    "stimulus",
    "captures",
    "before",
    "stress",
    "after",
}
_MOST_LISTED = 1000  # files looked through for a like name


def named_files(facts: SessionFile) -> Iterator[tuple[Place, str]]:
    """Yield the place and the path of every file that the session names."""
    yield from _walk(document_of(facts), place=())


def file_digests(root: Path, *, facts: SessionFile) -> dict[str, str]:
    """Return the SHA-256 of every file that the session names, as hexadecimal text by path.

    Raises
    ------
    Fault
        A file is missing, empty, no file, cannot be read, lies outside the folder (through a
        link), or is named twice; by the file itself, so that a second name does not hide it.
    """
    digests: dict[str, str] = {}
    seen: dict[tuple[int, int], Place] = {}
    inside = root.resolve()
    for place, path in named_files(facts):
        try:
            if not (root / path).resolve().is_relative_to(inside):
                text = (
                    f"{key_name(place)} names {path}, a link that leaves the session folder. "
                    "Copy the file into the folder."
                )
                raise Fault(text)
            _check_file(root, place=place, path=path)
            status = (root / path).stat()
            first = seen.setdefault((status.st_dev, status.st_ino), place)
            if first != place:
                text = (
                    f"{key_name(place)} names {path}, the file that {key_name(first)} names "
                    "already; a recording counts once. Remove one, or correct its name."
                )
                raise Fault(text)
            with (root / path).open("rb") as file:
                digests[path] = hashlib.file_digest(file, "sha256").hexdigest()
        except (OSError, RuntimeError) as error:  # RuntimeError: links that lead in a circle
            reason = getattr(error, "strerror", None) or "a link that leads to itself"
            text = f"{key_name(place)} names {path}, which cannot be read ({reason}). Check it."
            raise Fault(text, error=CaptureError) from error
    return digests


def _walk(value: object, *, place: Place) -> Iterator[tuple[Place, str]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from _walk(item, place=(*place, key))
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from _walk(item, place=(*place, index))
    elif isinstance(value, str) and _NAMING_KEYS.intersection(place[-2:]):
        yield place, value


def _check_file(root: Path, *, place: Place, path: str) -> None:
    full = root / path
    if not full.exists():
        found = f"which is not there{_like_named(root, path)}. Correct the name, or add the file."
    elif not full.is_file():
        kind = "a folder" if full.is_dir() else "not an ordinary file"
        found = f"which is {kind}. Name a file."
    elif full.stat().st_size == 0:
        found = "which is empty (0 bytes). Record or copy it again."
    else:
        return
    raise Fault(f"{key_name(place)} names {path}, {found}", error=CaptureError)


def _like_named(root: Path, path: str) -> str:
    """Return which files in the folder look most like `path`, as a clause."""
    present: list[str] = []
    for top, folders, files in os.walk(root):
        folders[:] = sorted(name for name in folders if name != "out" and name[0] != ".")
        present += [(Path(top) / name).relative_to(root).as_posix() for name in sorted(files)]
        if len(present) > _MOST_LISTED:
            break
    near = difflib.get_close_matches(path, present[:_MOST_LISTED], n=3, cutoff=0.6)
    return f"; nearest present: {', '.join(near)}" if near else "; no file of a like name is there"
