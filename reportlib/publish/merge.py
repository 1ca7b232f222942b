"""The reviewer's notebook and the tool's, made one before anything runs; cells and slots.

The reviewer's order counts, and every cell of theirs is carried: edited, added, moved, split,
merged, with its attachments. Where the template has another order than when the notebook was
made, cells that nobody moved follow it, and take along what stands behind them. Of the tool's own
cells those that nobody touched are taken from the template, those that are gone stay gone until
they are asked for, and those that the report can't do without come back. Jupyter changes ids when
cells are copied, split or merged but carries metadata along, so names and slots are what counts.

Whether somebody touched a cell is told by what was last written into it: its text, from the
session's memory, or its digest, from the cell's own metadata. Either can be lost; where both
are, the cell counts as the reviewer's.

Every cell of the template has a name in its metadata, ``cell.metadata.upheld.cell``; narrative
cells also a slot, ``cell.metadata.upheld.slot``. Jupyter changes cell ids when cells are
copied or split but carries metadata along, so names and slots are what counts, never ids.
"""

import copy
import difflib
import hashlib
import itertools
from collections.abc import Collection, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nbformat import NotebookNode

from reportlib.publish.kinds import Last

WRITTEN = "written"
"""Metadata of a cell: the digest of what the tool last wrote into it."""
NEEDED = "needed"
"""Metadata of a template's code cell that the report can't do without."""
NAMES = "cells"
"""Metadata of a notebook: the names of the tool's cells that it was given, deleted or not, in the
order in which they stood; sorted in notebooks made by the first versions."""
BEFORE = "order_before"
"""Metadata of a template: the order of its cells in those versions."""
NOTE = "fresh-"
"""What the name of a note behind a narrative cell starts with (`read_again`)."""
NOT_RUN = "skip-execution"  # nbclient's own tag
MAY_FAIL = "raises-exception"  # nbclient's own tag
PARAMETERS = "parameters"  # papermill's own tag: a run's are put in behind the first that has it
_LEAST_MERGED = 20  # characters of a draft that tell a merged cell from a deleted one


@dataclass(frozen=True, eq=False, kw_only=True)
class Merged:
    """One notebook out of two, ready to be run.

    Attributes
    ----------
    notebook : its narrative cells that nobody edited still wait for their drafts
    kept : slots whose text is the reviewer's
    deleted : names of cells that the reviewer deleted, in the template's order
    joined : slots that the reviewer merged into another cell
    outlived : names of edited cells that the template has no more
    own_code : ids of code cells that the reviewer wrote
    not_run : ids of those among them that are carried with their old output
    """

    notebook: NotebookNode
    kept: tuple[str, ...] = ()
    deleted: tuple[str, ...] = ()
    joined: tuple[str, ...] = ()
    outlived: tuple[str, ...] = ()
    own_code: tuple[str, ...] = ()
    not_run: tuple[str, ...] = ()


