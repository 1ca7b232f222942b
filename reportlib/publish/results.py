"""What a run found, in ``.upheld/results/``: results, facts, drafts and its parameters.

The notebook's last cell keeps them with :func:`keep_results`, a comparison's with
:func:`comparison.keep_comparison`; the command line and the reviewer's own runs in Jupyter write
the same files, beside and renamed. The parameters stand here, where those of a run in Jupyter
come too, and not in the reviewer's state (`memory`), which is written under the session's lock
alone. All of it a run makes again.
"""

import datetime
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment

from reportlib import __version__
from reportlib.draw.wordings import narrative_templates, own_words
from reportlib.errors import NotebookError
from reportlib.judge.records import Analysis
from reportlib.measure.stress.stages import multitone_curves
from reportlib.numbers import counted
from reportlib.publish import history, memory
from reportlib.publish.kinds import REPORT, Kind
from reportlib.session import files
from reportlib.session.parameters import ReportParameters
from reportlib.write import data, report
from reportlib.write.changed import what_changed
from reportlib.write.facts import collect
from reportlib.write.quotes import Fact, FactTable

_RESULTS = f"{memory.FOLDER}/results"
_DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError)
"""What reading stops with where anything may stand in the files."""


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What the last run found.

    Attributes
    ----------
    drafts : Markdown by slot
    about : title, date, description and colophon of the page
    data : contents of the files in ``out/data`` by name
    """

    drafts: dict[str, str]
    about: dict[str, Any]
    data: dict[str, bytes]


def keep_results(analysis: Analysis, *, parameters: ReportParameters) -> None:
    """Write results, facts and drafts of a run into the session's ``.upheld/``."""
    session = Path(analysis.session.folder)
    facts = collect(analysis)
    templates = narrative_templates(own_words(session, words=parameters.words))
    drafts = drafted(analysis, facts=facts, templates=templates, parameters=parameters)
    keep(
        session,
        run={"drafts": drafts, "about": about(analysis), "parameters": parameters.model_dump()},
        facts=facts,
        texts={
            "compression.csv": data.compression_csv(
                (*analysis.short_term, *analysis.long_term, *multitone_curves(analysis.playing))
            ),
            "results.json": data.results_json(analysis, tool_version=__version__),
        },
    )


def keep(
    folder: Path, *, run: Mapping[str, Any], facts: Mapping[str, Fact], texts: Mapping[str, str]
) -> None:
    """Write what a run found into the ``.upheld/`` of its folder, a session's or a comparison's.

    Parameters
    ----------
    run : drafts, what the page says about itself, parameters; a comparison's judgements, digests
    texts : the kind's data files, by name
    """
    texts = {
        **texts,
        "facts.json": data.facts_json(facts),
        "run.json": json.dumps(run, ensure_ascii=False, indent=1) + "\n",
    }
    for name, text in texts.items():
        files.write_text_safely(folder / _RESULTS / name, text, inside=folder)


def drafted(
    analysis: Analysis,
    *,
    facts: FactTable,
    templates: Environment,
    parameters: ReportParameters,
) -> dict[str, str]:
    """Return the draft of every narrative cell of a report, by slot."""
    drafts = report.draft(analysis, facts=facts, templates=templates, parameters=parameters)
    drafts["what-changed"] = _what_changed(analysis, facts=facts, templates=templates)
    return drafts


def _what_changed(analysis: Analysis, *, facts: FactTable, templates: Environment) -> str:
    """Draft what has changed since the report was last published, empty where nothing has."""
    session = analysis.session
    judged = history.judged(data.results_document(analysis, tool_version=""))
    last, changed = history.since_published(Path(session.folder), judged=judged, facts=facts)
    if last is None:
        return ""
    now = history.record(
        when=datetime.datetime.now(),
        tool_version=__version__,
        digests=session.digests,
        narrative={},
        judged=judged,
        numbers={},
    )
    return what_changed(changed, last=last, now=now, name=session.speaker.name, templates=templates)


def about(analysis: Analysis) -> dict[str, Any]:
    """Return what the page says about itself."""
    session = analysis.session
    takes = counted(sum(len(entry.captures) for entry in session.short_term), "short-term take")
    levels = f"{session.baseline.level_db:g} to {session.short_term[-1].level_db:g} dB"
    name = session.speaker.name
    return {
        "format": 1,
        "title": name,
        "kind": "Does the output keep up with the volume?",
        "date": session.date,
        "tool_version": __version__,
        "language": "en",
        "description": f"{name}: does the output keep up with the volume? Measured from {levels}.",
        "colophon": f"Made with upheld {__version__} from {takes}, {levels}; "
        f"session {session.digests.get('session.toml', '')[:12]}.",
    }


def read_results(session_folder: Path, *, kind: Kind = REPORT) -> Kept:
    """Read what the last run found in a session's folder, or in one of another kind.

    Raises
    ------
    NotebookError
        No run has been kept, or what was kept is damaged.
    """
    with _said_in_one_line(session_folder, kind=kind):
        run = _json(session_folder, "run.json")
        data = {name: _bytes(session_folder, name) for name in kind.data}
        drafts = dict(run["drafts"])
        if not all(isinstance(text, str) for text in drafts.values()):
            raise TypeError("a draft is no text")
        return Kept(drafts=drafts, about=dict(run["about"]), data=data)


@dataclass(frozen=True, kw_only=True)
class Told:
    """What the last run says: judgements and facts by name, digests of the session's files."""

    judged: dict[str, str]
    facts: dict[str, Fact]
    digests: dict[str, str]


def read_told(session_folder: Path, *, kind: Kind = REPORT) -> Told:
    """Read what the last run found, as far as words may quote it.

    A comparison's judgements and digests stand with its drafts: its ``results.json`` is of
    another form.

    Raises
    ------
    NotebookError
        No run has been kept, or what was kept is damaged.
    """
    with _said_in_one_line(session_folder, kind=kind):
        facts = data.facts_from_json(_bytes(session_folder, "facts.json").decode("utf-8"))
        if kind is not REPORT:
            run = _json(session_folder, "run.json")
            return Told(judged=dict(run["judged"]), facts=facts, digests=dict(run["digests"]))
        document = _json(session_folder, "results.json")
        return Told(judged=history.judged(document), facts=facts, digests=dict(document["digests"]))


def tool_version(session_folder: Path) -> str:
    """Read which version analysed the session last, empty where that is not known."""
    return str(_field(session_folder, "results.json", key="tool_version") or "")


def last_parameters(session_folder: Path) -> dict[str, Any]:
    """Read the parameters of the last run, empty where there was none or it is damaged."""
    found = _field(session_folder, "run.json", key="parameters")
    return found if isinstance(found, dict) else {}


def _field(session_folder: Path, name: str, *, key: str) -> Any:
    try:
        return _json(session_folder, name)[key]
    except _DAMAGED:
        return None


@contextmanager
def _said_in_one_line(session_folder: Path, *, kind: Kind) -> Iterator[None]:
    try:
        yield
    except _DAMAGED as error:
        raise NotebookError(
            f"{session_folder / _RESULTS}: the results of the last run are missing or damaged "
            f"({type(error).__name__}). Run '{kind.command(session_folder)}' first."
        ) from error


def _bytes(session_folder: Path, name: str) -> bytes:
    return files.read_bytes(session_folder / _RESULTS / name, inside=session_folder)


def _json(session_folder: Path, name: str) -> Any:
    return json.loads(_bytes(session_folder, name))
