"""How a draft is written: wordings from files, numbers as quoted facts, names escaped."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.facts import FactTable, band_key, quoted
from reportlib.model import Analysis, BandResult
from reportlib.numbers import level_text
from reportlib.parameters import ReportParameters
from reportlib.thresholds import (
    BEHIND_DB,
    MEAN_LIMITS_DB,
    NEED_LIMITS_DB,
    TEXT_UNKNOWN_DB,
    WORST_LIMITS_DB,
)
from reportlib.words.story import Story, tell

_PLURAL = ("low mids", "mids")
_SPOKEN = {"presence": "presence range"}


STATED: Mapping[str, str] = {
    "behind": level_text(BEHIND_DB[0]),
    "holds_mean": level_text(MEAN_LIMITS_DB[0]),
    "slips_mean": level_text(MEAN_LIMITS_DB[1]),
    "short_mean": level_text(MEAN_LIMITS_DB[2]),
    "holds_worst": level_text(WORST_LIMITS_DB[0]),
    "slips_worst": level_text(WORST_LIMITS_DB[1]),
    "short_worst": level_text(WORST_LIMITS_DB[2]),
    "text_unknown": level_text(TEXT_UNKNOWN_DB),
    "enough": level_text(NEED_LIMITS_DB[0]),
    "just_enough": level_text(NEED_LIMITS_DB[1]),
}
"""What every wording may state of the limits that reports judge by."""


def worded(templates: Environment, *, wording: str, values: Mapping[str, object]) -> str:
    """Fill in one wording, named ``<slot>/<block>``: a block of the slot's file."""
    slot, _, block = wording.rpartition("/")
    template = templates.get_template(f"{slot}.md.j2")
    parts = template.blocks[block.replace("-", "_")](template.new_context({**STATED, **values}))
    return "".join(parts).strip()


def plain(text: str) -> str:
    r"""Escape text from outside, so that Markdown shows it as it stands.

    Round brackets mean something behind square ones alone, and these are escaped.

    >>> print(plain("a*b [c](d)"))
    a\*b \[c\](d)
    """
    escaped = re.sub(r"([\\`*_{}\[\]<>#+!|~$&])", r"\\\1", text)
    return " ".join(escaped.split())


@dataclass(frozen=True, eq=False, kw_only=True)
class Writer:
    """What every draft needs: the analysis, its facts, the wordings.

    `templates` finds ``<slot>.md.j2``, in which every wording is a block.
    """

    analysis: Analysis
    facts: FactTable
    templates: Environment
    parameters: ReportParameters

    @property
    def short(self) -> Story:
        """The short-term test, summed up."""
        return tell(self.analysis, "short_term")

    @property
    def long(self) -> Story:
        """The long-term test, summed up."""
        return tell(self.analysis, "long_term")

    def say(self, wording: str, **values: object) -> str:
        """Fill in one wording; the speaker's name is always there."""
        name = plain(self.analysis.session.speaker.name)
        return worded(self.templates, wording=wording, values={"name": name, **values})

    def page(self, slot: str, **values: object) -> str:
        """Fill in the page of a slot from finished paragraphs."""
        text = self.say(f"{slot}/page", **values)
        return re.sub(r"\n{3,}", "\n\n", text)

    def quote(self, name: str) -> str:
        """Quote a fact by its name."""
        return quoted(self.facts[name])

    def of(self, result: BandResult, part: str) -> str:
        """Quote one part of a band's result, e.g. ``"shortfall"``."""
        return quoted(self.facts[f"{band_key(result)}.{part}"])


def verb(bands: Sequence[str], *, one: str, many: str) -> str:
    """Choose the verb's form for one band or several; “mids” are many."""
    return many if len(bands) > 1 or bands[0] in _PLURAL else one


def spoken(band: str) -> str:
    """Return a band's name as a sentence says it, e.g. ``presence range``."""
    return _SPOKEN.get(band, band)


def decibels(level_db: float) -> str:
    """Write a level that names a setting, e.g. ``94 dB``."""
    return f"{level_db:g} dB"
