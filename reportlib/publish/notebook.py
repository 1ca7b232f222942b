"""Running a notebook, a report's or a comparison's, and keeping what the reviewer wrote in it.

The reviewer's notebook is merged into the template before anything runs (`merge`), executed in
memory (`execution`) and written once, beside and renamed, when everything has succeeded.
"""

import copy
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib.errors import NotebookError, one_line
from reportlib.publish import history, memory, merge, read_again, recognised, results
from reportlib.publish.execution import execute, is_trusted, sign, what_stopped
from reportlib.publish.kinds import REPORT, Kind, Last, kind_named
from reportlib.session import files
from reportlib.session.faults import Fault
from reportlib.session.parameters import Parameters
from reportlib.session.toml_text import NAME, toml_bytes
from reportlib.write.quotes import Quote, place_of, refresh, written

_MOST_TRIES = 3
_NEGATED = "negated"
"""Metadata of a cell in the reviewer's words: which of its quotes say their fact's negative."""


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a run did to the reviewer's notebook.

    Attributes
    ----------
    notebook : path of the notebook
    kept_slots : narrative cells that were kept as the reviewer wrote them
    deleted_cells : cells that the reviewer took out
    joined_slots : narrative cells that the reviewer merged into another one
    outlived_cells : edited cells of parts that this version has no more
    own_code : how many code cells are the reviewer's own
    stopped : what stopped in them, one line each
    not_run : how many of them were not run, since the notebook is not signed by this user
    aside : where a damaged notebook was moved to, None where there was none
    quotes : quoted facts in the reviewer's words that say something else now, with their slot
    read_again : why words are to be read again, by slot
    """

    notebook: Path
    kept_slots: tuple[str, ...] = ()
    deleted_cells: tuple[str, ...] = ()
    joined_slots: tuple[str, ...] = ()
    outlived_cells: tuple[str, ...] = ()
    own_code: int = 0
    stopped: tuple[str, ...] = ()
    not_run: int = 0
    aside: Path | None = None
    quotes: tuple[tuple[str, Quote], ...] = ()
    read_again: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def lines(self) -> tuple[str, ...]:
        """Say it, one line each; nothing where the notebook was only refreshed."""
        said = []
        if self.aside is not None:
            said.append(
                f"{self.notebook.name} could not be read as a notebook: it was moved to "
                f"{self.aside.name}, and this one was made from the last that was kept."
            )
        for words, slots in (
            ("Kept as you wrote them", self.kept_slots),
            ("Merged by you into another cell", self.joined_slots),
            ("Kept as you wrote them, though reports have no such part now", self.outlived_cells),
            ("Left out, since you deleted them", self.deleted_cells),
        ):
            if slots:
                said.append(f"{words}: {', '.join(slots)}.")
        if self.deleted_cells:
            command = kind_named(self.notebook.name).command(self.notebook.parent)
            said[-1] += f" To have one again: {command} --bring-back {self.deleted_cells[0]}"
        said += [f"A code cell of yours stopped: {one}" for one in self.stopped]
        if self.not_run:
            said.append(
                f"{self.not_run} code cell{'s' * (self.not_run > 1)} that somebody added or "
                f"changed {'were' if self.not_run > 1 else 'was'} not run. If you want that, "
                f"read {self.notebook.name} in Jupyter, then run all its cells there or trust it."
            )
        for slot, quote in self.quotes:
            place = place_of(quote.name)
            if quote.kept:
                now = f"now reads {quote.now}" if quote.now else "is no longer told"
                said.append(f"{slot}: “{quote.then}” ({place}) was kept; the fact {now}.")
            else:
                said.append(f"{slot}: {quote.then} → {quote.now} ({place})")
        for slot, why in self.read_again.items():
            said.append(f"Read again: {slot}. {read_again.in_brief(why)}.")
        return tuple(said)


@dataclass(frozen=True, kw_only=True, eq=False)
class Saved:
    """A notebook as it was saved: its file's bytes, and what they say."""

    data: bytes
    notebook: NotebookNode


def read_notebook(path: Path) -> NotebookNode:
    """Read a notebook of any version 4 format, as it is; see `read_saved`."""
    return _read(path).notebook


def read_saved(path: Path) -> Saved:
    """Read a session's notebook of any version 4 format, once for all that is made from it.

    Its cells have the names that a tool may have taken from them.

    Raises
    ------
    NotebookError
        The file cannot be read, or is no notebook.
    """
    saved = _read(path)
    last = memory.read(path.parent).written
    book = recognised.named(saved.notebook, template=_template(kind_named(path.name)), last=last)
    return Saved(data=saved.data, notebook=book)


