"""The report's tables: records in, finished text out, with the anchors that quotes link to."""

import math
from collections.abc import Sequence

from reportlib.draw.wordings import said
from reportlib.judge.causes.table import CAUSE_NAMES
from reportlib.judge.exposure import NIOSH, OSHA, WHO_ITU, stricter_time_s
from reportlib.judge.grades import was_measured
from reportlib.judge.records import (
    SEAT_SETUP,
    Analysis,
    BandResult,
    Exposure,
    Finding,
    Limit,
    SeatBand,
)
from reportlib.judge.seat import TRADE_METHOD
from reportlib.measure.stress.records import GroupTrack, Playing, ThermalFit, end_of
from reportlib.numbers import (
    db_interval,
    digits_for,
    duration,
    frequency,
    half_width,
    level_key,
    level_text,
    levels_text,
    listed,
    number,
    sentence,
    slug,
    u95_text,
)
from reportlib.session.day import Test
from reportlib.write.facts import coil_key, collect, limit_key, shown_exposure, stress_key
from reportlib.write.folded import beyond
from reportlib.write.quotes import FactTable, band_key, row_anchors, written
from reportlib.write.readings_stress import coil_end, last_recovery, too_slow
from reportlib.write.readings_sweeps import (
    band_limits,
    bracket_text,
    limited_rows,
    out_of_reach,
    where_text,
)
from reportlib.write.shown import Table
from reportlib.write.writer import Said

_SEVERITY = {"refused": "left out", "warning": "warning", "note": "note"}


def band_table(analysis: Analysis, *, said: Said = said) -> Table:
    """Every band at every level: mean, interval, worst point, grade."""
    facts = collect(analysis)
    rows, anchors = [], []
    for result in analysis.bands:
        rows.append(_band_row(result, analysis=analysis))
        anchors.append(row_anchors(facts, key=f"{band_key(result)}."))
    return Table(
        name="bands",
        caption=said("how-measured/caption-band-table"),
        columns=("test", "level", "after", "band", "mean", "±", "worst point", "near", "grade"),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, True, True, False, True, True, True, True, False),
        folded=True,
    )


def _band_row(result: BandResult, *, analysis: Analysis) -> tuple[str, ...]:
    test = "turned up" if result.test == "short_term" else "left playing"
    after = "" if result.test == "short_term" else duration(result.elapsed_s)
    head = (test, f"{result.level_db:g} dB", after, _range(result.band, result))
    if result.mean_db is None or result.u95_db is None:
        curves = analysis.short_term if result.test == "short_term" else analysis.long_term
        tested = was_measured(curves, low_hz=result.low_hz, high_hz=result.high_hz)
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


def _range(name: str, of: BandResult | GroupTrack) -> str:
    return f"{name}, {frequency(of.low_hz)} to {frequency(of.high_hz)}"


def cause_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """What the changes fit, how surely, what speaks for and against, what would settle it."""
    if not analysis.findings:
        return None
    facts = collect(analysis)
    return Table(
        name="causes",
        caption=said("why/caption-cause-table"),
        columns=("cause", "how sure", "where", "levels", "for", "against", "what would settle it"),
        rows=tuple(_cause_row(one) for one in analysis.findings),
        anchors=tuple(row_anchors(facts, key=f"why.{one.cause}.") for one in analysis.findings),
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


def step_table(analysis: Analysis, *, said: Said = said) -> Table | None:
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
        caption=said("how-measured/caption-step-table"),
        columns=("level", "asked", "measured", "±"),
        rows=rows,
        anchors=tuple(
            row_anchors(facts, key=f"step.{level_key(step.level_db)}.")
            for step in analysis.drive_steps
        ),
        numeric=(True, True, True, True),
        folded=True,
    )


def quality_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """What a reader should know about the data, warnings first."""
    if not analysis.quality:
        return None
    order = list(_SEVERITY)
    notes = sorted(analysis.quality, key=lambda note: order.index(note.severity))
    return Table(
        name="quality",
        caption=said("how-measured/caption-quality-table"),
        columns=("kind", "what", "recording"),
        rows=tuple((_SEVERITY[note.severity], note.message, note.capture) for note in notes),
    )


