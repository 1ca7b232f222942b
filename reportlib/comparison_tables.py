"""Stub."""

from reportlib.compared import Comparison
from reportlib.shown import Table


def standing_table(comparison: Comparison) -> Table | None:
    """Stub."""
    return Table(
        name="standing",
        caption="Stub.",
        columns=("name", "top"),
        rows=tuple(
            (n, f"{a.short_term[-1].level_db:g} dB")
            for n, a in zip(comparison.names, comparison.analyses, strict=True)
        ),
        anchors=tuple(f"fact-beside.{n.lower().replace(' ', '-')}" for n in comparison.names),
        numeric=(False, True),
    )


def _none(comparison: Comparison) -> Table | None:
    """Stub."""
    return None


equal_output_table = limits_table = needs_table = seats_table = _none
not_comparable_table = measured_table = _none
