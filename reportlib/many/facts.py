"""What a comparison's numbers come to in a few words, and the named ones that prose may quote.

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
``beside.<session>.<band>.limit``  level at which it is 1 dB short; ``.limit-low``,
                                   ``.limit-high``, ``.limit-tested``
``beside.<session>.<band>.long.…`` after the same stress: ``.mean``, ``.behind``, ``.within``,
                                   ``.u95``; ``.level``, ``.elapsed``
``apart.<better>.<worse>.<band>``  by how much they part at equal output; ``.least``
``apart-long.…``                   the same after the same stress
``beside.<session>.seat.<seat>.…`` what arrives at a seat of the loudest level: ``.low``, ``.high``
================================== ==========================================================
"""

import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from reportlib.judge.limits import kind_of
from reportlib.judge.records import Limit
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.many.records import (
    Comparison,
    Hindrance,
    NeedBeside,
    OutputPoint,
    Question,
    Ranking,
    Standing,
)
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import (
    digits_for,
    highest_end,
    level_digits,
    level_key,
    listed,
    outwards,
    slug,
)
from reportlib.write.quotes import Fact, FactTable, written


def place_words(one: Standing) -> str:
    """Return a place, or the range of places that it may be.

    >>> one = Standing(name="A", value_db=0, low_db=0, high_db=0, best_place=1, worst_place=3)
    >>> place_words(one)
    '1–3.'
    """
    if one.best_place == one.worst_place:
        return f"{one.best_place}."
    return f"{one.best_place}–{one.worst_place}."


def value_words(facts: FactTable, key: str) -> str:
    """Return a change with its interval: ``"−1.8 dB (−2.0 to −1.1)"``, empty where not known."""
    if f"{key}.mean" not in facts:
        return ""
    mean = written(facts[f"{key}.mean"])
    high = written(facts[f"{key}.high"]).removesuffix(" dB")
    if f"{key}.low" not in facts:
        return f"{mean} (or more)"
    low = written(facts[f"{key}.low"]).removesuffix(" dB")
    return f"{mean} ({low} to {high})"


def limit_words(
    limit: Limit,
    *,
    slug: str,
    facts: FactTable,
    bracket: bool = False,
    write: Callable[[Fact], str] = written,
) -> str:
    """Return a limit in a few words: ``"91.8 dB"``, ``"90 dB to 96 dB"``, ``"not by 99 dB"``.

    Parameters
    ----------
    bracket : whether a level comes with its bracket
    write : how a fact is written, or quoted
    """
    key = f"beside.{slug}.{SLUGS[limit.band]}.limit"
    kind = kind_of(limit)
    if kind == "can't tell":
        return "can’t tell"
    if kind == "by":
        return f"by {write(facts[f'{key}-high'])}"
    if kind in ("may be", "not reached"):
        tested = write(facts[f"{key}-tested"])
        return f"may be, by {tested}" if kind == "may be" else f"not by {tested}"
    low, high = (write(facts[f"{key}-{end}"]) for end in ("low", "high"))
    if kind == "between":
        return f"{low.removesuffix(' dB')} to {high}"
    level = write(facts[key])
    return (
        f"{level} ({low.removesuffix(' dB')} to {high.removesuffix(' dB')})" if bracket else level
    )


_MOST_SURE = 4
"""Among more than so many, the pairs that are told apart are only counted."""


def sure_words(ranking: Ranking) -> str:
    """Say which pairs a ranking parts, and whether it leaves any."""
    if not ranking.partings:
        return "not told apart"
    pairs = math.comb(len(ranking.names), 2)
    if len(ranking.names) > _MOST_SURE:
        return f"{len(ranking.partings)} of {pairs} pairs told apart"
    parts: dict[tuple[str, ...], list[str]] = {}
    for name in ranking.names:
        below = tuple(
            other
            for other in ranking.names
            if any((pair.better, pair.worse) == (name, other) for pair in ranking.partings)
        )
        if below:
            parts.setdefault(below, []).append(name)
    told = [f"{listed(above)} before {listed(below)}" for below, above in parts.items()]
    return "; ".join(
        [*told, *([] if pairs == len(ranking.partings) else ["the rest not told apart"])]
    )


def answer_words(one: NeedBeside) -> str:
    """Say whether it is enough."""
    return one.answer.replace("'", "’") + (", in peaks" if one.in_peaks else "")


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


WORTH_NAMING_DB = MEAN_LIMITS_DB[0]
"""A smaller difference is hardly heard, however surely it is there."""

Verdict = Literal["better", "differs", "small", "close", "untold"]


@dataclass(frozen=True, kw_only=True)
class BandVerdict:
    """What one band's ranking says.

    Attributes
    ----------
    kind : ``"better"``: one surely gives more than another, which may lose enough to name;
        ``"differs"``: none of them can lose so much; ``"small"``: what is told apart surely
        differs by less; ``"close"``: no two are told apart; ``"untold"``: nobody can be compared
    worst : who surely loses the most, or shares that place; the first of them loses the most
    better : who surely loses less than every one of the worst, the best first
    unsure : who can be told from one side only
    sure : whether the first of the worst surely loses at all; else words say *may*
    apart_db : by how much the first of the worst and the best part
    """

    band: str
    kind: Verdict
    ranking: Ranking | None = None
    worst: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    sure: bool = True
    apart_db: float = 0.0


