"""What a comparison's last run found, kept in its folder's ``.upheld/results`` as `memory` does."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from reportlib import __version__, files, results, results_comparison
from reportlib.beside.facts import comparison_facts
from reportlib.beside.judged import judged
from reportlib.compared import Comparison
from reportlib.memory import FOLDER, narrative_templates
from reportlib.model import Analysis
from reportlib.numbers import counted, listed
from reportlib.parameters import ComparisonParameters
from reportlib.words.comparison import draft_comparison

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
    place = folder / FOLDER / "results"
    facts = comparison_facts(comparison)
    kept = {
        "drafts": draft_comparison(comparison, facts=facts, templates=narrative_templates()),
        "about": about_comparison(comparison, reports=reports),
        "parameters": parameters.model_dump(),
        "judged": judged(comparison),
        "digests": _digests(reports, sessions=parameters.sessions),
    }
    texts = {
        "comparison.csv": results_comparison.comparison_csv(comparison),
        "results.json": results_comparison.comparison_json(comparison, tool_version=__version__),
        "facts.json": results.facts_json(facts),
        "run.json": json.dumps(kept, ensure_ascii=False, indent=1) + "\n",
    }
    for name, text in texts.items():
        files.write_text_safely(place / name, text, inside=folder)


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