def _read(path: Path) -> Saved:
    try:
        data = files.read_bytes(path, inside=path.parent)
        notebook: NotebookNode = nbformat.reads(data.decode("utf-8"), as_version=4)
        nbformat.validate(notebook)
    except FileNotFoundError as error:
        kind = kind_named(path.name)
        if kind is REPORT:
            try:
                toml_bytes(path.parent / NAME)
            except Fault as fault:  # a report cannot be made there either
                raise NotebookError(one_line(f"{path.parent / NAME}: {fault}")) from fault
        raise NotebookError(
            f"{path} is not there; make it with '{kind.command(path.parent)}'."
        ) from error
    except (
        *(OSError, nbformat.ValidationError, ValueError, KeyError, TypeError, AttributeError),
        RecursionError,
    ) as error:
        command = kind_named(path.name).verb
        raise NotebookError(
            f"{path} cannot be read as a notebook ({type(error).__name__}). Repair it, or move it "
            f"away and run '{command}' again; earlier versions lie in .upheld/history. "
            "Nothing was overwritten."
        ) from error
    return Saved(data=data, notebook=notebook)


def write_notebook(path: Path, notebook: NotebookNode, *, signed: bool) -> None:
    """Write a notebook beside, then rename; sign it for this user where asked to."""
    nbformat.validate(notebook)
    files.write_text_safely(path, nbformat.writes(notebook) + "\n", inside=path.parent)
    if signed:
        sign(notebook)


def run_report(
    session_folder: Path,
    *,
    parameters: Parameters,
    kind: Kind = REPORT,
    bring_back: Collection[str] = (),
    while_running: Callable[[], None] | None = None,
    at_cell: Callable[[str], None] = lambda _: None,
    kernel: type | None = None,
) -> Run:
    """Execute the report notebook on a session, with the reviewer's work in it.

    The same for a comparison in its own folder, where `kind` says so.

    The reviewer's notebook is read first and merged into the template (`merge`); what runs and
    what is written is the merged one. Where it was saved meanwhile, in JupyterLab, the newer
    one is merged and run again. A damaged notebook is moved aside and the last kept one merged.

    Parameters
    ----------
    session_folder : where ``report.ipynb`` is written
    parameters : of the report; the session is named as seen from the notebook
    kind : which notebook it is
    bring_back : names of cells that the reviewer deleted and wants again
    while_running : called once the kernel is starting, e.g. to import what comes after
    at_cell : called with the name of each of the template's cells as the run comes to it
    kernel : of `kernels.started`, where one is running already

    Raises
    ------
    NotebookError
        Parameters and notebook do not fit, the notebook is saved again and again, or what is to
        be brought back was not deleted.
    ReportError
        A cell stopped with one of this library's errors; the line is that error's.
    """
    target = session_folder / kind.notebook
    template = _template(kind)
    aside = None
    for _ in range(_MOST_TRIES):
        saved = _bytes_of(target)
        try:
            mine = None if saved is None else read_notebook(target)
        except NotebookError:
            aside = history.set_aside(target)
            saved, mine = None, _last_kept(session_folder)
        last = memory.read(session_folder).written
        trusted = mine is None or is_trusted(mine)
        if mine is not None:
            mine = recognised.named(mine, template=template, last=last)
        deleted = merge.deleted_names(template, mine, last=last)
        if not deleted.issuperset(bring_back):
            wrong = sorted(set(bring_back) - deleted)
            listed = ", ".join(sorted(deleted)) or "none"
            raise NotebookError(
                one_line(f"{target}: no cell {wrong[0]!r} was deleted there. Deleted: {listed}.")
            )
        merged = merge.merge(template, mine, last=last, trusted=trusted, bring_back=bring_back)
        fresh = execute(
            merged.notebook,
            parameters=parameters,
            folder=session_folder,
            kind=kind,
            own_code=merged.own_code,
            not_run=merged.not_run,
            while_running=while_running,
            at_cell=at_cell,
            kernel=kernel,
        )
        kept = results.read_results(session_folder, kind=kind)
        stopped = what_stopped(fresh)
        _fill(fresh, kept=kept, merged=merged, template=template)
        told = results.read_told(session_folder, kind=kind)
        judged, numbers = _said(session_folder, told=told, about=kept.about)
        again = read_again.settle_and_mark(
            fresh,
            before=mine,
            kept=merged.kept,
            judged=judged,
            last_judged=last.judged,
            numbers=numbers,
            drafts=kept.drafts,
            last_drafts=last.drafts,
        )
        quotes = _refreshed(fresh, kept=merged.kept, told=told, last=last.facts)
        merge.sign_cells(fresh, drafts=kept.drafts, template=template)
        if _bytes_of(target) == saved:
            break
        while_running = None
    else:
        raise NotebookError(
            f"{target} was saved again during each of {_MOST_TRIES} runs. Stop saving it for a "
            f"few seconds and run '{kind.verb}' again; nothing was overwritten."
        )
    if saved is not None:
        history.keep(session_folder, target, why="as it was before a run")
    # a signature says that all of it is this user's: not where somebody's code was left out
    write_notebook(target, fresh, signed=not merged.not_run)
    history.keep(session_folder, target, why="as a run left it")
    # A draft counts as the last one only for cells that hold it.
    # One that was merged into another cell is known by the draft that it was merged with.
    drafts = kept.drafts | {
        name: last.drafts[name] for name in merged.joined if name in last.drafts
    }
    about: dict[str, Any] = {}
    for cell in fresh.cells:
        if isinstance(cell.metadata.get(merge.KEY), Mapping):
            about.setdefault(merge.text_digest(cell.source), cell.metadata[merge.KEY])
    left = Last(
        drafts=drafts,
        cells=frozenset(merge.names_of(fresh)),
        about=about,
        facts=numbers,
        judged=judged,
    )
    memory.change(session_folder, written=left)
    return Run(
        notebook=target,
        kept_slots=merged.kept,
        deleted_cells=merged.deleted,
        joined_slots=merged.joined,
        outlived_cells=merged.outlived,
        own_code=len(merged.own_code),
        stopped=stopped,
        not_run=len(merged.not_run),
        aside=aside,
        quotes=quotes,
        read_again=again,
    )


