"""``session.toml`` of a demo session: the day's records as text that a person can read."""

import json
from collections.abc import Iterable, Mapping

from reportlib.day import Entry, LongTermEntry, Session

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
    lines += ["", "format = 1", f"date = {session.date}", f"notes = {_value(session.notes)}"]
    lines += _table("speaker", _facts(session.speaker))
    lines += _table("rig", _facts(session.rig))
    for name in ("channels", "calibration", "sweep", "multitone"):
        record = getattr(session, name)
        if record is not None:
            lines += _table(name, _facts(record))
    lines += _table("noise", {"captures": session.noise_captures})
    lines += ["", f"# {COMMENTS['short_term']}"]
    for entry in session.short_term:
        lines += ["", "[[short_term]]", *_rows(_entry(entry))]
    for entry in session.baseline_again:
        lines += ["", f"# {COMMENTS['baseline_again']}", "[[baseline_again]]"]
        lines += _rows({"at": entry.at, "captures": entry.captures})
    lines += ["", f"# {COMMENTS['long_term']}"]
    for long_term in session.long_term:
        lines += _long_term(long_term)
    return "\n".join(lines) + "\n"


def _entry(entry: Entry) -> dict[str, object]:
    return {
        "level_db": entry.level_db,
        "drive_db": entry.drive_db,
        "at": entry.at,
        "captures": entry.captures,
    }


def _long_term(entry: LongTermEntry) -> list[str]:
    facts = {"level_db": entry.level_db, "drive_db": entry.drive_db, "before": entry.before}
    lines = ["", "[[long_term]]", *_rows(facts)]
    for stage in entry.stages:
        lines += ["", "  [[long_term.stage]]"]
        lines += [f"  {row}" for row in _rows(_facts(stage))]
    return lines


def _facts(record: object) -> dict[str, object]:
    facts = dict(vars(record))
    pauses = facts.get("pause_s")
    if isinstance(pauses, tuple) and len(pauses) == 1:
        facts["pause_s"] = pauses[0]
    return facts


def _table(name: str, facts: Mapping[str, object]) -> list[str]:
    comment = f"  # {COMMENTS[name]}" if name in COMMENTS else ""
    return ["", f"[{name}]{comment}", *_rows(facts)]


def _rows(facts: Mapping[str, object]) -> list[str]:
    return [
        f"{name} = {value if name == 'at' else _value(value)}"
        for name, value in facts.items()
        if value is not None and value != ()
    ]


def _value(value: object) -> str:
    """Spell a value as TOML 1.0: JSON's strings and numbers are TOML's as well."""
    if isinstance(value, Iterable) and not isinstance(value, str):
        return f"[{', '.join(_value(part) for part in value)}]"
    return json.dumps(value, ensure_ascii=False)
