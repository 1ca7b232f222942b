"""From an analysis to what a comparison needs of it: facts, outputs, ends of stress, names."""

import datetime
import math
from collections import Counter
from collections.abc import Sequence
from typing import Literal

import numpy as np

from reportlib.errors import AnalysisError
from reportlib.judge.grades import was_measured
from reportlib.judge.limits import SAME_DRIVE_DB
from reportlib.judge.records import Analysis, BandResult, NeedAnswer
from reportlib.judge.seat import driven_levels, is_calibrated, starts_at
from reportlib.judge.thresholds import TEXT_UNKNOWN_DB
from reportlib.many.records import (
    ArrivesBeside,
    Compared,
    Hindrance,
    Kind,
    NeedBeside,
    OutputTrack,
    Question,
    StressEnd,
)
from reportlib.measure.levels import BANDS, Band, named_by_hz
from reportlib.measure.records import ChangeCurve
from reportlib.measure.stress.records import band_ends
from reportlib.numbers import day_text, slug
from reportlib.session.day import LongTermEntry

_Point = tuple[float, float, float, float]


def sessions_of(analyses: Sequence[Analysis], *, names: Sequence[str]) -> tuple[Compared, ...]:
    """Return the facts of every session under its name."""
    return tuple(
        _compared(analysis, name=name, slug=slug)
        for analysis, name, slug in zip(analyses, names, slugs(names), strict=True)
    )


def _compared(analysis: Analysis, *, name: str, slug: str) -> Compared:
    session = analysis.session
    takes = [len(entry.captures) for entry in session.short_term]
    return Compared(
        name=name,
        slug=slug,
        speaker=session.speaker.name,
        date=session.date,
        drive=session.speaker.drive,
        baseline_db=starts_at(analysis.baseline, space=session.rig.space),
        top_db=max((curve.level_db for curve in analysis.short_term), default=None),
        long_term_db=tuple(sorted(entry.level_db for entry in session.long_term)),
        distance_m=session.rig.distance_m,
        space=session.rig.space,
        gate_s=analysis.gate_s,
        lowest_hz=analysis.lowest_hz,
        smoothing_octaves=_smoothing(analysis),
        calibrated=is_calibrated(analysis.baseline, space=session.rig.space),
        takes=(min(takes), max(takes)),
        sweep_s=(session.sweep.duration_s or None) if session.sweep else None,
        crest_factor_db=session.multitone.crest_factor_db if session.multitone else None,
        reference=session.rig.reference_at if session.channels.reference is not None else None,
        steps_measured=all(step.measured_db is not None for step in analysis.drive_steps),
        source=_source(analysis),
        level_hz=named_by_hz(*analysis.sweep_range_hz),
    )


def _source(analysis: Analysis) -> Literal["sweep", "text", "impulse response"]:
    if not any(one.lower_bound for one in analysis.short_term):
        return "sweep"
    return "impulse response" if analysis.session.of_impulse_responses else "text"


def _smoothing(analysis: Analysis) -> float:
    """Octaves over which responses are smoothed: column text may come smoothed more already."""
    own = 1.0 / analysis.smoothing_fraction
    text = analysis.session.text
    return max(own, text.smoothing_octaves or 0.0) if text is not None else own


def tracks_of(analysis: Analysis, *, name: str) -> tuple[OutputTrack, ...]:
    """Return what one session gave in every band, bass first."""
    return tuple(_track(analysis, name=name, band=band) for band in BANDS)


def _track(analysis: Analysis, *, name: str, band: Band) -> OutputTrack:
    start = starts_at(analysis.baseline, space=analysis.session.rig.space)
    driven = driven_levels(start, steps=analysis.drive_steps)
    points: list[_Point] = [(start, 0.0, 0.0, math.inf)]
    untold: list[float] = []
    stretch = None
    for curve in sorted(analysis.short_term, key=lambda one: one.level_db):
        result = _result(analysis.bands, band=band.name, curve=curve)
        if result is None or result.mean_db is None or result.grade == "can't tell":
            untold.append(curve.level_db)
            continue
        unknown = TEXT_UNKNOWN_DB if curve.lower_bound else 0.0
        u95 = math.hypot(result.u95_db or 0.0, unknown)
        points.append((driven[curve.level_db], result.mean_db, u95, _dof(curve, band=band)))
        stretch = _stretch(curve, band=band)
    rows = _merged(points)
    return OutputTrack(
        name=name,
        band=band.name,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        driven_db=rows[:, 0],
        change_db=rows[:, 1],
        u95_db=rows[:, 2],
        dof=rows[:, 3],
        stretch_hz=stretch,
        untold_db=tuple(untold),
        measured=was_measured(analysis.short_term, low_hz=band.low_hz, high_hz=band.high_hz),
    )


