"""Running a notebook, a report's or a comparison's, and keeping what the reviewer wrote in it.

The reviewer's notebook is merged into the template before anything runs (`merge`), executed in
memory (`execution`) and written once, beside and renamed, when everything has succeeded.
"""

import contextlib
import copy
import datetime
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nbformat
from nbformat import NotebookNode

from reportlib import (
    __version__,
    cells,
    corrections,
    files,
    history,
    memory,
    merge,
    read_again,
    resources,
)
from reportlib.errors import NotebookError
from reportlib.execution import execute, what_stopped
from reportlib.facts import place_of
from reportlib.kinds import REPORT, Kind, kind_named
from reportlib.parameters import Parameters
from reportlib.quotes import Quote, refresh

_MOST_TRIES = 3


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a run did to the reviewer's notebook.

    Attributes
    ----------
    notebook : path of the notebook
    kept_slots : narrative cells that were kept as the reviewer wrote them
    deleted_slots, joined_slots : narrative cells that the reviewer took out, or merged into
        another one
    own_code : how many code cells are the reviewer's own
    stopped : what stopped in them, one line each
    not_run : how many of them were not run, since this user never signed the notebook
    aside : where a damaged notebook was moved to, None where there was none
    quotes : quoted facts in the reviewer's words that say something else now, with their slot
    read_again : why words are to be read again, by slot
    """

    notebook: Path
    kept_slots: tuple[str, ...] = ()
    deleted_slots: tuple[str, ...] = ()
    joined_slots: tuple[str, ...] = ()
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
            ("Left out, since you deleted them", self.deleted_slots),
            ("Merged by you into another cell", self.joined_slots),
        ):
            if slots:
                said.append(f"{words}: {', '.join(slots)}.")
        said += [f"A code cell of yours stopped: {one}" for one in self.stopped]
        if self.not_run:
            said.append(
                f"{self.not_run} code cell{'s' * (self.not_run > 1)} that somebody added or "
                "changed were not run, since you never ran or trusted this notebook in Jupyter."
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
    """Read a notebook of any version 4 format; see `read_saved`."""
    return read_saved(path).notebook


def read_saved(path: Path) -> Saved:
    """Read a notebook of any version 4 format, once for all that is to be made from it.

    Raises
    ------
    NotebookError
        The file cannot be read, or is no notebook.
    """
    try:
        data = path.read_bytes()
        notebook: NotebookNode = nbformat.reads(data.decode("utf-8"), as_version=4)
        nbformat.validate(notebook)
    except FileNotFoundError as error:
        raise NotebookError(
            f"{path} is not there; make it with '{kind_named(path.name).command(path.parent)}'."
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


def write_notebook(path: Path, notebook: NotebookNode) -> None:
    """Write a notebook beside, then rename; sign it for this user."""
    nbformat.validate(notebook)
    files.write_text_safely(path, nbformat.writes(notebook) + "\n")
    sign(notebook)


def run_report(
    session_folder: Path,
    *,
    parameters: Parameters,
    kind: Kind = REPORT,
    while_running: Callable[[], None] | None = None,
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
    while_running : called once the kernel is starting, e.g. to import what comes after
    kernel : of `kernels.started`, where one is running already

    Raises
    ------
    NotebookError
        Parameters and notebook do not fit, or the notebook is saved again and again.
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
        last = memory.last_written(session_folder)
        merged = merge.merge(template, mine, last=last, trusted=mine is None or is_trusted(mine))
        fresh = execute(
            merged.notebook,
            parameters=parameters,
            folder=session_folder,
            kind=kind,
            own_code=merged.own_code,
            not_run=merged.not_run,
            while_running=while_running,
            kernel=kernel,
        )
        kept = memory.read_results(session_folder, kind=kind)
        stopped = what_stopped(fresh)
        _fill(fresh, kept=kept, merged=merged)
        told = memory.read_told(session_folder, kind=kind)
        quotes = _refreshed(
            fresh, kept=merged.kept, told=told, last=memory.last_facts(session_folder)
        )
        again = read_again.settle_and_mark(
            fresh,
            before=mine,
            kept=merged.kept,
            judged=told.judged,
            drafts=kept.drafts,
            digest=merge.text_digest,
        )
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
    write_notebook(target, fresh)
    history.keep(session_folder, target, why="as a run left it")
    # A draft counts as the last one only for cells that hold it.
    memory.keep_written(session_folder, kept.drafts, names=merge.names_of(fresh), facts=told.facts)
    return Run(
        notebook=target,
        kept_slots=merged.kept,
        deleted_slots=merged.deleted,
        joined_slots=merged.joined,
        own_code=len(merged.own_code),
        stopped=stopped,
        not_run=len(merged.not_run),
        aside=aside,
        quotes=quotes,
        read_again=again,
    )


def _refreshed(
    fresh: NotebookNode, *, kept: Collection[str], told: memory.Told, last: Mapping[str, str]
) -> tuple[tuple[str, Quote], ...]:
    """Give the quoted facts in the reviewer's own words their new values, in place."""
    found: list[tuple[str, Quote]] = []
    for cell in fresh.cells:
        name = cells.slot(cell)
        own = name in kept if name else not cells.cell_name(cell)
        if cell.cell_type == "markdown" and own:
            cell.source, changed = refresh(cell.source, facts=told.facts, last=last)
            found += [(name or "a cell of yours", quote) for quote in changed]
    return tuple(found)


