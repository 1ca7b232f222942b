"""How a comparison's numbers are put into a few words, for tables, captions and drafts alike."""

from reportlib.compared import Standing
from reportlib.facts import SLUGS, FactTable, written
from reportlib.judged import Limit
from reportlib.limits import kind_of


def place_words(one: Standing) -> str:
    """Return a place, or the range of places that it may be.

    >>> place_words(Standing(name="A", value_db=0, low_db=0, high_db=0, best_place=1, worst_place=3))
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


def limit_words(limit: Limit, *, slug: str, facts: FactTable, bracket: bool = False) -> str:
    """Return a limit in a few words: ``"91.8 dB"``, ``"90 to 96 dB"``, ``"not by 99 dB"``."""
    key = f"beside.{slug}.{SLUGS[limit.band]}.limit"
    kind = kind_of(limit)
    if kind == "can't tell":
        return "can’t tell"
    if kind == "by":
        return f"by {written(facts[f'{key}-high'])}"
    if kind in ("may be", "not reached"):
        tested = written(facts[f"{key}-tested"])
        return f"may be, by {tested}" if kind == "may be" else f"not by {tested}"
    low, high = (written(facts[f"{key}-{end}"]).removesuffix(" dB") for end in ("low", "high"))
    if kind == "between":
        return f"{low} to {high} dB"
    return f"{written(facts[key])} ({low} to {high})" if bracket else written(facts[key])
