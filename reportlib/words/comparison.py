"""Stub."""

from reportlib.compared import Comparison
from reportlib.facts import FactTable, quoted
from reportlib.wording import listing
from reportlib.words.writer import Templates


def draft_comparison(
    comparison: Comparison, *, facts: FactTable, templates: Templates
) -> dict[str, str]:
    """Stub."""
    told = listing([quoted(facts[f"beside.{one.slug}.top"]) for one in comparison.sessions])
    return {
        s: f"## {s}\n\n{listing(comparison.names)} went to {told}.\n\nMore."
        for s in (
            "in-short",
            "at-equal-output",
            "left-playing",
            "at-your-seat",
            "how-comparable",
            "care",
        )
    }
