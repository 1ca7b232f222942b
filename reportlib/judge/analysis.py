"""The analysis of one session, in the steps that the notebook shows.

`measuring.measure_captures` reads every recording and makes it a response; ``short_term_test`` and
``long_term_test`` compare them, ``while_playing`` follows the stress itself; ``conclude`` adds
bands, grades, listeners (at the seats, and in the room of the test) and what a reader should know
about the data. Each step is one call and one frozen record.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportlib.check import chain, day, kinds, over_the_day, recordings, setup
from reportlib.check import levels as check_levels
from reportlib.judge.causes.table import find_causes
from reportlib.judge.exposure import Basis, day_dose, exposures, programme_dba
from reportlib.judge.grades import band_results
from reportlib.judge.heard import audible_changes
from reportlib.judge.inputs import sweep_law
from reportlib.judge.limits import drive_units, limits_of
from reportlib.judge.measuring import Measured, measure_captures, short_term_test
from reportlib.judge.need import NEEDS, abilities, answer_need
from reportlib.judge.records import (
    Analysis,
    BandResult,
    DayDose,
    Exposure,
    NeedAnswer,
    SeatBand,
    SeatLevel,
)
from reportlib.judge.seat import (
    GivenLevel,
    Seat,
    all_seats,
    arrivals,
    given_levels,
    is_calibrated,
    seat_bands,
    seat_levels,
    span,
    starts_at,
)
from reportlib.measure.compression import Setting, ShortTerm, long_term
from reportlib.measure.levels import BANDS, db, pink_weighted_db
from reportlib.measure.records import BaselineCurve, ChangeCurve, DriveStep, HarmonicCurves
from reportlib.measure.stress.coil import coil_track
from reportlib.measure.stress.records import CoilTrack, End, Playing, end_of
from reportlib.measure.stress.stages import Joined, joined, recoveries
from reportlib.measure.stress.tracks import (
    ToneChanges,
    group_track,
    third_track,
    tone_changes,
    tone_groups,
)
from reportlib.session.day import LongTermEntry, Session, Space
from reportlib.session.parameters import ReportParameters
from reportlib.session.records import BoolArray, QualityNote


def long_term_test(measured: Measured, *, short: ShortTerm) -> tuple[ChangeCurve, ...]:
    """Compare the sweeps after each stage of stress with those before it."""
    curves = []
    for entry in measured.session.long_term:
        if not entry.before:  # all were refused
            continue

        def setting(paths: Iterable[str], *, level_db: float, drive_db: float) -> Setting:
            return Setting(
                level_db=level_db,
                drive_db=drive_db,
                takes=tuple(measured.responses[path] for path in paths),
            )

        facts = {"level_db": entry.level_db, "drive_db": entry.sweep_drive_db}
        before = setting(entry.before, **facts)
        curves += [
            long_term(
                before,
                setting(stage.after, **facts),
                elapsed_s=entry.elapsed_s(index),
                short=short,
                rules=measured.rules,
            )
            for index, stage in enumerate(entry.stages)
            if stage.after
        ]
    return tuple(curves)


def conclude(
    measured: Measured,
    *,
    short: ShortTerm,
    long: Sequence[ChangeCurve],
    playing: Sequence[Playing] = (),
) -> Analysis:
    """Add bands, grades, the seat, harmonics and what a reader should know about the data.

    Bands and grades are those of sweeps; what was heard while the stress played stands beside them.
    """
    session, parameters = measured.session, measured.parameters
    curves = (*short.curves, *long)
    levels = [measured.setting(entry) for entry in session.short_term]
    notes = [*measured.notes, *_compared_notes(measured, short=short, levels=levels)]
    fraction = parameters.smoothing_fraction
    bands = band_results(curves, fraction=fraction)
    units = band_results(
        curves, bands=drive_units(session.speaker.crossovers_hz), fraction=fraction
    )
    heard = listeners(
        session,
        baseline=short.baseline,
        curves=short.curves,
        steps=short.steps,
        bands=bands,
        parameters=parameters,
        playing=playing,
    )
    analysis = Analysis(
        session=session,
        sample_rate_hz=measured.sample_rate_hz,
        gate_s=measured.gate.length_s,
        sweep_range_hz=measured.rules.sweep_range_hz,
        lowest_hz=measured.gate.lowest_hz,
        smoothing_fraction=parameters.smoothing_fraction,
        assumed_repeatability_db=parameters.assumed_repeatability_db,
        baseline=short.baseline,
        quality=kinds.ordered(notes),
        drive_steps=short.steps,
        short_term=short.curves,
        long_term=tuple(long),
        harmonics=tuple(_harmonics(one) for one in levels if one.takes[0].harmonic_power.size),
        playing=tuple(playing),
        bands=bands,
        in_room=heard.in_room,
        seat_bands=heard.seat_bands,
        needs=heard.needs,
        exposure=heard.exposure,
        day_dose=heard.day_dose,
        drift_db=over_the_day.moved_db(short),
        limits=limits_of(
            at_the_end((*bands, *units), playing),
            baseline_db=session.baseline.level_db,
            steps=short.steps,
            lower_bound=measured.rules.lower_bound,
        ),
        audible=audible_changes(
            curves, baseline=short.baseline, in_room=heard.in_room, fraction=fraction
        ),
    )
    return replace(analysis, findings=find_causes(analysis))


def _compared_notes(
    measured: Measured, *, short: ShortTerm, levels: Sequence[Setting]
) -> Sequence[QualityNote]:
    """What the levels say about each other; without recordings there is nothing to listen to."""
    session, rules = measured.session, measured.rules
    again = [measured.setting(entry) for entry in session.baseline_again]
    if not measured.traces:
        low = (
            ()
            if rules.lower_bound
            else recordings.signal_notes(
                short.baseline,
                lowest_hz=measured.gate.lowest_hz,
                sweep_range_hz=rules.sweep_range_hz,
                source=session.baseline.captures[0],
            )
        )
        return [
            *setup.level_notes(short.baseline),
            *low,
            *(note for setting in (*levels, *again) for note in check_levels.take_notes(setting)),
            *chain.touched_notes(session, short, settings=levels),
            *over_the_day.outcome_notes(short, again=bool(again)),
        ]
    return day.after_comparing(
        session,
        short=short,
        settings=levels,
        again=again,
        responses=measured.responses,
        traces=measured.traces,
        law=sweep_law(session),
        gate_s=measured.gate.length_s,
        full_scale_db=rules.full_scale_db,
    )


def analyse(session: Session, *, parameters: ReportParameters, keep: bool = True) -> Analysis:
    """Run every step in order; `keep` as in :func:`measuring.measure_captures`."""
    measured = measure_captures(session, parameters=parameters, keep=keep)
    short = short_term_test(measured)
    long = long_term_test(measured, short=short)
    playing = while_playing(measured, long=long)
    return conclude(measured, short=short, long=long, playing=playing)


def check_session(session: Session, *, parameters: ReportParameters) -> tuple[QualityNote, ...]:
    """Run the analysis for its quality notes alone, the worst first; nothing is written.

    Raises
    ------
    ReportError
        As `analyse`.
    """
    return analyse(session, parameters=parameters, keep=False).quality


def _harmonics(setting: Setting) -> HarmonicCurves:
    """Harmonics of the first take; takes differ in them by less than a picture shows."""
    take = setting.takes[0]
    return HarmonicCurves(
        level_db=setting.level_db,
        frequency_hz=take.frequency_hz,
        orders=tuple(range(2, 2 + take.harmonic_power.shape[0])),
        relative_db=db(take.harmonic_power),
        floor_db=db(take.harmonic_noise),
    )


def while_playing(measured: Measured, *, long: Sequence[ChangeCurve]) -> tuple[Playing, ...]:
    """Return the long-term levels whose stress was recorded, period by period.

    Parameters
    ----------
    measured : its stress recordings are read already, and what is wrong with them is in its notes
    long : the long-term sweeps, to compare with
    """
    found = []
    for entry in measured.session.long_term:
        level = joined(entry, heard=measured.stress)
        if level is not None:
            found.append(_playing(entry, level=level, measured=measured, long=long))
    return tuple(found)


def _playing(
    entry: LongTermEntry, *, level: Joined, measured: Measured, long: Sequence[ChangeCurve]
) -> Playing:
    used = level.usable
    noise = np.median(level.noise[used] if used.any() else level.noise, axis=0)
    groups = tone_groups(
        level.frequency_hz, noise=noise, crossovers_hz=measured.session.speaker.crossovers_hz
    )
    fitted = [group_track(group, level=level) for group in groups if group.kind != "third"]
    tones = tone_changes(fitted, level=level)
    led_by = fitted if tones.cold_known else []
    thirds = [third_track(one, tracks=led_by, level=level) for one in groups if one.kind == "third"]
    told = np.isfinite(tones.u95_db) & (tones.u95_db <= measured.parameters.usable_u95_db)
    distortion_db = db(level.beside.sum(axis=1) / level.power.sum(axis=1))
    coil = _coil(level, used=used, tones=tones, measured=measured)
    sweep = measured.session.sweep
    timed = sweep is not None and sweep.duration_s > 0.0
    return Playing(
        level_db=entry.level_db,
        period_s=level.period_s,
        stages=level.spans,
        elapsed_s=level.elapsed_s,
        clock_s=level.clock_s,
        stage=level.stage.astype(np.float64),
        settled=level.settled,
        frequency_hz=level.frequency_hz,
        change_db=tones.change_db,
        u95_db=tones.u95_db,
        usable=told & used[:, np.newaxis],
        cold_known=tones.cold_known,
        distortion_db=np.where(level.settled, distortion_db, np.nan),
        groups=(*fitted, *thirds),
        recovery=recoveries(
            [one for one in fitted if one.kind == "band" and one.fit is not None and timed],
            history=level.history(used & np.isfinite(level.clock_s)),
            curves=[one for one in long if one.level_db == entry.level_db],
            law=sweep_law(measured.session),
            stages=entry.stages,
        ),
        reason=level.reason,
        coil=None if isinstance(coil, str) else coil,
        no_coil=coil if isinstance(coil, str) else "",
    )


def _coil(
    level: Joined, *, used: BoolArray, tones: ToneChanges, measured: Measured
) -> CoilTrack | str:
    """Return the coil's temperature, or why there is none; empty where it was not looked for."""
    impedance = level.resistance_ohm + 1j * level.reactance_ohm
    if not np.any(impedance):
        channels = measured.session.channels
        recorded = channels.voltage is not None and channels.current is not None
        return "the voltage's or the current's channel is silent" if recorded else ""
    speaker, rig = measured.session.speaker, measured.session.rig
    return coil_track(
        impedance,
        np.ones_like(impedance),
        frequency_hz=level.frequency_hz,
        period_s=level.period_s,
        clock_s=level.clock_s,
        stage=level.stage.astype(np.float64),
        usable=used & np.any(impedance, axis=1),
        heard_db=tones.change_db,
        heard_u95_db=tones.u95_db,
        crossovers_hz=speaker.crossovers_hz,
        ambient_c=rig.temperature_c,
    )


