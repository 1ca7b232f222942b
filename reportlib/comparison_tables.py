"""Stub."""

from reportlib.compared import Comparison
from reportlib.shown import Table


def standing_table(comparison: Comparison) -> Table | None:
    """Stub."""
    return Table(
        name="standing",
        caption="Stub.",
        columns=("name", "top"),
        rows=tuple((one.name, f"{one.top_db:g} dB") for one in comparison.sessions),
        anchors=tuple(
            f"fact-beside.{one.slug}.measured fact-beside.{one.slug}.top"
            for one in comparison.sessions
        ),
        numeric=(False, True),
    )


def _none(comparison: Comparison) -> Table | None:
    """Stub."""
    return None


equal_output_table = limits_table = needs_table = seats_table = _none
not_comparable_table = measured_table = _none