def text_digest(text: str) -> str:
    """Return a digest of a cell's text that line ends and trailing white space don't change."""
    lines = [line.rstrip() for line in text.replace("\r\n", "\n").strip().split("\n")]
    return hashlib.sha256("\n".join(lines).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def names_of(notebook: NotebookNode) -> frozenset[str]:
    """Return the names of the tool's cells that a notebook says it was given."""
    about = notebook.metadata.get(KEY)
    names = about.get(NAMES) if isinstance(about, Mapping) else None
    return frozenset(map(str, names)) if isinstance(names, list) else frozenset()


def sign_cells(
    notebook: NotebookNode, *, drafts: Mapping[str, str], template: NotebookNode
) -> None:
    """Write into each cell that holds the tool's own text what that is, and the names into all.

    Names that stand in the notebook's metadata already are those of deleted cells.
    A cell whose text is the reviewer's stays unsigned, or keeps what was written into it before:
    signed, it would pass for untouched at the next run.
    """
    places = {cell_name(cell): cell for cell in template.cells}
    names = []
    for cell in notebook.cells:
        name = cell_name(cell)
        if not name:
            continue
        names += [name] * (not name.startswith(NOTE))
        place = places.get(name)
        ours = name.startswith(NOTE)
        if place is not None and _same_kind(cell, place):
            texts = (drafts.get(slot(place)), place["source"])
            ours = any(text is not None and same_text(cell["source"], text) for text in texts)
        if ours:
            cell["metadata"][KEY][WRITTEN] = text_digest(cell["source"])
    every = {*names, *names_of(notebook)}
    in_order = [name for name in places if name in every]
    notebook.metadata.setdefault(KEY, {})[NAMES] = [*in_order, *sorted(every.difference(in_order))]


def merge(
    template: NotebookNode,
    mine: NotebookNode | None,
    *,
    last: Last,
    trusted: bool,
    bring_back: Collection[str] = (),
) -> Merged:
    """Return the template with the reviewer's work in it; neither argument is changed.

    Parameters
    ----------
    template : the report as this version of the tool would make it
    mine : the notebook that the reviewer has edited, None where there is none
    last : what the tool last wrote into it
    trusted : whether code in `mine` may run: the reviewer's own, not a stranger's
    bring_back : names of deleted cells that are to stand where the template has them again
    """
    if mine is None:
        return Merged(notebook=copy.deepcopy(template))
    gone = deleted_names(template, mine, last=last).difference(bring_back)
    wanted = {cell_name(cell): cell for cell in template.cells}
    edited = edited_slots(mine, last=last)
    placed: list[NotebookNode] = []
    used: set[str] = set()
    own_code: list[NotebookNode] = []
    outlived = []
    for cell in _as_the_template_goes(mine, template=template):
        if "injected-parameters" in cell["metadata"].get("tags", []):
            continue
        name, here = cell_name(cell), copy.deepcopy(cell)
        if name.startswith(NOTE):  # of the last run; what somebody wrote into it is theirs
            if not _untouched(cell, None):
                placed.append(_set_apart(here))
            continue
        place = wanted.get(name)
        if place is None or PARAMETERS not in place["metadata"].get("tags", []):
            _untag(here, PARAMETERS)
        if slot(cell) and place is not None:
            if edited[slot(cell)]:
                placed.append(here)
            elif name not in used:
                placed.append(copy.deepcopy(place))
        elif name and place is not None and name not in used and _same_kind(cell, place):
            if _untouched(cell, place):
                placed.append(copy.deepcopy(place))
            elif cell["cell_type"] != "code" or trusted:
                placed.append(here)
                own_code += [here] if cell["cell_type"] == "code" else []
            else:
                placed += [copy.deepcopy(place), _set_apart(here)]
                own_code.append(here)
        elif name and place is None and not edited.get(slot(cell), not _untouched(cell, None)):
            continue  # of another version of the template, and nobody's words are in it
        else:
            placed.append(here)
            outlived += [name] * (name != "" and place is None)
            if cell["cell_type"] == "code" and not _is_ours(cell, wanted.values()):
                own_code.append(here)
        used.add(name)
    placed = _with_new(placed, template=template, gone=gone)
    placed = _needed_first(placed, template=template)
    give_ids(placed)
    merged = copy.copy(template)
    merged.metadata = copy.deepcopy(template.metadata)
    merged.metadata[KEY] = {NAMES: sorted(gone)}
    merged.cells = placed
    deleted = [name for name in wanted if name in gone]
    joined = [
        name
        for name in deleted
        if slot(wanted[name])
        and _stands_in(placed, draft=last.drafts.get(name, ""), place=wanted[name])
    ]
    return Merged(
        notebook=merged,
        kept=tuple(name for name, is_edited in edited.items() if is_edited),
        deleted=tuple(name for name in deleted if name not in joined),
        joined=tuple(joined),
        outlived=tuple(dict.fromkeys(outlived)),
        own_code=tuple(cell["id"] for cell in own_code),
        not_run=() if trusted else tuple(cell["id"] for cell in own_code),
    )


def _as_the_template_goes(mine: NotebookNode, *, template: NotebookNode) -> list[NotebookNode]:
    """Return a notebook's cells in the template's order, but for those that somebody moved.

    Those, and cells of the reviewer's own, stay behind what they stand behind.
    """
    about = mine.metadata.get(KEY)
    given = about.get(NAMES) if isinstance(about, Mapping) else None
    given = [str(name) for name in given] if isinstance(given, list) else []
    if given == sorted(given):
        given = template.metadata.get(KEY, {}).get(BEFORE, "").split()
    wanted = [cell_name(cell) for cell in template.cells]
    stand = [name for name in dict.fromkeys(map(cell_name, mine.cells)) if name in given]
    given = [name for name in given if name in stand and name in wanted]
    if given == [name for name in wanted if name in given]:
        return list(mine.cells)
    blocks = difflib.SequenceMatcher(None, given, stand, autojunk=False).get_matching_blocks()
    leaders = {name for start, _, size in blocks for name in given[start : start + size]}
    parts: list[tuple[int, list[NotebookNode]]] = [(-1, [])]
    for cell in mine.cells:
        name = cell_name(cell)
        if name in leaders:
            leaders.remove(name)  # the second half of a split cell follows the first
            parts.append((wanted.index(name), []))
        parts[-1][1].append(cell)
    return [cell for _, part in sorted(parts, key=lambda part: part[0]) for cell in part]


def deleted_names(
    template: NotebookNode, mine: NotebookNode | None, *, last: Last
) -> frozenset[str]:
    """Return the names of cells that a notebook was given and the reviewer took out again.

    What the notebook itself says comes first: it may be older than the last one, put back.
    """
    if mine is None:
        return frozenset()
    given = names_of(mine) or last.cells
    if not given:  # all is lost but the words: what stands in them was given
        given = frozenset(
            cell_name(cell) for cell in template.cells if _heads(mine.cells, place=cell)
        )
    needed = {cell_name(cell) for cell in template.cells if _needed(cell)}
    return given - needed - {cell_name(cell) for cell in mine.cells}


def edited_slots(mine: NotebookNode, *, last: Last) -> dict[str, bool]:
    """Return, for each slot in a notebook, whether its text is the reviewer's.

    A slot that stands in two cells (split or copied) or carries an attachment is theirs.
    """
    found: dict[str, bool] = {}
    for cell in mine.cells:
        name = slot(cell)
        if not name:
            continue
        drafted = last.drafts.get(name)
        untouched = (
            name not in found
            and not cell.get("attachments")
            and (
                (drafted is not None and same_text(cell.source, drafted))
                or _written(cell) == text_digest(cell.source)
            )
        )
        found[name] = not untouched
    return found


def _written(cell: Mapping[str, Any]) -> str:
    about = cell["metadata"].get(KEY)
    return str(about.get(WRITTEN, "")) if isinstance(about, Mapping) else ""


def _same_kind(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return bool(one["cell_type"] == other["cell_type"])


def _untouched(cell: Mapping[str, Any], place: Mapping[str, Any] | None) -> bool:
    """Whether a cell of the tool's, not narrative, holds what the tool wrote into it."""
    if cell.get("attachments"):
        return False
    if place is not None and same_text(cell["source"], place["source"]):
        return True
    written = _written(cell)
    # earlier versions wrote no digest, and never took an edit of theirs up
    return not written or written == text_digest(cell["source"])


def _is_ours(cell: Mapping[str, Any], places: Iterable[Mapping[str, Any]]) -> bool:
    """Whether a code cell is a copy of one of the template's, which anybody may run.

    One that is told not to run would carry whatever output somebody gave it: it is not.
    """
    return NOT_RUN not in cell["metadata"].get("tags", []) and any(
        place["cell_type"] == "code" and same_text(cell["source"], place["source"])
        for place in places
    )


def shows_nothing(cell: Mapping[str, Any], *, template: NotebookNode) -> bool:
    """Whether an executed cell is one of the template's that could do without: it shows nothing."""
    places = [place for place in template.cells if not _needed(place)]
    return cell_name(cell) != "" and not cell.get("outputs") and _is_ours(cell, places)


def _untag(cell: NotebookNode, tag: str) -> None:
    tags = cell["metadata"].get("tags", [])
    if tag in tags:
        cell["metadata"]["tags"] = [one for one in tags if one != tag]


def _set_apart(cell: NotebookNode) -> NotebookNode:
    """Make an edited cell of the tool's one of the reviewer's own."""
    cell["metadata"].pop(KEY, None)
    return cell


def _needed(cell: Mapping[str, Any]) -> bool:
    return bool(cell["metadata"].get(KEY, {}).get(NEEDED))


def _with_new(
    placed: Sequence[NotebookNode], *, template: NotebookNode, gone: Collection[str]
) -> list[NotebookNode]:
    """Add the template's cells that are not there, each behind the one that it follows."""
    result = list(placed)
    before = ""
    for cell in template.cells:
        name = cell_name(cell)
        at = [index for index, one in enumerate(result) if cell_name(one) == name]
        if not at and name not in gone:
            behind = [index for index, one in enumerate(result) if cell_name(one) == before]
            result.insert(behind[-1] + 1 if behind else 0, copy.deepcopy(cell))
        if at or name not in gone:
            before = name
    return result


def _needed_first(cells: Sequence[NotebookNode], *, template: NotebookNode) -> list[NotebookNode]:
    """Bring what everything else builds on before the first code cell that is not of it."""
    code = [cell for cell in template.cells if cell["cell_type"] == "code"]
    order = [cell_name(cell) for cell in itertools.takewhile(_needed, code)]
    first: dict[str, int] = {}  # of a cell that was copied, the copies stay where they are
    for index, cell in enumerate(cells):
        if cell_name(cell) in order:
            first.setdefault(cell_name(cell), index)
    places = sorted(first.values())
    others = [
        index
        for index, cell in enumerate(cells)
        if cell["cell_type"] == "code" and index not in places
    ]
    in_order = [cell_name(cells[index]) for index in places] == [
        name for name in order if name in first
    ]
    if in_order and (not others or not places or places[-1] < others[0]):
        return list(cells)
    at = min([*others[:1], *places[:1]])
    rest = [(index, cell) for index, cell in enumerate(cells) if index not in places]
    return [
        *(cell for index, cell in rest if index < at),
        *(cells[first[name]] for name in order if name in first),
        *(cell for index, cell in rest if index >= at),
    ]


def shares_paragraph(draft: str, text: str) -> bool:
    """Whether a paragraph of a draft stands in a text."""
    return any(part in text for part in draft.split("\n\n") if len(part) >= _LEAST_MERGED)


def _stands_in(cells: Iterable[NotebookNode], *, draft: str, place: NotebookNode) -> bool:
    """Whether the words of a draft are found in another cell: merged, not deleted."""
    cells = list(cells)
    texts = [cell.source for cell in cells if cell["cell_type"] == "markdown"]
    return any(shares_paragraph(draft, text) for text in texts) or _heads(cells, place=place)


def _heads(cells: Iterable[NotebookNode], *, place: NotebookNode) -> bool:
    """Whether the heading of one of the template's cells stands somewhere in a text."""
    mine = heading(place.source) if place["cell_type"] == "markdown" else ""
    texts = [cell.source for cell in cells if mine and cell["cell_type"] == "markdown"]
    return any(heading(line) == mine for text in texts for line in text.split("\n"))


def give_ids(cells: Sequence[NotebookNode]) -> None:
    """Give an id to every cell that has none, or one that a cell before it has; in place."""
    seen: set[str] = set()
    for index, cell in enumerate(cells):
        if not cell.get("id") or cell["id"] in seen:
            fresh = f"{cell_name(cell) or 'cell'}-{index}"
            while fresh in seen:
                fresh += "-x"
            cell["id"] = fresh
        seen.add(cell["id"])


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
