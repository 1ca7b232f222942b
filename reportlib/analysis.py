"""The analysis of one session, in the steps that the notebook shows.

``measure_captures`` reads every recording and makes it a response; ``short_term_test`` and
``long_term_test`` compare them; ``conclude`` adds bands, grades, the seat and what a reader
should know about the data. Each step is one call and one frozen record.
"""

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from reportlib import captures, kept, quality
from reportlib.clock import Drift, multitone_drift, relative_drift, resampled
from reportlib.compression import Rules, Setting, ShortTerm, long_term, short_term
from reportlib.day import SPACES_WITH_1_M_LEVELS, Entry, Session, SweepFacts
from reportlib.deconvolution import Deconvolved, deconvolve
from reportlib.errors import AnalysisError, SessionError
from reportlib.facts import SEAT_SETUP
from reportlib.gate import Gate, align_s, find_arrival_s, session_gate
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
from reportlib.response import measure_response, smoothing_cells
from reportlib.session import session_notes
from reportlib.stimulus import SweepLaw

_REVERBERANT = ("room", "near field")
_SEATS = (
    ("a kitchen worktop, one", 1.0, 1),
    ("a living room, a pair", 3.0, 2),
    ("the back of a hall, a pair", 8.0, 2),
)
_MOST_WORKERS = 4  # each holds about seven arrays as long as a recording


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """Every sweep of a session as a response behind one gate.

    Attributes
    ----------
    responses : by capture path
    notes : what was found while reading
    """

    session: Session
    parameters: ReportParameters
    sample_rate_hz: int
    gate: Gate
    rules: Rules
    responses: Mapping[str, Response]
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


def measure_captures(
    session: Session, *, parameters: ReportParameters, keep: bool = True
) -> Measured:
    """Read every sweep of the session and measure its response.

    What a run before has kept of a capture is used again (`kept`); `keep` says whether this
    one may write, too.

    Raises
    ------
    CaptureError
        A recording cannot be used; the line names it.
    AnalysisError
        A recording ends before its sweep does.
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
    fraction = parameters.smoothing_fraction

    def read(path: str, *, ppm: float = 0.0) -> tuple[Deconvolved, list[QualityNote]]:
        capture = captures.read_capture(session, path)
        notes = quality.capture_notes(capture)
        if ppm:
            capture = replace(capture, microphone=resampled(capture.microphone, ppm=ppm))
        return (
            deconvolve(capture, law=law, frequency_hz=grid, fraction=fraction, stimulus=stimulus),
            notes,
        )

    paths = sweep_captures(session)
    code = kept.code_digest()
    keys = {
        path: kept.capture_key(
            session, path, sample_rate_hz=rate, frequency_hz=grid, fraction=fraction, code=code
        )
        for path in paths
    }
    # Transforms release the interpreter's lock, so that threads use the cores there are.
    with ThreadPoolExecutor(min(_MOST_WORKERS, os.cpu_count() or 1)) as pool:
        found = list(
            pool.map(
                lambda path: kept.measured(session, path, key=keys[path], make=read, write=keep),
                paths,
            )
        )
        deconvolved = [one for one, _ in found]
        gate = session_gate(deconvolved, law=law, gate_ms=session.rig.gate_ms)
        clock_notes: list[QualityNote] = []
        if stimulus is not None:
            against = [relative_drift(one, to=deconvolved[0], law=law) for one in deconvolved[1:]]
            differing = {
                one.source: drift
                for one, drift in zip(deconvolved[1:], against, strict=True)
                if drift is not None and drift.to_correct
            }
            stress, common = _stress_drift(session, sample_rate_hz=rate)
            # A drift that all share cancels, but not wholly behind a short gate.
            off = common is not None and common.to_correct and gate.length_s < quality.SHORT_GATE_S
            shared_ppm = common.ppm if common is not None and off else 0.0
            moved = {one.source: shared_ppm for one in deconvolved if off}
            for path, drift in differing.items():
                moved[path] = drift.ppm + shared_ppm * (1.0 + 1e-6 * drift.ppm)
            again = dict(
                zip(
                    moved, pool.map(lambda path: read(path, ppm=moved[path])[0], moved), strict=True
                )
            )
            deconvolved = [again.get(one.source, one) for one in deconvolved]
            gate = session_gate(deconvolved, law=law, gate_ms=session.rig.gate_ms)
            clock_notes = quality.clock_notes(
                common, stress=stress, differing=differing, taken_off=off
            )
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
    if keep:
        kept.tidy(kept.shelf_folder(session), set(keys.values()))
    shortest = min(responses.values(), key=lambda one: one.tail_s)
    notes = [note for _, of_one in found for note in of_one]
    notes += clock_notes
    notes += quality.session_wide_notes(session, gate=gate, shortest=shortest)
    return Measured(
        session=session,
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
        ]
    return tuple(curves)


def conclude(measured: Measured, *, short: ShortTerm, long: Sequence[ChangeCurve]) -> Analysis:
    """Add bands, grades, the seat, harmonics and what a reader should know about the data."""
    session, parameters = measured.session, measured.parameters
    curves = (*short.curves, *long)
    levels = [measured.setting(entry) for entry in session.short_term]
    notes = [
        *measured.notes,
        *quality.level_notes(short.baseline),
        *quality.step_notes(
            short.steps, sources=[setting.takes[0].source for setting in levels[1:]]
        ),
        *(
            note
            for setting in levels
            for note in quality.take_notes(setting, low_hz=200.0, high_hz=5000.0)
        ),
        *quality.noise_notes(tuple(measured.responses.values())),
        *quality.outcome_notes(short, again=bool(session.baseline_again)),
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
        quality=tuple(notes),
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


def analyse(session: Session, *, parameters: ReportParameters, keep: bool = True) -> Analysis:
    """Run every step in order; `keep` as in :func:`measure_captures`."""
    measured = measure_captures(session, parameters=parameters, keep=keep)
    short = short_term_test(measured)
    return conclude(measured, short=short, long=long_term_test(measured, short=short))


def _sweep_facts(session: Session) -> SweepFacts:
    if session.sweep is None:
        raise AnalysisError(
            "session.toml: there is no [sweep]; audio captures need start_hz, stop_hz and "
            "duration_s of the sweep that was played."
        )
    return session.sweep


def _stress_drift(session: Session, *, sample_rate_hz: int) -> tuple[str, Drift | None]:
    """Path of the day's first stress recording and the drift of its clock, where it tells one."""
    paths = [stage.stress for level in session.long_term for stage in level.stages if stage.stress]
    if not paths or session.multitone is None:
        return "", None
    period = captures.read_stimulus(
        session, session.multitone.stimulus, sample_rate_hz=sample_rate_hz
    )
    blocks = captures.open_blocks(session, paths[0])
    return paths[0], multitone_drift(blocks, period=period)


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
