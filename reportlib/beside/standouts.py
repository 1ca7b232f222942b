"""What a ranking adds up to, before any wording: who gives in first, who is too close to call."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from reportlib.compared import Comparison, Question, Ranking
from reportlib.levels import BANDS
from reportlib.thresholds import MEAN_LIMITS_DB

WORTH_NAMING_DB = MEAN_LIMITS_DB[0]
"""A smaller difference is hardly heard, however surely it is there."""

Verdict = Literal["gives in", "differs", "small", "close", "untold"]


@dataclass(frozen=True, kw_only=True)
class BandVerdict:
    """What one band's ranking says.

    Attributes
    ----------
    kind : ``"gives in"``: one surely loses more than another, by enough to name; ``"differs"``:
        they part by as much, and none of them loses; ``"small"``: they part by less; ``"close"``:
        no two part; ``"untold"``: nobody can be compared
    worst : who surely loses the most, or shares that place; the first of them loses the most
    better : who surely loses less than every one of the worst, the best first
    unsure : who can be told from one side only
    apart_db : by how much the first of the worst and the best part
    """

    band: str
    kind: Verdict
    ranking: Ranking | None = None
    worst: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
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
    if round(apart, 1) < WORTH_NAMING_DB:
        return BandVerdict(band=band, kind="small", ranking=ranking, apart_db=apart)
    parted = {(pair.better, pair.worse) for pair in ranking.partings}
    better = [name for name in ranking.names if (name, widest.worse) in parted]
    alike = [
        name
        for name in reversed(ranking.names)
        if name not in (*better, widest.worse) and all((other, name) in parted for other in better)
    ]
    placed = {*better, *alike, widest.worse}
    value = ranking.standing(widest.worse).value_db or 0.0
    return BandVerdict(
        band=band,
        kind="gives in" if round(-value, 1) >= WORTH_NAMING_DB else "differs",
        ranking=ranking,
        worst=(widest.worse, *alike),
        better=tuple(better),
        unsure=tuple(name for name in ranking.names if name not in placed),
        apart_db=apart,
    )


def leading(verdicts: Sequence[BandVerdict]) -> BandVerdict | None:
    """Return the band in which somebody gives in by most, None where nobody does."""
    found = [one for one in verdicts if one.kind == "gives in"]
    return max(found, key=lambda one: one.apart_db, default=None)


def bands_of(verdicts: Sequence[BandVerdict], kind: Verdict) -> tuple[str, ...]:
    """Return the bands of one kind, bass first."""
    return tuple(one.band for one in verdicts if one.kind == kind)
