"""Amounts in a sentence: digits or words, their unit, and how exactly they are meant."""

import re
from dataclasses import dataclass
from typing import Literal

Unit = Literal["dB", "Hz", "s", "m"]

_ONES = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
    "nineteen",
)  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_WORDS = {word: float(value) for value, word in enumerate(_ONES)}
_WORDS |= {word: 10.0 * value for value, word in enumerate(_TENS, start=2)}
_WORDS |= {"a": 1.0, "an": 1.0, "half": 0.5, "dozen": 12.0, "quarter": 0.25}
_WORDS |= {f"{ten}-{one}": _WORDS[ten] + _WORDS[one] for ten in _TENS for one in _ONES[1:10]}
_UNITS: dict[str, tuple[Unit, float]] = {
    "db": ("dB", 1.0), "decibel": ("dB", 1.0), "decibels": ("dB", 1.0),
    "hz": ("Hz", 1.0), "hertz": ("Hz", 1.0), "khz": ("Hz", 1000.0), "kilohertz": ("Hz", 1000.0),
    "s": ("s", 1.0), "sec": ("s", 1.0), "second": ("s", 1.0), "seconds": ("s", 1.0),
    "min": ("s", 60.0), "minute": ("s", 60.0), "minutes": ("s", 60.0),
    "m": ("m", 1.0), "metre": ("m", 1.0), "metres": ("m", 1.0), "cm": ("m", 0.01),
}  # fmt: skip
_NUMBER = r"[−+-]?\d+(?:[.,]\d+)?"
_WORD = "|".join(sorted(map(re.escape, _WORDS), key=len, reverse=True))
_SPOKEN = (
    rf"(?:(?:{_WORD})\s+and\s+a\s+(?:half|quarter)|half\s+an?|a\s+(?:half|quarter|dozen)|{_WORD})"
)
_UNIT = "|".join(sorted(map(re.escape, _UNITS), key=len, reverse=True))
_AMOUNT = re.compile(
    rf"(?<![\w.,])(?P<first>{_NUMBER}|(?:{_SPOKEN}))"
    rf"(?:\s*(?:to|–|—|-|and|or)\s*(?P<second>{_NUMBER}|(?:{_SPOKEN})))?"
    rf"[\s\u00a0\u202f-]*(?P<unit>{_UNIT})(?![\w])",
    re.IGNORECASE,
)
_ABOUT = re.compile(
    r"(?:about|around|roughly|some|nearly|almost|close to|~|≈|circa|just)\s*$", re.I
)
_MORE = re.compile(
    r"(?:at least|more than|over|no less than|above|beyond|exceeds?|in excess of)(?: a)?\s*$", re.I
)
_LESS = re.compile(
    r"(?:at most|less than|under|no more than|not more than|below|within|up to|never more than)"
    r"(?: a)?\s*$",
    re.I,
)


@dataclass(frozen=True, kw_only=True)
class Amount:
    """A number with its unit, as a range.

    Attributes
    ----------
    low, high : what it may mean, in `unit`; infinite where open
    value : as typed; the middle of a range
    start, end : where it stands in the sentence
    signed : whether a sign was typed, and which: −1, 0, 1
    bound : ``"least"``, ``"most"`` or ``""``
    """

    value: float
    low: float
    high: float
    unit: Unit
    start: int
    end: int
    signed: int
    bound: Literal["least", "most", ""]


def amounts(sentence: str) -> list[Amount]:
    """Return the amounts of a sentence, in order.

    >>> [(a.value, a.unit) for a in amounts("It loses one and a half decibels at 1.2 kHz.")]
    [(1.5, 'dB'), (1200.0, 'Hz')]
    """
    found = []
    for match in _AMOUNT.finditer(sentence):
        unit, scale = _UNITS[match["unit"].lower()]
        first, step, sign = _value(match["first"])
        if match["unit"].lower() in ("m", "s") and not match["first"][-1].isdigit():
            continue  # "a m…", "one s…": no amount
        low = high = first
        if match["second"]:
            second, other, _ = _value(match["second"])
            low, high, step = min(first, second), max(first, second), max(step, other)
        before = re.sub(r"\bnever (\w+) more than", r"\1 no more than", sentence[: match.start()])
        about = bool(_ABOUT.search(before))
        bound: Literal["least", "most", ""] = ""
        if _LESS.search(before):  # "no more than" ends in "more than"
            bound = "most"
        elif _MORE.search(before):
            bound = "least"
        slack = (1.0 if about or match["second"] else 0.5) * step
        if about:
            slack = max(slack, 0.15 * abs(first))
        found.append(
            Amount(
                value=0.5 * (low + high) * scale,
                low=(low - slack) * scale,
                high=(high + slack) * scale,
                unit=unit,
                start=match.start(),
                end=match.end(),
                signed=sign,
                bound=bound,
            )
        )
    return found


def _value(text: str) -> tuple[float, float, int]:
    """Return a number, the step that it is rounded to, and its sign where typed."""
    if text[-1].isdigit():
        digits = text.replace(",", ".").replace("−", "-")
        decimals = len(digits.partition(".")[2])
        sign = -1 if digits.startswith("-") else 1 if digits.startswith("+") else 0
        whole = digits.lstrip("+-")
        step = 10.0**-decimals
        if not decimals and len(whole) > 2:
            step = 10.0 ** (len(whole) - len(whole.rstrip("0")))  # "1200": to the hundred
        return float(digits), step, sign
    words = text.lower().split()
    if "and" in words:
        return _WORDS[words[0]] + _WORDS[words[-1]], 0.5, 0
    value = _WORDS[words[0] if words[0] not in ("a", "an") or len(words) == 1 else words[1]]
    return value, 0.25 if value < 1.0 else 1.0, 0
