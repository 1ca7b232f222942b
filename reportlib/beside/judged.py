"""What a comparison judges, by name: whoever wrote about it reads again where it changes."""

from reportlib.compared import Comparison


def judged(comparison: Comparison) -> dict[str, str]:
    """Return the judgements by name."""
    return {"standing.short.mids.94": ", ".join(comparison.names)}
