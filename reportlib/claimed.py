"""The numbers that a reviewer typed into a session's notebook, held against its last results.

Sentences of a comparison speak of several loudspeakers at once, which nothing here takes apart:
they can't be checked, and are never said to be false.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from nbformat import NotebookNode

from reportlib import cells, memory, notebook
from reportlib.claims import Checked, ClaimData, check_sentence, data_from_files
from reportlib.claims.sentences import sentences
from reportlib.errors import NotebookError
from reportlib.kinds import REPORT, Kind
from reportlib.publish.published import UNSEEN_TAGS
from reportlib.shown import PICTURE_MIME, TABLE_MIME


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A checked sentence and where it stands: a cell's slot or number, or a caption's figure."""

    place: str
    checked: Checked

    def line(self) -> str:
        """Say it in one line."""
        return f"{self.place}: “{self.checked.sentence}” But {self.checked.data}."


def session_claims(
    session_folder: Path, *, kind: Kind = REPORT, saved: notebook.Saved | None = None
) -> tuple[Placed, ...]:
    """Check what somebody typed into text cells and captions; nothing without a notebook.

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
    typed = []
    for number, cell in enumerate(saved.notebook.cells, start=1):
        unseen = UNSEEN_TAGS.intersection(cell.metadata.get("tags", ()))
        if unseen:
            continue
        texts = [(cells.slot(cell) or f"cell {number}", cell.source)]
        if cell.cell_type == "code":
            texts = _captions(cell)
        typed += [
            (place, one)
            for place, text in texts
            for one in sentences(text)
            if one not in drafted  # the tool's own, made from these very data
        ]
    if not typed:
        return ()
    data = ClaimData(bands=(), curves=())
    kept = memory.read_texts(session_folder) if kind is REPORT else None
    try:
        data = data if kept is None else data_from_files(**kept)
        checked = [(place, check_sentence(one, data=data)) for place, one in typed]
    except memory.DAMAGED as error:
        raise NotebookError(
            f"{session_folder / memory.FOLDER}: the results of the last run are damaged "
            f"({type(error).__name__}). Run '{kind.command(session_folder)}' first."
        ) from error
    return tuple(
        Placed(place=place, checked=one if kind is REPORT else _unchecked(one))
        for place, one in checked
        if one is not None
    )


def _unchecked(one: Checked) -> Checked:
    return replace(one, verdict="can't be checked", data="")


def _captions(cell: NotebookNode) -> list[tuple[str, str]]:
    """Return captions and alternative texts that somebody typed, with where they stand."""
    found = []
    for output in cell.get("outputs", ()):
        for mime in (PICTURE_MIME, TABLE_MIME):
            about = output.get("data", {}).get(mime, {})
            if not isinstance(about, Mapping):
                continue
            name = about.get("name", "unnamed")
            kinds = (("caption", "caption"), ("alt", "alternative text"))
            if about.get("own_words"):
                found += [(f"{words} of {name}", str(about.get(kind, ""))) for kind, words in kinds]
    return found


def contradicted(claims: tuple[Placed, ...]) -> tuple[Placed, ...]:
    """Return those that the data contradict."""
    return tuple(one for one in claims if one.checked.verdict == "contradicted")
