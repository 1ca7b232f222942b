"""What must be in order before a notebook is published, and what is written down after it.

Captions that a reviewer set in code are held against those that the notebook shows:

Jupyter keeps no digest of the code that an output came from, so that "not run since" shows by the
words alone. Only plain texts can be compared: nothing is evaluated.

Numbers in a reviewer's own words that are not tied to the data are named, never judged:

Every number with dB, Hz, °C or % in a text cell or a caption that is no quoted fact is listed, with
the facts of its unit that would round to it, ready to paste as a quote. What the number speaks of
is not read: a reader that guesses accuses.
"""

import ast
import datetime
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nbformat import NotebookNode

from reportlib import __version__
from reportlib.errors import NotebookError
from reportlib.publish import history, merge, notebook, read_again, results
from reportlib.publish.kinds import REPORT, Kind
from reportlib.publish.merge import cell_name
from reportlib.publish.notebook import Saved, read_saved
from reportlib.publish.publication import UNSEEN_TAGS
from reportlib.write.quotes import Fact, quoted, sentences
from reportlib.write.shown import PICTURE_MIME, TABLE_MIME


def require_ready(
    session_folder: Path, *, as_it_is: bool, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Refuse to publish words to be read again, or captions not shown yet, unless told to.

    Parameters
    ----------
    saved : the session's notebook, where it has been read already

    Raises
    ------
    NotebookError
        The notebook cannot be read, or a cell in it is marked or was not run since its caption
        was written; the line names them.
    """
    path = session_folder / kind.notebook
    saved = saved or read_saved(path)
    marked = read_again.unread(saved.notebook)
    if marked and not as_it_is:
        named = "; ".join(f"{slot} ({read_again.in_brief(why)})" for slot, why in marked.items())
        raise NotebookError(
            f"{path}: read again what you wrote in {named}. Edit it, or delete "
            "the note behind it, then publish; or publish with --as-it-is."
        )
    behind = not_shown(saved.notebook)
    if behind and not as_it_is:
        raise NotebookError(
            f"{path}: the caption in the code of {', '.join(behind)} is not the one shown there. "
            f"Choose Run All Cells in Jupyter and save, or run '{kind.command(session_folder)}', "
            "then publish; or publish with --as-it-is."
        )


def record_publication(
    session_folder: Path, *, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Write down what has just been published: grades, quoted numbers, words, captures.

    Parameters
    ----------
    saved : the notebook that was published, where it has been read already

    Raises
    ------
    NotebookError
        The notebook or the last run's results cannot be read.
    RenderError
        It could not be written.
    """
    notebook = (saved or read_saved(session_folder / kind.notebook)).notebook
    texts: dict[str, str] = {}
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            name = merge.slot(cell) or "own"
            texts[name] = f"{texts[name]}\n\n{cell.source}" if name in texts else cell.source
    told = results.read_told(session_folder, kind=kind)
    history.keep_published(
        session_folder,
        history.record(
            when=datetime.datetime.now(),
            tool_version=__version__,
            digests=told.digests,
            narrative=texts,
            judged=told.judged,
            numbers=history.written_numbers(
                told.facts, names=history.quoted_names(list(texts.values()))
            ),
        ),
    )


_ROOTS = {"figures", "tables"}


def not_shown(notebook: NotebookNode) -> tuple[str, ...]:
    """Return the cells whose code sets another caption than they show, by name or number."""
    return tuple(
        cell_name(cell) or f"cell {number}"
        for number, cell in enumerate(notebook.cells, start=1)
        if cell.cell_type == "code"
        and not UNSEEN_TAGS.intersection(cell.metadata.get("tags", ()))
        and _differ(cell)
    )


def _differ(cell: NotebookNode) -> bool:
    wanted = list(_wanted(cell.source))
    if not wanted:
        return False
    shown = list(_shown(cell))
    if not shown and cell.execution_count is not None:
        return False  # it was run, and shows none: there is nothing to caption
    captions = {_plain(str(about.get("caption"))) for about in shown}
    own = {_plain(str(about.get("caption"))) for about in shown if about.get("own_words")}
    missing = {text for text in wanted if text} - captions
    left_over = own - set(wanted) if len(shown) == len(wanted) and None not in wanted else set()
    return bool(missing or left_over)


def _shown(cell: NotebookNode) -> Iterator[Mapping[str, Any]]:
    for output in cell.get("outputs", ()):
        for mime in (PICTURE_MIME, TABLE_MIME):
            about = output.get("data", {}).get(mime)
            if isinstance(about, Mapping):
                yield about


def _wanted(source: str) -> Iterator[str | None]:
    """Yield the caption of each figure and table that a cell's code shows at its top level.

    Empty where the code sets none, None where it is no plain text.
    """
    try:
        with warnings.catch_warnings(action="ignore"):
            body = ast.parse(source).body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return  # a magic, or no Python at all: left alone
    assigned = {
        target.id: one.value
        for one in body
        if isinstance(one, ast.Assign)
        for target in one.targets
        if isinstance(target, ast.Name)
    }
    for one in body:
        match one:
            case ast.Expr(value=ast.Call(func=ast.Name(id="display"), args=args)):
                found = args
            case ast.Expr(value=value) if one is body[-1]:
                found = [value]
            case _:
                continue
        for value in found:
            chain = list(_chain(value, assigned=dict(assigned)))
            if isinstance(chain[-1], ast.Name) and chain[-1].id in _ROOTS:
                yield _caption(chain)


def _chain(node: ast.expr, *, assigned: dict[str, ast.expr]) -> Iterator[ast.expr]:
    """Yield a chain of calls from its end to its root: `figures` of ``figures.f(x).g(y)``."""
    inner: ast.expr | None = node
    while inner is not None:
        yield inner
        match inner:
            case ast.Call(func=further) | ast.Attribute(value=further):
                inner = further
            case ast.Name(id=name):
                inner = assigned.pop(name, None)
            case _:
                inner = None


def _caption(chain: list[ast.expr]) -> str | None:
    for node in chain:
        match node:
            case ast.Call(func=ast.Attribute(attr="captioned"), args=args, keywords=keywords):
                given = [*args[:1], *(one.value for one in keywords if one.arg == "caption")]
                match given:
                    case [ast.Constant(value=str(text))]:
                        return _plain(text)
                    case _:
                        return None
    return ""


def _plain(text: str) -> str:
    return " ".join(text.split())


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
    drafts = results.read_results(session_folder, kind=kind).drafts.values()
    drafted = {one for text in drafts for one in sentences(text)}
    facts = results.read_told(session_folder, kind=kind).facts
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
            yield merge.slot(cell) or f"cell {number}", cell.source
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