def band_verdicts(comparison: Comparison, question: Question) -> tuple[BandVerdict, ...]:
    """Return what every band says to a question, bass first; of several rankings the largest."""
    return tuple(
        _verdict(band.name, rankings=comparison.ranked(question, band=band.name)) for band in BANDS
    )


def _verdict(band: str, *, rankings: Sequence[Ranking]) -> BandVerdict:
    if not rankings:
        return BandVerdict(band=band, kind="untold")
    ranking = max(rankings, key=lambda one: len(one.names))
    if not ranking.partings:
        return BandVerdict(band=band, kind="close", ranking=ranking)
    widest = ranking.partings[0]
    apart = widest.apart_db or 0.0
    if 2.0 * apart - widest.least_db < WORTH_NAMING_DB:
        return BandVerdict(band=band, kind="small", ranking=ranking)
    parted = {(pair.better, pair.worse) for pair in ranking.partings}
    better = [name for name in ranking.names if (name, widest.worse) in parted]
    alike = [
        name
        for name in reversed(ranking.names)
        if name not in (*better, widest.worse) and all((other, name) in parted for other in better)
    ]
    placed = {*better, *alike, widest.worse}
    low, high = (getattr(ranking.standing(widest.worse), end) for end in ("low_db", "high_db"))
    may_lose = low is None or -low >= WORTH_NAMING_DB
    return BandVerdict(
        band=band,
        kind="better" if may_lose else "differs",
        ranking=ranking,
        worst=(widest.worse, *alike),
        better=tuple(better),
        unsure=tuple(name for name in ranking.names if name not in placed),
        sure=not may_lose or (high is not None and high < 0.0),
        apart_db=apart,
    )


def groups_of(verdicts: Sequence[BandVerdict]) -> list[tuple[BandVerdict, ...]]:
    """Group bands that part the same sessions alike, those that part by most first."""
    groups: dict[Hashable, list[BandVerdict]] = {}
    for one in verdicts:
        if one.ranking is not None and one.kind in ("better", "differs"):
            after = (one.ranking.elapsed_s, one.ranking.elapsed_s and one.ranking.at_db)
            least = one.worst[0] if one.kind == "differs" else ""  # that one's loss is named
            who = (frozenset(one.better), frozenset(one.worst), frozenset(one.unsure), least)
            groups.setdefault((one.kind, one.sure, who, after), []).append(one)
    return sorted((tuple(group) for group in groups.values()), key=_weight, reverse=True)


def _weight(group: Sequence[BandVerdict]) -> tuple[bool, bool, float]:
    return group[0].kind == "better", group[0].sure, widest_of(group).apart_db


def widest_of(group: Sequence[BandVerdict]) -> BandVerdict:
    """Return the band that parts by most; its intervals may overlap with others'."""
    return max(group, key=lambda one: one.apart_db)


def bands_of(verdicts: Sequence[BandVerdict], kind: Verdict) -> tuple[str, ...]:
    """Return the bands of one kind, bass first."""
    return tuple(one.band for one in verdicts if one.kind == kind)


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


def limited_bands(comparison: Comparison) -> tuple[str, ...]:
    """Return the bands in which somebody is, or may be, 1 dB short, bass first."""
    far = {
        one.limit.band
        for one in comparison.limits
        if kind_of(one.limit) not in ("not reached", "can't tell")
    }
    return tuple(band.name for band in BANDS if band.name in far)


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
    shown_limits = limited_bands(comparison)
    for limited in comparison.limits:
        row = limit_row(limited.limit.band) if limited.limit.band in shown_limits else ""
        yield from _limit(limited.limit, slug=slugs[limited.name], row=row)
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
        digits = 1  # a bound of less than 1 dB would be none
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


def _limit(limit: Limit, *, slug: str, row: str) -> Iterator[Fact]:
    key = f"beside.{slug}.{SLUGS[limit.band]}.limit"
    digits = digits_of(limit.low_db, limit.high_db)
    if limit.level_db is not None:
        yield _db(key, limit.level_db, digits=digits, row=row)
    if limit.low_db is not None:
        yield _db(
            f"{key}-low", outwards(limit.low_db, digits=digits, up=False), digits=digits, row=row
        )
    if limit.high_db is not None:
        high, digits = highest_end(limit.high_db, digits=digits, tested=limit.tested_to_db)
        yield _db(f"{key}-high", high, digits=digits, row=row)
    if limit.tested_to_db is not None:
        digits = level_digits(limit.tested_to_db)
        tested = outwards(limit.tested_to_db, digits=digits, up=False)
        yield _db(f"{key}-tested", tested, digits=digits, row=row)


def digits_of(low_db: float | None, high_db: float | None) -> int:
    """Return how many decimals an interval supports, as `numbers.digits_for`: of its half."""
    if low_db is None or high_db is None:
        return 1
    return digits_for(0.5 * (high_db - low_db))


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
