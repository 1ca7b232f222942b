"""Stub."""

from collections.abc import Sequence

from reportlib.compared import Comparison
from reportlib.model import Analysis

__all__ = ["compare"]


def compare(analyses: Sequence[Analysis], *, names: Sequence[str]) -> Comparison:
    """Stub."""
    return Comparison(names=tuple(names), analyses=tuple(analyses))
