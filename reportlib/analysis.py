"""The analysis of one session, in the steps that the notebook shows.

``measure_captures`` (`measuring`) reads every recording and makes it a response;
``short_term_test`` and ``long_term_test`` compare them, ``while_playing`` (`playing`) follows the
stress itself; ``conclude`` adds bands, grades, the seat and what a reader should know about the
data. Each step is one call and one frozen record.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from reportlib import quality
from reportlib.audibility import audible_changes
from reportlib.causes import find_causes
from reportlib.compression import Setting, ShortTerm, long_term, short_term
from reportlib.day import Session
from reportlib.grades import band_results
from reportlib.levels import db
from reportlib.limits import drive_units, limits_of
from reportlib.listeners import listeners
from reportlib.measuring import Measured, measure_captures
from reportlib.model import Analysis, ChangeCurve, HarmonicCurves, QualityNote
from reportlib.parameters import ReportParameters
from reportlib.playing import while_playing
from reportlib.readings.stress import at_the_end
from reportlib.soaked import Playing
from reportlib.sweep_reading import sweep_law

__all__ = [
    "analyse",
    "check_session",
    "conclude",
    "long_term_test",
    "measure_captures",
    "short_term_test",
]


def short_term_test(measured: Measured) -> ShortTerm:
    """Compare every short-term level with the baseline."""
    session = measured.session
    return short_term(
        measured.setting(session.baseline),
        [measured.setting(entry) for entry in session.short_term[1:]],
        again=[measured.setting(entry) for entry in session.baseline_again],
        rules=measured.rules,
    )


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
        quality=quality.ordered(notes),
        drive_steps=short.steps,
        short_term=short.curves,
        long_term=tuple(long),
        harmonics=tuple(_harmonics(one) for one in levels if measured.rules.source == "sweep"),
        playing=tuple(playing),
        bands=bands,
        in_room=heard.in_room,
        seat_bands=heard.seat_bands,
        needs=heard.needs,
        exposure=heard.exposure,
        day_dose=heard.day_dose,
        limits=limits_of(
            at_the_end((*bands, *units), playing),
            baseline_db=session.baseline.level_db,
            steps=short.steps,
            lower_bound=measured.rules.source == "text",
        ),
        audible=audible_changes(
            curves, baseline=short.baseline, in_room=heard.in_room, fraction=fraction
        ),
    )
    return replace(analysis, findings=find_causes(analysis))


def _compared_notes(
    measured: Measured, *, short: ShortTerm, levels: Sequence[Setting]
) -> Sequence[QualityNote]:
    """What the levels say about each other; column text has nothing to listen to."""
    session = measured.session
    again = [measured.setting(entry) for entry in session.baseline_again]
    if measured.rules.source == "text":
        return [
            *quality.level_notes(short.baseline),
            *(
                note
                for setting in (*levels, *again)
                for note in quality.take_notes(setting, low_hz=200.0, high_hz=5000.0)
            ),
            *quality.outcome_notes(short, again=bool(again)),
        ]
    return quality.after_comparing(
        session,
        short=short,
        settings=levels,
        again=again,
        responses=measured.responses,
        traces=measured.traces,
        law=sweep_law(session),
        gate_s=measured.gate.length_s,
        full_scale_db=measured.rules.full_scale_db,
        sample_rate_hz=measured.sample_rate_hz,
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
    )
