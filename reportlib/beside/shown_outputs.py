"""Which outputs a table lists: those ranked, some below the highest, and where one gives out."""

from reportlib.compared import Comparison, OutputPoint

_EVERY_DB = 3.0
_MOST = 5


def shown_outputs(comparison: Comparison, *, band: str) -> tuple[float, ...]:
    """Return the outputs of one band that are listed, quietest first."""
    own = [one for one in comparison.points if one.band == band]
    outputs = sorted({one.output_db for one in own})
    given = [one.output_db for one in own if one.given == "given"]
    common = [output for output in outputs if given.count(output) > 1]
    below = [output for output in common if (common[-1] - output) % _EVERY_DB == 0.0]
    ranked = {one.at_db for one in comparison.ranked("equal output", band=band)}
    out = {one.output_db for one in giving_out(comparison) if one.band == band}
    return tuple(output for output in outputs if output in {*below[-_MOST:], *ranked, *out})


def giving_out(comparison: Comparison) -> tuple[OutputPoint, ...]:
    """Return the lowest output that each ranked session surely does not give, band by band."""
    first: dict[tuple[str, str], OutputPoint] = {}
    for point in comparison.points:
        ranked = comparison.places("equal output", band=point.band)
        if point.given == "gives out before" and point.name in ranked:
            first.setdefault((point.band, point.name), point)
    return tuple(first.values())