def _result(results: Sequence[BandResult], *, band: str, curve: ChangeCurve) -> BandResult | None:
    return next(
        (
            one
            for one in results
            if (one.band, one.test, one.level_db, one.elapsed_s)
            == (band, curve.test, curve.level_db, curve.elapsed_s)
        ),
        None,
    )


def _dof(curve: ChangeCurve, *, band: Band) -> float:
    """The degrees of freedom of a band's mean: those of its points in the middle."""
    used = band.holds(curve.frequency_hz) & curve.usable
    return max(float(np.median(curve.budget.dof[used])), 1.0) if used.any() else math.inf


def _stretch(curve: ChangeCurve, *, band: Band) -> tuple[float, float] | None:
    used = curve.frequency_hz[band.holds(curve.frequency_hz) & curve.usable]
    return (float(used[0]), float(used[-1])) if used.size else None


def _merged(points: Sequence[_Point]) -> np.ndarray:
    """Sort by level; where a step was not made, two levels are one, as in `limits`.

    A level that was driven to the baseline's, or below it, says nothing more than the baseline.
    """
    start = points[0]
    merged: list[list[_Point]] = []
    for point in sorted(point for point in points[1:] if point[0] > start[0] + SAME_DRIVE_DB):
        if merged and point[0] - merged[-1][0][0] < SAME_DRIVE_DB:
            merged[-1].append(point)
        else:
            merged.append([point])
    rows = [
        (
            group[-1][0],
            float(np.mean([change for _, change, _, _ in group])),
            max(u95 for _, _, u95, _ in group),
            min(dof for *_, dof in group),
        )
        for group in merged
    ]
    return np.array([start, *rows])


def ends_of(analysis: Analysis, *, name: str) -> tuple[StressEnd, ...]:
    """Return what every band had lost at every stage's end, quietest level first.

    Every stage by the sweep after it; the last one also as heard while it played, against cold,
    where the stress was recorded.
    """
    found = []
    for entry in sorted(analysis.session.long_term, key=lambda one: one.level_db):
        for band in BANDS:
            for curve in analysis.long_term:
                if curve.level_db != entry.level_db or curve.source == "multitone":
                    continue
                result = _result(analysis.bands, band=band.name, curve=curve)
                if result is not None and _is_told(result):
                    pause = _pause_s(entry, elapsed_s=curve.elapsed_s)
                    dof = _dof(curve, band=band)
                    stretch = _stretch(curve, band=band)
                    found.append(
                        _end(result, name=name, dof=dof, pause_s=pause, stretch_hz=stretch)
                    )
        found += _while_playing(analysis, name=name, level_db=entry.level_db)
    return tuple(found)


def _is_told(result: BandResult) -> bool:
    return None not in (result.mean_db, result.u95_db) and result.grade != "can't tell"


def _end(
    result: BandResult,
    *,
    name: str,
    dof: float,
    pause_s: float,
    stretch_hz: tuple[float, float] | None,
) -> StressEnd:
    return StressEnd(
        name=name,
        band=result.band,
        level_db=result.level_db,
        elapsed_s=result.elapsed_s,
        change_db=result.mean_db or 0.0,
        u95_db=result.u95_db or 0.0,
        dof=dof,
        while_playing=False,
        pause_s=pause_s,
        stretch_hz=stretch_hz,
    )


def _while_playing(analysis: Analysis, *, name: str, level_db: float) -> list[StressEnd]:
    """What was heard when the stress ended, against cold, where that is known."""
    ends = [
        end
        for one in analysis.playing
        if one.level_db == level_db
        for end in band_ends(one)
        if end.since_cold
    ]
    return [
        StressEnd(
            name=name,
            band=end.name,
            level_db=level_db,
            elapsed_s=end.elapsed_s,
            change_db=end.change_db,
            u95_db=end.u95_db,
            dof=math.inf,  # those of the fit stand behind its half-width already
            while_playing=True,
            stretch_hz=(end.low_hz, end.high_hz),
        )
        for end in ends
    ]


def _pause_s(entry: LongTermEntry, *, elapsed_s: float) -> float:
    """The pause before the sweeps that follow a stage, on average."""
    for index, stage in enumerate(entry.stages):
        if math.isclose(entry.elapsed_s(index), elapsed_s):
            return float(np.mean(stage.pause_s)) if stage.pause_s else 0.0
    return 0.0


def needs_of(analysis: Analysis, *, name: str) -> tuple[NeedBeside, ...]:
    """Return every need's answer at every seat, with what is asked and what could be given."""
    return tuple(_need(one, name=name) for one in analysis.needs)