def limit_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """Where bands and drive units are 1 dB and 3 dB behind; None where none is at any level."""
    if not (named := limited_rows(analysis)):
        return None
    facts = collect(analysis)
    tests: list[tuple[Test, str]] = [("short_term", "turned up"), ("long_term", "left playing")]
    shown = [pair for pair in tests if any(one.test == pair[0] for one in analysis.limits)]
    rows, anchors = [], []
    for band in named:
        own = {test: band_limits(analysis, band=band, test=test) for test, _ in shown}
        every = [limit for limits in own.values() for limit in limits]
        cells = [
            "–" if out_of_reach(analysis, one) else bracket_text(one, facts=facts) for one in every
        ]
        rows.append((sentence(where_text(every[0])), *cells))
        keys = dict.fromkeys(f"{limit_key(limit)}." for limit in every)
        anchors.append(" ".join(filter(None, (row_anchors(facts, key=key) for key in keys))))
    thresholds = dict.fromkeys(f"{one.threshold_db:g} dB" for one in analysis.limits)
    return Table(
        name="limits",
        caption=said(
            "turned-up/caption-limit-table",
            thresholds=listed(list(thresholds)),
            others=beyond(analysis, facts=facts, said=said),
            heard=_heard(analysis, said=said),
            skipped=_skipped(analysis.limits, said=said),
        ),
        columns=("where", *(f"{name}, {words}" for _, words in shown for name in thresholds)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, *(True for _ in shown for _ in thresholds)),
    )


def _heard(analysis: Analysis, *, said: Said) -> str:
    """Say from what the long-term levels are, where some were heard while they played."""
    ends = [end_of(one, track) for one in analysis.playing for track in one.groups]
    if not any(end is not None and end.since_cold for end in ends):
        return ""
    return said("turned-up/limits-heard")


def _skipped(limits: Sequence[Limit], *, said: Said) -> str:
    """Say which levels were left out, for want of a result that can be told."""
    groups: dict[tuple[Test, tuple[float, ...]], list[str]] = {}
    for limit in limits:
        names = groups.setdefault((limit.test, limit.untold_db), [])
        if limit.reached is not None and limit.untold_db and limit.band not in names:
            names.append(limit.band)
    parts = [
        said(
            "turned-up/skipped-turned-up"
            if test == "short_term"
            else "turned-up/skipped-left-playing",
            bands=listed(names),
            levels=levels_text(levels),
        )
        for (test, levels), names in groups.items()
        if names
    ]
    return said("turned-up/limits-skipped", parts="; ".join(parts)) if parts else ""


_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0


_BY = {TRADE_METHOD: "distance"}
"""What a reader knows a method by, where not by its own name."""


def seat_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """What arrives at every setting from every level tested, by either method."""
    if not analysis.in_room:
        return None
    facts = collect(analysis)
    ways = list(dict.fromkeys((seat.setup, seat.method) for seat in analysis.in_room))
    levels = sorted({seat.level_db for seat in analysis.in_room})
    rows, anchors, named = [], [], set()
    for setup, method in ways:
        here = [one for one in analysis.in_room if (one.setup, one.method) == (setup, method)]
        own = {one.level_db: one for one in here}
        where = f"{setup}, {own[levels[0]].listeners_distance_m:g}\u00a0m"
        cells = [_range_text(own[level].low_db, own[level].high_db) for level in levels]
        rows.append((where, _BY.get(method, method), *cells))
        keys = [f"seat.{level_key(level)}." for level in levels]
        keys = keys if setup == SEAT_SETUP and setup not in named else []
        named.add(setup)
        anchors.append(" ".join(filter(None, (row_anchors(facts, key=key) for key in keys))))
    return Table(
        name="seat",
        caption=said("at-your-seat/caption-seat-table"),
        columns=("where", "by", *(f"{level:g} dB asked" for level in levels)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, False, *(True for _ in levels)),
    )


def _range_text(low: float, high: float) -> str:
    return f"{number(low, 0)}–{number(high, 0)}"


