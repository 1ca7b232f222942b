"""``session.toml``: the day's records as text that a person can read."""

import json
import re
from collections.abc import Iterable, Mapping

from reportlib.day import Entry, LongTermEntry, Session, Stage

COMMENTS: Mapping[str, str] = {
    "rig": "where and with what it was measured",
    "channels": "which channel of a recording is what, counted from 1",
    "calibration": "what ties samples to dB SPL",
    "sweep": "what was played for a response: an exponential sweep",
    "multitone": "what was played as stress, over and over: one period of it",
    "noise": "the place and the rig with nothing played",
    "short_term": (
        "Short-term: the same sweep, the volume raised. The first entry is the baseline.\n"
        "# level_db is what was asked for at 1 m, drive_db how far the volume was raised."
    ),
    "baseline_again": "the baseline once more at the end of the day: what it differs by is drift",
    "long_term": (
        "Long-term: a sweep before, then stages of stress with a sweep after each.\n"
        "# pause_s runs from the end of the stress to the start of the sweep."
    ),
}


def session_text(session: Session, *, heading: str) -> str:
    """Return the text of ``session.toml``.

    Parameters
    ----------
    session : the facts; what is None or empty is left out
    heading : lines that stand at the top as comments
    """
    lines = [f"# {line}".rstrip() for line in heading.splitlines()]
    lines += ["", "format = 1"]
    lines += _rows({"date": _Bare(session.date) if session.date else None, "notes": session.notes})
    lines += _rows({key: part for key, part in session.kept.items() if key.startswith("x_")})
    for name in ("speaker", "rig", "channels", "calibration", "sweep", "multitone", "text"):
        record = getattr(session, name)
        if record is not None:
            lines += _table(name, _facts(record) | _kept(session, name))
    if session.noise_captures:
        lines += _table("noise", {"captures": session.noise_captures} | _kept(session, "noise"))
    lines += ["", f"# {COMMENTS['short_term']}"]
    for number, entry in enumerate(session.short_term, start=1):
        facts = _entry(entry) | _kept(session, f"short_term.{number}")
        lines += ["", "[[short_term]]", *_rows(facts)]
    for number, entry in enumerate(session.baseline_again, start=1):
        facts = _again(entry) | _kept(session, f"baseline_again.{number}")
        lines += ["", f"# {COMMENTS['baseline_again']}", "[[baseline_again]]", *_rows(facts)]
    if session.long_term:
        lines += ["", f"# {COMMENTS['long_term']}"]
    for number, long_term in enumerate(session.long_term, start=1):
        lines += _long_term(long_term, session=session, place=f"long_term.{number}")
    return "\n".join(lines) + "\n"


class _Bare(str):
    """A value that stands in TOML without quotes: a date or a time."""

    __slots__ = ()


def _kept(session: Session, place: str) -> dict[str, object]:
    """Return the keys of a table that start with ``x_``."""
    kept = session.kept.get(place, {})
    return dict(kept) if isinstance(kept, Mapping) else {}


def _entry(entry: Entry) -> dict[str, object]:
    return {"level_db": entry.level_db, "drive_db": entry.drive_db} | _again(entry)


def _again(entry: Entry) -> dict[str, object]:
    return {
        "at": _Bare(entry.at) if entry.at else None,
        "temperature_c": entry.temperature_c,
        "input_gain_db": entry.input_gain_db or None,
        "captures": entry.captures,
    }


def _long_term(entry: LongTermEntry, *, session: Session, place: str) -> list[str]:
    same = entry.sweep_drive_db == entry.drive_db
    facts = {
        "level_db": entry.level_db,
        "drive_db": entry.drive_db,
        "sweep_drive_db": None if same else entry.sweep_drive_db,
        "before": entry.before,
    }
    lines = ["", "[[long_term]]", *_rows(facts | _kept(session, place))]
    for number, stage in enumerate(entry.stages, start=1):
        rows = _rows(_stage(stage) | _kept(session, f"{place}.stage.{number}"))
        lines += ["", "  [[long_term.stage]]", *(f"  {row}" for row in rows)]
    return lines


def _stage(stage: Stage) -> dict[str, object]:
    facts = _facts(stage)
    if len(set(stage.pause_s)) == 1:
        facts["pause_s"] = stage.pause_s[0]
    return facts


def _facts(record: object) -> dict[str, object]:
    return dict(vars(record))


def _table(name: str, facts: Mapping[str, object]) -> list[str]:
    comment = f"  # {COMMENTS[name]}" if name in COMMENTS else ""
    return ["", f"[{name}]{comment}", *_rows(facts)]


def _rows(facts: Mapping[str, object]) -> list[str]:
    return [
        f"{name} = {_value(value)}"
        for name, value in facts.items()
        if value is not None and value != ()
    ]


def _value(value: object) -> str:
    """Spell a value as TOML 1.0: JSON's strings and numbers are TOML's as well."""
    if isinstance(value, _Bare):
        return str(value)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{_key(key)} = {_value(part)}' for key, part in value.items())} }}"
    if isinstance(value, Iterable) and not isinstance(value, str):
        return f"[{', '.join(_value(part) for part in value)}]"
    # TOML allows no bare DEL in a string, which JSON leaves as it is
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: object) -> str:
    """Spell a key: bare where TOML allows it."""
    text = str(name)
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else json.dumps(text, ensure_ascii=False)
