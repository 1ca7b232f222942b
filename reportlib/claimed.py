"""The numbers that a reviewer typed into a session's notebook, held against its last results."""

from dataclasses import dataclass
from pathlib import Path

from reportlib import cells, memory, notebook
from reportlib.claims import Checked, check_text, data_from_files
from reportlib.publish.published import UNSEEN_TAGS


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A checked sentence and the cell that it stands in: its slot, or the how-manieth cell."""

    place: str
    checked: Checked

    def line(self) -> str:
        """Say it in one line."""
        return f"{self.place}: “{self.checked.sentence}” But {self.checked.data}."


def session_claims(session_folder: Path) -> tuple[Placed, ...]:
    """Check every text cell that is published; nothing where there is no notebook yet.

    Raises
    ------
    NotebookError
        The notebook or the last run's results cannot be read.
    """
    path = session_folder / notebook.REPORT
    if not path.exists():
        return ()
    data = data_from_files(**memory.read_texts(session_folder))
    found = []
    for number, cell in enumerate(notebook.read_notebook(path).cells, start=1):
        unseen = UNSEEN_TAGS.intersection(cell.metadata.get("tags", ()))
        if cell.cell_type != "markdown" or unseen:
            continue
        place = cells.slot(cell) or f"cell {number}"
        found += [Placed(place=place, checked=one) for one in check_text(cell.source, data=data)]
    return tuple(found)


def contradicted(claims: tuple[Placed, ...]) -> tuple[Placed, ...]:
    """Return those that the data contradict."""
    return tuple(one for one in claims if one.checked.verdict == "contradicted")
