"""Quoted facts in a reviewer's own words: they take their new values, and nothing else moves.

A quoted fact is a link, ``[−1.5 dB](#fact-short.mids.94.mean)``. What a person wrote inside the
brackets stays while it is true to its last digit ("about 1.5 dB", "1.54 dB", "1.2 kHz"); else
it takes the fact's value, and the change is listed. Words without a number are kept and listed
when the fact behind them has moved. Names are looked up, never evaluated.

Words such as "falls 1.5 dB short" say a change's negative. Which quotes do is told by what the
fact read like when they were last looked through: "1.5 dB" then was "−1.5 dB" turned round,
or a gain as it was. A zero has no sign to tell it by, so that it is handed on from run to run.
"""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import takewhile

from reportlib.judge.records import BandResult
from reportlib.judge.verdict import Group
from reportlib.measure.levels import SLUGS
from reportlib.numbers import duration, frequency, level_key, number


@dataclass(frozen=True, kw_only=True)
class Fact:
    """A named number that prose may quote.

    Attributes
    ----------
    name : dotted, lower case, e.g. ``"short.mids.94.mean"``
    value : the number itself, unrounded
    unit : ``"dB"``, ``"Hz"``, … ; empty for a count
    digits : decimals that its uncertainty supports
    row : anchor of the table row that it stands in, empty if in none
    """

    name: str
    value: float
    unit: str
    digits: int
    row: str = ""


class FactTable(Mapping[str, Fact]):
    """Facts by name; a name that is not there says which ones are near."""

    def __init__(self, facts: Iterable[Fact]) -> None:
        self._facts: dict[str, Fact] = {}
        for fact in facts:
            if fact.name in self._facts:
                raise ValueError(f"fact {fact.name!r} is recorded twice")
            self._facts[fact.name] = fact

    def __getitem__(self, name: str) -> Fact:
        try:
            return self._facts[name]
        except KeyError:
            raise KeyError(f"no fact is named {name!r}") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._facts)

    def __len__(self) -> int:
        return len(self._facts)


def written(fact: Fact) -> str:
    """Write a fact's value with its unit.

    >>> written(Fact(name="a", value=-1.46, unit="dB", digits=1))
    '−1.5 dB'
    """
    if fact.unit == "Hz":
        return frequency(fact.value)
    if fact.unit == "s":
        return duration(fact.value)
    return f"{number(fact.value, fact.digits)} {fact.unit}".rstrip()


def quoted(fact: Fact) -> str:
    """Write a fact as the Markdown link that quotes it."""
    return f"[{written(fact)}](#fact-{fact.name})"


def band_key(result: BandResult) -> str:
    """Name the facts of one band at one level, without the last part."""
    if result.source == "multitone":
        return f"stress.{SLUGS[result.band]}.{level_key(result.level_db)}"
    test = "short" if result.test == "short_term" else "long"
    key = f"{test}.{SLUGS[result.band]}.{level_key(result.level_db)}"
    return key if result.test == "short_term" else f"{key}.{result.elapsed_s:g}"


def together_name(group: Group) -> str:
    """Name the fact of what several bands change together."""
    test = "turned-up" if group.test == "short_term" else "left-playing"
    return f"verdict.{test}.{'loss' if group.loses else 'gain'}.{level_key(group.level_db)}"