def _need(one: NeedAnswer, *, name: str) -> NeedBeside:
    losses = [
        (high, low, band.band)
        for band in one.bands
        for low, high in (
            (band.peak_loss_low_db, band.peak_loss_high_db),
            (band.average_loss_low_db, band.average_loss_high_db),
        )
        if low is not None and high is not None
    ]
    high, low, band = max(losses, default=(None, None, None), key=lambda loss: loss[0] or 0.0)
    return NeedBeside(
        name=name,
        need=one.need,
        setup=one.setup,
        answer=one.peaks if one.played_to_db is None else one.answer,
        in_peaks=one.played_to_db is None and one.peaks in ("yes", "just"),
        average_low_db=one.average_low_db,
        average_high_db=one.average_high_db,
        peak_low_db=one.peak_low_db,
        peak_high_db=one.peak_high_db,
        played_to_db=one.played_to_db,
        tested_to_db=one.tested_to_db,
        weakest_band=band,
        loss_low_db=low,
        loss_high_db=high,
    )


def arrives_of(analysis: Analysis, *, name: str) -> tuple[ArrivesBeside, ...]:
    """Return what the loudest level brings to every seat, whichever method is taken."""
    top = max((seat.level_db for seat in analysis.in_room), default=None)
    loudest = [seat for seat in analysis.in_room if seat.level_db == top]
    return tuple(
        ArrivesBeside(
            name=name,
            setup=setup,
            distance_m=next(one.listeners_distance_m for one in loudest if one.setup == setup),
            level_db=top or 0.0,
            low_db=min(one.low_db for one in loudest if one.setup == setup),
            high_db=max(one.high_db for one in loudest if one.setup == setup),
        )
        for setup in dict.fromkeys(one.setup for one in loudest)
    )


MOST_SESSIONS = 8
"""More lines than that no figure tells apart."""


def shown_names(analyses: Sequence[Analysis], *, names: Sequence[str]) -> tuple[str, ...]:
    """Return a name for each session, the shortest that tells them apart.

    Sessions of one loudspeaker get their date, those of one date, or of none, the folder's name.

    Parameters
    ----------
    names : of the folders

    Raises
    ------
    AnalysisError
        Fewer than two sessions, more than eight, or two of one loudspeaker, date and folder name.
    """
    if not 2 <= len(analyses) <= MOST_SESSIONS:
        raise AnalysisError(
            f"a comparison takes 2 to {MOST_SESSIONS} sessions, not {len(analyses)}. "
            "Name as many session folders."
        )
    sessions = [one.session for one in analyses]
    alone = [" ".join(session.speaker.name.split()) for session in sessions]
    dated = [
        f"{name} of {day_text(datetime.date.fromisoformat(session.date))}" if session.date else ""
        for name, session in zip(alone, sessions, strict=True)
    ]
    placed = [f"{name} “{folder}”" for name, folder in zip(alone, names, strict=True)]
    counts = [Counter(one.casefold() for one in among) for among in (alone, dated, placed)]
    shown = [
        next(
            (
                name
                for name, count in zip(choices, counts, strict=True)
                if name and count[name.casefold()] == 1
            ),
            choices[-1],
        )
        for choices in zip(alone, dated, placed, strict=True)
    ]
    twice = [name for name, count in Counter(shown).items() if count > 1]
    if twice:
        raise AnalysisError(
            f"two sessions are both called “{twice[0]}”: same loudspeaker, date and folder name. "
            "Give one of them another date in session.toml, or rename its folder."
        )
    return tuple(shown)


def slugs(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names as they stand in facts' names: lower-case letters, digits and hyphens.

    >>> slugs(["Trivet 6", "Trivet-6", "潮汐"])
    ('trivet-6', 'trivet-6-2', 'session-3')
    """
    found: list[str] = []
    for index, name in enumerate(names):
        plain = slug(name, other=f"session-{index + 1}")
        one = plain
        while one in found:
            one = f"{plain}-{index + 1}"
            plain = one if one in found else plain
        found.append(one)
    return tuple(found)


EVERY: tuple[Question, ...] = ("equal output", "1 dB behind", "left playing")
SWEEPS: tuple[Question, ...] = ("equal output", "1 dB behind")
ALL_BANDS = tuple(band.name for band in BANDS)


def named(sessions: Sequence[Compared]) -> tuple[str, ...]:
    """Return the names of some sessions."""
    return tuple(one.name for one in sessions)


def note(
    kind: Kind,
    *,
    stops: bool,
    groups: Sequence[Sequence[str]],
    words: str,
    remedy: str,
    bands: Sequence[str] = ALL_BANDS,
    questions: tuple[Question, ...] = EVERY,
) -> Hindrance:
    """Return the record; without more said it is about every band and every question."""
    return Hindrance(
        kind=kind,
        stops=stops,
        groups=tuple(tuple(group) for group in groups),
        bands=tuple(bands),
        questions=questions,
        words=words,
        remedy=remedy,
    )
