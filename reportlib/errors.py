"""Everything that can go wrong and is the user's to mend, and how it stays on one line.

Each message is one line: what is wrong, in which file, and what to do. The command line
prints it without a traceback and ends with the exit code of the class::

    ReportError                 exit 2
    ├── SessionError            session.toml: its place, its TOML, its facts
    ├── CaptureError            a recording: missing, empty, truncated, wrong channels
    ├── AnalysisError           numbers that cannot be had from these captures
    ├── NotebookError           the report notebook: unreadable, or its cells and library disagree
    │   └── BusyError           another run is at work in the session folder
    ├── PlanError               a measuring day that must not be, or can't be, planned so
    ├── ArchiveError            a folder of sessions, or what is asked of it
    ├── StoreError              a session or an archive in a store, or the store itself
    └── RenderError             page, PDF or data could not be written
"""

import re
import unicodedata


class ReportError(Exception):
    """Base of every error that a user can mend; its text is one line."""

    exit_code = 2


class SessionError(ReportError):
    """``session.toml`` is missing, is not TOML, or holds facts that cannot be."""


class CaptureError(ReportError):
    """A recording cannot be used; `code` is that of the refusal, as `upheld check` names it."""

    def __init__(self, message: str, *, code: str = "not-readable") -> None:
        super().__init__(message)
        self.code = code


class AnalysisError(ReportError):
    """The captures do not carry the number that was asked for."""


class NotebookError(ReportError):
    """The report notebook cannot be read, or does not fit this version."""


class BusyError(NotebookError):
    """Another run is at work in the session folder."""


class PlanError(ReportError):
    """A measuring day that can't be planned as asked for, or that must not be."""


class ArchiveError(ReportError):
    """A folder of sessions that can't be listed, or a filter that can't be understood."""


class StoreError(ReportError):
    """A store of sessions that can't be reached, read or written."""


class RenderError(ReportError):
    """A page, PDF, picture or data file could not be made."""


_BENT = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # Unicode's controls, marks, surrogates, separators


def one_line(text: str) -> str:
    r"""Return `text` with every character that breaks or bends a line written out.

    >>> one_line("captures/a\nb.wav")
    'captures/a\\nb.wav'
    """
    return re.sub("[^ -~]", lambda c: repr(c[0])[1:-1] if bends(c[0]) else c[0], text)


def bends(character: str) -> bool:
    """Whether a character breaks or bends a line, or does anything to a terminal but show."""
    return unicodedata.category(character) in _BENT