def _template(kind: Kind) -> NotebookNode:
    return read_notebook(resources.notebooks_folder() / kind.template)


def require_read(
    session_folder: Path, *, as_it_is: bool, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Refuse to publish words that are to be read again, unless told to.

    Parameters
    ----------
    saved : the session's notebook, where it has been read already

    Raises
    ------
    NotebookError
        The notebook cannot be read, or a cell in it is marked; the line names them.
    """
    path = session_folder / kind.notebook
    saved = saved or read_saved(path)
    marked = read_again.unread(saved.notebook, digest=merge.text_digest)
    if marked and not as_it_is:
        named = "; ".join(f"{slot} ({read_again.in_brief(why)})" for slot, why in marked.items())
        raise NotebookError(
            f"{path}: read again what you wrote in {named}. Edit it, or delete "
            "the note behind it, then publish; or publish with --as-it-is."
        )


def record_publication(
    session_folder: Path, *, kind: Kind = REPORT, saved: Saved | None = None
) -> None:
    """Write down what has just been published: grades, quoted numbers, words, captures.

    Parameters
    ----------
    saved : the notebook that was published, where it has been read already

    Raises
    ------
    NotebookError
        The notebook or the last run's results cannot be read.
    RenderError
        It could not be written.
    """
    notebook = (saved or read_saved(session_folder / kind.notebook)).notebook
    texts: dict[str, str] = {}
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            name = cells.slot(cell) or "own"
            texts[name] = f"{texts[name]}\n\n{cell.source}" if name in texts else cell.source
    told = memory.read_told(session_folder, kind=kind)
    corrections.keep_published(
        session_folder,
        corrections.record(
            when=datetime.datetime.now(),
            tool_version=__version__,
            digests=told.digests,
            narrative=texts,
            judged=told.judged,
            numbers=corrections.written_numbers(
                told.facts, names=corrections.quoted_names(list(texts.values()))
            ),
        ),
    )


def _fill(fresh: NotebookNode, *, kept: memory.Kept, merged: merge.Merged) -> None:
    """Put the new drafts where nobody edited, and write down what was put there."""
    cells.fill(fresh, kept.drafts, kept=merged.kept)
    empty = {name for name, text in kept.drafts.items() if not text.strip()} - set(merged.kept)
    fresh.cells = [cell for cell in fresh.cells if cells.slot(cell) not in empty]
    names = merge.names_of(fresh) - empty
    fresh.metadata[cells.KEY] = {**kept.about, merge.NAMES: sorted(names)}


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
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


def is_trusted(notebook: NotebookNode) -> bool:
    """Whether this user has signed a notebook: by `upheld report`, or by running it in Jupyter.

    Jupyter's own signatures: a notebook that came with a stranger's folder has none here.
    """
    try:
        return bool(_notary().check_signature(notebook))
    except Exception:  # a damaged or missing database signs nothing
        return False


def sign(notebook: NotebookNode) -> None:
    """Sign a notebook for this user, so that Jupyter trusts it; where that can't be, leave it."""
    with contextlib.suppress(Exception):
        _notary().sign(notebook)


def _notary() -> Any:
    from nbformat.sign import NotebookNotary

    return NotebookNotary()


def for_readers(notebook: NotebookNode, *, about: Mapping[str, Any]) -> NotebookNode:
    """Return a copy whose opening cell's first paragraph has become the page's headline."""
    shown = copy.deepcopy(notebook)
    verdict = ""
    for cell in shown.cells:
        if cells.slot(cell) == "in-short":
            verdict, cell.source = cells.headline(cell.source)
            break
    shown.metadata[cells.KEY] = {**about, "verdict": verdict}
    return shown
