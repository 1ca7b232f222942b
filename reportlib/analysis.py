"""The analysis of one session, in the steps that the notebook shows.

``measure_captures`` reads every recording and makes it a response; ``short_term_test`` and
``long_term_test`` compare them; ``conclude`` adds bands, grades, the seat and what a reader
should know about the data. Each step is one call and one frozen record.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from reportlib import captures, quality
from reportlib.compression import Rules, Setting, ShortTerm, long_term, short_term
from reportlib.day import SPACES_WITH_1_M_LEVELS, Entry, Session, SweepFacts
from reportlib.deconvolution import Deconvolved, deconvolve
from reportlib.errors import AnalysisError, CaptureError, SessionError
from reportlib.facts import SEAT_SETUP
from reportlib.grades import band_results
from reportlib.levels import db, grid_hz, tone_amplitude
from reportlib.listening import seat_levels
from reportlib.model import (
    Analysis,
    ChangeCurve,
    HarmonicCurves,
    QualityNote,
    Response,
)
from reportlib.parameters import ReportParameters
from reportlib.response import (
    Gate,
    align_s,
    find_arrival_s,
    measure_response,
    session_gate,
    smoothing_cells,
)
from reportlib.session import session_notes
from reportlib.stimulus import SweepLaw, find_sweep

_REVERBERANT = ("room", "near field")
_SEATS = (
    ("a kitchen worktop, one", 1.0, 1),
    ("a living room, a pair", 3.0, 2),
    ("the back of a hall, a pair", 8.0, 2),
)
_WORKERS = 2


@dataclass(frozen=True, eq=False, kw_only=True)
class _Read:
    """What came of one file: without a response where it was refused."""

    notes: tuple[QualityNote, ...]
    deconvolved: Deconvolved | None = None
    trace: quality.Trace | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """Every sweep of a session as a response behind one gate.

    Attributes
    ----------
    session : the day as it remains, without the captures that were refused
    responses : by capture path
    traces : by capture path, what the quality gate keeps of the recordings
    notes : what was found while reading, refusals among it
    """

    session: Session
    parameters: ReportParameters
    sample_rate_hz: int
    gate: Gate
    rules: Rules
    responses: Mapping[str, Response]
    traces: Mapping[str, quality.Trace]
    notes: tuple[QualityNote, ...]

    def setting(self, entry: Entry) -> Setting:
        """Return the responses of one short-term entry (or baseline again)."""
        return Setting(
            level_db=entry.level_db,
            drive_db=entry.drive_db,
            takes=tuple(self.responses[path] for path in entry.captures),
            input_gain_db=entry.input_gain_db,
        )


def sweep_captures(session: Session) -> tuple[str, ...]:
    """List the paths of all sweep recordings of a session, the baseline's first."""
    entries: list[Sequence[str]] = [entry.captures for entry in session.short_term]
    entries += [entry.captures for entry in session.baseline_again]
    for level in session.long_term:
        entries += [level.before, *(stage.after for stage in level.stages)]
    return tuple(path for paths in entries for path in paths)


