"""The tables and data files of a comparison: records in, finished text out, with anchors.

Texts only; whoever calls writes them. Numbers are rounded as in a report's;
``reportlib/schema/comparison.schema.json`` describes the JSON.
"""

import csv
import io
import json
import math
import re
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from reportlib.draw.wordings import said
from reportlib.judge.records import SEAT_SETUP
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many.facts import (
    answer_words,
    comparison_facts,
    limit_row,
    limit_words,
    limited_bands,
    output_row,
    place_words,
    rank_row,
    shown_outputs,
    sure_words,
    value_words,
)
from reportlib.many.records import Compared, Comparison, NeedBeside, OutputPoint, Question, Ranking
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import (
    duration,
    level_key,
    level_text,
    listed,
    number,
    sentence,
    slug,
    span_text,
)
from reportlib.write.data import number_text, rounded
from reportlib.write.quotes import FactTable
from reportlib.write.shown import Table
from reportlib.write.writer import Said

_QUESTIONS: tuple[tuple[Question, str], ...] = (
    ("equal output", "at equal output"),
    ("1 dB behind", f"{BEHIND_DB[0]:g} dB short"),
    ("left playing", "left playing"),
)


def _anchors(facts: FactTable, row: str) -> str:
    """Return a row's own anchor, and one for each fact that stands in it."""
    return " ".join([row, *(f"fact-{name}" for name, fact in facts.items() if fact.row == row)])


_MOST_ACROSS = 4


def _aligned(names: Sequence[str]) -> tuple[bool, ...]:
    """Align a column a session right; of many their cells may break, lest the page scroll."""
    return tuple(len(names) <= _MOST_ACROSS for _ in names)


def standing_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """Who comes first by each question in each band, and what is told apart."""
    if not comparison.rankings:
        return None
    facts = comparison_facts(comparison)
    placed = [name for name in comparison.names if name not in comparison.unplaced]
    rows, anchors = [], []
    for question, words in _QUESTIONS:
        for ranking in comparison.ranked(question):
            if question == "1 dB behind" and ranking.band not in limited_bands(comparison):
                continue  # all that it would say is that nobody is
            cells = [
                f"{place_words(ranking.standing(name))} "
                f"{_value(comparison, ranking, name=name, facts=facts)}"
                if name in ranking.names
                else "–"
                for name in placed
            ]
            by = f"{words}{_at(ranking)}"
            rows.append((by, sentence(ranking.band), sentence(sure_words(ranking)), *cells))
            anchors.append(_anchors(facts, rank_row(ranking)))
    return Table(
        name="standing",
        caption=said("comparison/in-short/caption-standing-table"),
        columns=("by", "band", "what is sure", *placed),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, False, False, *_aligned(placed)),
    )


def _value(comparison: Comparison, ranking: Ranking, *, name: str, facts: FactTable) -> str:
    slug = comparison.session(name).slug
    if ranking.question == "1 dB behind":
        limits = (one.limit for one in comparison.limits if one.name == name)
        limit = next(one for one in limits if one.band == ranking.band)
        return limit_words(limit, slug=slug, facts=facts)
    part = "rank" if ranking.question == "equal output" else "long"
    return value_words(facts, f"beside.{slug}.{SLUGS[ranking.band]}.{part}")


def _at(ranking: Ranking) -> str:
    if ranking.question == "1 dB behind":
        return ""
    level = level_text(ranking.at_db or 0.0)
    if ranking.question == "equal output":
        return f", {level}"
    how = "while it played" if ranking.while_playing else "by the sweep after"
    return f", {level} for {duration(ranking.elapsed_s)}, {how}"


def equal_output_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """What every session lags by when it gives the same output, band by band."""
    if not comparison.points:
        return None
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    found = {(one.name, one.band, one.output_db): one for one in comparison.points}
    rows, anchors = [], []
    for band in BANDS:
        for output in shown_outputs(comparison, band=band.name):
            cells = [
                _point_words(found[name, band.name, output], slug=slugs[name], facts=facts)
                for name in comparison.names
            ]
            rows.append((sentence(band.name), level_text(output), *cells))
            anchors.append(_anchors(facts, output_row(band.name, output)))
    return Table(
        name="equal-output",
        caption=said("comparison/at-equal-output/caption-equal-output-table"),
        columns=("band", "given", *(_ranked(comparison, name) for name in comparison.names)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, True, *_aligned(comparison.names)),
        folded=True,
    )


def _ranked(comparison: Comparison, name: str) -> str:
    """Name a session, and say where it takes no place beside the others."""
    return name if name in comparison.places("equal output") else f"{name} (not ranked)"


