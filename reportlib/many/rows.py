"""One session's row, what it says in a few words, and what it says otherwise than before.

Whatever lies in an archive may be damaged, half copied or made by somebody else: values are
taken by their type, and a document that is none makes a row that says so.
"""

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, get_args

from reportlib.errors import ReportError, one_line
from reportlib.judge.limits import kind_of
from reportlib.judge.records import SEAT_SETUP, Limit
from reportlib.judge.thresholds import BEHIND_DB, LARGEST_UNUSABLE_SHARE
from reportlib.many.columns import (
    CANT_TELL,
    COLUMNS,
    DAMAGED,
    NEEDS,
    NO,
    NO_REPORT,
    NOT_TESTED,
    PLANNED,
    REPORTED,
    YES,
    Value,
    limit_column,
    seat_column,
    slug,
)
from reportlib.measure.levels import BANDS
from reportlib.numbers import highest_end, listed, true_minus
from reportlib.publish import memory
from reportlib.publish.results import last_parameters
from reportlib.session import files
from reportlib.session.day import Speaker
from reportlib.session.parameters import SeatRoom
from reportlib.session.reading import read_planned_session
from reportlib.write.readings_sweeps import rise_share

Row = Mapping[str, Value]
RESULTS = (".upheld/results/results.json", "out/data/results.json")
"""Where a session's results lie: as kept, else as published."""
LADDER = "ladder"
"""Kept beside the columns, for the catalogue's pictures; see `ladder_of`."""
_LONGEST = 600
_LIMIT = frozenset(field.name for field in fields(Limit))
_MOST_BYTES = 64_000_000
_SAME_LEVEL_DB = 0.05
_NO_RESULTS = (
    OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, ArithmeticError,
)  # fmt: skip


def row_of(session_folder: Path, *, folder: str) -> dict[str, Value]:
    """Return a session's row, every column in it and its ladder.

    Parameters
    ----------
    folder : as the table names it
    """
    row: dict[str, Value] = dict.fromkeys((*COLUMNS, LADDER))
    row["folder"] = one_line(folder)
    row["name"] = one_line(Path(session_folder).resolve().name)
    place = next((name for name in RESULTS if (session_folder / name).is_file()), None)
    if place is None:
        row |= _without_results(session_folder)
    else:
        try:
            document = _document(session_folder, place)
            row |= from_results(document) | {LADDER: ladder_of(document)}
            row |= _specimen(session_folder)
            room = last_parameters(session_folder).get("seat_room")
            row["seat_room"] = room if room in get_args(SeatRoom) else None
            row["problem"] = _missing(session_folder, named=list(document["digests"]))
        except _NO_RESULTS as error:
            row |= _without_results(session_folder) | _damaged(
                f"{place} is damaged or half copied ({type(error).__name__}). Copy it again, or "
                "make the report again: upheld archive --refresh"
            )
    if row["state"] == REPORTED:
        row["verdict"] = _verdict(session_folder)
    row["report"] = YES if (session_folder / "out" / "report.html").is_file() else NO
    if row["state"] == REPORTED and row["report"] == NO and row["problem"] is None:
        row["problem"] = "out/report.html is not there; upheld publish makes it again"
    return row


