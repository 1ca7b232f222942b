"""Two to eight sessions side by side: each analysed like a report's, compared, and kept.

A session is only read: what a report has kept of its captures is used again, and captures that
none has kept yet are kept, as a report does. No lock is held on it. A run that is at work there
writes every file beside and renames it, and what is kept is believed by its digest alone.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from reportlib import __version__
from reportlib.draw.wordings import narrative_templates, own_words
from reportlib.errors import ReportError, SessionError, one_line
from reportlib.judge.analysis import analyse
from reportlib.judge.records import Analysis
from reportlib.judge.seat import reader_seat
from reportlib.many import tables
from reportlib.many.comparable import hindrances
from reportlib.many.equal_output import output_point
from reportlib.many.facts import comparison_facts, judged
from reportlib.many.ranking import limit_of, limit_rankings, output_rankings, stress_rankings
from reportlib.many.records import ComparedLimit, Comparison, OutputPoint, OutputTrack
from reportlib.many.stale import measured
from reportlib.many.tracks import arrives_of, ends_of, needs_of, sessions_of, shown_names, tracks_of
from reportlib.many.words import draft_comparison
from reportlib.measure.levels import BANDS
from reportlib.numbers import counted, listed
from reportlib.publish import results
from reportlib.publish.kinds import REPORT, kind_of
from reportlib.session.day import Session
from reportlib.session.parameters import ComparisonParameters, ReportParameters
from reportlib.session.reading import read_session


def compare(analyses: Sequence[Analysis], *, names: Sequence[str]) -> Comparison:
    """Put sessions side by side, and rank them as far as their intervals part.

    Parameters
    ----------
    analyses : two to eight, all under the same parameters
    names : of their folders, which tell apart what loudspeaker and date do not

    Raises
    ------
    AnalysisError
        Too few or too many, or two that nothing tells apart.
    """
    shown = shown_names(analyses, names=names)
    sessions = sessions_of(analyses, names=shown)
    both = list(zip(analyses, shown, strict=True))
    by_session = [tracks_of(analysis, name=name) for analysis, name in both]
    tracks = tuple(
        track for band in zip(*by_session, strict=True) for track in band
    )  # bass of all first
    ends = tuple(end for analysis, name in both for end in ends_of(analysis, name=name))
    rankings = (
        *output_rankings(tracks, sessions=sessions),
        *limit_rankings(tracks, sessions=sessions),
        *stress_rankings(ends, sessions=sessions),
    )
    return Comparison(
        sessions=sessions,
        tracks=tracks,
        points=tuple(point for band in BANDS for point in _points(tracks, band=band.name)),
        rankings=rankings,
        limits=tuple(ComparedLimit(name=one.name, limit=limit_of(one)) for one in tracks),
        ends=ends,
        needs=tuple(one for analysis, name in both for one in needs_of(analysis, name=name)),
        arrives=tuple(one for analysis, name in both for one in arrives_of(analysis, name=name)),
        hindrances=hindrances(sessions, tracks=tracks, ends=ends, rankings=rankings),
    )


def _points(tracks: Sequence[OutputTrack], *, band: str) -> list[OutputPoint]:
    """Return every whole decibel of output that two gave, of every session.

    Above them those that one gave, and that another surely does not give.
    """
    own = [track for track in tracks if track.band == band]
    told = [track for track in own if track.told]
    tops = sorted((float(track.given_db.max()) for track in told), reverse=True)
    starts = sorted(float(track.given_db[0]) for track in told)
    if len(told) < 2:
        return []
    first, last = math.floor(starts[1] + 1e-6) + 1, math.floor(tops[1] + 1e-6)
    found = []
    for output in np.arange(first, math.floor(tops[0] + 1e-6) + 1, dtype=np.float64):
        here = [output_point(track, float(output)) for track in own]
        if output <= last or any(point.given == "gives out before" for point in here):
            found += here
    return found


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


_MOST_NAMED = 4
"""So many names still read as a title."""


def keep_comparison(
    comparison: Comparison,
    *,
    reports: Sequence[Analysis],
    parameters: ComparisonParameters,
    folder: Path = Path(),
) -> None:
    """Write results, facts and drafts of a comparison into its folder's ``.upheld/``.

    Parameters
    ----------
    reports : the analyses that were compared, in the order of ``parameters.sessions``
    folder : the comparison's own; nothing is written into a session's
    """
    facts = comparison_facts(comparison)
    templates = narrative_templates(own_words(folder, words=parameters.words))
    run = {
        "drafts": draft_comparison(
            comparison,
            facts=facts,
            templates=templates,
            seat=reader_seat(parameters.of_session("")),
        ),
        "about": about_comparison(comparison, reports=reports),
        "parameters": parameters.model_dump(),
        "judged": judged(comparison),
        "digests": _digests(reports, sessions=parameters.sessions),
    }
    texts = {
        "comparison.csv": tables.comparison_csv(comparison),
        "results.json": tables.comparison_json(comparison, tool_version=__version__),
    }
    results.keep(folder, run=run, facts=facts, texts=texts)


def about_comparison(comparison: Comparison, *, reports: Sequence[Analysis]) -> dict[str, Any]:
    """Return what the page says about itself; its date is the last day of measuring."""
    names = comparison.names
    named = listed(names) if len(names) <= _MOST_NAMED else f"{len(names)} sessions"
    days = [one.session.date for one in reports if one.session.date is not None]
    digests = ", ".join(one.session.digests.get("session.toml", "")[:12] for one in reports)
    return {
        "format": 1,
        "title": f"{named} compared",
        "kind": "Whose output keeps up with the volume?",
        "date": max(days, default=None),
        "tool_version": __version__,
        "language": "en",
        "description": f"{listed(names)}: whose output keeps up with the volume? "
        "Compared at equal output.",
        "colophon": f"Made with upheld {__version__} from {counted(len(names), 'session')}: "
        f"{digests}.",
    }


def _digests(reports: Sequence[Analysis], *, sessions: Sequence[str]) -> Mapping[str, str]:
    return {
        f"{session}/{path}": digest
        for session, report in zip(sessions, reports, strict=True)
        for path, digest in sorted(report.session.digests.items())
    }
