"""Stub."""

from reportlib.compared import Comparison
from reportlib.facts import FactTable
from reportlib.model import Fact


def comparison_facts(comparison: Comparison) -> FactTable:
    """Stub."""
    return FactTable(
        [
            Fact(
                name=f"beside.{n.lower().replace(' ', '-')}.top",
                value=a.short_term[-1].level_db,
                unit="dB",
                digits=0,
                row=f"fact-beside.{n.lower().replace(' ', '-')}",
            )
            for n, a in zip(comparison.names, comparison.analyses, strict=True)
        ]
    )