def measure_captures(session: Session, *, parameters: ReportParameters) -> Measured:
    """Read every sweep of the session and measure its response.

    A take that cannot be used is refused and left out; the day goes on without it.

    Raises
    ------
    CaptureError
        A header cannot be read, or the stimulus cannot be used; the line names it.
    AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    facts = _sweep_facts(session)
    law = SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s)
    rate = captures.check_headers(session)
    if facts.stop_hz > 0.5 * rate:
        raise SessionError(
            f"session.toml: [sweep] stop_hz = {facts.stop_hz:g} lies above half the captures' "
            f"sample rate ({rate} Hz). Correct stop_hz."
        )
    grid = grid_hz(start_hz=facts.start_hz, stop_hz=facts.stop_hz)
    stimulus = None
    if session.channels.reference is None:
        if facts.stimulus is None:
            raise SessionError(
                "session.toml: no reference channel was recorded and [sweep] names no stimulus. "
                "Add stimulus, the file that was played."
            )
        stimulus = captures.read_stimulus(session, facts.stimulus, sample_rate_hz=rate)
        find_sweep(stimulus, law=law, sample_rate_hz=rate, source=facts.stimulus)
    fraction = parameters.smoothing_fraction

    def read(path: str) -> _Read:
        try:
            capture = captures.read_capture(session, path)
            notes = quality.once_read(capture, law=law)
            if any(note.severity == "refused" for note in notes):
                return _Read(notes=tuple(notes))
            one = deconvolve(
                capture, law=law, frequency_hz=grid, fraction=fraction, stimulus=stimulus
            )
        except CaptureError as error:
            return _Read(notes=(quality.refused(path, error),))
        starts_s = one.sweep_start_s if stimulus is not None else quality.drive_start_s(one)
        trace = quality.listen(capture, law=law, sweep_start_s=starts_s)
        notes += quality.once_deconvolved(
            one,
            trace=trace,
            law=law,
            stimulus=stimulus is not None,
            clipped=capture.clipped_samples > 0,
        )
        return _Read(notes=tuple(notes), deconvolved=one, trace=trace)

    # Transforms release the interpreter's lock, so two threads use two cores.
    with ThreadPoolExecutor(_WORKERS) as pool:
        found = list(pool.map(read, sweep_captures(session)))
        notes = [note for one in found for note in one.notes]
        remaining, missing = quality.without(session, notes)
        kept = set(sweep_captures(remaining))
        deconvolved = [
            one.deconvolved for one in found if one.deconvolved and one.deconvolved.source in kept
        ]
        traces = {one.trace.source: one.trace for one in found if one.trace}
        gate = session_gate(deconvolved, law=law, gate_ms=session.rig.gate_ms)
        baseline = deconvolved[0]
        arrival_s = find_arrival_s(baseline, law=law)
        smoothing = smoothing_cells(
            baseline,
            law=law,
            gate=gate,
            arrival_s=arrival_s,
            fraction=fraction,
            spread=session.rig.space in _REVERBERANT,
        )

        def measure(one: Deconvolved) -> Response:
            own = arrival_s
            if one is not baseline:
                own = align_s(one, to=baseline, arrival_s=arrival_s)
            return measure_response(
                one, law=law, gate=gate, arrival_s=own, fraction=fraction, smoothing=smoothing
            )

        responses = {one.source: one for one in pool.map(measure, deconvolved)}
    notes += quality.before_comparing(remaining, responses)
    remaining, missing = quality.without(session, notes)
    responses = {path: responses[path] for path in sweep_captures(remaining)}
    shortest = min(responses.values(), key=lambda one: one.tail_s)
    notes += [*missing, *quality.session_wide_notes(session, gate=gate, shortest=shortest)]
    return Measured(
        session=remaining,
        parameters=parameters,
        sample_rate_hz=rate,
        gate=gate,
        rules=Rules(
            reference_counts=session.reference_counts,
            drive_tolerance_db=session.rig.drive_tolerance_db,
            assumed_repeatability_db=parameters.assumed_repeatability_db,
            usable_u95_db=parameters.usable_u95_db,
            full_scale_db=_full_scale_db(session),
            sweep_range_hz=(facts.start_hz, facts.stop_hz),
            lowest_hz=gate.lowest_hz,
            fraction=fraction,
        ),
        responses=responses,
        traces=traces,
        notes=(*session_notes(session), *notes),
    )


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


def conclude(measured: Measured, *, short: ShortTerm, long: Sequence[ChangeCurve]) -> Analysis:
    """Add bands, grades, the seat, harmonics and what a reader should know about the data."""
    session, parameters = measured.session, measured.parameters
    curves = (*short.curves, *long)
    levels = [measured.setting(entry) for entry in session.short_term]
    facts = _sweep_facts(session)
    notes = [
        *measured.notes,
        *quality.after_comparing(
            session,
            short=short,
            settings=levels,
            again=[measured.setting(entry) for entry in session.baseline_again],
            responses=measured.responses,
            traces=measured.traces,
            law=SweepLaw(
                start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s
            ),
            gate_s=measured.gate.length_s,
            full_scale_db=measured.rules.full_scale_db,
            sample_rate_hz=measured.sample_rate_hz,
        ),
    ]
    reader = (SEAT_SETUP, parameters.seat_distance_m, parameters.seat_loudspeakers)
    return Analysis(
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
        harmonics=tuple(_harmonics(setting) for setting in levels),
        bands=band_results(curves, fraction=parameters.smoothing_fraction),
        in_room=seat_levels(
            _given_levels(short),
            settings=(reader, *(seat for seat in _SEATS if seat[1:] != reader[1:])),
        ),
    )


def analyse(session: Session, *, parameters: ReportParameters) -> Analysis:
    """Run every step in order."""
    measured = measure_captures(session, parameters=parameters)
    short = short_term_test(measured)
    return conclude(measured, short=short, long=long_term_test(measured, short=short))


def check_session(session: Session, *, parameters: ReportParameters) -> tuple[QualityNote, ...]:
    """Run the analysis for its quality notes alone, the worst first; nothing is written.

    Raises
    ------
    ReportError
        As `analyse`.
    """
    return analyse(session, parameters=parameters).quality


def _sweep_facts(session: Session) -> SweepFacts:
    if session.sweep is None:
        raise AnalysisError(
            "session.toml: there is no [sweep]; audio captures need start_hz, stop_hz and "
            "duration_s of the sweep that was played."
        )
    return session.sweep


def _full_scale_db(session: Session) -> float | None:
    """Return the level of a full-scale sine, referred to 1 m where the space allows."""
    calibration = session.calibration
    if calibration is None:
        return None
    level = calibration.full_scale_db
    if calibration.recording is not None:
        tone = captures.read_capture(session, calibration.recording)
        asked_hz = calibration.frequency_hz or 1000.0
        amplitude, share = tone_amplitude(
            tone.microphone, sample_rate_hz=tone.sample_rate_hz, frequency_hz=asked_hz
        )
        if share < 0.5:
            raise AnalysisError(
                f"{calibration.recording} holds no steady {asked_hz:g} Hz tone; record the "
                "calibrator again, or correct frequency_hz in [calibration]."
            )
        level = (calibration.level_db or 94.0) - 20.0 * math.log10(amplitude)
    if level is not None and session.rig.space in SPACES_WITH_1_M_LEVELS:
        level += 20.0 * math.log10(session.rig.distance_m)
    return level


def _harmonics(setting: Setting) -> HarmonicCurves:
    """Harmonics of the first take; takes differ in them by less than a picture shows."""
    take = setting.takes[0]
    return HarmonicCurves(
        level_db=setting.level_db,
        frequency_hz=take.frequency_hz,
        orders=tuple(range(2, 2 + take.harmonic_power.shape[0])),
        relative_db=db(take.harmonic_power),
    )


def _given_levels(short: ShortTerm) -> list[tuple[float, float]]:
    """Asked-for level and what came out over 200–5000 Hz, at 1 m, for every level."""
    start = short.baseline.mean_level_db
    found = [(short.baseline.level_asked_db, start)]
    for curve, step in zip(short.curves, short.steps, strict=True):
        inside = curve.usable & (curve.frequency_hz >= 200.0) & (curve.frequency_hz <= 5000.0)
        if inside.any():  # what came out of a level that can't be told is not claimed
            change = float(curve.change_db[inside].mean())
            found.append((curve.level_db, start + step.applied_db + change))
    return found
