"""What was: earlier notebooks of a session, what was published, what ``out/`` was made from.

``.upheld/history/`` holds notebooks:

A notebook is kept before anything is written over it and again when it has been written, so
that neither the reviewer's words nor the tool's are lost when the other saves over them. A
state that is the newest one already is not kept twice. The oldest go when there are more than
`MOST_KEPT`.

The memory holds one entry for every `upheld publish`: when, by which version, from which captures
and which words, with which grades and numbers. What two of them differ by is what a correction
must say.

Page, section and PDF come from the saved notebook and the kept results. Which ones those were
is written down when they are rendered, so that it can be told later whether they still are.
"""

import datetime
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reportlib import __version__
from reportlib.errors import NotebookError
from reportlib.judge.records import SEAT_SETUP, BandResult
from reportlib.publish import memory
from reportlib.session import files
from reportlib.write.changed import Changed, Published
from reportlib.write.quotes import Fact, band_key, written

MOST_KEPT = 30


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
    return session_folder / memory.FOLDER / "history"


def versions(session_folder: Path) -> tuple[Version, ...]:
    """List the kept notebooks, the oldest first."""
    folder = history_folder(session_folder)
    reasons = memory.read(session_folder).why_kept
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
                why=reasons.get(int(number[1]), ""),
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
    left = {version.number for version in kept[-MOST_KEPT:]}
    reasons = memory.read(session_folder).why_kept
    kept_why = {key: value for key, value in reasons.items() if key in left} | {number: why}
    memory.change(session_folder, why_kept=kept_why)
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


MOST_ENTRIES = 100


def record(
    *,
    when: datetime.datetime,
    tool_version: str,
    digests: Mapping[str, str],
    narrative: Mapping[str, str],
    judged: Mapping[str, str],
    numbers: Mapping[str, str],
) -> Published:
    """Make the entry of a publication.

    Parameters
    ----------
    digests : of the session's files, by path
    narrative : texts by slot
    """
    listed = "\n".join(f"{path} {digest}" for path, digest in sorted(digests.items()))
    return Published(
        when=when.replace(microsecond=0, tzinfo=None).isoformat(),
        tool_version=tool_version,
        captures=_digest(listed),
        narrative={slot: _digest(text) for slot, text in sorted(narrative.items())},
        judged=dict(sorted(judged.items())),
        numbers=dict(sorted(numbers.items())),
    )


def keep_published(session_folder: Path, entry: Published) -> None:
    """Add a publication to the record, unless it says what the last one said.

    Raises
    ------
    RenderError
        It could not be written.
    """
    before = memory.read(session_folder).published
    if before and replace(before[-1], when=entry.when) == entry:
        return  # the same words about the same numbers
    memory.change(session_folder, published=(*before, entry)[-MOST_ENTRIES:])


def changes(
    then: Published, *, judged: Mapping[str, str], numbers: Mapping[str, str]
) -> tuple[Changed, ...]:
    """Return which grades read otherwise now, and which of the numbers quoted then.

    A number that was not quoted then is no correction; one that has gone is. Every report answers
    the same needs, and grades what was heard while it played; what stands on one side alone, an
    earlier version wrote of another seat, or did not grade.
    """
    found = [
        Changed(name=name, then=then.judged.get(name, ""), now=judged.get(name, ""))
        for name in dict.fromkeys((*then.judged, *judged))
        if not name.startswith(("need.", "stress.")) or (name in then.judged and name in judged)
    ]
    found += [
        Changed(name=name, then=value, now=numbers.get(name, ""))
        for name, value in then.numbers.items()
    ]
    return tuple(one for one in found if one.then != one.now)


def since_published(
    session_folder: Path, *, judged: Mapping[str, str], facts: Mapping[str, Fact]
) -> tuple[Published | None, tuple[Changed, ...]]:
    """Return the last publication, None before the first, and what reads otherwise since."""
    published = memory.read(session_folder).published
    if not published:
        return None, ()
    last = published[-1]
    numbers = written_numbers(facts, names=frozenset(last.numbers))
    return last, changes(last, judged=judged, numbers=numbers)


def judged(document: Mapping[str, Any]) -> dict[str, str]:
    """Return what ``results.json`` judges, by name: grades, causes and answers, as they are said.

    Raises
    ------
    KeyError, TypeError
        It is no such document.
    """
    found = {}
    for band in document["bands"]:
        may_be = band["grade_may_be"]
        said = f"{band['grade']}, may be {may_be}" if may_be else str(band["grade"])
        found[band_key(BandResult(**band))] = said
    for one in document.get("findings", ()):
        found[f"finding.{one['cause']}"] = f"fits, {one['confidence']} confidence"
    for one in document.get("needs", ()):
        if one["setup"] == SEAT_SETUP:  # no words speak of what is needed elsewhere
            found[f"need.{one['need']}, {SEAT_SETUP}"] = str(one["answer"])
    return found


def quoted_names(texts: Sequence[str]) -> frozenset[str]:
    """Return the names of the facts that Markdown texts quote."""
    found = [name for text in texts for name in re.findall(r"\]\(#fact-([\w.-]+)\)", text)]
    return frozenset(found)


def written_numbers(facts: Mapping[str, Fact], *, names: frozenset[str]) -> dict[str, str]:
    """Write the facts of these names as they stand in prose."""
    return {name: written(facts[name]) for name in sorted(names) if name in facts}


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def keep_rendered(session_folder: Path, *, notebook: bytes, results: bytes, verdict: str) -> None:
    """Write down what the session's ``out/`` has just been made from.

    Raises
    ------
    RenderError
        It could not be written.
    """
    kept = memory.Rendered(
        tool_version=__version__,
        notebook=hashlib.sha256(notebook).hexdigest(),
        words=words_digest(notebook),
        results=hashlib.sha256(results).hexdigest(),
        verdict=verdict,
    )
    memory.change(session_folder, rendered=kept)


def words_digest(notebook: bytes) -> str:
    r"""Return a digest of a notebook's cells as people write them: kind, text, attachments.

    Outputs, run counts and what editors keep beside the cells do not count. Bytes that are no
    notebook have a digest of their own.

    >>> one = b'{"cells": [{"cell_type": "markdown", "source": ["a\\n", "b"], "id": "1"}]}'
    >>> words_digest(one) == words_digest(one.replace(b'["a\\n", "b"]', b'"a\\nb"'))
    True
    >>> words_digest(one) == words_digest(one.replace(b"a", b"c"))
    False
    """
    try:
        cells = [_of_cell(cell) for cell in json.loads(notebook)["cells"]]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return hashlib.sha256(notebook).hexdigest()
    return hashlib.sha256(json.dumps(cells, sort_keys=True).encode()).hexdigest()


def _of_cell(cell: Mapping[str, Any]) -> list[Any]:
    source = cell.get("source", "")
    text = source if isinstance(source, str) else "".join(map(str, source))
    return [cell["cell_type"], text, cell.get("attachments", {})]
