"""Words that must be read again: grades, causes or answers changed under a reviewer's text.

Each edited cell remembers what held when its words were last in order (its basis). Where that
has changed the cell is marked, and a note with the reasons and the fresh draft stands behind
it, never published. The mark is settled when the reviewer edits the cell or deletes the note.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from nbformat import NotebookNode
from nbformat.v4 import new_markdown_cell

from reportlib.cells import KEY, cell_name, slot
from reportlib.facts import place_of
from reportlib.merge import NOTE, give_ids

BASIS = "basis"
REASONS = "read_again"
MARKED = "marked_text"
_MOST_IN_BRIEF = 4
_BELONGS: Mapping[str, tuple[str, ...]] = {
    "in-short": ("short.", "long.", "finding.", "need.", "standing.", "hindrance."),
    "turned-up": ("short.",),
    "at-equal-output": ("standing.output.", "standing.limit.", "hindrance."),
    "left-playing": ("long.", "standing.long."),
    "why": ("finding.",),
    "at-your-seat": ("need.",),
    "how-comparable": ("hindrance.",),
}
"""Which judgements a slot's words stand on, by the start of their names: a report's are grades,
causes and needs, a comparison's standings, needs, and what can't be compared."""


def basis_of(name: str, *, judged: Mapping[str, str]) -> dict[str, str]:
    """Return the judgements that a slot's words stand on."""
    starts = _BELONGS.get(name, ())
    return {key: value for key, value in judged.items() if key.startswith(starts)} if starts else {}


def reasons(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Say what changed, one reason each.

    >>> reasons({"short.mids.94": "holds"}, {"short.mids.94": "slips"})
    ('mids at 94 dB: “holds” then, “slips” now',)
    """
    found = []
    for key in dict.fromkeys((*then, *now)):
        before, after = then.get(key, ""), now.get(key, "")
        if before == after:
            continue
        place = place_of(key)
        if before and after:
            found.append(f"{place}: “{before}” then, “{after}” now")
        elif after:
            found.append(f"{place}: “{after}” now, not told then")
        else:
            found.append(f"{place}: “{before}” then, not told now")
    return tuple(found)


def settle_and_mark(
    notebook: NotebookNode,
    *,
    before: NotebookNode | None,
    kept: Sequence[str],
    judged: Mapping[str, str],
    drafts: Mapping[str, str],
    digest: Callable[[str], str],
) -> dict[str, tuple[str, ...]]:
    """Settle old marks, set new ones, and put a note behind each; in place.

    Parameters
    ----------
    notebook : about to be written, without notes of earlier runs
    before : the reviewer's, as it was read; None where there was none
    kept : slots whose words are the reviewer's
    judged : grades, causes and answers by name, as they are now
    drafts : the fresh drafts by slot
    digest : of a text

    Returns
    -------
    reasons by slot, of the cells that are to be read again
    """
    notes = set() if before is None else {cell_name(cell) for cell in before.cells}
    marked: dict[str, tuple[str, ...]] = {}
    done: list[NotebookNode] = []
    for cell in notebook.cells:
        name = slot(cell)
        done.append(cell)
        if not name:
            continue
        about = cell["metadata"][KEY]
        basis = basis_of(name, judged=judged)
        if name not in kept:
            _forget(about)
            about[BASIS] = basis
            continue
        pending = bool(about.get(REASONS))
        if pending and (NOTE + name not in notes or about.get(MARKED) != digest(cell.source)):
            about[BASIS] = dict(about.get("then", basis))  # read, as things stood at the mark
            _forget(about)
        found = reasons(about.setdefault(BASIS, basis), basis)
        if not found:
            _forget(about)
            continue
        about |= {REASONS: list(found), MARKED: digest(cell.source), "then": basis}
        if name not in marked:
            marked[name] = found
            done.append(_note(name, why=found, draft=drafts.get(name, "")))
    give_ids(done)
    notebook.cells = done
    return marked


def unread(notebook: NotebookNode, *, digest: Callable[[str], str]) -> dict[str, tuple[str, ...]]:
    """Return the reasons by slot of the cells that are marked and have not been read since."""
    notes = {cell_name(cell) for cell in notebook.cells}
    found: dict[str, tuple[str, ...]] = {}
    for cell in notebook.cells:
        name = slot(cell)
        about = cell["metadata"].get(KEY, {}) if name else {}
        if about.get(REASONS) and NOTE + name in notes and about.get(MARKED) == digest(cell.source):
            found[name] = tuple(map(str, about[REASONS]))
    return found


def in_brief(why: Sequence[str]) -> str:
    """Return reasons as one line: the first of many, as all of them stand in the note.

    >>> in_brief(["a", "b"])
    'a; b'
    >>> in_brief(["a", "b", "c", "d", "e"])
    'a; b; c; and 2 more, in the note behind it'
    """
    if len(why) <= _MOST_IN_BRIEF:
        return "; ".join(why)
    first = why[: _MOST_IN_BRIEF - 1]
    return "; ".join([*first, f"and {len(why) - len(first)} more, in the note behind it"])


def _forget(about: dict[str, Any]) -> None:
    for key in (REASONS, MARKED, "then"):
        about.pop(key, None)


def _note(name: str, *, why: Sequence[str], draft: str) -> NotebookNode:
    listed = "\n".join(f"- {one}" for one in why)
    text = (
        f"<details><summary>Read again: the words above, since the data changed</summary>\n\n"
        f"{listed}\n\nThe fresh draft, to take from:\n\n---\n\n{draft}\n\n---\n\n"
        "This note is never published. Edit the cell above or delete this one, and the mark is "
        "gone.\n\n</details>"
    )
    cell: NotebookNode = new_markdown_cell(text)
    cell["id"] = f"{NOTE}{name}"
    cell["metadata"] |= {KEY: {"cell": f"{NOTE}{name}"}, "tags": ["notebook-only"]}
    return cell