def place_of(name: str) -> str:
    """Say in words what a fact or a grade is about.

    >>> place_of("short.mids.94.mean"), place_of("long.low-mids.92.120"), place_of("test.top")
    ('mids at 94 dB', 'low mids at 92 dB after 2 min', 'test.top')
    >>> place_of("short.mids.92.5.mean"), place_of("long.low-mids.92.5.120")
    ('mids at 92.5 dB', 'low mids at 92.5 dB after 2 min')
    """
    spoken = {slug: band for band, slug in SLUGS.items()}
    parts = name.split(".")
    test = parts[0] if parts[0] in ("short", "long", "stress") else ".".join(parts[:2])
    numbers = list(takewhile(str.isdecimal, parts[2:]))
    after = f" after {duration(float(numbers.pop()))}" if "long" in test and numbers[1:] else ""
    level = f"{'.'.join(numbers)} dB{after}"  # a level may have a point in it
    match parts:
        case ["short" | "long", slug, _, *_] if slug in spoken and numbers:
            return f"{spoken[slug]} at {level}"
        case ["stress", slug, _, *_] if slug in spoken and numbers:
            return f"{spoken[slug]} at {level} while it played"
        case ["verdict", by, _, *rest]:
            return f"{by.replace('-', ' ')} at {'.'.join(rest)} dB, bands together"
        case ["finding", cause]:
            return f"cause {cause.replace('-', ' ')}"
        case ["why", cause, *_]:
            return f"cause {cause.replace('-', ' ')}"
        case ["limit", slug, *_] if slug in spoken:
            return f"limit of the {spoken[slug]}"
        case ["limit", "long", slug, *_] if slug in spoken:
            return f"limit of the {spoken[slug]}, left playing"
        case ["heard", "short" | "long", _, *_] if numbers:
            return f"what is heard at {level}"
        case ["beside", who, slug, *_] if slug in spoken:
            return f"{spoken[slug]} of {who}"
        case ["changed", *rest]:
            return f"what changed ({place_of('.'.join(rest))})"
        case ["need", session, need] if ", " in need:
            return f"{need}, with {session}"
        case ["need", need, *_]:
            return need.replace("-", " ")
        case ["standing", question, slug, *_] if slug in spoken:
            asked = {"output": "at equal output", "limit": "by limits", "long": "left playing"}
            return f"standing in the {spoken[slug]} {asked.get(question, question)}"
        case ["hindrance", kind, *_]:
            return f"what can't be compared ({kind.replace('-', ' ')})"
        case _:
            return name


def row_anchors(facts: FactTable, *, key: str) -> str:
    """Return the anchors of a table's row: its own, and one for each fact that stands in it."""
    names = [f"fact-{name}" for name in facts if name.startswith(key)]
    return " ".join([f"fact-{key[:-1]}", *names] if names else [])


_QUOTED = re.compile(r"\[(?P<text>[^\[\]\n]*)\]\(#fact-(?P<name>[\w.-]+)\)")
_DROPPED = re.compile(
    r"```.*?```|`[^`\n]*`|<!--.*?-->|!\[[^\]]*\]\([^)]*\)|^\s*#.*?$|^\s*\|.*?$",
    re.DOTALL | re.MULTILINE,
)
_LINK = re.compile(r"\[([^\[\]\n]*)\]\([^)\n]*\)")
_MARKS = re.compile(r"[*_~]{1,3}(?=\S)|(?<=\S)[*_~]{1,3}|<[^>\n]*>|\\(?=[^\w\s])")
_END = re.compile(r"(?<=[.!?;])[”\"’)]*\s+(?=[A-Z“\"‘(0-9])|\n\s*\n|\n\s*(?:[-*+]|\d+\.)\s+")
_ITEM = re.compile(r"^\s*(?:[-*+]|\d+\.)\s+")
QUOTED = "…"
"""What stands in place of a quoted fact."""
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


@dataclass(frozen=True, kw_only=True)
class Refreshed:
    """A text with its quoted facts as they are now.

    Attributes
    ----------
    text : Markdown
    changed : what changed
    negated : quotes that say the negative of their fact, each as the fact's name and which of
        its quotes in the text it is: ``"short.mids.94.mean 1"`` for the first
    """

    text: str
    changed: tuple[Quote, ...]
    negated: frozenset[str]


