"""Each session of a comparison, analysed like a report's, all under the same parameters.

A session is only read: what a report has kept of its captures is used again, and captures that
none has kept yet are kept, as a report does. No lock is held on it. A run that is at work there
writes every file beside and renames it, and what is kept is believed by its digest alone.
"""

from collections.abc import Sequence
from pathlib import Path

from reportlib.analysis import analyse
from reportlib.archive.stale import measured
from reportlib.day import Session
from reportlib.errors import ReportError, SessionError
from reportlib.kinds import REPORT, kind_of
from reportlib.model import Analysis
from reportlib.one_line import one_line
from reportlib.parameters import ComparisonParameters, ReportParameters
from reportlib.session import read_session


def analyse_each(
    parameters: ComparisonParameters, *, folder: Path = Path()
) -> tuple[Analysis, ...]:
    """Analyse the sessions of a comparison one after another, in the order given.

    Parameters
    ----------
    folder : where relative paths start, the comparison's own

    Raises
    ------
    ReportError
        As :func:`analysis.analyse`, of a session that has nothing recorded yet, or was deleted
        meanwhile; the line names the session.
    """
    return tuple(
        _analysed(folder / session, parameters=parameters.of_session(str(folder / session)))
        for session in parameters.sessions
    )


def read_compared(session: Path) -> Session:
    """Read a session that is to be compared.

    Raises
    ------
    SessionError, CaptureError
        It is no session, nothing is recorded yet, or what it names is not there; the line names it.
    """
    if kind_of(session) is not REPORT:
        raise SessionError(one_line(f"{session}: holds a comparison, not a session. Leave it out."))
    if not measured(session):
        raise SessionError(
            one_line(f"{session}: planned, nothing recorded yet. Record it first, or leave it out.")
        )
    return read_session(session)


def folder_names(reports: Sequence[Analysis]) -> tuple[str, ...]:
    """Return what each session's folder is called, by its whole path where two are alike."""
    paths = [Path(one.session.folder).resolve() for one in reports]
    names = [path.name for path in paths]
    return tuple(
        name if names.count(name) == 1 else str(one.session.folder)
        for name, one in zip(names, reports, strict=True)
    )


def _analysed(path: Path, *, parameters: ReportParameters) -> Analysis:
    try:
        session = read_compared(path)
        report = analyse(session, parameters=parameters)
    except ReportError as error:
        raise _gone(path) or _placed(error, path=path) from error
    missing = [name for name in session.digests if not (path / name).exists()]
    if missing:
        raise _gone(path) or SessionError(
            one_line(
                f"{path}: {missing[0]} was deleted or moved away while it was compared. Put it "
                "back, or leave the session out."
            )
        )
    return report


def _gone(path: Path) -> SessionError | None:
    if (path / "session.toml").exists():
        return None
    where = f"{path}: is not there, or holds no session.toml (any more)."
    return SessionError(one_line(f"{where} Put it back, or leave it out of the comparison."))


def _placed(error: ReportError, *, path: Path) -> ReportError:
    """Return the same error in a line that names the session."""
    text = str(error)
    if str(path) in text:
        return error
    return type(error)(one_line(f"{path}: {text}"))
