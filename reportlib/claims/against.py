"""Claims against the data."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from reportlib.claims.data import ClaimData
from reportlib.claims.numbers import Amount
from reportlib.claims.reading import Claim, read_claim
from reportlib.claims.sentences import QUOTED, sentences
from reportlib.grades import GAIN_GRADES, LOSS_GRADES
from reportlib.model import BandResult
from reportlib.numbers import frequency, number

Verdict = Literal["contradicted", "borne out", "can't be checked"]

_HELD_BY_DB = 0.5
"""A person who says “no loss” means a band's mean within this (the first grade's limit)."""
_MARGIN_DB = 0.1
"""Beyond the interval, before somebody is told that they are wrong."""


@dataclass(frozen=True, kw_only=True)
class Checked:
    """A sentence and what the data say of it; `data` is empty where nothing can be said."""

    sentence: str
    verdict: Verdict
    data: str


def check_text(text: str, *, data: ClaimData) -> tuple[Checked, ...]:
    """Check every sentence of a Markdown text that has a number or says that it holds."""
    found = (check_sentence(one, data=data) for one in sentences(text))
    return tuple(one for one in found if one is not None)


def check_sentence(sentence: str, *, data: ClaimData) -> Checked | None:
    """Check a plain sentence; None where it claims nothing that is measured."""
    claim = read_claim(sentence)
    numbers = (*claim.changes, *claim.levels, *claim.frequencies, *claim.times, *claim.distances)
    if not numbers and claim.way != "holds":
        return None
    verdict, said = _judge(claim, sentence=sentence, data=data)
    return Checked(sentence=sentence, verdict=verdict, data=said)


def _judge(claim: Claim, *, sentence: str, data: ClaimData) -> tuple[Verdict, str]:
    open_: tuple[Verdict, str] = ("can't be checked", "")
    if claim.open:
        return open_
    setup = _setup(claim, sentence=sentence, data=data)
    if setup is not None:
        return setup
    tested = data.levels_db.get(claim.test, ())
    if not tested:
        return open_
    levels = _levels(claim, tested=tested)
    if claim.way == "holds" and not claim.changes:
        return _held(claim, levels=levels, tested=tested, data=data)
    if (
        len(claim.changes) != 1
        or not claim.way
        or (QUOTED in sentence and claim.test == "long_term")
    ):
        return open_
    if levels is None or len(claim.bands) > 1 or len(claim.frequencies) > 1:
        return open_
    if not claim.bands and not claim.frequencies:
        return _anywhere(claim, levels=levels, data=data)
    return _amount(claim, levels=levels, data=data)


def _levels(claim: Claim, *, tested: tuple[float, ...]) -> tuple[float, ...] | None:
    """Return the tested levels that a claim speaks of: none named is any; None: one not tested."""
    found = []
    for one in claim.levels:
        near = min(tested, key=lambda level: abs(level - one.value))
        if abs(near - one.value) > 0.6:
            return None
        found.append(near)
    return tuple(found)


def _held(
    claim: Claim, *, levels: tuple[float, ...] | None, tested: tuple[float, ...], data: ClaimData
) -> tuple[Verdict, str]:
    """“Holds”, “no loss”: up to a level, at a level, or everywhere."""
    if claim.frequencies or len(claim.levels) > 1:
        return "can't be checked", ""
    top = max(tested)
    if claim.levels and claim.levels[0].value > top + 0.6:
        return "contradicted", f"nothing above {top:g} dB was tested"
    limit = claim.levels[0].high if claim.levels else top
    found = [
        one
        for band in (claim.bands or (None,))
        for one in data.results(test=claim.test, band=band, level_db=None)
        if one.level_db <= limit
    ]
    lost = [one for one in found if _gave(one)]
    if lost:
        worst = min(lost, key=lambda one: one.mean_db or 0.0)
        return "contradicted", f"the data say {_said(worst)}"
    doubtful = [one for one in found if one.grade != "holds" or one.grade_may_be]
    if not found or doubtful:
        return "can't be checked", ""
    return "borne out", f"every band told holds up to {limit:.0f} dB"


def _gave(one: BandResult) -> bool:
    changed = one.grade in (*LOSS_GRADES[1:], *GAIN_GRADES[1:])
    mean, u95 = one.mean_db or 0.0, one.u95_db or 0.0
    return changed and abs(mean) - u95 > _HELD_BY_DB - _MARGIN_DB


def _anywhere(claim: Claim, *, levels: tuple[float, ...], data: ClaimData) -> tuple[Verdict, str]:
    """An amount of no band: wrong only where no band comes near it at any of its levels."""
    found = _results(claim, levels=levels, data=data)
    if not found:
        return "can't be checked", ""
    (change,) = claim.changes
    spans = [_hull(one) for one in found]
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    if _apart(claim, change=change, low=low, high=high) and change.bound != "most":
        worst = min(found, key=lambda one: one.worst_db or 0.0)
        return "contradicted", f"the data say {_said(worst)} at most"
    if change.bound == "most" and _size(claim, low=low, high=high)[1] > change.high + _MARGIN_DB:
        worst = min(found, key=lambda one: one.mean_db or 0.0)
        mean = abs(worst.mean_db or 0.0)
        if mean - (worst.u95_db or 0.0) > change.high + _MARGIN_DB:
            return "contradicted", f"the data say {_said(worst)}"
    return "can't be checked", ""


def _amount(claim: Claim, *, levels: tuple[float, ...], data: ClaimData) -> tuple[Verdict, str]:
    """An amount at a band or a frequency."""
    (change,) = claim.changes
    if claim.frequencies:
        hz = claim.frequencies[0].value
        wanted = levels or data.levels_db[claim.test]
        spans = [span for level in wanted for span in data.at(hz, test=claim.test, level_db=level)]
        place = f"near {frequency(hz)}"
        exact = spans
        surely = spans
    else:
        found = _results(claim, levels=levels, data=data)
        spans = [_hull(one) for one in found]
        exact = [
            _about(value, one=one)
            for one in found
            for value in (one.mean_db, one.worst_db)
            if value is not None
        ]
        place = f"in the {claim.bands[0]}"
        surely = [_about(one.mean_db or 0.0, one=one) for one in found]
    if not spans:
        return "can't be checked", ""
    at = f" at {levels[0]:g} dB" if len(levels) == 1 else ""
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    says = f"the data say {number(low, 1)} to {number(high, 1)} dB {place}{at}"
    if change.bound == "most":  # of every level that it speaks of, by its mildest reading
        least = max(_size(claim, low=a, high=b)[0] for a, b in surely)
        most = max(_size(claim, low=low, high=high)[1], 0.0)
        if least > change.high + _MARGIN_DB:
            return "contradicted", says
        return ("borne out" if most <= change.high else "can't be checked"), says
    if _apart(claim, change=change, low=low, high=high):
        return "contradicted", says
    if not levels and len(spans) > 1 and claim.test == "short_term":
        hit = any(not _apart(claim, change=change, low=a, high=b, margin=0.0) for a, b in exact)
        return ("borne out" if hit else "can't be checked"), says
    if any(not _apart(claim, change=change, low=a, high=b, margin=0.0) for a, b in exact):
        return "borne out", says
    return "can't be checked", says


def _results(claim: Claim, *, levels: tuple[float, ...], data: ClaimData) -> list[BandResult]:
    return [
        one
        for band in (claim.bands or (None,))
        for level in (levels or (None,))
        for one in data.results(test=claim.test, band=band, level_db=level)
    ]


def _hull(one: BandResult) -> tuple[float, float]:
    """From a band's worst point to its mean, widened by the interval."""
    mean, u95 = one.mean_db or 0.0, one.u95_db or 0.0
    worst = one.worst_db if one.worst_db is not None else mean
    return min(mean, worst) - u95, max(mean, worst) + u95


