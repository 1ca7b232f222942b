"""What stands in the way of comparing what sessions lost while they were left playing."""

from collections.abc import Sequence

from reportlib.beside.groups import measured_alike
from reportlib.beside.noting import note
from reportlib.beside.ranked import rankable
from reportlib.compared import Compared, Hindrance, Ranking, StressEnd
from reportlib.numbers import duration, level_text, levels_text, listed

_SAME_CREST_DB = 1.0
"""Stresses whose crest factors differ by more load a limiter otherwise (a judgement)."""


def stress_hindrances(
    sessions: Sequence[Compared], *, ends: Sequence[StressEnd], rankings: Sequence[Ranking]
) -> list[Hindrance]:
    """Return who was left playing unlike the others, or not at all."""
    ranked = [one for one in rankings if one.question == "left playing"]
    placed = {name for one in ranked for name in one.names}
    able = rankable(sessions)
    if len(able) < 2 or not any(one.long_term_db for one in able):
        return []
    told = {end.name for end in ends}
    found = []
    for one in able:
        alike = [other for other in able if measured_alike(other) == measured_alike(one)]
        others = [other.name for other in alike if other is not one]
        if one.name not in placed and others:
            remedy = _remedy(one, able=alike, ranked=ranked)
            found.append(_not_alike(one, others=others, told=one.name in told, remedy=remedy))
    return [*found, *_crest(able, placed=placed)]


def _not_alike(one: Compared, *, others: Sequence[str], told: bool, remedy: str) -> Hindrance:
    if not one.long_term_db:
        words = f"{one.name} was not left playing."
    elif told:
        words = (
            f"{one.name} was left playing at {levels_text(one.long_term_db)}: no level and time "
            "in common with another that could be told."
        )
    else:
        words = f"What {one.name} lost while it was left playing can’t be told in any band."
        remedy = "Measure it with more takes or where it is quieter."
    return note(
        "no common stress",
        stops=True,
        groups=[[one.name], others],
        questions=("left playing",),
        words=words,
        remedy=remedy,
    )


def _remedy(one: Compared, *, able: Sequence[Compared], ranked: Sequence[Ranking]) -> str:
    if ranked:
        first = ranked[0]
        return (
            f"Leave {one.name} playing at {level_text(first.at_db or 0.0)} for "
            f"{duration(first.elapsed_s)}, as the others."
        )
    levels = [other.long_term_db for other in able if other is not one and other.long_term_db]
    level = level_text(levels[0][-1]) if levels else "one level"
    return f"Leave all of them playing at {level} equally long, with the same pause before sweeps."


def _crest(able: Sequence[Compared], *, placed: set[str]) -> list[Hindrance]:
    played = [one for one in able if one.name in placed and one.crest_factor_db is not None]
    crests = [one.crest_factor_db or 0.0 for one in played]
    if not crests or max(crests) - min(crests) <= _SAME_CREST_DB:
        return []
    parts = [f"{one.name} {one.crest_factor_db:g} dB" for one in played]
    return [
        note(
            "crest factor",
            stops=False,
            groups=[[one.name] for one in played],
            questions=("left playing",),
            words=f"What played had not the same crest factor ({listed(parts)}): higher peaks "
            "make a limiter act sooner.",
            remedy="Use the same multitone for all of them.",
        )
    ]
