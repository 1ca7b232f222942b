"""How a comparison's numbers are put into a few words, for tables, captions and drafts alike."""

import math
from collections.abc import Callable

from reportlib.compared import NeedBeside, Ranking, Standing
from reportlib.facts import FactTable, written
from reportlib.judged import Limit
from reportlib.levels import SLUGS
from reportlib.limits import kind_of
from reportlib.model import Fact
from reportlib.numbers import listed


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


def sure_words(ranking: Ranking) -> str:
    """Say which pairs a ranking parts; where none does, that it is too close to call."""
    if not ranking.partings:
        return "too close to call"
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
    every = math.comb(len(ranking.names), 2) == len(ranking.partings)
    return "; ".join([*told, *([] if every else ["the rest too close to call"])])


def answer_words(one: NeedBeside) -> str:
    """Say whether it is enough."""
    return one.answer.replace("'", "’") + (", in peaks" if one.in_peaks else "")
