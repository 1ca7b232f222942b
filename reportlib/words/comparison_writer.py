"""How the drafts of a comparison are written: wordings from files, numbers as quoted facts."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.compared import Comparison, Ranking
from reportlib.facts import FactTable, quoted
from reportlib.levels import BANDS, SLUGS
from reportlib.numbers import listed
from reportlib.words.writer import plain, spoken, worded

_ORDER = tuple(band.name for band in BANDS)


@dataclass(frozen=True, eq=False, kw_only=True)
class ComparisonWriter:
    """What every draft of a comparison needs: its records, its facts, the wordings.

    `templates` finds ``comparison/<slot>.md.j2``, in which every wording is a block.
    """

    comparison: Comparison
    facts: FactTable
    templates: Environment

    def say(self, wording: str, **values: object) -> str:
        """Fill in one wording."""
        return worded(self.templates, wording=wording, values=values)

    def page(self, slot: str, **values: object) -> str:
        """Fill in the page of a slot from finished paragraphs."""
        return re.sub(r"\n{3,}", "\n\n", self.say(f"comparison/{slot}/page", **values))

    def quote(self, name: str) -> str:
        """Quote a fact by its name."""
        return quoted(self.facts[name])

    def slug(self, name: str) -> str:
        """Return a session's name as it stands in facts."""
        return self.comparison.session(name).slug

    def key(self, ranking: Ranking, name: str) -> str:
        """Name the facts of a session in a ranking, without the last part."""
        part = "rank" if ranking.question == "equal output" else "long"
        return f"beside.{self.slug(name)}.{SLUGS[ranking.band]}.{part}"


def names_text(names: Sequence[str]) -> str:
    """Return sessions' names as a sentence says them, escaped."""
    return listed([plain(name) for name in names])


def where_text(bands: Sequence[str]) -> str:
    """Say in which bands: several in a row to either end are named by where they begin.

    >>> where_text(["mids", "presence", "treble"]), where_text(["bass", "mids"])
    ('from the mids up', 'in the bass and mids')
    """
    if len(bands) == len(_ORDER):
        return "in every band"
    if len(bands) > 1 and tuple(bands) == _ORDER[-len(bands) :]:
        return f"from the {bands[0]} up"
    if len(bands) > 1 and tuple(bands) == _ORDER[: len(bands)]:
        return f"up to the {bands[-1]}"
    return f"in the {listed([spoken(band) for band in bands])}"
