"""What a session's row says otherwise than it did: verdicts, grades and numbers."""

from collections.abc import Mapping
from dataclasses import dataclass

from reportlib.archive.columns import COLUMNS, Value
from reportlib.numbers import true_minus

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
