"""Words that must be read again: grades, causes or answers changed under a reviewer's text.

Each cell in the reviewer's words remembers what held when they were last in order (its basis):
the judgements of its slot, of slots whose drafts' sentences stand in it, of the facts that it
quotes, and the loudspeaker's name where it stands there. Where that has changed the cell is
marked, and a note with the reasons and the fresh draft stands behind it, never published. The
mark is settled when the reviewer edits the cell or deletes the note; what a run writes into
quoted facts is no edit.
"""

import re
from collections.abc import Container, Mapping, Sequence
from typing import Any

from nbformat import NotebookNode
from nbformat.v4 import new_markdown_cell

from reportlib.errors import one_line
from reportlib.publish.history import quoted_names
from reportlib.publish.merge import KEY, NOTE, about, cell_name, give_ids, slot, text_digest
from reportlib.write.facts import judgements_of
from reportlib.write.quotes import blanked, place_of, sentences

BASIS = "basis"
REASONS = "read_again"
MARKED = "marked_text"
STANDS_ON = "stands_on"
"""Metadata of a cell: digests of other slots' drafted sentences that stand in it, by slot."""
SPEAKER = "speaker"
"""The loudspeaker's name, among the judgements."""
CHANGED = "changed."
"""What the names of what reads otherwise since a publication start with, among them."""
NOT_TOLD = "not told"
_PLAYED = "stress."
"""Grades of what was heard while it played, which earlier versions did not give."""
_MOST_IN_BRIEF = 4
_LEAST_SENTENCE = 20  # characters that tell a drafted sentence from anybody's
_LABEL_WORDS = 6
_BELONGS: Mapping[str, tuple[str, ...]] = {
    "in-short": ("short.", "long.", "stress.", "finding.", "need.", "standing.", "hindrance."),
    "turned-up": ("short.",),
    "at-equal-output": ("standing.output.", "standing.limit.", "hindrance."),
    "left-playing": ("long.", "stress.", "standing.long."),
    "why": ("finding.",),
    "at-your-seat": ("need.",),
    "how-comparable": ("hindrance.",),
    "what-changed": (CHANGED,),
}
"""Which judgements a slot's words stand on, by the start of their names: a report's are grades,
causes and needs, a comparison's standings, needs, and what can't be compared."""


def basis_of(name: str, *, judged: Mapping[str, str]) -> dict[str, str]:
    """Return the judgements that a slot's words stand on."""
    starts = _starts(name)
    return {key: value for key, value in judged.items() if key.startswith(starts)}


