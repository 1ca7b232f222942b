"""Named numbers of a comparison that prose may quote.

As in ``facts``; a session stands in a name by its slug, ``marram-12``.

================================== ==========================================================
``beside.<session>.baseline``      quietest and loudest short-term level asked for, dB; ``.top``
``beside.<session>.<band>.<G>.…``  at a listed output of G dB, from its own baseline: ``.mean``
                                   the change, ``.behind`` its negative, ``.low``, ``.high`` its
                                   interval, rounded outwards; ``.needs`` the level it takes
``beside.<session>.<band>.rank.…`` the same as ranked, from a common start: ``.mean``, ``.behind``,
                                   ``.low``, ``.high``; ``.within`` the interval's far end from
                                   zero; ``.output`` and ``.from`` the outputs; ``.per-db`` how far
                                   it moves where the levels asked for were 1 dB off
``beside.<session>.<band>.most``   where a band gives out, the most that it gave; ``.asked`` the
                                   highest level, as driven
``beside.<session>.<band>.limit``  level at which it is 1 dB behind; ``.limit-low``,
                                   ``.limit-high``, ``.limit-tested``
``beside.<session>.<band>.long.…`` after the same stress: ``.mean``, ``.behind``, ``.within``,
                                   ``.u95``; ``.level``, ``.elapsed``
``apart.<better>.<worse>.<band>``  by how much they part at equal output; ``.least``
``apart-long.…``                   the same after the same stress
``beside.<session>.seat.<seat>.…`` what arrives at a seat of the loudest level: ``.low``, ``.high``
================================== ==========================================================
"""

from collections.abc import Iterator

from reportlib.beside.shown_outputs import giving_out, shown_outputs
from reportlib.compared import Comparison, OutputPoint, Ranking, Standing
from reportlib.facts import FactTable
from reportlib.judged import Limit
from reportlib.levels import SLUGS
from reportlib.model import Fact
from reportlib.numbers import digits_for, level_digits, level_key, outwards, slug


def comparison_facts(comparison: Comparison) -> FactTable:
    """Name every number of a comparison that a sentence may need."""
    return FactTable(_facts(comparison))


def output_row(band: str, output_db: float) -> str:
    """Return the anchor of the row of one band at one output."""
    return f"fact-beside.{SLUGS[band]}.{level_key(output_db)}"


def rank_row(ranking: Ranking) -> str:
    """Return the anchor of the row of one ranking."""
    asked = {"equal output": "output", "1 dB behind": "limit", "left playing": "long"}
    first = min(ranking.names)
    return f"fact-standing.{asked[ranking.question]}.{SLUGS[ranking.band]}.{slug(first)}"


def limit_row(band: str) -> str:
    """Return the anchor of the row of one band's limits."""
    return f"fact-beside.{SLUGS[band]}.limit"


def _facts(comparison: Comparison) -> Iterator[Fact]:
    slugs = {one.name: one.slug for one in comparison.sessions}
    for one in comparison.sessions:
        for name, level in (("baseline", one.baseline_db), ("top", one.top_db)):
            if level is not None:
                yield Fact(
                    name=f"beside.{one.slug}.{name}",
                    value=level,
                    unit="dB",
                    digits=level_digits(level),
                    row=f"fact-beside.{one.slug}.measured",
                )
    for point in giving_out(comparison):
        key = f"beside.{slugs[point.name]}.{SLUGS[point.band]}"
        row = output_row(point.band, point.output_db)
        yield _db(f"{key}.most", point.most_db or 0.0, digits=1, row=row)
        asked = point.asked_to_db or 0.0
        yield _db(f"{key}.asked", asked, digits=level_digits(asked), row=row)
    shown = {band: shown_outputs(comparison, band=band) for band in SLUGS}
    for point in comparison.points:
        if point.output_db in shown[point.band]:
            yield from _point(point, slug=slugs[point.name])
    for ranking in comparison.rankings:
        if ranking.question != "1 dB behind":
            yield from _ranking(ranking, slugs=slugs)
    for limited in comparison.limits:
        yield from _limit(limited.limit, slug=slugs[limited.name])
    for seat in comparison.arrives:
        key = f"beside.{slugs[seat.name]}.seat.{slug(seat.setup)}"
        for name, value in (("low", seat.low_db), ("high", seat.high_db)):
            row = f"fact-beside.seat.{slug(seat.setup)}"
            yield _db(f"{key}.{name}", value, digits=0, row=row)


