"""Stub."""

from dataclasses import dataclass

from reportlib.model import Analysis


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison:
    """Stub."""

    names: tuple[str, ...]
    analyses: tuple[Analysis, ...] = ()
