"""The report's tables: records in, finished text out, with the anchors that quotes link to."""

import math

from reportlib.causes import CAUSE_NAMES
from reportlib.facts import band_key, collect
from reportlib.facts import row_anchors as _anchors
from reportlib.judged import Finding
from reportlib.limit_table import limit_table
from reportlib.model import Analysis, BandResult
from reportlib.numbers import digits_for, duration, frequency, level_key, number, u95_text
from reportlib.readings.untold import reached
from reportlib.seat_tables import exposure_table, need_table, seat_band_table, seat_table
from reportlib.shown import Table
from reportlib.stress_tables import coil_table, thermal_table

__all__ = [
    "band_table",
    "cause_table",
    "coil_table",
    "exposure_table",
    "limit_table",
    "need_table",
    "quality_table",
    "seat_band_table",
    "seat_table",
    "step_table",
    "thermal_table",
]

_SEVERITY = {"refused": "left out", "warning": "warning", "note": "note"}


def band_table(analysis: Analysis) -> Table:
    """Every band at every level: mean, interval, worst point, grade."""
    facts = collect(analysis)
    rows, anchors = [], []
    for result in analysis.bands:
        rows.append(_band_row(result, analysis=analysis))
        anchors.append(_anchors(facts, key=f"{band_key(result)}."))
    return Table(
        name="bands",
        caption="Every band at every level: output against what was asked, with its 95 % interval.",
        columns=("test", "level", "after", "band", "mean", "±", "worst point", "near", "grade"),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, True, True, False, True, True, True, True, False),
        folded=True,
    )


def _band_row(result: BandResult, *, analysis: Analysis) -> tuple[str, ...]:
    test = "turned up" if result.test == "short_term" else "left playing"
    after = "" if result.test == "short_term" else duration(result.elapsed_s)
    head = (test, f"{result.level_db:g} dB", after, _range(result))
    if result.mean_db is None or result.u95_db is None:
        curves = analysis.short_term if result.test == "short_term" else analysis.long_term
        tested = reached(curves, low_hz=result.low_hz, high_hz=result.high_hz)
        return (*head, "", "", "", "", "can’t tell" if tested else "not tested")
    digits = digits_for(result.u95_db)
    worst, near = "", ""
    if result.worst_db is not None and result.worst_hz is not None:
        worst, near = f"{number(result.worst_db, digits)} dB", frequency(result.worst_hz)
    grade = (
        result.grade
        if result.grade_may_be is None
        else (f"{result.grade}, may be: {result.grade_may_be}")
    )
    return (
        *head,
        f"{number(result.mean_db, digits)} dB",
        u95_text(result.u95_db),
        worst,
        near,
        grade.replace("'", "’"),
    )


def _range(result: BandResult) -> str:
    return f"{result.band}, {frequency(result.low_hz)} to {frequency(result.high_hz)}"


def cause_table(analysis: Analysis) -> Table | None:
    """What the changes fit, how surely, what speaks for and against, what would settle it."""
    if not analysis.findings:
        return None
    facts = collect(analysis)
    return Table(
        name="causes",
        caption="What the changes fit, the likeliest first. A cause that fits is not yet proved.",
        columns=("cause", "how sure", "where", "levels", "for", "against", "what would settle it"),
        rows=tuple(_cause_row(one) for one in analysis.findings),
        anchors=tuple(_anchors(facts, key=f"why.{one.cause}.") for one in analysis.findings),
        folded=True,
    )


def _cause_row(one: Finding) -> tuple[str, ...]:
    known = math.isfinite(one.low_hz) and math.isfinite(one.high_hz)
    return (
        CAUSE_NAMES[one.cause],
        one.confidence,
        f"{frequency(one.low_hz)} to {frequency(one.high_hz)}" if known else "",
        ", ".join(f"{level:g} dB" for level in one.levels_db),
        " ".join(one.evidence_for),
        " ".join(one.evidence_against),
        one.to_confirm,
    )


def step_table(analysis: Analysis) -> Table | None:
    """The volume steps: asked for and measured."""
    if not analysis.drive_steps:
        return None
    facts = collect(analysis)
    rows = tuple(
        (
            f"{step.level_db:g} dB",
            f"{number(step.asked_db, 2)} dB",
            "not measured" if step.measured_db is None else f"{number(step.measured_db, 2)} dB",
            f"{number(step.u95_db, 2)} dB",
        )
        for step in analysis.drive_steps
    )
    return Table(
        name="steps",
        caption="How far the volume was raised over the baseline: asked for, and measured in the "
        "reference channel.",
        columns=("level", "asked", "measured", "±"),
        rows=rows,
        anchors=tuple(
            _anchors(facts, key=f"step.{level_key(step.level_db)}.")
            for step in analysis.drive_steps
        ),
        numeric=(True, True, True, True),
        folded=True,
    )


def quality_table(analysis: Analysis) -> Table | None:
    """What a reader should know about the data, warnings first."""
    if not analysis.quality:
        return None
    order = list(_SEVERITY)
    notes = sorted(analysis.quality, key=lambda note: order.index(note.severity))
    return Table(
        name="quality",
        caption="What to know about the data.",
        columns=("kind", "what", "recording"),
        rows=tuple((_SEVERITY[note.severity], note.message, note.capture) for note in notes),
    )
