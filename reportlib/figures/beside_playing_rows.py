"""Left playing side by side: by band and session, the change after the same stress."""

from reportlib.beside.facts import comparison_facts
from reportlib.compared import Comparison, Ranking
from reportlib.facts import FactTable, written
from reportlib.figures import style
from reportlib.figures.beside_parts import heading_name, key, labels
from reportlib.figures.beside_rows import Block, Row, draw_rows, label_room
from reportlib.figures.heading import Heading
from reportlib.figures.paper import PAGE, Paper
from reportlib.figures.scales import change_scale
from reportlib.figures.sheet import Sheet
from reportlib.levels import BANDS, SLUGS
from reportlib.numbers import duration, level_text

_ASIDE = "not alike"


def draw(comparison: Comparison, *, paper: Paper = PAGE) -> Sheet | None:
    """Draw the figure; None where no two sessions were left playing alike."""
    rankings = comparison.ranked("left playing")
    if not rankings:
        return None
    names = comparison.names
    texts = labels(names, size=style.SMALL_PX, width=label_room(paper))
    short = dict(zip(names, texts, strict=True))
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    ends = [
        end
        for one in rankings
        for standing in one.standings
        for end in (standing.low_db, standing.high_db)
        if end is not None
    ]
    scale = change_scale(ends, hold_all=True)
    heading = Heading(
        name=heading_name(comparison),
        title="Left playing, side by side",
        more="Change in output after the same stress, against before, and how surely that is "
        "known.",
    )
    blocks = []
    for band in BANDS:
        own = comparison.ranked("left playing", band=band.name)
        blocks += [
            Block(
                band=band.name,
                note=_stress(ranking),
                rows=tuple(
                    _row(ranking, name=name, label=short[name], slug=slugs[name], facts=facts)
                    for name in names
                ),
            )
            for ranking in own
        ]
    return draw_rows(
        blocks,
        heading=heading,
        legend=key(names, labelled=tuple(short.values()), paper=paper),
        x_range=(scale.low_db, scale.high_db),
        ticks=scale.ticks_db,
        paper=paper,
        zero=True,
    )


def _stress(ranking: Ranking) -> str:
    return f"{level_text(ranking.at_db or 0.0)} for {duration(ranking.elapsed_s)}"


def _row(ranking: Ranking, *, name: str, label: str, slug: str, facts: FactTable) -> Row:
    if name not in ranking.names:
        return Row(label=label, words=_ASIDE, marked=False)
    one = ranking.standing(name)
    words = written(facts[f"beside.{slug}.{SLUGS[ranking.band]}.long.mean"])
    return Row(label=label, words=words, value=one.value_db, low=one.low_db, high=one.high_db)