@dataclass(frozen=True, kw_only=True)
class Listeners:
    """Fields as in `records.Analysis`; the reader's own seat comes first everywhere."""

    in_room: tuple[SeatLevel, ...]
    seat_bands: tuple[SeatBand, ...]
    needs: tuple[NeedAnswer, ...]
    exposure: tuple[Exposure, ...]
    day_dose: DayDose | None


def listeners(
    session: Session,
    *,
    baseline: BaselineCurve,
    curves: Sequence[ChangeCurve],
    steps: Sequence[DriveStep],
    bands: Sequence[BandResult],
    parameters: ReportParameters,
    playing: Sequence[Playing] = (),
) -> Listeners:
    """Carry the levels to every seat, answer every need there, and say what ears may take.

    Parameters
    ----------
    curves, steps : of the short-term test
    bands : of both tests
    playing : the long-term levels whose stress was recorded
    """
    space = session.rig.space
    levels = given_levels(baseline, curves=curves, steps=steps, space=space)
    seats = all_seats(parameters)
    start_db = starts_at(baseline, space=space)
    peaks, average = (
        abilities(
            bands, test=test, session=session, start_db=start_db, steps=steps, playing=playing
        )
        for test in ("short_term", "long_term")
    )
    basis: Basis = "calibrated" if is_calibrated(baseline, space=space) else "assumed"
    return Listeners(
        in_room=seat_levels(levels, seats=seats, space=space),
        seat_bands=seat_bands(
            seats[0], level=levels[-1], bands=bands, baseline=baseline, space=space
        ),
        needs=tuple(
            answer_need(need, seat=seat, space=space, peaks=peaks, average=average)
            for seat in seats
            for need in NEEDS
        ),
        exposure=(*_at_seats(seats, levels=levels, space=space, basis=basis), *_of_needs(basis)),
        day_dose=day_dose(session, start_db=start_db, basis=basis),
    )