def need_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """What is listened to, what it asks of one loudspeaker, and the answer at every setting."""
    own = [answer for answer in analysis.needs if answer.setup == SEAT_SETUP]
    if not own:
        return None
    facts = collect(analysis)
    setups = list(dict.fromkeys(answer.setup for answer in analysis.needs))
    answers = {(one.need, one.setup): one.answer.replace("'", "’") for one in analysis.needs}
    return Table(
        name="needs",
        caption=said("at-your-seat/caption-need-table"),
        columns=("what", "at the seat", *setups, "peaks", "asks at 1 m", "in peaks"),
        rows=tuple(
            (
                one.need,
                f"{one.wanted_db:g} dB{one.weighting}",
                *(answers[one.need, setup] for setup in setups),
                f"+{number(one.crest_db, 0)} dB",
                f"{_range_text(one.average_low_db, one.average_high_db)} dB",
                f"{_range_text(one.peak_low_db, one.peak_high_db)} dB",
            )
            for one in own
        ),
        anchors=tuple(row_anchors(facts, key=f"need.{slug(one.need)}.") for one in own),
        numeric=(False, True, *(False for _ in setups), True, True, True),
        folded=True,
    )


def seat_band_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """Band by band, what arrives of the loudest sweep at the reader's seat and what it lost."""
    bands = list(dict.fromkeys(one.band for one in analysis.seat_bands))
    methods = list(dict.fromkeys(one.method for one in analysis.seat_bands))
    if not bands:
        return None
    found = {(one.band, one.method): one for one in analysis.seat_bands}
    level = analysis.seat_bands[0].level_db
    return Table(
        name="seat-bands",
        caption=said("at-your-seat/caption-seat-band-table", level=level_text(level)),
        columns=("band", *(_BY.get(method, method) for method in methods), "change", "±"),
        rows=tuple(
            (
                band,
                *(_arriving(found[band, method]) for method in methods),
                *_change(found[band, methods[0]]),
            )
            for band in bands
        ),
        numeric=(False, *(True for _ in methods), True, True),
        folded=True,
    )


def _arriving(one: SeatBand) -> str:
    if one.low_db is None or one.high_db is None:
        return "can’t tell"
    return f"{_range_text(one.low_db, one.high_db)} dB"


def _change(one: SeatBand) -> tuple[str, str]:
    if one.change_db is None or one.u95_db is None:
        return "can’t tell", ""
    digits = digits_for(one.u95_db)
    return f"{number(one.change_db, digits)} dB", u95_text(one.u95_db)


def exposure_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """How long each setting at the loudest level, and each need, may last by three rules."""
    shown = shown_exposure(analysis)
    if not shown:
        return None
    facts = collect(analysis)
    heard = list(dict.fromkeys(one.heard for one in shown))
    basis = said("care/if-met") if shown[0].basis == "assumed" else ""
    return Table(
        name="exposure",
        caption=said("care/caption-exposure-table", basis=basis),
        columns=("what", "level", "NIOSH, a day", "WHO–ITU, a week", "OSHA, a day"),
        rows=tuple(_exposure_row([one for one in shown if one.heard == what]) for what in heard),
        anchors=tuple(row_anchors(facts, key=f"exposure.{slug(what)}.") for what in heard),
        numeric=(False, True, True, True, True),
    )


def _exposure_row(own: Sequence[Exposure]) -> tuple[str, ...]:
    by = {one.source: one for one in own}
    return (
        own[0].heard,
        f"{number(own[0].level_dba, 0)} dBA",
        *(_allowed(by[source]) for source in (NIOSH, WHO_ITU, OSHA)),
    )


def _allowed(one: Exposure) -> str:
    if one.allowed_s <= 0.0:
        return "not at all"
    if one.allowed_s >= (_DAY_S if one.period == "day" else _WEEK_S):
        return f"all {one.period}"
    return duration(stricter_time_s(one.allowed_s))


_AGREEMENT = {"agrees": "yes", "disagrees": "no", "can't tell": "can’t tell"}