def _db(name: str, value: float, *, digits: int, row: str = "") -> Fact:
    return Fact(name=name, value=value, unit="dB", digits=digits, row=row)


def _point(point: OutputPoint, *, slug: str) -> Iterator[Fact]:
    if point.change_db is None or point.high_db is None or point.driven_db is None:
        return
    key = f"beside.{slug}.{SLUGS[point.band]}.{level_key(point.output_db)}"
    row = output_row(point.band, point.output_db)
    digits = digits_of(point.low_db, point.high_db)
    yield _db(f"{key}.mean", point.change_db, digits=digits, row=row)
    yield _db(f"{key}.behind", -point.change_db, digits=digits, row=row)
    yield _db(f"{key}.needs", point.driven_db, digits=digits, row=row)
    yield _db(
        f"{key}.high", outwards(point.high_db, digits=digits, up=True), digits=digits, row=row
    )
    if point.low_db is not None:
        low = outwards(point.low_db, digits=digits, up=False)
        yield _db(f"{key}.low", low, digits=digits, row=row)


def _ranking(ranking: Ranking, *, slugs: dict[str, str]) -> Iterator[Fact]:
    at_output = ranking.question == "equal output"
    part, apart = ("rank", "apart") if at_output else ("long", "apart-long")
    row = rank_row(ranking)
    band = SLUGS[ranking.band]
    for one in ranking.standings:
        key = f"beside.{slugs[one.name]}.{band}.{part}"
        yield from _standing(one, key=key, row=row)
        if at_output:
            yield _db(f"{key}.output", ranking.at_db or 0.0, digits=0, row=row)
            start = ranking.counted_from_db or 0.0
            yield _db(f"{key}.from", start, digits=level_digits(start), row=row)
            yield _db(f"{key}.per-db", abs(one.per_db or 0.0), digits=1, row=row)
        else:
            level = ranking.at_db or 0.0
            yield _db(f"{key}.level", level, digits=level_digits(level), row=row)
            yield Fact(name=f"{key}.elapsed", value=ranking.elapsed_s, unit="s", digits=0, row=row)
    for pair in ranking.partings:
        key = f"{apart}.{slugs[pair.better]}.{slugs[pair.worse]}.{band}"
        digits = digits_for((pair.apart_db or 0.0) - pair.least_db)
        yield _db(key, pair.apart_db or 0.0, digits=digits, row=row)
        least = outwards(pair.least_db, digits=digits, up=False)
        yield _db(f"{key}.least", least, digits=digits, row=row)


def _standing(one: Standing, *, key: str, row: str) -> Iterator[Fact]:
    if one.value_db is None or one.low_db is None or one.high_db is None:
        return
    digits = digits_of(one.low_db, one.high_db)
    low = outwards(one.low_db, digits=digits, up=False)
    high = outwards(one.high_db, digits=digits, up=True)
    yield _db(f"{key}.mean", one.value_db, digits=digits, row=row)
    yield _db(f"{key}.behind", -one.value_db, digits=digits, row=row)
    yield _db(f"{key}.low", low, digits=digits, row=row)
    yield _db(f"{key}.high", high, digits=digits, row=row)
    yield _db(f"{key}.within", max(abs(low), abs(high)), digits=digits, row=row)


def _limit(limit: Limit, *, slug: str) -> Iterator[Fact]:
    key, row = f"beside.{slug}.{SLUGS[limit.band]}.limit", limit_row(limit.band)
    digits = digits_of(limit.low_db, limit.high_db)
    if limit.level_db is not None:
        yield _db(key, limit.level_db, digits=digits, row=row)
    if limit.low_db is not None:
        yield _db(
            f"{key}-low", outwards(limit.low_db, digits=digits, up=False), digits=digits, row=row
        )
    if limit.high_db is not None:
        yield _db(
            f"{key}-high", outwards(limit.high_db, digits=digits, up=True), digits=digits, row=row
        )
    if limit.tested_to_db is not None:
        digits = level_digits(limit.tested_to_db)
        tested = outwards(limit.tested_to_db, digits=digits, up=False)
        yield _db(f"{key}-tested", tested, digits=digits, row=row)


def digits_of(low_db: float | None, high_db: float | None) -> int:
    """Return how many decimals an interval supports, as `facts.digits_for`: of its half."""
    if low_db is None or high_db is None:
        return 1
    return digits_for(0.5 * (high_db - low_db))