def refresh(
    text: str,
    *,
    facts: Mapping[str, Fact],
    last: Mapping[str, str],
    negated: Collection[str] = (),
) -> Refreshed:
    """Return a text with its quoted facts as they are now, and what changed.

    Parameters
    ----------
    text : Markdown
    facts : by name
    last : what the facts read like when the text was last looked through, by name
    negated : of the `Refreshed` that the text was made by
    """
    changed: list[Quote] = []
    turned: set[str] = set()
    count: Counter[str] = Counter()

    def renewed(found: re.Match[str]) -> str:
        shown, name = found["text"], found["name"]
        count[name] += 1
        key = f"{name} {count[name]}"
        fact = facts.get(name)
        if fact is None:
            changed.append(Quote(name=name, then=shown, now="", kept=True))
            return found[0]
        told = _NUMBER.search(shown)
        if told is None:
            if name in last and last[name] != written(fact):
                changed.append(Quote(name=name, then=shown, now=written(fact), kept=True))
            return found[0]
        if _negates(told, then=last.get(name, written(fact)), before=key in negated):
            turned.add(key)
            fact = replace(fact, value=-fact.value)
        if shown == written(fact) or _still_true(told, fact=fact):
            return found[0]
        now = shown[: told.start()] + written(fact) + shown[told.end() :]
        if not told["unit"]:  # "1.5 to" and the like: the unit stands elsewhere, if at all
            now = shown[: told.start()] + number(fact.value, fact.digits) + shown[told.end() :]
        changed.append(Quote(name=name, then=shown, now=now, kept=False))
        return f"[{now}](#fact-{name})"

    fresh = _QUOTED.sub(renewed, text)
    return Refreshed(text=fresh, changed=tuple(changed), negated=frozenset(turned))


def blanked(text: str) -> str:
    """Return a text without what stands in the brackets of its quoted facts.

    >>> blanked("It loses [1.5 dB](#fact-short.mids.94.mean).")
    'It loses [](#fact-short.mids.94.mean).'
    """
    return _QUOTED.sub(r"[](#fact-\g<name>)", text)


def _negates(told: re.Match[str], *, then: str, before: bool) -> bool:
    """Whether a number says the negative of its fact, which read like `then`."""
    was = _NUMBER.search(then)
    if was is None or not (_value(told) and _value(was)):
        return before
    opposite = (_value(told) < 0.0) != (_value(was) < 0.0)
    return opposite and (before or not told["sign"])


def _value(told: re.Match[str]) -> float:
    """Return a number as it stands, whatever its unit."""
    value = float(told["digits"].replace(",", "."))
    return -value if told["sign"] in {"−", "-"} else value


def _still_true(told: re.Match[str], *, fact: Fact) -> bool:
    """Whether a number is the fact's, rounded as it stands."""
    digits = told["digits"].replace(",", ".")
    _, scale = _SCALES.get(told["unit"] or "", ("", 1.0))
    decimals = len(digits.partition(".")[2])
    significant = re.sub(r"^0+", "", digits.replace(".", ""))
    step = 10.0**-decimals
    if not decimals and len(significant.rstrip("0")) <= 2 and len(significant) > 2:
        step = 10.0 ** (len(significant) - 2)  # "1200 Hz" is rounded as "1.2 kHz" is
    return abs(_value(told) - fact.value / scale) <= 0.5 * step + 1e-9


def sentences(text: str) -> list[str]:
    r"""Return the sentences of a Markdown text, plain, without code, headings and tables.

    >>> sentences("## Mids\n\nThe *mids* lose [−1.5 dB](#fact-a) at 94 dB. They hold at 90 dB.")
    ['The mids lose … at 94 dB.', 'They hold at 90 dB.']
    """
    text = _QUOTED.sub(QUOTED, text.replace("\r\n", "\n"))
    text = "\n\n" + _LINK.sub(r"\1", _DROPPED.sub("\n\n", text))
    found = []
    for part in _END.split(text):
        plain = " ".join(_MARKS.sub("", _ITEM.sub("", part)).split())
        if plain:
            found.append(plain)
    return found
