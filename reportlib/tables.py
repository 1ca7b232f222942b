"""The report's tables: records in, finished text out, with the anchors that quotes link to."""

from collections.abc import Sequence

from reportlib.facts import (
    SEAT_SETUP,
    FactTable,
    band_key,
    collect,
    digits_for,
    duration,
    frequency,
    level_key,
    limit_key,
    number,
)
from reportlib.judged import Limit
from reportlib.model import Analysis, BandResult, Test
from reportlib.readings.behind import band_limits, bracket_text, limited_bands, where_text
from reportlib.shown import Table
from reportlib.wording import levels_text, listing, sentence

_SEVERITY = {"refused": "left out", "warning": "warning", "note": "note"}


def band_table(analysis: Analysis) -> Table:
    """Every band at every level: mean, interval, worst point, grade."""
    facts = collect(analysis)
    rows, anchors = [], []
    for result in analysis.bands:
        rows.append(_band_row(result))
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


def _band_row(result: BandResult) -> tuple[str, ...]:
    test = "turned up" if result.test == "short_term" else "left playing"
    after = "" if result.test == "short_term" else duration(result.elapsed_s)
    head = (test, f"{result.level_db:g} dB", after, _range(result))
    if result.mean_db is None or result.u95_db is None:
        return (*head, "", "", "", "", "can’t tell")
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
        f"{number(result.u95_db, 2)} dB",
        worst,
        near,
        grade.replace("'", "’"),
    )


def _range(result: BandResult) -> str:
    return f"{result.band}, {frequency(result.low_hz)} to {frequency(result.high_hz)}"


def limit_table(analysis: Analysis) -> Table | None:
    """Where every band and drive unit is 1 dB and 3 dB behind, turned up and left playing."""
    if not analysis.limits:
        return None
    facts = collect(analysis)
    tests: list[tuple[Test, str]] = [("short_term", "turned up"), ("long_term", "left playing")]
    shown = [pair for pair in tests if any(one.test == pair[0] for one in analysis.limits)]
    rows, anchors = [], []
    for band in limited_bands(analysis):
        own = {test: band_limits(analysis, band=band, test=test) for test, _ in shown}
        every = [limit for limits in own.values() for limit in limits]
        cells = [bracket_text(one, facts=facts) for one in every]
        rows.append((sentence(where_text(every[0])), *cells))
        keys = dict.fromkeys(f"{limit_key(limit)}." for limit in every)
        anchors.append(" ".join(filter(None, (_anchors(facts, key=key) for key in keys))))
    thresholds = dict.fromkeys(f"{one.threshold_db:g} dB" for one in analysis.limits)
    return Table(
        name="limits",
        caption="The level at which the output is 1 dB and 3 dB behind what was asked, with its "
        f"bracket.{_skipped(analysis.limits)}",
        columns=("where", *(f"{name}, {words}" for _, words in shown for name in thresholds)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, *(True for _ in shown for _ in thresholds)),
    )


def _skipped(limits: Sequence[Limit]) -> str:
    """Say which levels were left out, for want of a result that can be told."""
    groups: dict[tuple[Test, tuple[float, ...]], list[str]] = {}
    for limit in limits:
        names = groups.setdefault((limit.test, limit.untold_db), [])
        if limit.reached is not None and limit.untold_db and limit.band not in names:
            names.append(limit.band)
    parts = [
        f"{listing(names)} {'turned up to' if test == 'short_term' else 'left playing at'} "
        f"{levels_text(levels)}"
        for (test, levels), names in groups.items()
        if names
    ]
    return f" Skipped, since it can’t be told: {'; '.join(parts)}." if parts else ""


def seat_table(analysis: Analysis) -> Table | None:
    """What arrives in four settings, from the loudest level and the one below."""
    if not analysis.in_room:
        return None
    facts = collect(analysis)
    setups = list(dict.fromkeys(seat.setup for seat in analysis.in_room))
    levels = sorted({seat.level_db for seat in analysis.in_room})
    rows, anchors = [], []
    for setup in setups:
        own = {seat.level_db: seat for seat in analysis.in_room if seat.setup == setup}
        far = f"{own[levels[0]].listeners_distance_m:g} m"
        cells = [
            f"{number(own[level].low_db, 0)}–{number(own[level].high_db, 0)} dB" for level in levels
        ]
        rows.append((setup, far, *cells))
        keys = [f"seat.{level_key(level)}." for level in levels] if setup == SEAT_SETUP else []
        anchors.append(" ".join(filter(None, (_anchors(facts, key=key) for key in keys))))
    return Table(
        name="seat",
        caption="What arrives at a listener, by the trade’s sum, for each level asked of one "
        "loudspeaker at 1 m.",
        columns=("where", "distance", *(f"{level:g} dB asked" for level in levels)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, True, *(True for _ in levels)),
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


def _anchors(facts: FactTable, *, key: str) -> str:
    names = [f"fact-{name}" for name in facts if name.startswith(key)]
    return " ".join([f"fact-{key[:-1]}", *names] if names else [])