def _document(session_folder: Path, place: str) -> Any:
    data = files.read_bytes(session_folder / place, inside=session_folder, most=_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise ValueError("larger than any results")
    return json.loads(data)


def _missing(session_folder: Path, *, named: list[str]) -> str | None:
    """Say which of the files that were analysed are not there any more."""
    gone = [name for name in ("session.toml", *named) if not (session_folder / name).exists()]
    if not gone:
        return None
    count = len(set(gone))
    more = f" and {count - 1} more of its files are" if count > 1 else " is"
    return one_line(f"half copied, or moved away: {gone[0]}{more} not there"[:_LONGEST])


def from_results(document: Mapping[str, Any]) -> dict[str, Value]:
    """Return what a ``results.json`` tells, by column.

    Raises
    ------
    KeyError, TypeError, AttributeError
        It is no such document.
    """
    measured = document["measured"]
    notes = [note["severity"] for note in document["quality"]]
    row: dict[str, Value] = {
        "name": _text(document["speaker"]["name"]),
        "drive": _text(document["speaker"]["drive"]),
        "date": _text(document["date"]) or None,
        "state": REPORTED,
        "digest": _text(document["digests"].get("session.toml", ""))[:12],
        "tool_version": _text(document["tool_version"]),
        "space": _text(measured["space"]),
        "distance_m": _number(measured["distance_m"]),
        "findings": ", ".join(
            f"{_text(one['cause'])} ({_text(one['confidence'])})" for one in document["findings"]
        ),
        "warnings": notes.count("warning"),
        "refused": notes.count("refused"),
    }
    untested = _untested(*measured["sweep_range_hz"])
    bands = [one for one in document["bands"] if one.get("source") != "multitone"]
    row |= _loudest(bands, test="short_term", untested=untested)
    row |= _loudest(bands, test="long_term", untested=untested)
    row |= _limits(document["limits"], untested=untested)
    for one in document.get("needs", ()):  # since a later version
        if one["setup"] == SEAT_SETUP and one["need"] in NEEDS:
            row[seat_column(one["need"])] = _text(one["answer"])
    return row


def ladder_of(document: Mapping[str, Any]) -> str:
    """Return the level ladder as JSON: for each band, the highest first, the share at each level.

    Empty where there is none. As `readings_sweeps` counts it, out of a ``results.json``.
    """
    asked = {
        step["level_db"]: step["asked_db"] if step["measured_db"] is None else step["measured_db"]
        for step in document["drive_steps"]
    }
    change = {
        (one["band"], one["level_db"]): one["mean_db"]
        for one in document["bands"]
        if one["test"] == "short_term" and one["grade"] != CANT_TELL
    }
    levels = sorted(level for level in asked if asked[level] > 0.0)
    shares = [
        [
            None
            if (mean := _number(change.get((band.name, level)))) is None
            else round(rise_share(mean, asked_db=asked[level]) or 0.0, 3)
            for level in levels
        ]
        for band in reversed(BANDS)
    ]
    return json.dumps(shares) if levels else ""


def loudest_of(bands: Iterable[Mapping[str, Any]], *, test: str) -> list[Mapping[str, Any]]:
    """Return the bands of the loudest level of a test, after the last stage of stress."""
    own = [one for one in bands if one["test"] == test]
    level = max(((one["level_db"], one["elapsed_s"]) for one in own), default=None)
    return [one for one in own if (one["level_db"], one["elapsed_s"]) == level]


def _untested(start_hz: float, stop_hz: float) -> frozenset[str]:
    """Return the bands of which too little was measured for a grade."""
    return frozenset(
        band.name
        for band in BANDS
        if min(band.high_hz, stop_hz)
        < max(band.low_hz, start_hz)
        * (band.high_hz / band.low_hz) ** (1.0 - LARGEST_UNUSABLE_SHARE)
    )


def _loudest(
    bands: Iterable[Mapping[str, Any]], *, test: str, untested: frozenset[str]
) -> dict[str, Value]:
    prefix = "long_" if test == "long_term" else ""
    row: dict[str, Value] = {f"{prefix}grade_{slug(band.name)}": NOT_TESTED for band in BANDS}
    for one in loudest_of(bands, test=test):
        row[f"{prefix}top_db"] = _number(one["level_db"])
        if prefix:
            row["long_elapsed_s"] = _number(one["elapsed_s"])
        if (name := slug(_text(one["band"]))) in (slug(band.name) for band in BANDS):
            row |= {
                f"{prefix}change_{name}": _number(one["mean_db"]),
                f"{prefix}u95_{name}": _number(one["u95_db"]),
                f"{prefix}worst_{name}": _number(one["worst_db"]),
                f"{prefix}grade_{name}": NOT_TESTED
                if one["grade"] == CANT_TELL and one["band"] in untested
                else _text(one["grade"]),
                f"{prefix}grade_may_be_{name}": _text(one["grade_may_be"]) or None,
            }
    return row


def _limits(listed: Iterable[Mapping[str, Any]], *, untested: frozenset[str]) -> dict[str, Value]:
    row: dict[str, Value] = {
        f"{limit_column(test=test, threshold_db=threshold_db, band=band.name)}_state": NOT_TESTED
        for test in ("short_term", "long_term")
        for threshold_db in BEHIND_DB
        for band in BANDS
    }
    for one in listed:
        limit = Limit(**{key: value for key, value in one.items() if key in _LIMIT})
        name = limit_column(test=limit.test, threshold_db=limit.threshold_db, band=limit.band)
        untold = NOT_TESTED if limit.band in untested else CANT_TELL
        if name in COLUMNS:  # drive units differ from one loudspeaker to the next
            row |= {
                name: _number(limit.level_db),
                f"{name}_low": _number(limit.low_db),
                f"{name}_high": _number(limit.high_db),
                f"{name}_tested": _as_asked(limit.tested_to_db),
                f"{name}_state": untold if limit.reached is None else kind_of(limit),
            }
    return row


def _specimen(session_folder: Path) -> dict[str, Value]:
    """Return which one of its kind it is, and how it was set up; results don't tell."""
    try:
        return _of_speaker(read_planned_session(session_folder).speaker)
    except (ReportError, OSError):  # what is wrong with it is said elsewhere
        return {}


def _of_speaker(speaker: Speaker) -> dict[str, Value]:
    return {
        "serial": _text(speaker.serial) or None,
        "use": speaker.use,
        "settings": _text(speaker.settings) or None,
    }


def _without_results(session_folder: Path) -> dict[str, Value]:
    try:
        session = read_planned_session(session_folder)
    except (ReportError, OSError) as error:
        return _damaged(str(error))
    entries = [path for entry in session.short_term for path in entry.captures]
    there = sum((session_folder / path).is_file() for path in entries)
    row: dict[str, Value] = {
        "name": one_line(session.speaker.name),
        "drive": session.speaker.drive,
        "date": session.date,
        "digest": session.digests["session.toml"][:12],
        "space": session.rig.space,
        "distance_m": session.rig.distance_m,
        "state": NO_REPORT if there else PLANNED,
        **_of_speaker(session.speaker),
    }
    if there and there < len(entries):
        row["state"] = DAMAGED
        row["problem"] = (
            f"half copied, or not all measured: {len(entries) - there} of {len(entries)} "
            "short-term recordings are not there"
        )
    return row


def _damaged(text: str) -> dict[str, Value]:
    return {"state": DAMAGED, "problem": one_line(" ".join(text.split()))[:_LONGEST]}


def _verdict(session_folder: Path) -> str | None:
    """Return the page's headline; of a page that says not which, the draft's."""
    kept = memory.read(session_folder)
    if kept.rendered is not None:
        return one_line(kept.rendered.verdict)[:_LONGEST]
    if "in-short" not in kept.written.drafts:
        return None
    from reportlib.publish.merge import headline  # old reports alone cost its imports

    verdict, _ = headline(kept.written.drafts["in-short"])
    return one_line(re.sub(r"\[([^\[\]]*)\]\(#fact-[\w.-]*\)", r"\1", verdict))[:_LONGEST]


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        if value is None:
            return None
        raise TypeError("no number")
    return round(float(value), 3) if math.isfinite(value) else None  # 98.999998 was asked as 99


def _as_asked(level_db: object) -> float | None:
    """A level as driven, as reports say it: 98.98 was asked for as 99; rounded down."""
    level = _number(level_db)
    if level is None or abs(level - round(level)) > _SAME_LEVEL_DB:
        return None if level is None else math.floor(10.0 * level) / 10.0
    return float(round(level))


def _text(value: object) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        raise TypeError("no text")
    return one_line(value)[:_LONGEST]


_REACHED = ("at", "between", "by")


def limit_said(row: Row, column: str) -> str:
    """Return a limit as reports say it, without its unit; nothing where there is no report.

    >>> row = {"limit_1db_bass": None, "limit_1db_bass_tested": 99.0,
    ...        "limit_1db_bass_state": "not reached"}
    >>> limit_said(row, "limit_1db_bass")
    'not by 99'
    """
    state = row.get(f"{column}_state")
    level, low, high, tested = (
        row.get(f"{column}{end}") for end in ("", "_low", "_high", "_tested")
    )
    if state == "at" and isinstance(level, float):
        return true_minus(f"{level:.1f}")
    if isinstance(high, float):
        most = tested if isinstance(tested, float) else None
        end, _ = highest_end(high, digits=0, tested=most)
        if state == "between" and isinstance(low, float):
            return true_minus(f"{math.floor(low)}–{end:g}")
        if state == "by":
            return true_minus(f"by {end:g}")
    if state in ("may be", "not reached") and isinstance(tested, float):
        return true_minus(f"{'perhaps' if state == 'may be' else 'not'} by {tested:g}")
    return "" if state is None else str(state).replace("'", "’")


def first_behind(row: Row, *, test: str) -> str:
    """Return which band is 1 dB behind at the lowest level, and at which.

    >>> first_behind({}, test="short_term")
    ''
    """
    columns = {
        band.name: limit_column(test=test, threshold_db=1.0, band=band.name) for band in BANDS
    }
    states = {band: row.get(f"{column}_state") for band, column in columns.items()}
    if all(state is None for state in states.values()):
        return ""
    if all(state == NOT_TESTED for state in states.values()):
        return NOT_TESTED
    order = {band: _earliest(row, columns[band]) for band in columns if states[band] in _REACHED}
    if order:
        band = min(order, key=lambda name: order[name])
        return f"{band} {limit_said(row, columns[band])} dB"
    maybe = [band for band, state in states.items() if state == "may be"]
    if maybe:
        return f"{listed(maybe)} {limit_said(row, columns[maybe[0]])} dB"
    told = [band for band, state in states.items() if state == "not reached"]
    if not told:
        return CANT_TELL.replace("'", "’")
    lowest = min(told, key=lambda band: _number_text(row.get(f"{columns[band]}_tested")))
    return f"{limit_said(row, columns[lowest])} dB"


def since_before(row: Row) -> str:
    """Return what is otherwise than on the day before; nothing where there was none.

    >>> since_before({"before": "2026-05-04", "changed": "within the interval"})
    'since 2026-05-04: within the interval'
    """
    said = str(row.get("changed")).replace("'", "’")
    return f"since {row['before']}: {said}" if row.get("before") else ""


def value_said(row: Row, column: str) -> str:
    """Return any value in a cell of a list."""
    value = row.get(column)
    if f"{column}_state" in row:
        return limit_said(row, column)
    if isinstance(value, float):
        return true_minus(f"{round(value, 2):g}")
    return "" if value is None else str(value)


def _earliest(row: Row, column: str) -> float:
    values = (row.get(f"{column}{end}") for end in ("", "_high"))
    return next((value for value in values if isinstance(value, float)), math.inf)


def _number_text(value: object) -> float:
    return value if isinstance(value, float) else math.inf


_SAME_DB = 0.05
"""Numbers that differ by less read the same."""
_LEFT_OUT = ("folder", "digest", "tool_version", "problem")


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One column that says something else now; None where it said nothing."""

    column: str
    then: Value
    now: Value

    def line(self) -> str:
        """Say it in a line."""
        return f"{self.column}: {_said(self.then)} → {_said(self.now)}"


def differences(then: Mapping[str, Value], now: Mapping[str, Value]) -> tuple[Difference, ...]:
    """Return which columns say something else, words before numbers.

    >>> [one.line() for one in differences({"change_bass": -1.0}, {"change_bass": -1.52})]
    ['change_bass: −1.0 → −1.5']
    """
    found = [
        Difference(column=name, then=then.get(name), now=now.get(name))
        for name in COLUMNS
        if name not in _LEFT_OUT and not _same(then.get(name), now.get(name))
    ]
    return tuple(sorted(found, key=lambda one: COLUMNS[one.column].kind != "text"))


def _same(then: Value, now: Value) -> bool:
    if isinstance(then, float | int) and isinstance(now, float | int):
        return abs(then - now) < _SAME_DB
    return then == now


def _said(value: Value) -> str:
    if value is None:
        return "nothing"
    return f"“{value}”" if isinstance(value, str) else true_minus(f"{value:.1f}")
