"""What bands do, said together: those that do the same share a clause, and clauses a sentence.

Bands of one grade are put in no order. Where each of their intervals overlaps that of the
largest, they share one number where the verdict gives it; else the range is given. *May* is said
wherever a grade has it, or what is heard.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from reportlib.judge.grades import GAIN_GRADES, LOSS_GRADES
from reportlib.judge.limits import kind_of
from reportlib.judge.records import Audible, BandResult, Grade, Limit
from reportlib.judge.thresholds import GAIN_LIMITS_DB, MEAN_LIMITS_DB
from reportlib.judge.verdict import conclude_first
from reportlib.measure.levels import BANDS
from reportlib.numbers import digits_for, listed, number, sentence
from reportlib.write.facts import heard_key, limit_key
from reportlib.write.quotes import band_key, together_name, written
from reportlib.write.writer import Drafter, Writer, decibels, spoken, verb

MOST_WORDS = 25
"""A sentence of more is not taken in at once."""

_BASE: dict[Grade, str] = {
    "holds": "hold",
    "slips": "slip",
    "falls short": "fall short",
    "gives out": "give out",
    "rises": "rise",
    "rises much": "rise much",
}


@dataclass(frozen=True, kw_only=True)
class Fare:
    """How one band fares at one level, by one test.

    Attributes
    ----------
    change_db, u95_db : of the band as a whole
    size : name of the fact that gives the change
    result : of the sweep, None while it plays
    by_point : whether its worst point alone earned the grade
    """

    band: str
    level_db: float
    grade: Grade
    may_be: Grade | None
    change_db: float
    u95_db: float
    size: str
    result: BandResult | None = None
    by_point: bool = False

    @property
    def changed(self) -> bool:
        """Whether it left *holds*, or may have."""
        return self.grade != "holds" or self.may_be is not None

    @property
    def surely(self) -> bool:
        """Whether it left *holds* for certain."""
        return self.grade != "holds"

    @property
    def gains(self) -> bool:
        """Whether it gives more than asked for, or may."""
        return self.grade in GAIN_GRADES[1:] or self.may_be in GAIN_GRADES[1:]

    @property
    def severity(self) -> tuple[int, int]:
        """How far it is from *holds*: for certain, and as it may be."""
        grades = GAIN_GRADES if self.gains else LOSS_GRADES
        certain = grades.index(self.grade)
        return certain, certain if self.may_be is None else grades.index(self.may_be)


def fare_of(result: BandResult, *, unknown_db: float = 0.0) -> Fare:
    """Return how a band fares by a sweep's result that can be told.

    `unknown_db` is what its grade was given beyond its own interval, as of column text.
    """
    change_db, u95_db = result.mean_db or 0.0, result.u95_db or 0.0
    fare = Fare(
        band=result.band,
        level_db=result.level_db,
        grade=result.grade,
        may_be=result.grade_may_be,
        change_db=change_db,
        u95_db=u95_db,
        size=f"{band_key(result)}.{'end' if result.source == 'multitone' else 'shortfall'}",
        result=result,
    )
    limits = GAIN_LIMITS_DB if fare.gains else MEAN_LIMITS_DB
    as_far_db = change_db if fare.gains else -change_db
    if fare.surely:
        by_point = as_far_db <= limits[fare.severity[0] - 1]
    else:
        by_point = fare.changed and as_far_db + math.hypot(u95_db, unknown_db) <= limits[0]
    return replace(fare, by_point=by_point)


def listing(bands: Sequence[str], *, whose: str = "the") -> str:
    """Name bands one by one, e.g. ``the bass and presence range``."""
    return f"{whose} {listed([spoken(band) for band in bands])}"


def names(bands: Sequence[str], *, whose: str = "the", all_told: bool = False) -> str:
    """Name bands in the fewest words: all five, all from one up or up to one, or each.

    `all_told` says that no other band can be told. `bands`: bass first.

    >>> names(["mids", "presence", "treble"]), names(["bass", "low mids"], whose="its")
    ('everything from the mids up', 'its bass and low mids')
    """
    every = [band.name for band in BANDS]
    if len(bands) == len(every):
        return "every band"
    if len(bands) > 2 and all_told:
        return "every band told"
    if len(bands) > 2 and list(bands) == every[-len(bands) :]:
        return f"everything from the {spoken(bands[0])} up"
    if len(bands) > 2 and list(bands) == every[: len(bands)]:
        return f"everything up to the {spoken(bands[-1])}"
    return listing(bands, whose=whose)


def is_plural(named: str, *, bands: Sequence[str]) -> bool:
    """Whether bands that are named so take a verb in the plural."""
    return not named.startswith("every") and verb(bands, one="", many="s") == "s"


def none(bands: Sequence[str]) -> str:
    """Name bands of which something is denied: none, or each."""
    return "no band" if len(bands) == len(BANDS) else listing(bands)


def doing(grade: Grade, *, may_be: Grade | None = None, plural: bool = False) -> str:
    """Say a grade as what bands do.

    >>> doing("slips"), doing("holds", may_be="slips")
    ('slips', 'may slip')
    >>> doing("slips", may_be="falls short", plural=True)
    'slip and may fall short'
    """
    does = _BASE[grade] if plural else grade
    if may_be is None:
        return does
    return f"may {_BASE[may_be]}" if grade == "holds" else f"{does} and may {_BASE[may_be]}"


def does(fares: Sequence[Fare]) -> str:
    """Say the grade that these bands share."""
    bands = [fare.band for fare in fares]
    plural = is_plural(names(bands), bands=bands)
    return doing(fares[0].grade, may_be=fares[0].may_be, plural=plural)


def alike(fares: Sequence[Fare]) -> list[list[Fare]]:
    """Group bands that do the same at one level, the farthest from *holds* first."""
    groups: dict[object, list[Fare]] = {}
    for fare in fares:
        key = (fare.level_db, fare.gains, fare.grade, fare.may_be, fare.by_point)
        groups.setdefault(key, []).append(fare)
    return sorted(
        groups.values(),
        key=lambda group: (-group[0].level_db, *(-rank for rank in group[0].severity)),
    )


def quoted_size(writer: Drafter, name: str, *, unit: bool = True) -> str:
    """Quote a fact without its sign; without its unit where the next number names that."""
    fact = writer.facts[name]
    text = written(replace(fact, value=abs(fact.value)))
    return f"[{text if unit else text.removesuffix(f' {fact.unit}')}](#fact-{name})"


def size(writer: Writer, fares: Sequence[Fare], *, at_least: bool = False) -> str:
    """Give how far bands change: the one number that the verdict gives them, else their range.

    `at_least` gives the least of it, for what is a lower bound.
    """
    least, *_, most = sorted((*fares, fares[0]), key=lambda fare: abs(fare.change_db))
    if at_least:
        return f"at least {quoted_size(writer, least.size)}"
    if len({number(abs(fare.change_db), digits_for(fare.u95_db)) for fare in fares}) == 1:
        return quoted_size(writer, most.size)
    verdict = conclude_first(writer.analysis)
    for group in (verdict.first, verdict.gain, verdict.turned_up, *verdict.worst):
        if group is None or group.together_db is None:
            continue
        if {fare_of(one).size for one in group.by_mean} == {fare.size for fare in fares}:
            return writer.quote(together_name(group))
    return f"{quoted_size(writer, least.size, unit=False)} to {quoted_size(writer, most.size)}"


def sentences(clauses: Sequence[str], *, first: str = "") -> list[str]:
    """Join clauses with semicolons to sentences, the first of which begins with `first`."""
    found: list[str] = []
    for clause in [f"{first} {one}".strip() for one in clauses[:1]] + list(clauses[1:]):
        if found and len(f"{found[-1]} {clause}".split()) <= MOST_WORDS:
            found[-1] = f"{found[-1]}; {clause}"
        else:
            found.append(clause)
    return [f"{sentence(one)}." for one in found]


def where_short(writer: Writer, limits: Sequence[Limit]) -> str:
    """Say at which level, or between which, bands are first short; all of them are."""
    names = [f"{limit_key(one)}.{one.threshold_db:g}" for one in limits]
    # Where two are as good as the same, the one whose bracket is wide is written without
    # decimals, as the lower end is.
    _, _, _, highest = max(
        (round(one.high_db or 0.0), kind_of(one) == "between", one.high_db or 0.0, name)
        for one, name in zip(limits, names, strict=True)
    )
    high = f"{highest}.high"
    if any(one.low_db is None for one in limits):
        return writer.say("turned-up/limit-by", high=writer.quote(high))
    lowest = min(names, key=lambda name: writer.facts[f"{name}.low"].value)
    low = quoted_size(writer, f"{lowest}.low", unit=False)
    if len(limits) > 1 or kind_of(limits[0]) == "between":
        return writer.say("turned-up/limit-between", low=low, high=writer.quote(high))
    high = quoted_size(writer, high, unit=False)
    return writer.say("turned-up/limit-at", level=writer.quote(lowest), low=low, high=high)


_DIRECTION = ("loss", "gain")
_HEARD = {
    ("inaudible in practice", "possibly audible"): "may be audible",
    ("possibly audible", None): "is possibly audible",
    ("possibly audible", "clearly audible"): "is possibly, and may be clearly, audible",
    ("clearly audible", None): "is clearly audible",
}


def heard_words(writer: Drafter, one: Audible, *, part: str) -> dict[str, str]:
    """Return what a sentence about a stretch that may be heard is filled in with.

    `part` is its part of the facts, ``"most"`` or ``"other"``.
    """
    key = f"{heard_key(one)}.{part}"
    return {
        "change": _DIRECTION[one.change_db > 0.0],
        "low": writer.quote(f"{key}.low"),
        "high": writer.quote(f"{key}.high"),
        "word": _HEARD[one.heard, one.heard_may_be],
        "level": decibels(one.level_db),
    }
