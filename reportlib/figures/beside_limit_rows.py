"""1 dB behind: by band and session, the level at which the output first lags by so much."""

from collections.abc import Sequence

from reportlib.beside.facts import comparison_facts
from reportlib.beside.groups import one_scale
from reportlib.beside.telling import limit_words
from reportlib.compared import Comparison
from reportlib.figures import style
from reportlib.figures.beside_parts import heading_name, key, labels, level_ticks
from reportlib.figures.beside_rows import Block, Row, draw_rows, label_room
from reportlib.figures.heading import Heading
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.sheet import Sheet
from reportlib.judged import Limit
from reportlib.levels import BANDS
from reportlib.limits import kind_of
from reportlib.thresholds import BEHIND_DB

_BEYOND = 0.06
"""Room for arrows, as a share of the scale."""
_BEFORE_DB, _LEAST_DB = 4.0, 12.0
"""The scale begins so far below whatever is drawn, and is at least so wide."""


def draw(comparison: Comparison, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no band of any session can be told."""
    tested = [one.limit.tested_to_db for one in comparison.limits if one.limit.tested_to_db]
    if not tested:
        return None
    names = comparison.names
    short = dict(
        zip(
            names,
            labels(names, size=style.SMALL_PX, width=label_room(paper)),
            strict=True,
        )
    )
    limits = {(one.name, one.limit.band): one.limit for one in comparison.limits}
    high = max(tested)
    low = max(
        min(one.baseline_db for one in comparison.sessions),
        min(_lowest(list(limits.values())) - _BEFORE_DB, high - _LEAST_DB),
    )
    spare = _BEYOND * (high - low)
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    at = " at 1 m" if one_scale(comparison.sessions) else ""
    heading = Heading(
        name=heading_name(comparison),
        title=f"Turned up until {BEHIND_DB[0]:g} dB behind",
        more=f"The level, dB{at}, at which a band is first {BEHIND_DB[0]:g} dB behind, and "
        "how surely that is known.",
    )
    blocks = [
        Block(
            band=band.name,
            note="",
            rows=tuple(
                _row(
                    limits[name, band.name],
                    label=short[name],
                    words=limit_words(limits[name, band.name], slug=slugs[name], facts=facts),
                )
                for name in names
            ),
        )
        for band in BANDS
    ]
    return draw_rows(
        blocks,
        heading=heading,
        legend=key(names, labelled=tuple(short.values()), paper=paper),
        x_range=(low - spare, high + spare),
        ticks=level_ticks(low, high, most=paper.either(6, phone=3)),
        paper=paper,
    )


def _lowest(limits: Sequence[Limit]) -> float:
    """Return the lowest level of all that is drawn."""
    ends = [
        end
        for limit in limits
        for end in (limit.low_db, limit.level_db, limit.tested_to_db)
        if end is not None
    ]
    return min(ends)


def _row(limit: Limit, *, label: str, words: str) -> Row:
    if kind_of(limit) == "can't tell":
        return Row(label=label, words=words, marked=False)
    low = limit.low_db
    if not limit.reached and low is None:
        low = limit.tested_to_db
    return Row(label=label, words=words, value=limit.level_db, low=low, high=limit.high_db)
