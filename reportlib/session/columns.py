"""Read column text: frequency in Hz, level in dB and, optionally, phase in degrees.

The rules are the session format's. What they leave open is settled so that no number can be
read in two ways: all rows of a file have the same columns, separator and decimal mark, and a
comma is a decimal comma only where every word of the row is a number with it.
"""

import math
import re
from pathlib import Path

import numpy as np

from reportlib.errors import CaptureError, one_line
from reportlib.session.audio import file_fault
from reportlib.session.day import Session
from reportlib.session.records import ColumnText, FloatArray

MOST_BYTES = 1 << 25
"""Larger files are refused: a million rows, the bins of a whole sweep, take less."""

_LARGEST_HZ = 1e6
_LARGEST_DB = 1000.0
_LARGEST_CORRECTION_DB = 30.0
_LONGEST_NUMBER = 60
_LONGEST_SHOWN = 40

_POINT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?", re.ASCII)
_TOO_LONG = re.compile(rf"[^\s,;]{{{_LONGEST_NUMBER + 1}}}")
_NO_DECIMAL_COMMA = re.compile(r"\.|(?<!\d),|,(?!\d)")
_STARTS_ROW = re.compile(r"[0-9+\-.]")
_NAMES = {" ": "spaces or tabs", ",": "commas", ";": "semicolons"}
_FIX = "Correct the line, or start it with # if it is a comment."


class _LineError(Exception):
    """What is wrong with a line; its text names neither file nor line."""


def read_column_text(session: Session, path: str) -> ColumnText:
    """Read a column-text file of the session.

    Parameters
    ----------
    path
        Relative to the session folder.

    Raises
    ------
    CaptureError
        The file cannot be read, is no text or too large, or holds a line that is no row, a
        frequency that does not rise, a number that is not finite; the line names its number.
    """
    full = Path(session.folder) / path
    try:
        with full.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        text = f"cannot be read ({error.strerror or error}). Check its name and permissions."
        raise file_fault(full, text=text) from error
    if len(data) > MOST_BYTES:
        text = (
            f"larger than {MOST_BYTES >> 20} MB, expected one curve as column text. Export it "
            "with fewer frequencies."
        )
        raise file_fault(full, text=text)
    lines = re.split(r"\r\n|\n|\r", _text(data, full=full).rstrip())
    rows = _at_once(lines)
    if rows is None:
        rows = np.array(_rows(lines, full=full), dtype=np.float64)
    columns = rows.T
    return ColumnText(
        source=path,
        frequency_hz=columns[0],
        level_db=columns[1],
        phase_deg=columns[2] if len(columns) > 2 else None,
    )


def read_correction(session: Session) -> ColumnText | None:
    """Read by how much the microphone reads too high; None where the session names no file.

    Raises
    ------
    CaptureError
        As `read_column_text`; also where a value is no correction, beyond ±30 dB.
    """
    path = session.rig.microphone_correction
    if path is None:
        return None
    found = read_column_text(session, path)
    worst = int(np.argmax(np.abs(found.level_db)))
    if abs(found.level_db[worst]) > _LARGEST_CORRECTION_DB:
        text = (
            f"{_shown(found.level_db[worst])} dB at {found.frequency_hz[worst]:g} Hz, expected by "
            f"how many dB the microphone reads too high, within ±{_LARGEST_CORRECTION_DB:g} dB. "
            "Give its deviation, not its sensitivity or level."
        )
        raise file_fault(Path(session.folder) / path, text=text)
    return found