def _point_words(point: OutputPoint, *, slug: str, facts: FactTable) -> str:
    if point.given == "gives out before":
        return f"gives out before: {number(point.most_db or 0.0, 1)} dB at most"
    if point.given != "given":
        return point.given.replace("'", "’")
    key = f"beside.{slug}.{SLUGS[point.band]}.{level_key(point.output_db)}"
    falls = "" if point.unique else "; falls below it again, turned up further"
    return value_words(facts, key) + falls


def limits_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """Where bands of sessions are 1 dB short; a band that none is short in is left out."""
    bands = limited_bands(comparison)
    if not bands:
        return None
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    found = {(one.name, one.limit.band): one.limit for one in comparison.limits}
    return Table(
        name="limits-beside",
        caption=said("comparison/numbers/caption-limits-table"),
        columns=("band", *comparison.names),
        rows=tuple(
            (
                sentence(band),
                *(
                    limit_words(found[name, band], slug=slugs[name], facts=facts, bracket=True)
                    for name in comparison.names
                ),
            )
            for band in bands
        ),
        anchors=tuple(_anchors(facts, limit_row(band)) for band in bands),
        numeric=(False, *_aligned(comparison.names)),
    )


def needs_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """Is each loudspeaker enough for what is listened to, where any was tested for it."""
    asked = list(
        dict.fromkeys(
            (one.setup, one.need) for one in comparison.needs if one.answer != "not tested"
        )
    )
    if not asked:
        return None
    asked.sort(key=lambda pair: pair[0] != SEAT_SETUP)
    answers = {(one.setup, one.need, one.name): one for one in comparison.needs}
    return Table(
        name="needs-beside",
        caption=said("comparison/at-your-seat/caption-needs-table"),
        columns=("where", "what", *comparison.names),
        rows=tuple(
            (
                setup,
                need,
                *(
                    answer_words(one) if (one := answers.get((setup, need, name))) else ""
                    for name in comparison.names
                ),
            )
            for setup, need in asked
        ),
    )


def abilities_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """What is asked of each loudspeaker at the reader's seat, beside what it was found able to."""
    own = [one for one in comparison.needs if one.setup == SEAT_SETUP]
    if not own:
        return None
    needs = list(dict.fromkeys(one.need for one in own))
    return Table(
        name="abilities-beside",
        caption=said("comparison/at-your-seat/caption-abilities-table"),
        columns=(
            "what", "loudspeaker", "enough", "asks for", "played to", "in peaks", "tested to",
            "loses the most",
        ),
        rows=tuple(
            (
                one.need,
                one.name,
                answer_words(one),
                f"{_between(one.average_low_db, one.average_high_db)} dB",
                _level(one.played_to_db),
                f"{_between(one.peak_low_db, one.peak_high_db)} dB",
                _level(one.tested_to_db),
                _loss(one),
            )
            for need in needs
            for one in own
            if one.need == need
        ),
        numeric=(False, False, False, True, True, True, True, False),
        folded=True,
    )  # fmt: skip


def _between(low_db: float, high_db: float) -> str:
    low, high = number(low_db, 0), number(high_db, 0)
    return low if low == high else f"{low}–{high}"


def _level(level_db: float | None) -> str:
    return "not tested" if level_db is None else level_text(round(level_db))


def _loss(one: NeedBeside) -> str:
    if one.weakest_band is None or one.loss_low_db is None or one.loss_high_db is None:
        return "not tested so loud" if one.answer == "not tested" else "can’t tell"
    low, high = number(max(one.loss_low_db, 0.0), 1), number(max(one.loss_high_db, 0.0), 1)
    return f"{one.weakest_band}, {low if low == high else f'{low}–{high}'} dB"


def seats_table(comparison: Comparison, *, said: Said = said) -> Table | None:
    """What arrives at every seat of the loudest level that each was tested at."""
    if not comparison.arrives:
        return None
    facts = comparison_facts(comparison)
    found = {(one.setup, one.name): one for one in comparison.arrives}
    setups = list(dict.fromkeys(one.setup for one in comparison.arrives))
    tops = {one.name: one.level_db for one in comparison.arrives}
    rows = []
    for setup in setups:
        seat = next(one for one in comparison.arrives if one.setup == setup)
        cells = [
            f"{number(one.low_db, 0)}–{number(one.high_db, 0)} dB"
            if (one := found.get((setup, name)))
            else ""
            for name in comparison.names
        ]
        rows.append((f"{setup}, {seat.distance_m:g}\u00a0m", *cells))
    return Table(
        name="seats-beside",
        caption=said("comparison/at-your-seat/caption-seats-table"),
        columns=(
            "where",
            *(
                f"{name}, {level_text(tops[name])} asked" if name in tops else name
                for name in comparison.names
            ),
        ),
        rows=tuple(rows),
        anchors=tuple(_anchors(facts, f"fact-beside.seat.{slug(setup)}") for setup in setups),
        numeric=(False, *_aligned(comparison.names)),
    )


