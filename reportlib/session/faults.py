"""How a fault in ``session.toml`` is said, and the files that it names: each there, inside, once.

A place is the way into the document as pydantic gives it, e.g. ``("long_term", 0, "stage", 1,
"pause_s")``. It is named by table and key: the standard library's TOML reader keeps no lines.
"""

import datetime
import difflib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from reportlib.errors import CaptureError, ReportError, SessionError
from reportlib.session.day import Comment, SessionFile, Table, document_of, keys_of

Place = tuple[str | int, ...]

CORRECT = "Correct it in session.toml."

_KINDS = {
    "float_type": "a number without quotes",
    "int_type": "a whole number without quotes",
    "finite_number": "a number, not nan or inf",
    "string_type": "text in quotes",
    "tuple_type": "a list in [ ]",
}


class Fault(Exception):  # noqa: N818 - becomes an `error` where the file is known
    """Something in the document that cannot be; its text names table and key, but no file."""

    def __init__(
        self,
        text: str,
        *,
        line: int | None = None,
        error: type[ReportError] = SessionError,
    ) -> None:
        super().__init__(text)
        self.line = line
        self.error = error


def shown(value: object) -> str:
    """Return `value` as TOML would write it, cut where it is long.

    >>> shown("gate"), shown(True), shown([1.0, 2])
    ('"gate"', 'true', '[1.0, 2]')
    """
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        if any(isinstance(item, Mapping | list) for item in value):
            return "a list of tables or lists"
        text = f"[{', '.join(shown(item) for item in value[:4])}{', …' if value[4:] else ''}]"
    elif isinstance(value, datetime.date | datetime.time):
        text = value.isoformat()
    elif isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, int) and abs(value) > 10**18:
        text = "a huge number"
    else:
        text = repr(value)
    return text if len(text) <= 80 else f"{text[:76]} …"


def table_name(place: Place) -> str:
    """Return how the table at `place` is written, with the number of its entry.

    >>> table_name(("rig",)), table_name(("long_term", 0, "stage", 1))
    ('[rig]', '[[long_term]] entry 1, [[long_term.stage]] entry 2')
    """
    parts, keys = [], []
    for step, following in zip(place, (*place, None)[1:], strict=True):
        if isinstance(step, str):
            keys.append(step)
            if isinstance(following, int):
                parts.append(f"[[{'.'.join(keys)}]] entry {following + 1}")
            elif following is None:
                parts.append(_header(place))
    return ", ".join(parts)


def key_name(place: Place) -> str:
    """Return how the key or table at `place` is called, with its number where it is in a list."""
    *before, last = place
    if isinstance(last, int):
        if _table_in(_field(place).annotation):
            return table_name(place)
        return f"{key_name(tuple(before))}, value {last + 1}"
    if _table_in(_field(place).annotation):
        return table_name(place)
    table = table_name(tuple(before))
    return f"{last} in {table}" if table else last


def value_at(document: Any, place: Place) -> Any:
    """Return the value at `place`; a LookupError or TypeError says that there is none."""
    for step in place:
        document = document[step]
    return document


def first_fault(error: ValidationError, *, document: Mapping[str, Any]) -> Fault:
    """Return what to mend first: an unknown key, as a wrong name leaves a right one missing."""
    details = error.errors(include_url=False, include_context=False)
    unknown = [detail for detail in details if detail["type"] == "unexpected_keyword_argument"]
    detail = (unknown or details)[0]
    place: Place = tuple(detail["loc"])
    if unknown:
        return Fault(_unknown_key(place))
    if detail["type"] == "missing":
        return Fault(missing_key(place))
    if isinstance(place[-1], int) and not isinstance(value_at(document, place[:-1]), list):
        place = place[:-1]  # one value, written without the brackets of a list
    found = shown(value_at(document, place))
    expected = _expected(detail["type"], place=place, found=detail["input"], text=detail["msg"])
    return Fault(f"{key_name(place)} is {found}, expected {expected}. {CORRECT}")