def _text(data: bytes, *, full: Path) -> str:
    """Decode UTF-8 with or without a mark, UTF-16 with one, else Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if "\0" in text:
        fault = "no plain text (a spreadsheet, or audio under a false name?). Export it as text."
        raise file_fault(full, text=fault)
    return text


def _at_once(lines: list[str]) -> FloatArray | None:
    """Return the rows as numpy reads them, None where a line needs a closer look (`_rows`).

    The bins of a whole sweep are a million rows: line by line they would take minutes a session.
    """
    first = (_STARTS_ROW.match(line.strip().replace("−", "-")) for line in lines)
    start = next((at for at, found in enumerate(first) if found), len(lines))
    body = [line for line in lines[start:] if not line.lstrip().startswith("#")]
    text = "\n".join(body)
    if not body or not text.isascii() or _TOO_LONG.search(text):
        return None
    separator = _separator(body[0])
    if "," in text and separator != ",":
        if _NO_DECIMAL_COMMA.search(text):
            return None
        body = text.replace(",", ".").split("\n")
    try:
        rows = np.loadtxt(
            body, delimiter=None if separator == " " else separator, comments=None, ndmin=2
        )
    except ValueError:
        return None
    if rows.shape not in ((len(body), 2), (len(body), 3)) or len(body) < 2:
        return None
    hz, level_db = rows[:, 0], rows[:, 1]
    sound = (
        np.isfinite(rows).all()
        and (np.diff(hz) > 0.0).all()
        and 0.0 < hz[0] <= hz[-1] <= _LARGEST_HZ
        and np.abs(level_db).max() <= _LARGEST_DB
    )
    return rows if sound else None


def _rows(lines: list[str], *, full: Path) -> list[list[float]]:
    rows: list[list[float]] = []
    separator = marks = ""
    for number, line in enumerate(lines, start=1):
        line = line.strip().replace("−", "-")  # a true minus sign is one too
        if not (rows or _STARTS_ROW.match(line)) or line.startswith("#"):
            continue
        try:
            if not rows:
                separator = _separator(line)
            row, found = _row(line, separator=separator)
            marks = marks or found
            _check(row, mark=found, marks=marks, before=rows[-1] if rows else None)
        except _LineError as error:
            raise CaptureError(one_line(f"{full}, line {number}: {error}")) from error
        rows.append(row)
    if len(rows) < 2:
        found_rows = "one row" if rows else "no row that starts with a number"
        fault = (
            f"it holds {found_rows}, expected two rows or more of frequency in Hz, level in dB and "
            "perhaps phase in degrees. Export it again."
        )
        raise file_fault(full, text=fault)
    return rows


def _separator(line: str) -> str:
    """Return what parts the columns: ``";"``, ``","`` or ``" "`` for any blank."""
    if ";" in line:
        return ";"
    words = line.split()
    decimal = 2 <= len(words) <= 3 and all(_mark(word) is not None for word in words)
    return "," if "," in line and not decimal else " "


def _mark(cell: str) -> str | None:
    """Return the decimal mark of a number, ``""`` where it has none, None if it is no number."""
    if len(cell) > _LONGEST_NUMBER:
        return None
    if _POINT.fullmatch(cell):
        return "." if "." in cell else ""
    return "," if _COMMA.fullmatch(cell) else None


def _row(line: str, *, separator: str) -> tuple[list[float], str]:
    """Return the numbers of a line, and their decimal mark where one has any."""
    cells = line.split() if separator == " " else [one.strip() for one in line.split(separator)]
    marks = [_mark(cell) for cell in cells]
    if not 2 <= len(cells) <= 3 or None in marks:
        shown = line if len(line) <= _LONGEST_SHOWN else line[:_LONGEST_SHOWN] + "…"
        text = (
            f"“{shown}” is no row of two or three numbers (frequency in Hz, level in dB and "
            f"perhaps phase in degrees, parted by {_NAMES[separator]} as in the first row). {_FIX}"
        )
        raise _LineError(text)
    used = {mark for mark in marks if mark}
    if len(used) > 1:
        raise _LineError(_two_marks())
    return [float(cell.replace(",", ".")) for cell in cells], "".join(used)


def _shown(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _two_marks() -> str:
    return (
        "decimal commas and decimal points in one file, so that a number can be read in two ways. "
        "Export it with one of them, and without marks between thousands."
    )


def _check(row: list[float], *, mark: str, marks: str, before: list[float] | None) -> None:
    """Stop at a row that cannot be, or cannot follow the one before."""
    hz, level_db = row[:2]
    if mark and mark != marks:
        raise _LineError(_two_marks())
    if not all(map(math.isfinite, row)):
        raise _LineError("a number beyond all bounds, expected finite ones. " + _FIX)
    if not 0.0 < hz <= _LARGEST_HZ:
        text = f"the frequency is {_shown(hz)} Hz, expected one above 0 and at most 1 MHz. "
        raise _LineError(text + "Correct or remove the row.")
    if abs(level_db) > _LARGEST_DB:
        text = f"the level is {_shown(level_db)} dB, beyond any level. "
        raise _LineError(text + "The second column is level in dB.")
    if before is None:
        return
    if len(row) != len(before):
        text = f"{len(row)} columns, but the row before has {len(before)}. {_FIX}"
        raise _LineError(text)
    if hz <= before[0]:
        text = (
            f"the frequency goes from {before[0]:g} to {hz:g} Hz, expected frequencies that rise "
            "strictly. Sort the rows, and keep one of each frequency."
        )
        raise _LineError(text)