def reasons(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Say what changed, one reason each, causes after all else.

    >>> reasons({"short.mids.94": "holds"}, {"short.mids.94": "slips"})
    ('mids at 94 dB: “holds” then, “slips” now',)
    """
    graded = any(key.startswith(_PLAYED) for key in then)
    found = []
    for key in sorted({**then, **now}, key=lambda key: "finding." in key):
        before, after = then.get(key, ""), now.get(key, "")
        if before == after or (key.startswith(_PLAYED) and not graded):
            continue
        place = place_of(key)
        if key == SPEAKER:
            found.append(f"the loudspeaker is now named “{after}”, not “{before}”")
        elif before and after:
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
    last_judged: Mapping[str, str],
    numbers: Mapping[str, str],
    drafts: Mapping[str, str],
    last_drafts: Mapping[str, str],
) -> dict[str, tuple[str, ...]]:
    """Settle old marks, set new ones, and put a note behind each; in place.

    Parameters
    ----------
    notebook : about to be written, without notes of earlier runs; quoted facts in the reviewer's
        words still as they were read
    before : the reviewer's, as it was read; None where there was none
    kept : slots whose words are the reviewer's
    judged : grades, causes and answers by name, the loudspeaker's name, and what reads otherwise
        since a publication, as they are now
    last_judged : the same as the last run left them, empty where not known
    numbers : what the facts read like now, by name
    drafts, last_drafts : the fresh drafts by slot, and those of the last run

    Returns
    -------
    reasons of the cells that are to be read again, by slot; a cell of the reviewer's own by its
    first words
    """
    notes = set() if before is None else {cell_name(cell) for cell in before.cells}
    owners = _owners(last_drafts, drafts)
    marked: dict[str, tuple[str, ...]] = {}
    done: list[NotebookNode] = []
    for cell in notebook.cells:
        name = slot(cell)
        done.append(cell)
        if cell["cell_type"] != "markdown" or (cell_name(cell) and not name):
            continue
        mine = about(cell)
        if name and name not in kept:
            _forget(mine, STANDS_ON)
            mine[BASIS] = basis_of(name, judged=judged)
            continue
        if mine.get(REASONS) and not _standing_mark(cell, notes=notes):
            mine[BASIS] = mine.get("then", {})  # read, as things stood at the mark
        then, now = _then_and_now(
            cell, judged=judged, last=last_judged or judged, numbers=numbers, owners=owners
        )
        _forget(mine)
        if name or then:
            mine[BASIS] = then
        found = reasons(then, now)
        if found:
            mine |= {REASONS: list(found), MARKED: text_digest(blanked(cell.source)), "then": now}
            if _note_name(cell) not in map(cell_name, done):
                fresh = [drafts.get(one, "") for one in (name, *mine.get(STANDS_ON, ()))]
                done.append(_note(_note_name(cell), why=found, draft="\n\n".join(fresh).strip()))
            called = _called(cell)
            marked[called] = tuple(dict.fromkeys((*marked.get(called, ()), *found)))
        if not mine:
            del cell["metadata"][KEY]
    give_ids(done)
    notebook.cells = done
    return marked


def unread(notebook: NotebookNode) -> dict[str, tuple[str, ...]]:
    """Return the reasons of the cells that are marked and have not been read since, by slot."""
    notes = {cell_name(cell) for cell in notebook.cells}
    found: dict[str, tuple[str, ...]] = {}
    for cell in notebook.cells:
        why = _standing_mark(cell, notes=notes)
        if why:
            found[_called(cell)] = tuple(dict.fromkeys((*found.get(_called(cell), ()), *why)))
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


def _then_and_now(
    cell: NotebookNode,
    *,
    judged: Mapping[str, str],
    last: Mapping[str, str],
    numbers: Mapping[str, str],
    owners: Mapping[str, str],
) -> tuple[dict[str, str], dict[str, str]]:
    """Return what a cell's words stand on, as it was when they were in order and as it is."""
    mine = about(cell)
    was = _texts(mine.get(BASIS))
    told = (slot(cell), *_texts(mine.get(STANDS_ON))) if BASIS in mine else ()
    standing = _drafted_elsewhere(cell, owners=owners)
    mine[STANDS_ON] = standing
    if not standing:
        del mine[STANDS_ON]
    belongs = [judgements_of(fact) for fact in quoted_names([cell.source])]
    exact = set(belongs)
    if _names(cell.source, was.get(SPEAKER) or last.get(SPEAKER, "")):
        exact.add(SPEAKER)
    starts = (*_starts(slot(cell), *standing), *(one for one in belongs if one.endswith(".")))
    then: dict[str, str] = {}
    now: dict[str, str] = {}
    for key in dict.fromkeys((*was, *judged, *last)):
        spoken = key.replace(" ", "-")  # as it stands in the names of facts
        if spoken not in exact and not spoken.startswith(starts):
            continue
        then[key] = was.get(key, "" if key.startswith(_starts(*told)) else last.get(key, ""))
        now[key] = judged.get(key, "")
        if key.startswith(CHANGED) and then[key]:  # told as changed, published like that or not
            plain = key.removeprefix(CHANGED)
            now[key] = judged.get(plain) or numbers.get(plain) or NOT_TOLD
    return then, now


def _starts(*slots: str) -> tuple[str, ...]:
    return tuple(start for name in slots for start in _BELONGS.get(name, ()))


def _owners(*drafts: Mapping[str, str]) -> dict[str, str]:
    """Return whose draft a sentence is, by its digest; of those that stand in no other draft."""
    found: dict[str, set[str]] = {}
    for texts in drafts:
        for name, text in texts.items():
            for one in sentences(text):
                if len(one) >= _LEAST_SENTENCE:
                    found.setdefault(text_digest(one), set()).add(name)
    return {one: min(names) for one, names in found.items() if len(names) == 1}


def _drafted_elsewhere(cell: NotebookNode, *, owners: Mapping[str, str]) -> dict[str, list[str]]:
    """Return the drafted sentences in a cell that are of other slots than its own."""
    before = about(cell).get(STANDS_ON)
    before = before if isinstance(before, Mapping) else {}
    known = dict(owners) | {
        str(one): name for name, digests in before.items() for one in _listed(digests)
    }
    found: dict[str, list[str]] = {}
    for digest in dict.fromkeys(map(text_digest, sentences(cell.source))):
        owner = known.get(digest, "")
        if owner in _BELONGS and owner != slot(cell):
            found.setdefault(owner, []).append(digest)
    return found


def _names(text: str, name: str) -> bool:
    return bool(name) and re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text) is not None


def _texts(value: object) -> dict[str, str]:
    """Return texts by name out of metadata, which anybody may have written."""
    return {str(k): str(v) for k, v in value.items()} if isinstance(value, Mapping) else {}


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _standing_mark(cell: NotebookNode, *, notes: Container[str]) -> tuple[str, ...]:
    """Return the reasons of a mark that nobody has settled, by edit or by deleting the note.

    Earlier versions took the digest of the words with their quoted facts.
    """
    mine = cell["metadata"].get(KEY)
    if cell["cell_type"] != "markdown" or not isinstance(mine, Mapping) or not mine.get(REASONS):
        return ()
    untouched = [text_digest(text) for text in (cell.source, blanked(cell.source))]
    stands = mine.get(MARKED) in untouched and _note_name(cell) in notes
    return tuple(map(str, _listed(mine[REASONS]))) if stands else ()


def _called(cell: NotebookNode) -> str:
    """Return what a cell is called in a message: its slot, or its first words."""
    words = " ".join(sentences(cell.source)[:1] or [cell.source]).split()
    more = "…" if len(words) > _LABEL_WORDS else ""
    own = f"a cell of yours (“{one_line(' '.join(words[:_LABEL_WORDS]))}{more}”)"
    return slot(cell) or own


def _forget(mine: dict[str, Any], *more: str) -> None:
    for key in (REASONS, MARKED, "then", *more):
        mine.pop(key, None)


def _note_name(cell: NotebookNode) -> str:
    """Return the name of the note behind a cell; a cell without a slot is told by its words."""
    return NOTE + (slot(cell) or str(cell["metadata"][KEY].get(MARKED)))


def _note(name: str, *, why: Sequence[str], draft: str) -> NotebookNode:
    listed = "\n".join(f"- {one}" for one in why)
    fresh = f"The fresh draft, to take from:\n\n---\n\n{draft}\n\n---\n\n" if draft else ""
    text = (
        f"<details><summary>Read again: the words above, since the data changed</summary>\n\n"
        f"{listed}\n\n{fresh}This note is never published. Edit the cell above or delete this "
        "one, and the mark is gone.\n\n</details>"
    )
    cell: NotebookNode = new_markdown_cell(text)
    cell["id"] = name
    cell["metadata"] |= {KEY: {"cell": name}, "tags": ["notebook-only"]}
    return cell
