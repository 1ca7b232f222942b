"""Captions that a reviewer set in code, held against those that the notebook shows.

Jupyter keeps no digest of the code that an output came from, so that "not run since" shows by the
words alone. Only plain texts can be compared: nothing is evaluated.
"""

import ast
import warnings
from collections.abc import Iterator, Mapping
from typing import Any

from nbformat import NotebookNode

from reportlib.cells import cell_name
from reportlib.publish.published import UNSEEN_TAGS
from reportlib.shown import PICTURE_MIME, TABLE_MIME

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
