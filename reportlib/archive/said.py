"""A row's values in a few words, for lists and for the catalogue."""

import math

from reportlib.archive.columns import CANT_TELL, NOT_TESTED, limit_column
from reportlib.archive.rows import Row
from reportlib.levels import BANDS
from reportlib.numbers import listed, true_minus

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
    if state == "between" and isinstance(low, float) and isinstance(high, float):
        return true_minus(f"{math.floor(low)}–{math.ceil(high)}")
    if state == "by" and isinstance(high, float):
        return true_minus(f"by {math.ceil(high)}")
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
    lowest = min(told, key=lambda band: _number(row.get(f"{columns[band]}_tested")))
    return f"{limit_said(row, columns[lowest])} dB"


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


def _number(value: object) -> float:
    return value if isinstance(value, float) else math.inf
