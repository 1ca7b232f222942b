"""Whether a session's report is out of date, and why: what it was made from against what is.

Recordings and facts of the day count by their digests, words by theirs, the tool by its
version. What only takes time to make again (figures, kept captures) does not count.
"""

import hashlib
from collections.abc import Mapping
from pathlib import Path

from reportlib import __version__
from reportlib.errors import NotebookError
from reportlib.publish import history, memory, results
from reportlib.session import files
from reportlib.session.day import Session
from reportlib.session.reading import read_planned_session, read_session

NOTEBOOK = "report.ipynb"
PAGE = "out/report.html"


def measured(session_folder: Path) -> bool:
    """Whether anything was recorded yet: a planned session has facts alone.

    Raises
    ------
    SessionError
        It is no session.
    """
    session = read_planned_session(session_folder)
    return any((session_folder / path).exists() for path in _recordings(session))


def out_of_date(session_folder: Path) -> tuple[str, ...]:
    """Return why a session's report is to be made again; empty where it need not be.

    Every file that the session names is read for its digest.

    Raises
    ------
    SessionError, CaptureError
        It is no session, or recordings that it names are not there.
    """
    session = read_session(session_folder)
    try:
        told = results.read_told(session_folder)
    except NotebookError:
        return _not_kept(session_folder)
    return (*_changed_files(told.digests, session.digests), *pages_out_of_date(session_folder))


def pages_out_of_date(session_folder: Path) -> tuple[str, ...]:
    """Return why a report is to be made again, were its recordings and facts as they were."""
    try:
        document = results.read_results(session_folder).data["results.json"]
    except NotebookError:
        return _not_kept(session_folder)
    version = results.tool_version(session_folder)
    known = () if version == __version__ else (f"it was made by version {version or 'unknown'}",)
    return (*known, *_pages_behind(session_folder, results=document))


def _not_kept(session_folder: Path) -> tuple[str, ...]:
    never = not (session_folder / ".upheld" / "results").exists()
    return ("no report was made yet",) if never else ("what was kept of it is damaged",)


def _changed_files(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    found = []
    for name in dict.fromkeys((*now, *then)):
        if name not in now:
            found.append(f"{name} is no longer named")
        elif name not in then:
            found.append(f"{name} is new")
        elif then[name] != now[name]:
            found.append(f"{name} changed")
    return tuple(found)


def _pages_behind(session_folder: Path, *, results: bytes) -> tuple[str, ...]:
    made = memory.read(session_folder).rendered
    try:
        notebook = files.read_bytes(session_folder / NOTEBOOK, inside=session_folder)
    except OSError:
        return (f"{NOTEBOOK} is not there",)
    if made is None:
        return ("it isn't known what its pages were made from",)
    found = []
    if made.notebook != hashlib.sha256(notebook).hexdigest() and made.words != (
        history.words_digest(notebook)
    ):
        found.append("its words were edited since")
    if made.results != hashlib.sha256(results).hexdigest():
        found.append("its last run did not come to an end")
    elif made.tool_version != __version__:
        found.append(f"its pages were made by version {made.tool_version}")
    if not (session_folder / PAGE).is_file():
        found.append(f"{PAGE} is not there")
    return tuple(found)


def _recordings(session: Session) -> tuple[str, ...]:
    return tuple(path for entry in session.short_term for path in entry.captures)
