"""The whole report on one session: run, then rendered; and again when the session changes.

Imports wait until the kernel has been started, which imports its own share meanwhile.

What counts as a change is what the report is made of; what the report itself writes does not, nor
what recorders and editors keep beside their files.
"""

import json
import os
import threading
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlib.errors import SessionError, one_line
from reportlib.publish.kinds import REPORT, Kind, kind_of
from reportlib.session import files

if TYPE_CHECKING:
    from reportlib.publish.notebook import Run, Saved
    from reportlib.session.parameters import Paper, Parameters

Stage = Callable[[str], AbstractContextManager[object]]
"""Called with what is being done; what it returns is entered meanwhile."""
_RENDERING = "rendering page, PDF and pictures"
Kernels = Callable[[Path], AbstractContextManager[type]]
"""Starts a kernel in a folder; what is entered is a manager class, as of `kernels.started`."""


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """What was rendered: the files in ``out/``, the verdict on them, the data's warnings."""

    written: tuple[Path, ...]
    verdict: str
    warnings: int


@dataclass(frozen=True, kw_only=True)
class Made:
    """A report that was made.

    Attributes
    ----------
    run, rendered : what the run did to the notebook, and what was rendered
    left_out : what the tester's own wordings leave out that ours say, one line each
    """

    run: "Run"
    rendered: Rendered
    left_out: tuple[str, ...] = ()


def quietly(_: str) -> AbstractContextManager[object]:
    """Show nothing: a `Stage` for where nobody watches."""
    return nullcontext()


def make_report(
    session: Path,
    *,
    given: Mapping[str, Any],
    paper: "Paper | None" = None,
    bring_back: Collection[str] = (),
    stage: Stage = quietly,
    kernels: Kernels | None = None,
) -> Made:
    """Measure, run the notebook and render it, as the only run in the session folder.

    Parameters
    ----------
    given : parameters by name that differ from what is remembered of this session's last run;
        `words` as seen from here
    paper : what the PDF is set for; None: as remembered
    bring_back : names of cells that the reviewer deleted and wants again
    kernels : what starts the kernel; None: a new process of this Python

    Raises
    ------
    BusyError
        Another run is at work there.
    SessionError
        The session was deleted, moved or replaced meanwhile.
    ReportError
        What the session, its recordings or its notebook are short of.
    """
    from reportlib.session.parameters import checked_parameters, known_parameters, merged_parameters
    from reportlib.session.reading import read_session

    if kind_of(session) is not REPORT:
        raise SessionError(
            f"{session}: holds a comparison, not a session. Make it again with "
            f"'{kind_of(session).command(session)}'."
        )
    from reportlib.session.lock import same_folder

    with same_folder(session):
        day = read_session(session)  # before a kernel starts: most mistakes are here
        from reportlib.publish.kernels import started

        # it imports its share while this imports the rest
        with (kernels or started)(session) as kernel:
            from reportlib.publish import results

            remembered = known_parameters(results.last_parameters(session))
            merged = merged_parameters(remembered, from_folder(given, folder=session))
            chosen = checked_parameters(**{**merged, "session": "."})
            return run_and_render(
                session,
                parameters=chosen,
                kernel=kernel,
                paper=paper,
                bring_back=bring_back,
                count=len(day.digests) - 1,
                stage=stage,
            )


def from_folder(given: Mapping[str, Any], *, folder: Path) -> dict[str, Any]:
    """Return parameters with the folder of the tester's wordings as seen from another folder."""
    if not given.get("words"):
        return dict(given)
    words = files.relative(
        Path(os.path.normpath(Path(given["words"]).absolute())), start=folder.resolve()
    )
    return {**given, "words": words}


def run_and_render(
    folder: Path,
    *,
    parameters: "Parameters",
    kernel: type,
    kind: Kind = REPORT,
    paper: "Paper | None" = None,
    bring_back: Collection[str] = (),
    count: int,
    stage: Stage = quietly,
) -> Made:
    """Run the notebook of a folder in a kernel that has been started there, and render it.

    Parameters
    ----------
    count : how many files or sessions are measured, for `stage`

    Raises
    ------
    BusyError, ReportError
        As `make_report`.
    """
    from reportlib.draw.wordings import left_out, own_words
    from reportlib.publish import memory, notebook
    from reportlib.session import lock

    own = own_words(folder, words=parameters.words)  # before the kernel is asked for anything
    with lock.same_folder(folder), lock.only_run(folder / memory.FOLDER, what=kind.verb):
        names = (*kind.stages, _RENDERING)
        with ExitStack() as running:

            def at_cell(name: str) -> None:
                if what := kind.stages.get(name):
                    running.close()  # the stage before has ended
                    number = f"{names.index(name) + 1}/{len(names)}"
                    running.enter_context(stage(f"{number} {what.format(count=count)}"))

            done = notebook.run_report(
                folder,
                parameters=parameters,
                kind=kind,
                bring_back=bring_back,
                while_running=import_renderers,
                at_cell=at_cell,
                kernel=kernel,
            )
        with stage(f"{len(names)}/{len(names)} {_RENDERING}"):
            rendered = render_session(folder, kind=kind, paper=paper)
    of_this = {
        slot: text
        for slot, text in own.items()
        if slot.startswith("comparison/") == (kind is not REPORT)
    }
    return Made(run=done, rendered=rendered, left_out=left_out(of_this))


