"""The narrative cells of a report notebook, and how a reviewer's edits are carried on.

Every cell of the template has a name in its metadata, ``cell.metadata.upheld.cell``; narrative
cells also a slot, ``cell.metadata.upheld.slot``. Jupyter changes cell ids when cells are
copied or split but carries metadata along, so slots are what counts, never ids.

The rule: a slot whose text is still the last draft gets the new draft; one that differs is the
reviewer's and is kept word for word, with its attachments; one that is gone stays gone; cells
without a name are the reviewer's own and keep their place behind the named cell before them.
"""

import copy
from collections.abc import Mapping, Sequence
from typing import Any

from nbformat import NotebookNode

KEY = "upheld"
NARRATIVE = "narrative"


def cell_name(cell: Mapping[str, Any]) -> str:
    """Return a cell's name, empty for one that the reviewer added."""
    mine = cell["metadata"].get(KEY)
    return str(mine.get("cell", "")) if isinstance(mine, Mapping) else ""


def slot(cell: Mapping[str, Any]) -> str:
    """Return a narrative cell's slot, empty for any other cell."""
    mine = cell["metadata"].get(KEY)
    if cell["cell_type"] != "markdown" or not isinstance(mine, Mapping):
        return ""
    return str(mine.get("slot", ""))


def same_text(one: str, other: str) -> bool:
    """Whether two texts differ in no more than line ends and white space at line ends."""

    def normal(text: str) -> list[str]:
        return [line.rstrip() for line in text.replace("\r\n", "\n").strip().split("\n")]

    return normal(one) == normal(other)


def fill(notebook: NotebookNode, drafts: Mapping[str, str]) -> None:
    """Put the drafts into the narrative cells of a fresh notebook."""
    for cell in notebook.cells:
        if slot(cell) in drafts:
            cell.source = drafts[slot(cell)]


def edited_slots(mine: NotebookNode, *, last_drafts: Mapping[str, str] | None) -> dict[str, bool]:
    """Return, for each slot in the reviewer's notebook, whether it is not the last draft.

    Without the last drafts every slot counts as edited.
    """
    found: dict[str, bool] = {}
    for name in dict.fromkeys(slot(cell) for cell in mine.cells if slot(cell)):
        own = [cell for cell in mine.cells if slot(cell) == name]
        text = "\n\n".join(cell.source for cell in own)
        attached = any(cell.get("attachments") for cell in own)
        drafted = None if last_drafts is None else last_drafts.get(name)
        found[name] = attached or drafted is None or not same_text(text, drafted)
    return found


def carry_on(
    fresh: NotebookNode, mine: NotebookNode, *, last_drafts: Mapping[str, str] | None
) -> tuple[str, ...]:
    """Carry the reviewer's work from `mine` into `fresh`, in place.

    Parameters
    ----------
    fresh : the newly executed notebook, narrative cells filled with the new drafts
    mine : the notebook that the reviewer edited; not changed
    last_drafts : what its narrative cells were last filled with, by slot; None where unknown

    Returns
    -------
    slots that were kept as the reviewer wrote them
    """
    edited = edited_slots(mine, last_drafts=last_drafts)
    known = {cell_name(cell) for cell in fresh.cells} - {""}
    deleted = {
        slot(cell)
        for cell in fresh.cells
        if slot(cell) and slot(cell) not in edited and slot(cell) in (last_drafts or {})
    }
    cells: list[NotebookNode] = list(_own_cells(mine.cells, known=known, after=""))
    for cell in fresh.cells:
        name, its_slot = cell_name(cell), slot(cell)
        if its_slot and edited.get(its_slot):
            kept = [copy.deepcopy(one) for one in mine.cells if slot(one) == its_slot]
            cells += _split_apart(kept, mine=mine, known=known)
        elif its_slot not in deleted or not its_slot:
            cells.append(cell)
            cells += _own_cells(mine.cells, known=known, after=name)
        else:
            cells += _own_cells(mine.cells, known=known, after=name)
    fresh.cells = _with_unique_ids(cells)
    return tuple(name for name, is_edited in edited.items() if is_edited)


def _split_apart(
    kept: Sequence[NotebookNode], *, mine: NotebookNode, known: set[str]
) -> list[NotebookNode]:
    """The cells of one edited slot, with the reviewer's own cells that stand behind them."""
    name = cell_name(kept[0])
    return [*kept, *_own_cells(mine.cells, known=known, after=name)]


def _own_cells(cells: Sequence[NotebookNode], *, known: set[str], after: str) -> list[NotebookNode]:
    """Cells that the reviewer added behind the named cell `after` (empty: before the first)."""
    found, last = [], ""
    for cell in cells:
        name = cell_name(cell)
        if name in known and name:
            last = name
        elif last == after and not _ours(cell):
            found.append(copy.deepcopy(cell))
    return found


def _ours(cell: Mapping[str, Any]) -> bool:
    """Whether a cell was put there by the tool or by papermill."""
    tags = cell["metadata"].get("tags", [])
    return bool(cell_name(cell)) or "injected-parameters" in tags


def _with_unique_ids(cells: Sequence[NotebookNode]) -> list[NotebookNode]:
    seen: set[str] = set()
    for index, cell in enumerate(cells):
        if cell.get("id", "") in seen or not cell.get("id"):
            cell["id"] = f"{cell_name(cell) or 'cell'}-{index}"
        seen.add(cell["id"])
    return list(cells)


def headline(text: str) -> tuple[str, str]:
    r"""Split the opening cell into its verdict, the first paragraph, and the rest.

    >>> headline("## In short\n\nIt holds.\n\nMore.")
    ('It holds.', '## In short\n\nMore.')
    """
    blocks = [block for block in text.replace("\r\n", "\n").split("\n\n") if block.strip()]
    for index, block in enumerate(blocks):
        if not block.lstrip().startswith("#"):
            rest = blocks[:index] + blocks[index + 1 :]
            return " ".join(block.split()), "\n\n".join(rest)
    return "", text
