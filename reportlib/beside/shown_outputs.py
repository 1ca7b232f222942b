"""Which outputs a table lists: those ranked, and every few decibels below the highest."""

from reportlib.compared import Comparison

_EVERY_DB = 3.0
_MOST = 5


def shown_outputs(comparison: Comparison, *, band: str) -> tuple[float, ...]:
    """Return the outputs of one band that are listed, quietest first."""
    outputs = sorted({one.output_db for one in comparison.points if one.band == band})
    ranked = {one.at_db for one in comparison.ranked("equal output", band=band)}
    below = [output for output in outputs if (outputs[-1] - output) % _EVERY_DB == 0.0]
    return tuple(output for output in outputs if output in {*below[-_MOST:], *ranked})
