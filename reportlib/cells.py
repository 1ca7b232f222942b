"""The cells of a report notebook: their names, their slots, and what is written into them.

Every cell of the template has a name in its metadata, ``cell.metadata.upheld.cell``; narrative
cells also a slot, ``cell.metadata.upheld.slot``. Jupyter changes cell ids when cells are
copied or split but carries metadata along, so names and slots are what counts, never ids.
"""

from collections.abc import Container, Mapping
from typing import Any

from nbformat import NotebookNode

KEY = "upheld"


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


def fill(notebook: NotebookNode, drafts: Mapping[str, str], *, kept: Container[str] = ()) -> None:
    """Put the drafts into the narrative cells of a notebook, but for the slots in `kept`."""
    for cell in notebook.cells:
        if slot(cell) in drafts and slot(cell) not in kept:
            cell.source = drafts[slot(cell)]


def heading(text: str) -> str:
    r"""Return the heading that a text begins with, without its marks; empty where there is none.

    >>> heading("\n## Turned up\n\nIt holds.")
    'Turned up'
    """
    first = text.strip().partition("\n")[0].strip()
    return first.strip("#").strip() if first.startswith("#") else ""


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


def about(cell: NotebookNode) -> NotebookNode:
    """Return what the tool keeps in a cell's metadata, to be changed in place; made if need be."""
    if not isinstance(cell["metadata"].get(KEY), Mapping):
        cell["metadata"][KEY] = NotebookNode()
    found: NotebookNode = cell["metadata"][KEY]
    return found
