"""The whole report on one session: run, then rendered; the same for one as for many.

Imports wait until the kernel has been started, which imports its own share meanwhile.
"""

import threading
from collections.abc import Callable, Collection, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlib.errors import SessionError
from reportlib.kinds import REPORT, Kind, kind_of
from reportlib.one_line import one_line

if TYPE_CHECKING:
    from reportlib.notebook import Run, Saved
    from reportlib.parameters import Paper, Parameters

Stage = Callable[[str], AbstractContextManager[object]]
"""Called with what is being done; what it returns is entered meanwhile."""
Kernels = Callable[[Path], AbstractContextManager[type]]
"""Starts a kernel in a folder; what is entered is a manager class, as of `kernels.started`."""


@dataclass(frozen=True, kw_only=True)
class Made:
    """A report that was made: what the run did to the notebook, and the files in ``out/``."""

    run: "Run"
    written: tuple[Path, ...]


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
    given : parameters by name that differ from what is remembered of this session's last run
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
    from reportlib.parameters import checked_parameters, known_parameters, merged_parameters
    from reportlib.session import read_session

    if kind_of(session) is not REPORT:
        raise SessionError(
            f"{session}: holds a comparison, not a session. Make it again with "
            f"'{kind_of(session).command(session)}'."
        )
    from reportlib.lock import same_folder

    with same_folder(session):
        read_session(session)  # before a kernel starts: most mistakes are here
        from reportlib.kernels import started

        # it imports its share while this imports the rest
        with (kernels or started)(session) as kernel:
            from reportlib import memory

            remembered = known_parameters(memory.last_parameters(session))
            chosen = checked_parameters(**{**merged_parameters(remembered, given), "session": "."})
            return run_and_render(
                session,
                parameters=chosen,
                kernel=kernel,
                paper=paper,
                bring_back=bring_back,
                stage=stage,
            )


def run_and_render(
    folder: Path,
    *,
    parameters: "Parameters",
    kernel: type,
    kind: Kind = REPORT,
    paper: "Paper | None" = None,
    bring_back: Collection[str] = (),
    stage: Stage = quietly,
) -> Made:
    """Run the notebook of a folder in a kernel that has been started there, and render it.

    Raises
    ------
    BusyError, ReportError
        As `make_report`.
    """
    from reportlib import lock, memory, notebook

    with lock.same_folder(folder), lock.only_run(folder / memory.FOLDER, what=kind.verb):
        with stage("measuring, comparing and drawing"):
            done = notebook.run_report(
                folder,
                parameters=parameters,
                kind=kind,
                bring_back=bring_back,
                while_running=import_renderers,
                kernel=kernel,
            )
        written = render_session(folder, kind=kind, paper=paper, stage=stage)
    return Made(run=done, written=tuple(written))


def render_session(
    session: Path,
    *,
    kind: Kind = REPORT,
    paper: "Paper | None" = None,
    stage: Stage = quietly,
    saved: "Saved | None" = None,
) -> list[Path]:
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
    from reportlib import memory, notebook, rendered
    from reportlib.publish import render
    from reportlib.publish.markup import plain_text, read_line

    # read once: where it is saved meanwhile, the pages count as behind it, not as made from it
    saved = saved or notebook.read_saved(session / kind.notebook)
    edited = saved.notebook
    kept = memory.read_results(session, kind=kind)
    about: Mapping[str, Any] = edited.metadata.get("upheld", kept.about)
    shown = notebook.for_readers(edited, about=about)
    with stage("rendering page, PDF and pictures"):
        if kind is REPORT and not (session / "session.toml").exists():
            raise SessionError(
                one_line(f"{session}: was deleted or moved while its report was being made.")
            )
        written = render.write_outputs(
            shown, out=session / "out", data=kept.data, paper=paper or memory.paper(session)
        )
    if paper is not None:
        memory.keep_paper(session, paper)
    rendered.keep_rendered(
        session,
        notebook=saved.data,
        results=kept.data["results.json"],
        verdict=plain_text(read_line(shown.metadata["upheld"]["verdict"])).strip(),
    )
    return written


def import_renderers() -> None:
    """Import what rendering needs while the kernel works; the kernel is another process."""

    def imports() -> None:
        import nbconvert.exporters  # noqa: F401
        import typst  # noqa: F401

        from reportlib.publish import render  # noqa: F401

    threading.Thread(target=imports, daemon=True).start()
