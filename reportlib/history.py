"""Earlier notebooks of a session, in ``.upheld/history/``: kept, listed, put back.

A notebook is kept before anything is written over it and again when it has been written, so
that neither the reviewer's words nor the tool's are lost when the other saves over them. A
state that is the newest one already is not kept twice. The oldest go when there are more than
`MOST_KEPT`.
"""

import datetime
import json
import re
from dataclasses import dataclass
from pathlib import Path

from reportlib import files
from reportlib.errors import NotebookError

MOST_KEPT = 30
_WHY = "why.json"


@dataclass(frozen=True, kw_only=True)
class Version:
    """One kept notebook; `saved` is when it was last written, `why` may have been lost."""

    number: int
    path: Path
    saved: datetime.datetime
    size: int
    why: str


def history_folder(session_folder: Path) -> Path:
    """Return where a session's earlier notebooks lie."""
    return session_folder / ".upheld" / "history"


def versions(session_folder: Path) -> tuple[Version, ...]:
    """List the kept notebooks, the oldest first."""
    folder = history_folder(session_folder)
    reasons = _reasons(session_folder)
    found = []
    for path in sorted(folder.glob("*.ipynb")):
        number = re.match(r"(\d+)-", path.name)
        if number is None or not path.is_file():
            continue
        status = path.stat()
        found.append(
            Version(
                number=int(number[1]),
                path=path,
                saved=datetime.datetime.fromtimestamp(status.st_mtime),
                size=status.st_size,
                why=reasons.get(str(int(number[1])), ""),
            )
        )
    return tuple(sorted(found, key=lambda version: version.number))


def keep(session_folder: Path, notebook: Path, *, why: str) -> Path | None:
    """Keep a copy of a notebook, unless it is what was kept last; the oldest go.

    Raises
    ------
    RenderError
        It could not be read or the copy not written.
    """
    folder = history_folder(session_folder)
    kept = versions(session_folder)
    if kept and _same_bytes(kept[-1].path, notebook, inside=session_folder):
        return None
    copy = files.keep_copy(notebook, folder, inside=session_folder)
    number = int(copy.name.split("-")[0])
    kept = versions(session_folder)
    for old in kept[: max(0, len(kept) - MOST_KEPT)]:
        old.path.unlink(missing_ok=True)
    left = {str(version.number) for version in kept[-MOST_KEPT:]}
    reasons = {key: value for key, value in _reasons(session_folder).items() if key in left}
    reasons[str(number)] = why
    text = json.dumps(reasons, ensure_ascii=False, indent=1) + "\n"
    files.write_text_safely(folder / _WHY, text, inside=session_folder)
    return copy


def restore(session_folder: Path, *, number: int, notebook: Path) -> Version:
    """Put a kept notebook in the place of the present one, which is kept first.

    Raises
    ------
    NotebookError
        There is no such number, or what was kept cannot be read.
    RenderError
        It could not be written; the present notebook is as it was.
    """
    found = [version for version in versions(session_folder) if version.number == number]
    if not found:
        numbers = ", ".join(str(version.number) for version in versions(session_folder)) or "none"
        raise NotebookError(
            f"{history_folder(session_folder)}: there is no version {number}. Kept are: {numbers}."
        )
    try:
        data = files.read_bytes(found[0].path, inside=session_folder)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(f"{found[0].path}: could not be read ({reason}).") from error
    if notebook.exists():
        keep(session_folder, notebook, why=f"before version {number} was put back")
    files.write_bytes_safely(notebook, data, inside=session_folder)
    return found[0]


def set_aside(notebook: Path) -> Path:
    """Move a damaged notebook out of the way under a name that is free; return where it is.

    Raises
    ------
    NotebookError
        It could not be moved.
    """
    number = 1
    while (aside := notebook.with_name(f"{notebook.stem}.damaged-{number}.ipynb")).exists():
        number += 1
    try:
        notebook.rename(aside)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(
            f"{notebook} is damaged and could not be moved aside ({reason}). Move it away."
        ) from error
    return aside


def _same_bytes(one: Path, other: Path, *, inside: Path) -> bool:
    try:
        return files.read_bytes(one, inside=inside) == files.read_bytes(other, inside=inside)
    except OSError:
        return False


def _reasons(session_folder: Path) -> dict[str, str]:
    try:
        why = history_folder(session_folder) / _WHY
        found = json.loads(files.read_bytes(why, inside=session_folder))
    except (OSError, ValueError, RecursionError):
        return {}
    return {str(key): str(value) for key, value in found.items()} if isinstance(found, dict) else {}
