"""Named numbers about limits and about what would be heard.

Collected by `facts`, which says what each name means.
"""

from collections.abc import Iterator

from reportlib.judged import Audible, Limit
from reportlib.levels import SLUGS
from reportlib.model import Analysis, Fact
from reportlib.numbers import digits_for, half_width, level_digits, outwards
from reportlib.thresholds import BEHIND_DB


def judged_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name every number about limits and hearing that a sentence may need."""
    for limit in analysis.limits:
        yield from _limit_facts(limit)
    named: set[str] = set()
    for one in analysis.audible:
        key = heard_key(one)
        yield from _heard_facts(one, key=f"{key}.{'other' if key in named else 'most'}")
        named.add(key)


def limit_key(limit: Limit) -> str:
    """Name the facts of a band's or drive unit's limits, without the last parts."""
    slug = SLUGS.get(limit.band, f"unit-{limit.low_hz:.0f}-{limit.high_hz:.0f}")
    return f"limit.{slug}" if limit.test == "short_term" else f"limit.long.{slug}"


def heard_key(one: Audible) -> str:
    """Name the facts of what is heard at one level, without the last parts."""
    if one.test == "short_term":
        return f"heard.short.{one.level_db:g}"
    return f"heard.long.{one.level_db:g}.{one.elapsed_s:g}"


def _limit_facts(limit: Limit) -> list[Fact]:
    key = limit_key(limit)

    def fact(name: str, value: float, *, digits: int) -> Fact:
        return Fact(name=f"{key}.{name}", value=value, unit="dB", digits=digits, row=f"fact-{key}")

    found = []
    if limit.threshold_db == BEHIND_DB[0] and limit.tested_to_db is not None:
        # Half decibels are levels too.
        digits = level_digits(limit.tested_to_db)
        tested = outwards(limit.tested_to_db, digits=digits, up=False)
        found.append(fact("tested", tested, digits=digits))
    name = f"{limit.threshold_db:g}"
    digits = 0
    if limit.low_db is not None and limit.high_db is not None:
        digits = digits_for(0.5 * (limit.high_db - limit.low_db))
    if limit.level_db is not None:
        found.append(fact(name, limit.level_db, digits=digits))
    if limit.low_db is not None:
        found.append(
            fact(f"{name}.low", outwards(limit.low_db, digits=digits, up=False), digits=digits)
        )
    if limit.high_db is not None:
        found.append(
            fact(f"{name}.high", outwards(limit.high_db, digits=digits, up=True), digits=digits)
        )
    return found


def _heard_facts(one: Audible, *, key: str) -> list[Fact]:
    digits = digits_for(one.u95_db)
    found = [
        Fact(name=f"{key}.size", value=abs(one.change_db), unit="dB", digits=digits),
        Fact(name=f"{key}.u95", value=half_width(one.u95_db), unit="dB", digits=digits),
        Fact(name=f"{key}.low", value=one.low_hz, unit="Hz", digits=0),
        Fact(name=f"{key}.high", value=one.high_hz, unit="Hz", digits=0),
    ]
    if one.phon is not None:
        # A change of so many phon is one of so many decibels at 1 kHz. It is a median
        # listener's, at a level that is known roughly.
        digits = 1 if abs(one.phon) < 2.0 else 0
        found.append(Fact(name=f"{key}.as-mids", value=abs(one.phon), unit="dB", digits=digits))
    return found