def render_session(
    session: Path,
    *,
    kind: Kind = REPORT,
    paper: "Paper | None" = None,
    saved: "Saved | None" = None,
) -> Rendered:
    """Render the session's notebook as it is, and write down what it was made from.

    The same for a comparison in its own folder; the sessions that it compares are not looked at.

    Parameters
    ----------
    saved : the notebook, where it has been read already

    Raises
    ------
    NotebookError, RenderError
        The notebook can't be read, nothing has been kept, or ``out/`` could not be written.
    SessionError
        The session was deleted or moved away meanwhile.
    """
    from reportlib.publish import history, memory, notebook, outputs, results
    from reportlib.publish.prose import plain_text, read_line

    # read once: where it is saved meanwhile, the pages count as behind it, not as made from it
    saved = saved or notebook.read_saved(session / kind.notebook)
    edited = saved.notebook
    kept = results.read_results(session, kind=kind)
    about: Mapping[str, Any] = edited.metadata.get("upheld", kept.about)
    shown = notebook.for_readers(edited, about=about)
    if kind is REPORT and not (session / "session.toml").exists():
        raise SessionError(
            one_line(f"{session}: was deleted or moved while its report was being made.")
        )
    written = outputs.write_outputs(
        shown, out=session / "out", data=kept.data, paper=paper or memory.read(session).paper
    )
    if paper is not None:
        memory.change(session, paper=paper)
    verdict = plain_text(read_line(shown.metadata["upheld"]["verdict"])).strip()
    data = kept.data["results.json"]
    history.keep_rendered(session, notebook=saved.data, results=data, verdict=verdict)
    noted = json.loads(data).get("quality", [])
    worse = sum(note["severity"] != "note" for note in noted)
    return Rendered(written=tuple(written), verdict=verdict, warnings=worse)


def import_renderers() -> None:
    """Import what rendering needs while the kernel works; the kernel is another process."""

    def imports() -> None:
        import nbconvert.exporters  # noqa: F401
        import typst  # noqa: F401

        from reportlib.publish import outputs  # noqa: F401

    threading.Thread(target=imports, daemon=True).start()


_OURS = (".upheld", "out")
_SETTLED_MS = 800
"""A file counts as written when nothing has changed for so long; a capture that is still being
recorded when the run reads it is refused, and read again at its next change."""

State = Mapping[Path, tuple[int, int]]
"""Size and time of change in ns, by path."""


def watched(folder: Path, path: Path) -> bool:
    """Whether a change of `path` is one of what the report on `folder` is made of.

    >>> watched(Path("s"), Path("s/captures/a.wav")), watched(Path("s"), Path("s/out/report.pdf"))
    (True, False)
    """
    try:
        parts = path.relative_to(folder).parts
    except ValueError:
        return False
    if not parts or parts[0] in _OURS:
        return False
    return not any(part.startswith((".", "~")) or part.endswith(("~", ".tmp")) for part in parts)


def state_of(folder: Path) -> dict[Path, tuple[int, int]]:
    """Return size and time of change of every watched file there is."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if not watched(folder, path):
            continue
        try:
            status = path.stat()
        except OSError:  # gone meanwhile
            continue
        if path.is_file():
            found[path] = (status.st_size, status.st_mtime_ns)
    return found


def differing(before: State, after: State) -> tuple[Path, ...]:
    """Return the files that came, went or changed, in order."""
    return tuple(path for path in sorted({*before, *after}) if before.get(path) != after.get(path))


def run_on_changes(
    folder: Path,
    *,
    run: Callable[[tuple[Path, ...]], None],
    events: Iterable[object] | None = None,
) -> None:
    """Call `run` once, and again whenever something changed; ends when `events` do.

    Parameters
    ----------
    folder : the session
    run : called with the files that changed, none the first time; what it writes itself does not
        start it again
    events : yields when something may have changed; by default the system tells (Ctrl-C ends it)
    """
    run(())
    seen = state_of(folder)
    for _ in _system_events(folder) if events is None else events:
        changed = differing(seen, state_of(folder))
        if not changed:
            continue
        run(changed)
        seen = state_of(folder)


def _system_events(folder: Path) -> Iterable[object]:
    import watchfiles

    return watchfiles.watch(
        folder,
        step=_SETTLED_MS,
        debounce=60_000,
        raise_interrupt=False,
        watch_filter=lambda _, path: watched(folder.resolve(), Path(path).resolve()),
    )
