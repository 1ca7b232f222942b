"""The tool's cells in a notebook whose metadata somebody's tools took away.

A round trip through a text format may cost every name, tag and digest, some or all. What a cell
was is then told by what stands in it: the very text that the last run left there, from the
session's memory, or the template's; else a code cell's call, or a text's heading; else a paragraph
of the last draft. A name is given to one cell only, and never while another still carries it.
"""

import ast
import copy
import functools
from collections.abc import Collection, Mapping
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib.publish.kinds import Last
from reportlib.publish.merge import (
    KEY,
    NOTE,
    WRITTEN,
    cell_name,
    heading,
    same_text,
    shares_paragraph,
    slot,
    text_digest,
)

_NOTE_OPENS = "<details><summary>Read again:"  # `read_again` writes it
_INJECTED = "injected-parameters"  # papermill's own tag


def named(mine: NotebookNode, *, template: NotebookNode, last: Last) -> NotebookNode:
    """Return a notebook with the names given back to the tool's cells that lost them.

    A cell that was recognised by less than its very text counts as edited.

    Parameters
    ----------
    mine : the reviewer's notebook, not changed
    template : the report as this version of the tool would make it
    last : what the tool last wrote into it
    """
    if all(cell_name(cell) or _INJECTED in _tags(cell) for cell in mine.cells):
        return mine
    mine = copy.deepcopy(mine)
    places = {cell_name(cell): cell for cell in template.cells}
    left = {str(one["cell"]): one for one in last.about.values() if "cell" in one}
    standing = {cell_name(cell) for cell in mine.cells}
    free = [name for name in dict.fromkeys((*places, *left)) if name not in standing]
    # a paragraph may as well have been taken over into a cell of the reviewer's own
    stripped = not any(slot(cell) for cell in mine.cells)
    for is_it in (_verbatim, _alike, *([_in_part] if stripped else [])):
        for cell in mine.cells:
            if cell_name(cell):
                continue
            found = (one for one in free if is_it(cell, one, place=places.get(one), last=last))
            if name := next(found, ""):
                _give_back(cell, name, place=places.get(name), about=left.get(name, {}))
                free.remove(name)
    for cell in mine.cells:  # of the reviewer's own, what was written beside their words
        about = last.about.get(text_digest(cell.source), {})
        if about and "cell" not in about and KEY not in cell.metadata:
            cell.metadata[KEY] = nbformat.from_dict(copy.deepcopy(about))
    if not any(_INJECTED in _tags(cell) for cell in mine.cells):
        _mark_injected(mine, template=template)
    return mine


def _tags(cell: Mapping[str, Any]) -> list[str]:
    return list(cell["metadata"].get("tags", []))


def _verbatim(cell: NotebookNode, name: str, *, place: NotebookNode | None, last: Last) -> bool:
    if place is not None and place.cell_type != cell.cell_type:
        return False
    left = last.about.get(text_digest(cell.source), {})
    texts = (last.drafts.get(name), None if place is None else place.source)
    return left.get("cell") == name or any(
        text is not None and same_text(cell.source, text) for text in texts
    )


def _alike(cell: NotebookNode, name: str, *, place: NotebookNode | None, last: Last) -> bool:
    """Whether a cell calls what the template's does, or stands under the same heading."""
    if name.startswith(NOTE):
        return bool(cell.source.lstrip().startswith(_NOTE_OPENS))
    if place is None or place.cell_type != cell.cell_type:
        return False
    if cell.cell_type == "code":
        return bool(_called(cell.source) & _called(place.source))
    headings = {heading(place.source), heading(last.drafts.get(name, ""))} - {""}
    return heading(cell.source) in headings


def _in_part(cell: NotebookNode, name: str, *, place: NotebookNode | None, last: Last) -> bool:
    if place is None or not cell.cell_type == place.cell_type == "markdown":
        return False
    return shares_paragraph(last.drafts.get(name, ""), cell.source)


@functools.lru_cache(maxsize=1024)
def _called(source: str) -> frozenset[str]:
    """Return what a code cell shows the results of: ``figures.turned_up``, whatever is chained."""
    found = set()
    try:
        for statement in ast.parse(source).body:
            node = statement.value if isinstance(statement, ast.Expr) else None
            function = None
            while isinstance(node, ast.Call | ast.Attribute):
                function = node.func if isinstance(node, ast.Call) else function
                node = node.func if isinstance(node, ast.Call) else node.value
            if function is not None:
                found.add(ast.unparse(function))
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return frozenset()
    return frozenset(found)


def _give_back(
    cell: NotebookNode, name: str, *, place: NotebookNode | None, about: Mapping[str, Any]
) -> None:
    about = {**about, "cell": name}
    tags = _tags(cell)
    if place is not None:
        # without a digest its text would count as the tool's
        about = {WRITTEN: text_digest(place.source), **about, **place.metadata[KEY]}
        tags += _tags(place)
    elif name.startswith(NOTE):
        tags.append("notebook-only")
    cell.metadata[KEY] = nbformat.from_dict(copy.deepcopy(about))
    if tags:
        cell.metadata["tags"] = list(dict.fromkeys(tags))


def _mark_injected(mine: NotebookNode, *, template: NotebookNode) -> None:
    """Mark the cell in which the last run's parameters were put in, which holds nothing else."""
    declared = {
        node.target.id
        for cell in template.cells
        if "parameters" in _tags(cell)
        for node in ast.parse(cell.source).body
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    }
    for cell in mine.cells:
        if cell.cell_type == "code" and declared and _assigned(cell.source) == declared:
            cell.metadata["tags"] = [*_tags(cell), _INJECTED]
            return


def _assigned(source: str) -> Collection[str]:
    """Return the names that a cell assigns literals to, none where anything else stands in it."""
    names = set()
    try:
        for statement in ast.parse(source).body:
            if not isinstance(statement, ast.Assign) or "#" in source:
                return set()
            ast.literal_eval(statement.value)
            names |= {one.id for one in statement.targets if isinstance(one, ast.Name)}
    except (SyntaxError, ValueError, TypeError, RecursionError, MemoryError):
        return set()
    return names
