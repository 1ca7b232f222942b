"""How a draft is written, and what the grades add up to before any wording.

Pure selection over `BandResult`s; no prose and no rounding here.
"""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.judge.grades import GAIN_GRADES, LOSS_GRADES, was_measured
from reportlib.judge.records import Analysis, BandResult
from reportlib.judge.thresholds import (
    BEHIND_DB,
    GAIN_LIMITS_DB,
    MEAN_LIMITS_DB,
    NEED_LIMITS_DB,
    TEXT_UNKNOWN_DB,
    WORST_LIMITS_DB,
)
from reportlib.measure.levels import BANDS, GRID_PER_OCTAVE, G
from reportlib.numbers import level_text
from reportlib.session.day import Test
from reportlib.session.parameters import ReportParameters
from reportlib.write.quotes import FactTable, band_key, quoted


@dataclass(frozen=True, kw_only=True)
class BandStory:
    """How one band fared over the rising levels of one test.

    Attributes
    ----------
    band : its name
    told : results that could be graded, quietest first (last stage for long-term)
    holds_to_db : highest level up to which every told result holds, None where none does
    first_loss : quietest result that lost or may have, None where none did
    worst_loss : of those the one with the largest loss
    first_gain, largest_gain : the same for gains
    """

    band: str
    told: tuple[BandResult, ...]
    holds_to_db: float | None
    first_loss: BandResult | None
    worst_loss: BandResult | None
    first_gain: BandResult | None
    largest_gain: BandResult | None

    @property
    def holds(self) -> bool:
        """Whether it was told at all and never left *holds*."""
        return bool(self.told) and self.first_loss is None and self.first_gain is None


@dataclass(frozen=True, kw_only=True)
class Story:
    """One test over all bands.

    Attributes
    ----------
    bands : one story a band, bass first
    levels_db : the levels tested, quietest first
    holds_to_db : highest level at and below which every told band holds, None where none
    gives_first : results that lost or may have at the quietest level with one, bass first
    untested : bands that no curve reaches, bass first
    """

    bands: tuple[BandStory, ...]
    levels_db: tuple[float, ...]
    holds_to_db: float | None
    gives_first: tuple[BandResult, ...]
    untested: tuple[str, ...] = ()

    @property
    def untold(self) -> tuple[str, ...]:
        """Bands that were tested, and could be graded at no level."""
        return tuple(
            story.band for story in self.bands if not story.told and story.band not in self.untested
        )

    @property
    def worst_loss(self) -> BandResult | None:
        """The result with the largest loss of all."""
        losses = [story.worst_loss for story in self.bands if story.worst_loss is not None]
        return min(losses, key=_mean, default=None)

    @property
    def largest_gain(self) -> BandResult | None:
        """The result with the largest gain of all."""
        gains = [story.largest_gain for story in self.bands if story.largest_gain is not None]
        return max(gains, key=_size, default=None)


def is_loss(result: BandResult) -> bool:
    """Whether a result is graded as less than asked."""
    return result.grade in LOSS_GRADES[1:]


def may_lose(result: BandResult) -> bool:
    """Whether a band as a whole may be less than asked, turned up, and may as well hold."""
    if result.test == "long_term":
        return False
    allowed = result.grade == "holds" and result.grade_may_be in LOSS_GRADES[1:]
    return allowed and -_mean(result) + (result.u95_db or 0.0) > MEAN_LIMITS_DB[0]


def at_a_point(result: BandResult) -> bool:
    """Whether a band as a whole keeps up, and only its worst point earned the grade."""
    if may_lose(result):
        return False
    limit = MEAN_LIMITS_DB[0] if is_loss(result) else GAIN_LIMITS_DB[0]
    return abs(_mean(result)) < limit


def is_gain(result: BandResult) -> bool:
    """Whether a result is graded as more than asked."""
    return result.grade in GAIN_GRADES[1:]


def tell(analysis: Analysis, test: Test) -> Story:
    """Sum up one test."""
    results = [result for result in analysis.bands if result.test == test]
    levels = tuple(sorted({result.level_db for result in results}))
    stories = tuple(_band_story(band.name, results=results) for band in BANDS)
    holds_to = None
    for level in levels:
        graded = [one for one in _latest(results, level_db=level) if one.grade != "can't tell"]
        if not graded or any(is_loss(one) or may_lose(one) or is_gain(one) for one in graded):
            break
        holds_to = level
    first = min(
        (story.first_loss.level_db for story in stories if story.first_loss is not None),
        default=None,
    )
    gives_first = [
        story.first_loss
        for story in stories
        if story.first_loss is not None and story.first_loss.level_db == first
    ]
    curves = analysis.short_term if test == "short_term" else analysis.long_term
    return Story(
        bands=stories,
        levels_db=levels,
        holds_to_db=holds_to,
        gives_first=tuple(gives_first),
        untested=tuple(
            band.name
            for band in BANDS
            if curves and not was_measured(curves, low_hz=band.low_hz, high_hz=band.high_hz)
        ),
    )


def _latest(results: Sequence[BandResult], *, level_db: float) -> list[BandResult]:
    """The results of one level; of several stages the last."""
    found = {one.band: one for one in results if one.level_db == level_db}
    return list(found.values())


def _band_story(band: str, *, results: Sequence[BandResult]) -> BandStory:
    mine = [one for one in results if one.band == band]
    latest = {one.level_db: one for one in mine}
    told = tuple(latest[level] for level in sorted(latest) if latest[level].grade != "can't tell")
    losses = [one for one in told if is_loss(one) or may_lose(one)]
    gains = [one for one in told if is_gain(one)]
    holds_to = None
    for one in told:
        if one.grade != "holds" or may_lose(one):
            break
        holds_to = one.level_db
    return BandStory(
        band=band,
        told=told,
        holds_to_db=holds_to,
        first_loss=losses[0] if losses else None,
        worst_loss=min(losses, key=_mean, default=None),
        first_gain=gains[0] if gains else None,
        largest_gain=max(gains, key=_size, default=None),
    )


def _size(result: BandResult) -> float:
    return max(_mean(result), 0.5 * (result.worst_db or 0.0))


def _mean(result: BandResult) -> float:
    return 0.0 if result.mean_db is None else result.mean_db


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


def verb(bands: Sequence[str], *, one: str, many: str) -> str:
    """Choose the verb's form for one band or several; “mids” are many."""
    return many if len(bands) > 1 or bands[0] in _PLURAL else one


def no_less(results: Sequence[BandResult]) -> tuple[BandResult, ...]:
    """Return the results of one level that lose the most, as far as their intervals tell."""
    worst = min(results, key=_mean)
    return tuple(
        one
        for one in results
        if _mean(one) - _mean(worst) <= (one.u95_db or 0.0) + (worst.u95_db or 0.0)
    )


def verb_of(results: Sequence[BandResult], *, names: str, one: str, many: str) -> str:
    """Choose the verb's form for bands that lose; where each of them may as well hold, with may."""
    if all(may_lose(result) for result in results):
        return f"may {many}"
    if names.startswith("every"):  # all of them, or all but one, are one
        return one
    return verb([result.band for result in results], one=one, many=many)


def spoken(band: str) -> str:
    """Return a band's name as a sentence says it, e.g. ``presence range``."""
    return _SPOKEN.get(band, band)


def decibels(level_db: float) -> str:
    """Write a level that names a setting, e.g. ``94 dB``."""
    return f"{level_db:g} dB"
