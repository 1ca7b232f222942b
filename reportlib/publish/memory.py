"""The tool's memory in the session folder, ``.upheld/``: last results, last drafts, history.

The notebook's last cell keeps what it found with :func:`keep_results`, a comparison's with
:func:`comparison.keep_comparison`, in a folder of its own; the command line and
the reviewer's own runs in Jupyter write the same files. Everything is written beside and
renamed. What lies here can be lost without losing a word: then every narrative cell counts as
edited.
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from reportlib import __version__
from reportlib.draw.wordings import narrative_templates
from reportlib.errors import NotebookError
from reportlib.judge.records import Analysis
from reportlib.measure.stress.stages import multitone_curves
from reportlib.publish import history
from reportlib.publish.kinds import REPORT, Kind, Last
from reportlib.session import files
from reportlib.session.parameters import Paper, ReportParameters
from reportlib.write import data, report
from reportlib.write.changed import what_changed
from reportlib.write.facts import collect
from reportlib.write.quotes import Fact

FOLDER = ".upheld"
_RESULTS = f"{FOLDER}/results"
_PUBLICATION = f"{FOLDER}/publication.json"
_WRITTEN = f"{FOLDER}/written.json"
DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError)
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
    drafts = report.draft(
        analysis, facts=facts, templates=narrative_templates(), parameters=parameters
    )
    drafts["what-changed"] = _what_changed(analysis, facts=facts)
    kept = {"drafts": drafts, "about": about(analysis), "parameters": parameters.model_dump()}
    texts = {
        "compression.csv": data.compression_csv(
            (*analysis.short_term, *analysis.long_term, *multitone_curves(analysis.playing))
        ),
        "results.json": data.results_json(analysis, tool_version=__version__),
        "facts.json": data.facts_json(facts),
        "run.json": json.dumps(kept, ensure_ascii=False, indent=1) + "\n",
    }
    for name, text in texts.items():
        files.write_text_safely(session / _RESULTS / name, text, inside=session)


def _what_changed(analysis: Analysis, *, facts: Mapping[str, Fact]) -> str:
    """Draft what has changed since the report was last published, empty where nothing has."""
    last, changed = history.since_published(
        Path(analysis.session.folder),
        judged=history.judged(data.results_document(analysis, tool_version="")),
        facts=facts,
    )
    if last is None:
        return ""
    return what_changed(changed, since=last.date, templates=narrative_templates())


def about(analysis: Analysis) -> dict[str, Any]:
    """Return what the page says about itself."""
    session = analysis.session
    captures = sum(len(entry.captures) for entry in session.short_term)
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
        "colophon": f"Made with upheld {__version__} from {captures} short-term sweeps, "
        f"{levels}; session {session.digests.get('session.toml', '')[:12]}.",
    }


def read_results(session_folder: Path, *, kind: Kind = REPORT) -> Kept:
    """Read what the last run found in a session's folder, or in one of another kind.

    Raises
    ------
    NotebookError
        No run has been kept, or what was kept is damaged.
    """
    folder = session_folder / FOLDER / "results"
    try:
        run = _json(session_folder, f"{_RESULTS}/run.json")
        data = {name: files.read_bytes(folder / name, inside=session_folder) for name in kind.data}
        drafts = dict(run["drafts"])
        if not all(isinstance(text, str) for text in drafts.values()):
            raise TypeError("a draft is no text")
        return Kept(drafts=drafts, about=dict(run["about"]), data=data)
    except DAMAGED as error:
        raise NotebookError(
            f"{folder}: the results of the last run are missing or damaged "
            f"({type(error).__name__}). Run '{kind.command(session_folder)}' first."
        ) from error


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
    folder = session_folder / FOLDER / "results"
    try:
        facts = data.facts_from_json(_text(session_folder, f"{_RESULTS}/facts.json"))
        if kind is not REPORT:
            run = _json(session_folder, f"{_RESULTS}/run.json")
            return Told(judged=dict(run["judged"]), facts=facts, digests=dict(run["digests"]))
        document = _json(session_folder, f"{_RESULTS}/results.json")
        return Told(judged=history.judged(document), facts=facts, digests=dict(document["digests"]))
    except DAMAGED as error:
        raise NotebookError(
            f"{folder}: the results of the last run are missing or damaged "
            f"({type(error).__name__}). Run '{kind.command(session_folder)}' first."
        ) from error


def tool_version(session_folder: Path) -> str:
    """Read which version analysed the session last, empty where that is not known."""
    try:
        return str(_json(session_folder, f"{_RESULTS}/results.json")["tool_version"])
    except DAMAGED:
        return ""


def last_parameters(session_folder: Path) -> dict[str, Any]:
    """Read the parameters of the last run, empty where there was none or it is damaged."""
    try:
        return dict(_json(session_folder, f"{_RESULTS}/run.json")["parameters"])
    except DAMAGED:
        return {}


def paper(session_folder: Path) -> Paper:
    """Read what the session's PDF was last set for, ``"a4"`` where nobody has said."""
    try:
        kept = _json(session_folder, _PUBLICATION)
        return "letter" if kept["paper"] == "letter" else "a4"
    except DAMAGED:
        return "a4"


def keep_paper(session_folder: Path, chosen: Paper) -> None:
    """Remember what the session's PDF is set for, from the next run on."""
    text = json.dumps({"paper": chosen}) + "\n"
    files.write_text_safely(session_folder / _PUBLICATION, text, inside=session_folder)


def last_written(session_folder: Path) -> Last:
    """Read what the notebook was last filled with; empty where that is lost or damaged."""
    try:
        kept = _json(session_folder, _WRITTEN)
        drafts = {str(slot): str(text) for slot, text in kept["drafts"].items()}
        about = {
            str(text): one
            for text, one in kept.get("about", {}).items()  # earlier versions kept none
            if isinstance(one, dict)
        }
        return Last(drafts=drafts, names=frozenset(map(str, kept["cells"])), about=about)
    except DAMAGED:
        return Last()


def last_said(session_folder: Path, what: Literal["facts", "judged"]) -> dict[str, str]:
    """Read what facts or judgements read like when the notebook was last filled, by name."""
    try:
        kept = _json(session_folder, _WRITTEN)
        return {str(name): str(text) for name, text in kept[what].items()}
    except DAMAGED:
        return {}


def keep_written(
    session_folder: Path,
    drafts: Mapping[str, str],
    *,
    names: Collection[str],
    about: Mapping[str, Mapping[str, Any]],
    facts: Mapping[str, str],
    judged: Mapping[str, str],
) -> None:
    """Remember what the notebook has just been filled with, and by which version."""
    kept = {
        "tool_version": __version__,
        "cells": sorted(names),
        "drafts": dict(drafts),
        "about": dict(about),
        "facts": dict(sorted(facts.items())),
        "judged": dict(sorted(judged.items())),
    }
    text = json.dumps(kept, ensure_ascii=False, indent=1) + "\n"
    files.write_text_safely(session_folder / _WRITTEN, text, inside=session_folder)


def _text(session_folder: Path, name: str) -> str:
    return files.read_bytes(session_folder / name, inside=session_folder).decode("utf-8")


def _json(session_folder: Path, name: str) -> Any:
    return json.loads(_text(session_folder, name))