def missing_key(place: Place, *, why: str = "") -> str:
    """Return the text about a key or table that has to be there, with what to add."""
    field = _field(place)
    meaning = f" ({_meaning(field)})" if _meaning(field) else ""
    needed = f", needed {why}" if why else ""
    if _table_in(field.annotation):
        header = _header(place)
        within = f" in {table_name(place[:-1])}" if place[:-1] else ""
        return f"{header} is missing{within}{meaning}{needed}. Add a table under {header}."
    where = _within(table_name(place[:-1]))
    line = f"{place[-1]} = {field.examples[0]}" if field.examples else str(place[-1])
    return f"{place[-1]} is missing {where}{meaning}{needed}. Add a line such as {line}"


def nearest(word: str, known: Sequence[str], *, cutoff: float = 0.6) -> str | None:
    """Return the one of `known` that `word` was most likely meant to be, if any is near.

    >>> nearest("Gate-ms", ["gate_ms", "space"])
    'gate_ms'
    """
    plain = {_plain(name): name for name in reversed(known)}
    close = difflib.get_close_matches(_plain(word[:200]), list(plain), n=1, cutoff=cutoff)
    return plain[close[0]] if close else None


def _expected(kind: str, *, place: Place, found: object, text: str) -> str:
    field = _field(place)
    if kind == "literal_error":
        words = _words(field.annotation)
        near = nearest(str(found), words) if isinstance(found, str) else None
        hint = f" (the nearest is {shown(near)})" if near else ""
        return f"one of {', '.join(shown(word) for word in words)}{hint}"
    if kind == "tuple_type" and _table_in(field.annotation):
        return f"a list of tables, each under {_header(place)} with two brackets"
    if kind == "dataclass_type":
        return f"a table under {_header(place)}"
    return _KINDS.get(kind, text)


def _unknown_key(place: Place) -> str:
    key = str(place[-1])
    tables = dict(_tables(SessionFile, place=()))
    here = _header(place[:-1]) if place[:-1] else ""
    found = f"{shown(key)} {_within(table_name(place[:-1]))} is not a known key"
    keep = "or start it with x_ to have it kept and ignored"
    homes = [_within(home) for home, keys in tables.items() if key in keys]
    if homes:
        return f"{found}: it belongs {' or '.join(homes)}. Move it there, {keep}."
    near = nearest(key, tables[here])
    if near:
        return f"{found}: the nearest is {near}. Correct it, {keep}."
    for home, keys in tables.items():
        near = nearest(key, keys, cutoff=0.8)
        if near:
            return f"{found}: the nearest is {near} {_within(home)}. Correct and move it, {keep}."
    return f"{found}: known there are {', '.join(tables[here])}. Remove it, {keep}."


def _within(table: str) -> str:
    return f"in {table}" if table else "at the top of the file"


def _tables(table: type[Table], *, place: Place) -> Iterator[tuple[str, list[str]]]:
    keys = keys_of(table)
    yield _header(place) if place else "", list(keys)
    for key, field in keys.items():
        inner = _table_in(field.annotation)
        if inner:
            yield from _tables(inner, place=(*place, key))


def _header(place: Place) -> str:
    keys = [step for step in place if isinstance(step, str)]
    name = ".".join(keys)
    return f"[[{name}]]" if get_origin(_field(place).annotation) is tuple else f"[{name}]"


def _field(place: Place) -> FieldInfo:
    """Return the field at `place`, or the field of the list that it is a value of."""
    table: type[Table] = SessionFile
    *tables, last = (step for step in place if isinstance(step, str))
    for key in tables:
        inner = _table_in(keys_of(table)[key].annotation)
        assert inner is not None, place
        table = inner
    return keys_of(table)[last]


def _meaning(field: FieldInfo) -> str:
    comments = [one.text for one in field.metadata if isinstance(one, Comment)]
    return field.description or "".join(comments)


def _table_in(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    inner = (_table_in(part) for part in get_args(annotation))
    return next((found for found in inner if found), None)


def _words(annotation: Any) -> list[str]:
    """Return the words of a Literal, inside a union or not."""
    parts = get_args(annotation)
    return [w for part in parts for w in ([part] if isinstance(part, str) else _words(part))]


def _plain(key: str) -> str:
    return key.casefold().replace("-", "_").replace(" ", "_")


_NAMING_KEYS = {
    "microphone_correction",
    "recording",
    "stimulus",
    "captures",
    "impulse_responses",
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
