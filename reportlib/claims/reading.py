"""What a sentence claims: of which band or frequency, at which level, how much, which way."""

import re
from dataclasses import dataclass, replace
from typing import Literal

from reportlib.claims.numbers import Amount, amounts
from reportlib.model import Test

Way = Literal["loss", "gain", "holds", ""]

LEAST_LEVEL_DB = 45.0
"""A number of decibels from here on names a level; no change is as large, no level as low."""

_BANDS = (
    ("low mids", r"low(?:er)?[- ]mids?(?:range)?"),
    ("bass", r"bass|low end|lows|low frequencies"),
    ("mids", r"(?<!low )(?<!lower )(?<!low-)(?:mids?|midrange|middle)\b"),
    ("presence", r"presence(?: range)?"),
    ("treble", r"treble|highs|top end|high frequencies"),
)
_LONG = re.compile(
    r"\b(?:after\b.{0,40}?(?:minutes?|min|seconds?|s|stress|playing|multitone)|multitone|"
    r"long[- ]term|left playing|warm(?:s|ed|ing)?|heat(?:s|ed|ing)?|hot|stress|while it plays|"
    r"over (?:two|\d+) minutes|cool)\b",
    re.I,
)
_GAIN = re.compile(
    r"\b(?:gains?|rises? by|more than asked|louder than asked|too much|above what was asked|"
    r"boosts?|overshoots?)\b",
    re.I,
)
_LOSS = re.compile(
    r"\b(?:los(?:es?|t|s|ses|ing)|short(?:fall)?|behind|missing|less|down|drops?|dropped|gives? "
    r"(?:up|away|way)|compress(?:es|ion|ed)|falls?|fell|lacks?|gives?|gave|costs?|sags?|weaker|"
    r"quieter|lower|slips?)\b",
    re.I,
)
_HOLDS = re.compile(
    r"\b(?:no (?:loss|compression|audible loss|measurable loss)|holds?|held|keeps? (?:up|pace)|"
    r"(?!^)kept (?:up|pace)|without (?:any )?(?:loss|compression|losing)|loses? nothing|"
    r"lost nothing|nothing is lost|does not (?:lose|compress)|never loses|follows every step|"
    r"all (?:of it )?(?:came|comes) out)\b",
    re.I,
)
_OF_ANY = re.compile(
    r"\b(?:a loudspeaker|one|whatever|anything|what) (?:that )?(?:keeps|holds)", re.I
)
_GIVE_OR_TAKE = re.compile(
    r"\(?\b(?:give or take|plus or minus)\b[^,;.)]*(?:\d[.,]\d+[^,;.)]*)?\)?", re.I
)
"""An interval about another number is no change of its own."""
_NONE_OF = re.compile(
    r"\b(?:no|none|neither|nothing)\b[^,;.]{0,60}?\b(?:is|are|was|were|loses?|lost|falls?|fell|drops?)\b",
    re.I,
)
"""“No band is 1 dB behind” says that each loses less than that."""
_EXCEPT = re.compile(r"\b(?:but|except|save|apart from|though)\b", re.I)
_TRUE_OF = re.compile(
    r"\bholds?\s+(?:for|true|good|of|that|in)\b|\bheld back\b|\ball of (?:them|these)\b", re.I
)
_AT_MOST = re.compile(r"\bnever\b(?=.{0,20}\bmore than\b)|\b(?:no|not) more than\b", re.I)
_DENIED = re.compile(
    r"\b(?:not|n't|never|hardly|barely|if|would|could|might|may|should|other|another|usually|"
    r"often|most loudspeakers|expected?|we hoped|asked for more)\b|\?",
    re.I,
)


@dataclass(frozen=True, kw_only=True)
class Claim:
    """What one sentence says that data could bear out.

    Attributes
    ----------
    bands, frequencies : what it speaks of; both empty where it speaks of the whole
    levels : asked-for levels that it names
    changes : amounts of decibels that are changes, not levels
    way : loss, gain, holds, or not said
    open : why it can't be checked whatever the data say, empty where it can
    """

    test: Test
    bands: tuple[str, ...]
    frequencies: tuple[Amount, ...]
    levels: tuple[Amount, ...]
    changes: tuple[Amount, ...]
    times: tuple[Amount, ...]
    distances: tuple[Amount, ...]
    way: Way
    open: str


def read_claim(sentence: str) -> Claim:
    """Read a plain sentence."""
    found = amounts(_GIVE_OR_TAKE.sub(" ", sentence))
    decibels = [one for one in found if one.unit == "dB"]
    levels = tuple(one for one in decibels if abs(one.value) >= LEAST_LEVEL_DB)
    changes = tuple(one for one in decibels if abs(one.value) < LEAST_LEVEL_DB)
    if _NONE_OF.search(sentence):
        changes = tuple(replace(one, bound="most") for one in changes)
    way: Way = ""
    holds, gain, loss = (pattern.search(sentence) for pattern in (_HOLDS, _GAIN, _LOSS))
    if holds and not changes:
        way = "holds"
    elif gain and not (loss and loss.start() < gain.start()):
        way = "gain"
    elif loss or any(one.signed < 0 for one in changes):
        way = "loss"
    elif any(one.signed > 0 for one in changes):
        way = "gain"
    bands = tuple(
        name for name, pattern in _BANDS if re.search(rf"\b(?:{pattern})\b", sentence, re.I)
    )
    if "low mids" in bands and "mids" in bands:
        rest = re.sub(_BANDS[0][1], " ", sentence, flags=re.I)
        if not re.search(rf"\b(?:{_BANDS[2][1]})", rest, re.I):
            bands = tuple(name for name in bands if name != "mids")
    return Claim(
        test="long_term" if _LONG.search(sentence) else "short_term",
        bands=bands,
        frequencies=tuple(one for one in found if one.unit == "Hz"),
        levels=levels,
        changes=changes,
        times=tuple(one for one in found if one.unit == "s"),
        distances=tuple(one for one in found if one.unit == "m"),
        way=way,
        open=_left_open(sentence, changes=changes, way=way),
    )


def _left_open(sentence: str, *, changes: tuple[Amount, ...], way: Way) -> str:
    without = _AT_MOST.sub(" ", _HOLDS.sub(" ", sentence))
    if _DENIED.search(without):
        return "it says so of something else, or doubts it"
    if _OF_ANY.search(sentence):
        return "it speaks of any loudspeaker"
    if way == "holds" and _TRUE_OF.search(sentence):
        return "a rule or a word holds, not a loudspeaker"
    if way == "holds" and _EXCEPT.search(sentence):
        return "it makes an exception"
    if len(changes) > 1:
        return "it names several amounts"
    return ""
