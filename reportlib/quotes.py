"""Quoted facts in a reviewer's own words: they take their new values, and nothing else moves.

A quoted fact is a link, ``[−1.5 dB](#fact-short.mids.94.mean)``. What a person wrote inside the
brackets stays while it is true to its last digit ("about 1.5 dB", "1.54 dB", "1.2 kHz"); else
it takes the fact's value, and the change is listed. Words without a number are kept and listed
when the fact behind them has moved. Names are looked up, never evaluated.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from reportlib.facts import written
from reportlib.model import Fact
from reportlib.numbers import number

_QUOTED = re.compile(r"\[(?P<text>[^\[\]\n]*)\]\(#fact-(?P<name>[\w.-]+)\)")
_NUMBER = re.compile(
    r"(?P<sign>[−+-]?)(?P<digits>\d+(?:[.,]\d+)?)(?P<gap>[\s\u00a0\u202f]*)"
    r"(?P<unit>kHz|Hz|dBA|dBC|dB|minutes?|min|seconds?|s|hours?|h|ms|m|%|K|Ω|ohm)?\b"
)
_SCALES = {
    "kHz": ("Hz", 1000.0),
    "min": ("s", 60.0),
    "minute": ("s", 60.0),
    "minutes": ("s", 60.0),
    "second": ("s", 1.0),
    "seconds": ("s", 1.0),
    "h": ("s", 3600.0),
    "hour": ("s", 3600.0),
    "hours": ("s", 3600.0),
}


@dataclass(frozen=True, kw_only=True)
class Quote:
    """A quoted fact that no longer says what it said.

    Attributes
    ----------
    name : of the fact
    then, now : what stood in the brackets, and what stands there now; `now` is what the fact
        reads like where the words were kept, and empty where there is no such fact any more
    kept : whether the words were left as they are
    """

    name: str
    then: str
    now: str
    kept: bool


def refresh(
    text: str, *, facts: Mapping[str, Fact], last: Mapping[str, str]
) -> tuple[str, tuple[Quote, ...]]:
    """Return a text with its quoted facts as they are now, and what changed.

    Parameters
    ----------
    text : Markdown
    facts : by name
    last : what the facts read like when the text was last looked through, by name
    """
    changed: list[Quote] = []

    def renewed(found: re.Match[str]) -> str:
        shown, name = found["text"], found["name"]
        fact = facts.get(name)
        if fact is None:
            changed.append(Quote(name=name, then=shown, now="", kept=True))
            return found[0]
        if shown == written(fact):
            return found[0]
        told = _NUMBER.search(shown)
        if told is None:
            if name in last and last[name] != written(fact):
                changed.append(Quote(name=name, then=shown, now=written(fact), kept=True))
            return found[0]
        if _still_true(told, fact=fact):
            return found[0]
        value = replace(fact, value=abs(fact.value)) if _unsigned(told, fact=fact) else fact
        now = shown[: told.start()] + written(value) + shown[told.end() :]
        if not told["unit"]:  # "1.5 to" and the like: the unit stands elsewhere, if at all
            now = shown[: told.start()] + number(value.value, value.digits) + shown[told.end() :]
        changed.append(Quote(name=name, then=shown, now=now, kept=False))
        return f"[{now}](#fact-{name})"

    return _QUOTED.sub(renewed, text), tuple(changed)


def _still_true(told: re.Match[str], *, fact: Fact) -> bool:
    """Whether a number is the fact's, rounded as it stands."""
    digits = told["digits"].replace(",", ".")
    value = float(digits) * (-1.0 if told["sign"] in "−-" and told["sign"] else 1.0)
    _, scale = _SCALES.get(told["unit"] or "", ("", 1.0))
    decimals = len(digits.partition(".")[2])
    significant = re.sub(r"^0+", "", digits.replace(".", ""))
    step = 10.0**-decimals
    if not decimals and len(significant.rstrip("0")) <= 2 and len(significant) > 2:
        step = 10.0 ** (len(significant) - 2)  # "1200 Hz" is rounded as "1.2 kHz" is
    actual = abs(fact.value) if _unsigned(told, fact=fact) else fact.value
    return abs(value - actual / scale) <= 0.5 * step + 1e-9


def _unsigned(told: re.Match[str], *, fact: Fact) -> bool:
    """Whether a loss is written without its sign: “falls 1.5 dB short”."""
    return not told["sign"] and fact.value < 0.0