def _at_seats(
    seats: Sequence[Seat], *, levels: Sequence[GivenLevel], space: Space, basis: Basis
) -> Iterator[Exposure]:
    """Every level at the reader's seat, the loudest at the others: the high end of the range."""
    for seat in seats:
        highest = span(arrivals(seat, space=space))[1]
        for level in levels if seat is seats[0] else levels[-1:]:
            yield from exposures(
                programme_dba(level.given_db + highest),
                basis=basis,
                heard=seat.setup,
                asked_db=level.asked_db,
            )


def _of_needs(basis: Basis) -> Iterator[Exposure]:
    """What is needed at a seat is there by assumption, however it is made."""
    for need in NEEDS:
        level_db = need.average_db - pink_weighted_db(need.weighting)
        yield from exposures(programme_dba(level_db), basis=basis, heard=need.name)


_BAND_NAMES = frozenset(band.name for band in BANDS)


def at_the_end(results: Sequence[BandResult], playing: Sequence[Playing]) -> list[BandResult]:
    """Return results whose long-term means are those heard when the stress ended, where told.

    The sweep afterwards comes late: what cools within seconds has partly recovered. Only what is
    known since cold takes its place; the rest stays as the sweeps saw it.
    """
    known = [
        (track.kind, end)
        for one in playing
        for track in one.groups
        if (end := end_of(one, track)) is not None and end.since_cold
    ]
    found = []
    for one in results:
        kind = "band" if one.band in _BAND_NAMES else "unit"
        mine = [end for of, end in known if of == kind and _same(end, one)]
        if one.test == "long_term" and mine:
            one = replace(one, mean_db=mine[0].change_db, u95_db=mine[0].u95_db)
        found.append(one)
    return found


def _same(end: End, result: BandResult) -> bool:
    """Whether both tell of one level and of one stretch: a drive unit's ends are left out."""
    middle = math.sqrt(result.low_hz * result.high_hz)
    return (
        end.level_db == result.level_db
        and end.low_hz <= middle <= end.high_hz
        and result.low_hz <= math.sqrt(end.low_hz * end.high_hz) <= result.high_hz
    )