def __getattr__(name: str) -> Any:
    """Name the successor of a table that a cell of a notebook made earlier still calls."""
    if name == "not_comparable_table":
        raise AttributeError(f"tables.{name} is no more: “How comparable they are” says it all.")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def measured_table(comparison: Comparison, *, said: Said = said) -> Table:
    """How each session was measured."""
    facts = comparison_facts(comparison)
    return Table(
        name="measured-beside",
        caption=said("comparison/how-sure/caption-measured-table"),
        columns=(
            "session", "date", "where", "gate", "turned up", "takes", "left playing", "drive",
            "level",
        ),
        rows=tuple(
            (
                one.name,
                one.date or "",
                f"{one.space}, {one.distance_m:g} m",
                f"{number(1e3 * one.gate_s, 0)} ms" if math.isfinite(one.gate_s) else "not known",
                _levels(one),
                f"{one.takes[0]}" if len(set(one.takes)) == 1 else f"{one.takes[0]}–{one.takes[1]}",
                _long(one.long_term_db),
                one.reference or ("text" if one.source == "text" else "not recorded"),
                "measured" if one.calibrated else "as asked",
            )
            for one in comparison.sessions
        ),
        anchors=tuple(
            _anchors(facts, f"fact-beside.{one.slug}.measured") for one in comparison.sessions
        ),
        folded=True,
    )  # fmt: skip


def _levels(one: Compared) -> str:
    levels = [one.baseline_db] if one.top_db is None else [one.baseline_db, one.top_db]
    return span_text([round(level, 1) for level in levels])


def _long(levels_db: Sequence[float]) -> str:
    return f"{listed([f'{level:g}' for level in levels_db])} dB" if levels_db else "no"


CSV_COLUMNS = (
    "band",
    "low_hz",
    "high_hz",
    "output_db",
    "session",
    "given",
    "change_db",
    "low_db",
    "high_db",
    "driven_db",
    "unique",
)

_FORMULA = re.compile(r"(^|[;\t\r\n])(?=\s*[=+\-@＝＋－＠])")
"""Where a spreadsheet would begin a formula: in a cell, or after what some take for its end."""


def comparison_csv(comparison: Comparison) -> str:
    """Write changes at equal output as tidy text: UTF-8, LF, decimal point, 4 decimals.

    One row a band, whole decibel of output and session; `change_db` is from the session's own
    baseline, `low_db` and `high_db` its 95 % interval, `driven_db` the level that it takes.
    A name that a spreadsheet would run as a formula gets an apostrophe before it, which
    spreadsheets read as "this is text" (common practice, no source); `results.json` has it
    as it is.
    """
    edges = {one.band: (one.low_hz, one.high_hz) for one in comparison.tracks}
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for one in comparison.points:
        numbers = (one.change_db, one.low_db, one.high_db, one.driven_db)
        writer.writerow(
            (
                one.band,
                *(number_text(edge) for edge in edges[one.band]),
                number_text(one.output_db),
                _FORMULA.sub(r"\1'", one.name),
                one.given,
                *(number_text(value) for value in numbers),
                "true" if one.unique else "false",
            )
        )
    return buffer.getvalue()


def comparison_document(comparison: Comparison, *, tool_version: str) -> dict[str, Any]:
    """Return what the ``results.json`` of a comparison holds, as JSON types."""
    document = {
        "format": 1,
        "kind": "comparison",
        "tool_version": tool_version,
        "sessions": [asdict(one) for one in comparison.sessions],
        "rankings": [asdict(one) for one in comparison.rankings],
        "equal_output": [asdict(one) for one in comparison.points],
        "limits": [{"name": one.name, **asdict(one.limit)} for one in comparison.limits],
        "left_playing": [asdict(one) for one in comparison.ends],
        "needs": [asdict(one) for one in comparison.needs],
        "at_the_seat": [asdict(one) for one in comparison.arrives],
        "hindrances": [asdict(one) for one in comparison.hindrances],
    }
    found = rounded(document)
    assert isinstance(found, dict)
    return found


def comparison_json(comparison: Comparison, *, tool_version: str) -> str:
    """Write the ``results.json`` of a comparison: UTF-8, no NaN."""
    document = comparison_document(comparison, tool_version=tool_version)
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
