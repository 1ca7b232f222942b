"""How a draft is written: what each test tells, and how wordings are filled in."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.judge.grades import was_measured
from reportlib.judge.records import Analysis, BandResult
from reportlib.judge.thresholds import (
    BEHIND_DB,
    MEAN_LIMITS_DB,
    NEED_LIMITS_DB,
    TEXT_UNKNOWN_DB,
    WORST_LIMITS_DB,
)
from reportlib.measure.levels import BANDS, GRID_PER_OCTAVE, G
from reportlib.numbers import duration, level_text
from reportlib.session.day import Test
from reportlib.session.parameters import ReportParameters
from reportlib.write.quotes import FactTable, band_key, quoted


@dataclass(frozen=True, kw_only=True)
class Tested:
    """What one test tells.

    Attributes
    ----------
    told : band → its results that could be graded, quietest first (of stages the last)
    levels_db : the levels tested, quietest first
    untested : bands that no curve reaches, bass first
    """

    told: Mapping[str, tuple[BandResult, ...]]
    levels_db: tuple[float, ...]
    untested: tuple[str, ...]


def tell(analysis: Analysis, test: Test) -> Tested:
    """Sum up one test."""
    results = [one for one in analysis.bands if one.test == test]
    last = {(one.band, one.level_db): one for one in results}
    levels = tuple(sorted({one.level_db for one in results}))
    curves = analysis.short_term if test == "short_term" else analysis.long_term
    return Tested(
        told={
            band.name: tuple(
                one
                for level in levels
                if (one := last.get((band.name, level))) and one.grade != "can't tell"
            )
            for band in BANDS
        },
        levels_db=levels,
        untested=tuple(
            band.name
            for band in BANDS
            if curves and not was_measured(curves, low_hz=band.low_hz, high_hz=band.high_hz)
        ),
    )


_PLURAL = ("low mids", "mids")
_SPOKEN = {"presence": "presence range"}


STATED: Mapping[str, str] = {
    "behind": level_text(BEHIND_DB[0]),
    "far_behind": level_text(BEHIND_DB[1]),
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


Said = Callable[..., str]
"""Fills in a wording by its name and its values: `worded` bound to the templates."""

_GAP = re.compile(r"(?<=\S) +(?= |[.,;:](?:\s|$))")


def worded(templates: Environment, wording: str, /, **values: object) -> str:
    """Fill in one wording, named ``<slot>/<block>``: a block of the slot's file.

    A value that is empty leaves no gap between its neighbours.
    """
    slot, _, block = wording.rpartition("/")
    template = templates.get_template(f"{slot}.md.j2")
    parts = template.blocks[block.replace("-", "_")](template.new_context({**STATED, **values}))
    return _GAP.sub("", "".join(parts).strip())


def plain(text: str) -> str:
    r"""Escape text from outside, so that Markdown shows it as it stands.

    Round brackets mean something behind square ones alone, and these are escaped.

    >>> print(plain("a*b [c](d)"))
    a\*b \[c\](d)
    """
    escaped = re.sub(r"([\\`*_{}\[\]<>#+!|~$&])", r"\\\1", text)
    return " ".join(escaped.split())


@dataclass(frozen=True, eq=False, kw_only=True)
class Drafter:
    """What every draft needs, of a report or of a comparison: the facts, the wordings.

    `templates` finds ``<slot>.md.j2``, in which every wording is a block.
    """

    facts: FactTable
    templates: Environment

    def say(self, wording: str, **values: object) -> str:
        """Fill in one wording."""
        return worded(self.templates, wording, **values)

    def page(self, slot: str, *, paragraphs: Sequence[str] = (), **values: object) -> str:
        """Fill in the page of a slot from finished paragraphs."""
        text = self.say(f"{slot}/page", paragraphs="\n\n".join(paragraphs), **values)
        return re.sub(r"\n{3,}", "\n\n", text)

    def quote(self, name: str) -> str:
        """Quote a fact by its name."""
        return quoted(self.facts[name])


@dataclass(frozen=True, eq=False, kw_only=True)
class Writer(Drafter):
    """What every draft of a report needs: the analysis as well."""

    analysis: Analysis
    parameters: ReportParameters

    @property
    def short(self) -> Tested:
        """The short-term test, summed up."""
        return tell(self.analysis, "short_term")

    @property
    def long(self) -> Tested:
        """The long-term test, summed up."""
        return tell(self.analysis, "long_term")

    def say(self, wording: str, **values: object) -> str:
        """Fill in one wording; the speaker's name is always there."""
        name = plain(self.analysis.session.speaker.name)
        return super().say(wording, **{"name": name, **values})

    def of(self, result: BandResult, part: str) -> str:
        """Quote one part of a band's result, e.g. ``"shortfall"``."""
        return quoted(self.facts[f"{band_key(result)}.{part}"])

    def worst_at(self, result: BandResult) -> str:
        """Quote where a band changes most; at its end the change may go on beyond it."""
        at, hz = self.of(result, "worst-at"), result.worst_hz or 0.0
        for end, edge_hz in (("lower", result.low_hz), ("upper", result.high_hz)):
            if abs(math.log(max(hz, 1.0) / edge_hz)) < math.log(G) / GRID_PER_OCTAVE:
                return f"the band’s {end} end, {at}"
        return at


def minutes(elapsed_s: float) -> str:
    """Write a length of time as sentences do: in minutes from one minute to one hour.

    >>> minutes(60.0), minutes(150.0), minutes(7200.0)
    ('1 minute', '2.5 minutes', '2 h')
    """
    if not 60.0 <= elapsed_s < 3600.0:
        return duration(elapsed_s)
    text = f"{elapsed_s / 60.0:.3g}"
    return f"{text} minute" if text == "1" else f"{text} minutes"


def verb(bands: Sequence[str], *, one: str, many: str) -> str:
    """Choose the verb's form for one band or several; “mids” are many."""
    return many if len(bands) > 1 or bands[0] in _PLURAL else one


def spoken(band: str) -> str:
    """Return a band's name as a sentence says it, e.g. ``presence range``."""
    return _SPOKEN.get(band, band)


def decibels(level_db: float) -> str:
    """Write a level that names a setting, e.g. ``94 dB``."""
    return f"{level_db:g} dB"
