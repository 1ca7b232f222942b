"""A whole comparison of sessions: run, then rendered, by the way that reports take."""

import contextlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlib.compared_folder import (
    as_seen_from,
    chosen_folder,
    chosen_sessions,
    remembered_sessions,
)
from reportlib.errors import BusyError, NotebookError, SessionError
from reportlib.kinds import COMPARISON
from reportlib.one_line import one_line
from reportlib.reporting import Made, Stage, quietly, run_and_render

if TYPE_CHECKING:
    from reportlib.model import QualityNote
    from reportlib.parameters import Paper


@dataclass(frozen=True, kw_only=True)
class Compared:
    """A comparison that was made: of what, in which folder, and what the run did."""

    sessions: tuple[Path, ...]
    folder: Path
    made: Made


def make_comparison(
    sessions: Sequence[Path],
    *,
    into: Path | None,
    given: Mapping[str, Any],
    paper: "Paper | None" = None,
    bring_back: Collection[str] = (),
    stage: Stage = quietly,
) -> Compared:
    """Analyse each session, compare them, run the notebook and render it.

    Parameters
    ----------
    sessions : two to eight folders in the order to be shown; empty for those remembered
    into : the comparison's folder; None for ``comparison`` beside the sessions
    given : parameters by name that differ from what is remembered of the last run
    paper : what the PDF is set for; None: as remembered
    bring_back : names of cells that the reviewer deleted and wants again

    Raises
    ------
    BusyError
        Another run is at work in the comparison's folder.
    ReportError
        What a session, the folder or the notebook is short of; nothing was written.
    """
    from reportlib.each import read_compared
    from reportlib.parameters import (
        ComparisonParameters,
        checked_comparison,
        known_parameters,
        merged_parameters,
    )

    chosen = chosen_sessions(sessions, into=into)
    for session in chosen:  # before a kernel starts: most mistakes are here
        read_compared(session)
    folder = chosen_folder(chosen, into=into, remembered=not sessions)
    with _folder_made(folder):
        from reportlib import kernels

        with kernels.started(folder) as kernel:
            from reportlib import memory

            remembered = known_parameters(
                memory.last_parameters(folder), model=ComparisonParameters
            )
            parameters = checked_comparison(
                **{
                    **merged_parameters(remembered, given),
                    "sessions": as_seen_from(folder, sessions=chosen),
                }
            )
            made = run_and_render(
                folder,
                parameters=parameters,
                kind=COMPARISON,
                kernel=kernel,
                paper=paper,
                bring_back=bring_back,
                stage=stage,
            )
    return Compared(sessions=chosen, folder=folder, made=made)


def check_compared(folder: Path) -> "dict[str, tuple[QualityNote, ...]]":
    """Check the recordings of every session of a comparison; nothing is written.

    Returns
    -------
    dict
        The quality notes by session, the worst first.

    Raises
    ------
    ReportError
        As `make_comparison`.
    """
    from reportlib.analysis import check_session
    from reportlib.each import read_compared
    from reportlib.parameters import checked_parameters

    sessions = remembered_sessions(folder)
    if not sessions:
        raise SessionError(
            one_line(f"{folder}: it isn't known what is compared there. Compare again first.")
        )
    return {
        str(session): check_session(
            read_compared(session), parameters=checked_parameters(session=str(session))
        )
        for session in sessions
    }


@contextlib.contextmanager
def _folder_made(folder: Path) -> Iterator[None]:
    """Make the comparison's folder; where nothing comes of it, it is gone again."""
    fresh = not folder.exists()
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NotebookError(one_line(f"{folder}: could not be made ({reason}).")) from error
    try:
        yield
    except BusyError:
        fresh = False  # another run lives there now
        raise
    finally:
        if fresh:
            memory = folder / ".upheld"
            if {path.name for path in folder.rglob("*")} == {".upheld", "lock"}:
                (memory / "lock").unlink(missing_ok=True)
            with contextlib.suppress(OSError):  # either holds something, as it should
                memory.rmdir()
            with contextlib.suppress(OSError):
                folder.rmdir()
