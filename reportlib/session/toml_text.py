"""``session.toml`` as text: from the folder to a TOML document, and from records to text.

Keys that are only kept (``x_``) are set apart; what is written back is meant for people to read.
"""

import datetime
import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from reportlib.session.day import FORMAT, Comment, Session, SessionFile, document_of, keys_of
from reportlib.session.faults import CORRECT, Fault, Place, nearest, shown
from reportlib.session.files import read_bytes

NAME = "session.toml"

_MOST_BYTES = 1_000_000  # a long day takes 20 kB; a larger file is no list of facts
_DEEPEST = 24  # tables in tables; the format itself needs 5
# The standard library's reader takes time by the square of a key's parts: a minute for 100 000
# (measured). With these, a file as large as may be takes three seconds at worst.
_MOST_DOTS = 1000


def toml_bytes(toml: Path) -> bytes:
    """Return what a session folder's ``session.toml`` holds, or another file of its kind.

    Raises
    ------
    Fault
        There is no such folder or file, or it cannot be read.
    """
    root = toml.parent
    try:
        if root.is_file():
            text = f"{root} is a file, expected the folder that holds {NAME}. Give {root.parent}."
            raise Fault(text)
        if not root.is_dir():
            raise Fault(f"there is no folder {root}. Give the folder that holds {NAME}.")
        if not toml.exists():
            raise Fault(f"there is no such file. {_where_instead(root)}")
        data = read_bytes(toml, inside=root, most=_MOST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file system takes
        reason = getattr(error, "strerror", None) or error
        raise Fault(f"cannot be read ({reason}). Check its name and permissions.") from error
    if len(data) > _MOST_BYTES:
        text = (
            f"larger than {_MOST_BYTES // 1_000_000} MB, expected the facts of one day, a few kB. "
            "Keep measured data in files of their own."
        )
        raise Fault(text)
    return data


def toml_text(data: bytes) -> str:
    """Return `data` as text with Unix line ends.

    Raises
    ------
    Fault
        It is not plain UTF-8.
    """
    line = None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        found = "saved as UTF-16"
    elif data.startswith(b"\xef\xbb\xbf"):
        found = "starts with a byte-order mark"
    else:
        try:
            return data.decode("utf-8").replace("\r\n", "\n")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            found = f"the byte 0x{data[error.start]:02X} is not UTF-8"
    text = f"{found}, expected plain UTF-8 text. Save it as UTF-8 without a byte-order mark."
    raise Fault(text, line=line)


def toml_document(text: str) -> dict[str, Any]:
    """Return the document, which is TOML 1.0 and of the format that this version reads.

    Raises
    ------
    Fault
        It is not.
    """
    for line, row in enumerate(text.split("\n"), start=1):
        if row.count(".") > _MOST_DOTS:
            said = (
                f"a line with more than {_MOST_DOTS} dots: a key has few parts, a long list may "
                f"stand on several lines. {CORRECT}"
            )
            raise Fault(said, line=line)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_fault(text, said=str(error)) from error
    except (RecursionError, ValueError) as error:  # ValueError: Python's limit of digits
        deep = isinstance(error, RecursionError)
        found = "brackets nested too deep" if deep else "a number of thousands of digits"
        raise Fault(f"{found}. {CORRECT}") from error
    number = document.get("format")
    if number is None:
        raise Fault(f"format is missing. Add format = {FORMAT} as the first line.")
    whole = isinstance(number, int) and not isinstance(number, bool)
    if whole and number > FORMAT:
        said = (
            f"format is {shown(number)}: written for a newer upheld, this one reads format = "
            f"{FORMAT}. Update upheld."
        )
        raise Fault(said)
    if not whole or number != FORMAT:
        raise Fault(f"format is {shown(number)}, expected {FORMAT}. {CORRECT}")
    return document


def without_kept(document: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the document without the keys that start with ``x_``, and those.

    The kept keys of a table lie under its dotted name (``"rig"``, ``"short_term.2"``), those
    of the top of the file under their own; dates and times among them are ISO 8601 text.

    Raises
    ------
    Fault
        Tables are nested deeper than anything could mean.
    """
    kept: dict[str, Any] = {}
    return _split(document, place=(), kept=kept), kept


def _where_instead(root: Path) -> str:
    with os.scandir(root) as entries:
        names = sorted(entry.name for entry in entries)
    below = [name for name in names if (root / name / NAME).is_file()]
    if below:
        return f"There is one in {root / below[0]}: give that folder."
    if (root.parent / NAME).is_file():
        return f"There is one in {root.parent}: give that folder."
    near = nearest(NAME, [name for name in names if (root / name).is_file()], cutoff=0.75)
    if near:
        return f"There is {near}: rename it to {NAME}."
    return "Give another folder, or write it (README, The session folder)."


def _syntax_fault(text: str, *, said: str) -> Fault:
    """Return where and why the text is no TOML, from the words of the standard library."""
    found = re.search(r" \(at line (\d+), column (\d+)\)$", said)
    line = int(found[1]) if found else text.rstrip("\n").count("\n") + 1
    why = said[: found.start()] if found else said
    row = text.split("\n")[line - 1]
    hint = CORRECT
    if re.search(r"=\s*\d\d?:\d\d\s*(#|$)", row):
        hint = "Write a time of day with seconds, such as 10:32:00."
    elif re.search(r"=\s*[+-]?\d+,\d", row):
        hint = "Write numbers with a decimal point."
    elif re.search(r"=\s*[^\W\d]", row) and why.startswith("Invalid value"):
        hint = "Write text in quotes."
    at = f" at column {found[2]}" if found else ""
    return Fault(f"not valid TOML 1.0{at}: {why[:1].lower()}{why[1:]}. {hint}", line=line)


def _split(value: Any, *, place: Place, kept: dict[str, Any]) -> Any:
    _check_depth(place)
    if isinstance(value, list):
        return [_split(item, place=(*place, i), kept=kept) for i, item in enumerate(value)]
    if not isinstance(value, Mapping):
        return value
    own = {
        key: _plain(item, place=(*place, key))
        for key, item in value.items()
        if key.startswith("x_")
    }
    if own:
        name = ".".join(str(step + 1 if isinstance(step, int) else step) for step in place)
        kept.update({name: own} if name else own)
    return {
        key: _split(item, place=(*place, key), kept=kept)
        for key, item in value.items()
        if key not in own
    }


def _plain(value: Any, *, place: Place) -> Any:
    """Return a kept value as plain JSON: dates and times as text."""
    _check_depth(place)
    if isinstance(value, Mapping):
        return {key: _plain(item, place=(*place, key)) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item, place=(*place, i)) for i, item in enumerate(value)]
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return value


def _check_depth(place: Place) -> None:
    if len(place) > _DEEPEST:
        raise Fault(f"{shown(place[0])} is nested too deep. {CORRECT}")


def session_text(session: Session, *, heading: str) -> str:
    """Return the text of ``session.toml``.

    Parameters
    ----------
    session : the facts; what is None or empty is left out
    heading : lines that stand at the top as comments
    """
    lines = [f"# {line}".rstrip() for line in heading.splitlines()]
    document = document_of(session)
    top, tables = _parted(document)
    lines += ["", *_rows(top | {k: v for k, v in session.kept.items() if k.startswith("x_")})]
    keys = keys_of(SessionFile)
    for name, value in tables.items():
        comment = next((one for one in keys[name].metadata if isinstance(one, Comment)), None)
        if isinstance(value, Mapping):
            beside = f"  # {comment.text}" if comment else ""
            lines += ["", f"[{name}]{beside}", *_rows({**value, **_kept(session, name)})]
            continue
        above = [f"# {comment.text}"] if comment else []
        if comment and comment.apart:
            lines += ["", *above]
            above = []
        lines += _entries(name, value, place=name, above=above, session=session)
    return "\n".join(lines) + "\n"


def _entries(
    name: str,
    entries: Iterable[Mapping[str, Any]],
    *,
    place: str,
    session: Session,
    above: Iterable[str] = (),
    indent: str = "",
) -> Iterator[str]:
    """Yield a list of tables, the lists within an entry below it."""
    for number, entry in enumerate(entries, start=1):
        here = f"{place}.{number}"
        facts, within = _parted(entry)
        yield from ("", *above, f"{indent}[[{name}]]")
        yield from (f"{indent}{row}" for row in _rows(facts | _kept(session, here)))
        for key, inner in within.items():
            yield from _entries(
                f"{name}.{key}",
                inner,
                place=f"{here}.{key}",
                session=session,
                indent=f"{indent}  ",
            )


def _parted(table: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the plain keys of a table, and its tables and lists of tables."""
    within = {
        key: value
        for key, value in table.items()
        if isinstance(value, Mapping)
        or (isinstance(value, tuple) and value and isinstance(value[0], Mapping))
    }
    return {key: value for key, value in table.items() if key not in within}, within


def _kept(session: Session, place: str) -> dict[str, object]:
    """Return the keys of a table that start with ``x_``."""
    kept = session.kept.get(place, {})
    return dict(kept) if isinstance(kept, Mapping) else {}


def _rows(facts: Mapping[str, object]) -> list[str]:
    return [
        f"{_key(name)} = {_value(value)}"
        for name, value in facts.items()
        if value is not None and value != ()
    ]


def _value(value: object) -> str:
    """Spell a value as TOML 1.0: JSON's strings and whole numbers are TOML's as well."""
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    if isinstance(value, float):
        return float.__repr__(value)  # inf and nan too, which JSON spells otherwise
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{_key(key)} = {_value(part)}' for key, part in value.items())} }}"
    if isinstance(value, Iterable) and not isinstance(value, str):
        return f"[{', '.join(_value(part) for part in value)}]"
    # TOML allows no bare DEL in a string, which JSON leaves as it is
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    """Spell a key: bare where TOML allows it."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)
