"""Numbers in a reviewer's own words that are not tied to the data: named, never judged.

Every number with dB, Hz, °C or % in a text cell or a caption that is no quoted fact is listed, with
the facts of its unit that would round to it, ready to paste as a quote. What the number speaks of
is not read: a reader that guesses accuses.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from nbformat import NotebookNode

from reportlib import cells, memory, notebook
from reportlib.facts import quoted
from reportlib.kinds import REPORT, Kind
from reportlib.model import Fact
from reportlib.publish.published import UNSEEN_TAGS
from reportlib.quotes import sentences
from reportlib.shown import PICTURE_MIME, TABLE_MIME

_NUMBER = re.compile(
    r"(?<![\w.,])(?P<sign>[−+-]?)(?P<digits>\d+(?:[.,]\d+)?)[\s\u00a0\u202f]*"
    r"(?P<unit>dB|kHz|Hz|°C|%)(?!\w)"
)
_MOST_OFFERED = 3


@dataclass(frozen=True, kw_only=True)
class Untied:
    """A number that is not tied to the data.

    Attributes
    ----------
    place : the cell's slot or number, or the figure whose caption it stands in
    number : as it was typed, with its unit
    quotes : facts that would round to it, as Markdown
    """

    place: str
    number: str
    quotes: tuple[str, ...]

    def line(self) -> str:
        """Say it in one line."""
        offered = " or ".join(self.quotes[:_MOST_OFFERED])
        tie = f"to tie it, write {offered}" if offered else "no fact of the report rounds to it"
        return f"{self.place}: “{self.number}” is not tied to the data; {tie}."


def session_untied(
    session_folder: Path, *, kind: Kind = REPORT, saved: notebook.Saved | None = None
) -> tuple[Untied, ...]:
    """List the untied numbers of a session's notebook; nothing without one.

    Parameters
    ----------
    saved : the session's notebook, where it has been read already

    Raises
    ------
    NotebookError
        The notebook or the last run's results cannot be read.
    """
    path = session_folder / kind.notebook
    if saved is None and not path.exists():
        return ()
    saved = saved or notebook.read_saved(path)
    drafts = memory.read_results(session_folder, kind=kind).drafts.values()
    drafted = {one for text in drafts for one in sentences(text)}
    facts = memory.read_told(session_folder, kind=kind).facts
    return tuple(
        found
        for place, text in _own_texts(saved.notebook)
        for sentence in sentences(text)
        if sentence not in drafted  # the tool's own: limits and settings that it judges by
        for found in _untied(sentence, place=place, facts=facts)
    )


def _own_texts(shown: NotebookNode) -> Iterator[tuple[str, str]]:
    """Yield what readers see of somebody's own words, with where it stands."""
    for number, cell in enumerate(shown.cells, start=1):
        if UNSEEN_TAGS.intersection(cell.metadata.get("tags", ())):
            continue
        if cell.cell_type == "markdown":
            yield cells.slot(cell) or f"cell {number}", cell.source
        for output in cell.get("outputs", ()):
            for mime in (PICTURE_MIME, TABLE_MIME):
                about = output.get("data", {}).get(mime)
                if isinstance(about, Mapping) and about.get("own_words"):
                    name = about.get("name", "unnamed")
                    yield f"caption of {name}", str(about.get("caption", ""))
                    yield f"alternative text of {name}", str(about.get("alt", ""))


def _untied(sentence: str, *, place: str, facts: Mapping[str, Fact]) -> Iterator[Untied]:
    for found in _NUMBER.finditer(sentence):
        near = [fact for fact in facts.values() if _rounds_to(found, fact=fact)]
        near.sort(key=lambda fact: fact.name.count("."))  # the plainest first
        yield Untied(place=place, number=found[0], quotes=tuple(map(quoted, near)))


def _rounds_to(found: re.Match[str], *, fact: Fact) -> bool:
    """Whether a fact, rounded as the number stands, is the number; a loss may lack its sign."""
    unit, scale = ("Hz", 1e3) if found["unit"] == "kHz" else (found["unit"], 1.0)
    if fact.unit != unit:
        return False
    digits = found["digits"].replace(",", ".")
    value = -float(digits) if found["sign"] in {"−", "-"} else float(digits)
    actual = fact.value / scale if found["sign"] else abs(fact.value) / scale
    return abs(value - actual) <= 0.5 * 10.0 ** -len(digits.partition(".")[2]) + 1e-9
