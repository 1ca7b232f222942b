"""``session.toml``: the day's records as text that a person can read."""

import datetime
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from reportlib.day import Comment, Session, SessionFile, document_of, keys_of


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