def thermal_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """What each band and drive unit lost while it played, how fast, and what the sweep then saw."""
    shown = [
        (playing, track)
        for playing in sorted(analysis.playing, key=lambda one: one.level_db)
        for track in playing.groups
        if track.kind != "third"
    ]
    if not shown:
        return None
    facts = collect(analysis)
    return Table(
        name="thermal",
        caption=said("left-playing/caption-thermal-table"),
        columns=(
            "level", "where", "after", "change", "how fast", "at 10 min", "the sweep saw",
            "so much later", "agree",
        ),
        rows=tuple(_row(playing, track, facts=facts) for playing, track in shown),
        anchors=tuple(
            row_anchors(facts, key=f"{stress_key(playing, track)}.") for playing, track in shown
        ),
        numeric=(True, False, True, True, True, True, True, True, False),
        folded=True,
    )  # fmt: skip


def _row(playing: Playing, track: GroupTrack, *, facts: FactTable) -> tuple[str, ...]:
    name = track.name if track.kind != "band" else _range(track.name, track)
    head = (f"{level_key(playing.level_db)} dB", name)
    end = end_of(playing, track)
    if end is None:
        return (*head, "", "can’t tell", "", "", "", "", "")
    fit = track.fit
    recovery = last_recovery(playing, band=track.name) if track.kind == "band" else None
    return (
        *head,
        duration(end.elapsed_s),
        db_interval(end.change_db, u95_db=end.u95_db) + ("" if end.since_cold else "*"),
        "" if fit is None else _pace(playing, key=stress_key(playing, track), fit=fit, facts=facts),
        "" if fit is None or not end.since_cold else _ten_minutes(fit),
        "" if recovery is None else db_interval(recovery.seen_db, u95_db=recovery.seen_u95_db),
        "" if recovery is None else f"{recovery.after_s:.0f} s",
        "" if recovery is None else _AGREEMENT[recovery.agreement],
    )


def _pace(playing: Playing, *, key: str, fit: ThermalFit, facts: FactTable) -> str:
    parts = []
    for index, term in enumerate(fit.terms, start=1):
        if f"{key}.time-{index}" in facts:
            parts.append(written(facts[f"{key}.time-{index}"]))
        else:
            parts.append("too slow to tell" if too_slow(playing, term) else "can’t tell")
    return "; ".join(parts)


def _ten_minutes(fit: ThermalFit) -> str:
    if fit.projected_600_s_db is None:
        return "can’t tell" if fit.terms else ""
    return db_interval(-fit.projected_600_s_db, u95_db=fit.projected_u95_db or 0.0)


def coil_table(analysis: Analysis, *, said: Said = said) -> Table | None:
    """The coil at every level that tells it: cold, and when the stress ended."""
    rows, anchors = [], []
    facts = collect(analysis)
    for playing in sorted(analysis.playing, key=lambda one: one.level_db):
        coil = playing.coil
        end = coil_end(playing, coil) if coil is not None else None
        if coil is None or end is None:
            continue
        assumed = ", assumed" if coil.ambient_assumed else ""
        heard = ""
        if end.heard_db is not None and end.heard_u95_db is not None:
            heard = db_interval(end.heard_db, u95_db=end.heard_u95_db)
        rows.append(
            (
                f"{level_key(playing.level_db)} dB",
                coil.unit,
                f"{number(coil.cold_ohm, 2)} Ω",
                f"{number(coil.ambient_c, 0)} °C{assumed}",
                f"{number(end.ohm, 2)} Ω",
                f"{number(end.rise_k, 0)} ± {number(half_width(end.rise_u95_k, least=1.0), 0)} °C",
                f"{number(end.expected_db, 1)} dB",
                heard,
            )
        )
        anchors.append(row_anchors(facts, key=f"{coil_key(playing)}."))
    if not rows:
        return None
    return Table(
        name="coil",
        caption=said("left-playing/caption-coil-table"),
        columns=("level", "drive unit", "cold", "cold at", "hot", "hotter by", "expected", "heard"),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(True, False, True, True, True, True, True, True),
        folded=True,
    )