def _said(
    session_folder: Path, *, told: results.Told, about: Mapping[str, Any]
) -> tuple[dict[str, str], dict[str, str]]:
    """Return all that words may have to follow (`read_again`), and what the facts read like."""
    _, changed = history.since_published(session_folder, judged=told.judged, facts=told.facts)
    judged = told.judged | {read_again.SPEAKER: str(about.get("title", ""))}
    judged |= {f"{read_again.CHANGED}{one.name}": one.now or read_again.NOT_TOLD for one in changed}
    return judged, {name: written(fact) for name, fact in told.facts.items()}


def _refreshed(
    fresh: NotebookNode, *, kept: Collection[str], told: results.Told, last: Mapping[str, str]
) -> tuple[tuple[str, Quote], ...]:
    """Give the quoted facts in the reviewer's own words their new values, in place."""
    found: list[tuple[str, Quote]] = []
    for cell in fresh.cells:
        name = merge.slot(cell)
        own = name in kept if name else not merge.cell_name(cell)
        if cell.cell_type == "markdown" and own:
            negated = merge.about(cell).pop(_NEGATED, None)
            negated = negated if isinstance(negated, list) else []
            said = refresh(cell.source, facts=told.facts, last=last, negated=negated)
            cell.source = said.text
            if said.negated:
                merge.about(cell)[_NEGATED] = sorted(said.negated)
            elif not merge.about(cell):
                del cell.metadata[merge.KEY]
            found += [(name or "a cell of yours", quote) for quote in said.changed]
    return tuple(found)


def _template(kind: Kind) -> NotebookNode:
    return read_notebook(files.notebooks_folder() / kind.template)


def _fill(
    fresh: NotebookNode, *, kept: results.Kept, merged: merge.Merged, template: NotebookNode
) -> None:
    """Put the new drafts where nobody edited, and write down what was put there.

    A cell of the tool's that has nothing to say or to show is left out until it has.
    """
    merge.fill(fresh, kept.drafts, kept=merged.kept)
    empty = {name for name, text in kept.drafts.items() if not text.strip()} - set(merged.kept)
    fresh.cells = [
        cell
        for cell in fresh.cells
        if merge.slot(cell) not in empty and not merge.shows_nothing(cell, template=template)
    ]
    names = sorted(merge.names_of(fresh))
    fresh.metadata[merge.KEY] = {**kept.about, merge.NAMES: names}


def _bytes_of(path: Path) -> bytes | None:
    files.refuse_links(path, inside=path.parent)  # as it is to be written: before all the work
    try:
        return files.read_bytes(path, inside=path.parent)
    except FileNotFoundError:
        return None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(
            f"{path} cannot be read ({reason}). Nothing was overwritten."
        ) from error


def _last_kept(session_folder: Path) -> NotebookNode | None:
    """Return the newest kept notebook that can still be read."""
    for version in reversed(history.versions(session_folder)):
        try:
            return read_notebook(version.path)
        except NotebookError:
            continue
    return None


def for_readers(notebook: NotebookNode, *, about: Mapping[str, Any]) -> NotebookNode:
    """Return a copy whose opening cell's first paragraph has become the page's headline."""
    shown = copy.deepcopy(notebook)
    verdict = ""
    for cell in shown.cells:
        if merge.slot(cell) == "in-short":
            verdict, cell.source = merge.headline(cell.source)
            break
    shown.metadata[merge.KEY] = {**about, "verdict": verdict}
    return shown