def _about(value_db: float, *, one: BandResult) -> tuple[float, float]:
    u95 = one.u95_db or 0.0
    return value_db - u95, value_db + u95


def _size(claim: Claim, *, low: float, high: float) -> tuple[float, float]:
    """The span of changes as sizes in the claim's own direction."""
    return (-high, -low) if claim.way == "loss" else (low, high)


def _apart(
    claim: Claim, *, change: Amount, low: float, high: float, margin: float = _MARGIN_DB
) -> bool:
    """Whether what is claimed lies wholly outside what was found."""
    small, large = _size(claim, low=low, high=high)
    sign = -1.0 if change.signed < 0 else 1.0
    first, last = sorted((sign * change.low, sign * change.high))
    if change.bound == "least":
        last = math.inf
        first = abs(change.value)
    elif change.bound == "most":
        first, last = -math.inf, abs(change.value)
    return first > large + margin or last < small - margin


def _setup(claim: Claim, *, sentence: str, data: ClaimData) -> tuple[Verdict, str] | None:
    """What a sentence says of the measurement itself; None where it says nothing of it."""
    text = sentence.lower()
    if claim.distances and not claim.changes and not claim.way:
        if data.distance_m is None or not any(
            word in text for word in ("microphone", "measured at", "measured from", "stood")
        ):
            return "can't be checked", ""
        return _one(
            claim.distances, value=data.distance_m, said="the microphone stood at", unit="m"
        )
    if claim.times and "sweep" in text and not claim.changes and claim.test == "short_term":
        if data.sweep_s is None or "of the sweep" in text:
            return "can't be checked", ""
        return _one(claim.times, value=data.sweep_s, said="the sweep lasted", unit="s")
    if claim.levels and not claim.changes and "baseline" in text and data.baseline_db is not None:
        return _one(claim.levels, value=data.baseline_db, said="the baseline was", unit="dB")
    return None


def _one(claimed: Iterable[Amount], *, value: float, said: str, unit: str) -> tuple[Verdict, str]:
    amounts = list(claimed)
    if len(amounts) != 1 or amounts[0].bound:
        return "can't be checked", ""
    fits = amounts[0].low <= value <= amounts[0].high
    return ("borne out" if fits else "contradicted"), f"{said} {value:g} {unit}"


def _said(one: BandResult) -> str:
    when = "" if one.test == "short_term" else f" after {one.elapsed_s:g} s"
    mean = number(one.mean_db or 0.0, 1)
    return f"{mean} dB in the {one.band} at {one.level_db:g} dB{when}"
