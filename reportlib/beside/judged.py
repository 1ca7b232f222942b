"""What a comparison judges, by name: who wrote about it reads again where one of them changes."""

from collections.abc import Sequence

from reportlib.beside.facts import rank_row
from reportlib.compared import Comparison, Hindrance, Ranking
from reportlib.numbers import listed


def judged(comparison: Comparison) -> dict[str, str]:
    """Return what is said by name: standings, what can't be compared, who is enough for a need.

    ================================= =====================================================
    ``standing.output.<band>.<who>``  who stands where at equal output; ``standing.limit.…``,
                                      ``standing.long.…``; ``who`` tells sets apart that can't be
                                      compared with each other
    ``hindrance.<what>.<who>``        what can't be compared, or asks for care
    ``need.<session>.<need>``         whether it is enough
    ================================= =====================================================
    """
    slugs = {one.name: one.slug for one in comparison.sessions}
    found = {rank_row(one).removeprefix("fact-"): _places(one) for one in comparison.rankings}
    for one in comparison.hindrances:
        who = "-".join(sorted({slugs[name] for name in one.names}))
        key = f"hindrance.{one.kind.replace(' ', '-')}.{who}"
        found[key] = "; ".join(filter(None, (found.get(key), _hindrance(one))))
    for need in comparison.needs:
        what = f"{need.need}, {need.setup}".replace(".", "")
        key = f"need.{slugs[need.name]}.{what}"
        found[key] = str(need.answer)
    return found


def _places(ranking: Ranking) -> str:
    """Say who stands where; those of one place in the order of names, whatever they measure."""
    at = "" if ranking.at_db is None else f", at {ranking.at_db:g} dB"
    places: dict[tuple[int, int], list[str]] = {}
    for one in ranking.standings:
        places.setdefault((one.best_place, one.worst_place), []).append(one.name)
    if len(places) == 1:
        return f"{_alphabetical(ranking.names)} too close to call{at}"
    said = [
        f"{_alphabetical(names)} {_ordinal(best, worst)}"
        for (best, worst), names in sorted(places.items())
    ]
    return f"{'; '.join(said)}{at}"


def _ordinal(best: int, worst: int) -> str:
    return f"in place {best}" if best == worst else f"in places {best} to {worst}"


def _hindrance(one: Hindrance) -> str:
    groups = " | ".join(sorted(_alphabetical(group) for group in one.groups))
    way = "not comparable" if one.stops else "with care"
    return f"{groups}: {way}, {listed([*one.bands])}"


def _alphabetical(names: Sequence[str]) -> str:
    return listed(sorted(names))
