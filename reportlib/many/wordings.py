"""The wordings that a session's report uses, or a comparison's, with the values that they got."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import ModuleType

from jinja2 import Environment

from reportlib.draw import figures, tables
from reportlib.draw.wordings import (
    Hear,
    Own,
    blocks_of,
    narrative_templates,
    own_words,
    says,
    slots,
)
from reportlib.judge.analysis import analyse
from reportlib.judge.records import Analysis
from reportlib.judge.seat import reader_seat
from reportlib.many import figures as many_figures
from reportlib.many import tables as many_tables
from reportlib.many.comparison import analyse_each, compare, folder_names
from reportlib.many.facts import comparison_facts
from reportlib.many.folder import remembered_sessions
from reportlib.many.records import Comparison
from reportlib.many.words import draft_comparison
from reportlib.publish import results
from reportlib.publish.kinds import REPORT, kind_of
from reportlib.session.parameters import (
    ComparisonParameters,
    checked_comparison,
    checked_parameters,
    known_parameters,
)
from reportlib.session.reading import read_session
from reportlib.write.facts import collect
from reportlib.write.writer import worded


@dataclass(frozen=True, kw_only=True)
class Used:
    """One of the wordings.

    Attributes
    ----------
    slot, block : its file and its place there
    text : as it stands there; the tester's own where `own`
    places : names of the values in it
    times : how often it is said
    values : what it places, by name, as it is said first
    """

    slot: str
    block: str
    text: str
    places: tuple[str, ...]
    own: bool = False
    times: int = 0
    values: Mapping[str, str] = field(default_factory=dict)


def all_wordings(own: Own | None = None) -> list[Used]:
    """Return every wording there is, a tester's in place of ours."""
    found = []
    for slot, ours in slots().items():
        theirs = blocks_of(own[slot], file=slot) if own and slot in own else {}
        for block, wording in {**ours, **theirs}.items():
            one = Used(slot=slot, block=block, text=wording.text, places=tuple(wording.places))
            found.append(replace(one, own=block in theirs))
    return found


def used_wordings(folder: Path) -> list[Used]:
    """Return the wordings of a session's report, or of a comparison, as it would be drafted now.

    Raises
    ------
    ReportError
        What a session, its recordings or the tester's wordings are short of.
    """
    heard: dict[str, list[Mapping[str, object]]] = {}

    def hear(name: str, values: Mapping[str, object]) -> None:
        heard.setdefault(name, []).append(values)

    say = _say_report if kind_of(folder) is REPORT else _say_comparison
    own = say(folder, hear=hear)
    found = []
    for one in all_wordings(own):
        if said := heard.get(f"{one.slot}/{one.block}"):
            values = {name: str(said[0][name]) for name in one.places}
            found.append(replace(one, times=len(said), values=values))
    return found


def _say_report(folder: Path, *, hear: Hear) -> Own:
    remembered = known_parameters(results.last_parameters(folder))
    parameters = checked_parameters(**{**remembered, "session": str(folder)})
    own = own_words(folder, words=parameters.words)
    report = analyse(read_session(folder), parameters=parameters)
    templates = narrative_templates(own, hear=hear)
    results.drafted(report, facts=collect(report), templates=templates, parameters=parameters)
    _show(report, modules=(figures, tables), templates=templates)
    return own


def _say_comparison(folder: Path, *, hear: Hear) -> Own:
    remembered = known_parameters(results.last_parameters(folder), model=ComparisonParameters)
    sessions = [str(one) for one in remembered_sessions(folder)]
    parameters = checked_comparison(**{**remembered, "sessions": sessions})
    own = own_words(folder, words=parameters.words)
    reports = analyse_each(parameters)
    comparison = compare(reports, names=folder_names(reports))
    templates = narrative_templates(own, hear=hear)
    seat = reader_seat(parameters.of_session(""))
    facts = comparison_facts(comparison)
    draft_comparison(comparison, facts=facts, templates=templates, seat=seat)
    _show(comparison, modules=(many_figures, many_tables), templates=templates)
    return own


def _show(
    record: Analysis | Comparison, *, modules: Iterable[ModuleType], templates: Environment
) -> None:
    """Have every figure and table say its words."""
    for module in modules:
        for name, show in vars(module).items():
            if name[0] != "_" and says(show):
                show(record, said=partial(worded, templates))
