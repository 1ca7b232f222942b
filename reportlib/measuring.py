"""From a session to measured responses: every recording read, judged, deconvolved, gated.

A take that cannot be used is refused and left out; what a run before has kept of a capture is
used again; clocks that differ are brought together. What comes out is one frozen record.
"""

import os
from collections.abc import Container, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from reportlib import captures, clock, kept, quality
from reportlib.compression import Rules, Setting
from reportlib.day import Entry, Session, SweepFacts
from reportlib.deconvolution import Deconvolved, deconvolve
from reportlib.errors import AnalysisError, CaptureError, SessionError
from reportlib.gate import Gate, session_gate
from reportlib.gated import responses_behind
from reportlib.inputs import full_scale_db, microphone_on_grid, text_inputs
from reportlib.levels import grid_hz
from reportlib.model import FloatArray, QualityNote, Response
from reportlib.one_line import one_line
from reportlib.parameters import ReportParameters
from reportlib.session import session_notes
from reportlib.soak import StressTones
from reportlib.stimulus import SweepLaw, find_sweep
from reportlib.stress_captures import read_stress

_REVERBERANT = ("room", "near field")
_MOST_WORKERS = 4  # each holds about seven arrays as long as a recording


@dataclass(frozen=True, eq=False, kw_only=True)
class _Read:
    """What came of one file: without a response where it was refused."""

    notes: tuple[QualityNote, ...]
    deconvolved: Deconvolved | None = None
    trace: quality.Trace | None = None


class _RefusedError(Exception):
    """Carries a refusal past the shelf: what was refused is not kept."""

    def __init__(self, read: _Read) -> None:
        super().__init__()
        self.read = read


@dataclass(frozen=True, eq=False, kw_only=True)
class _Reader:
    """Reads and deconvolves one capture of a session at a time; safe to share by threads."""

    session: Session
    law: SweepLaw
    sample_rate_hz: int
    grid_hz: FloatArray
    fraction: int
    stimulus: FloatArray | None
    two: clock.TwoSweeps | None
    code: str | None
    keep: bool
    faults: Mapping[str, CaptureError]

    def read(self, path: str, *, ppm: float = 0.0) -> _Read:
        """Read a capture; `ppm`: how much too fast its clock ran, to be taken off."""
        try:
            capture = captures.read_capture(self.session, path)
            notes = quality.once_read(capture, law=self.law)
            if any(note.severity == "refused" for note in notes):
                return _Read(notes=tuple(notes))
            if ppm:
                capture = replace(capture, microphone=clock.resampled(capture.microphone, ppm=ppm))
            drift = None
            if self.two is not None:
                first, drift = clock.first_of_two(capture.microphone, two=self.two, source=path)
                capture = replace(capture, microphone=first)
        except CaptureError as error:
            return _Read(notes=(quality.refused(path, error),))
        try:
            one = deconvolve(
                capture,
                law=self.law,
                frequency_hz=self.grid_hz,
                fraction=self.fraction,
                stimulus=self.stimulus,
            )
        except CaptureError as error:
            whole = self.stimulus is None and quality.holds_drive(capture, law=self.law)
            return _Read(notes=(quality.refused(path, error, whole_drive=whole),))
        if drift is not None:
            one = replace(one, own_clock_ppm=np.array([drift.ppm, drift.u_ppm]))
        alone = self.stimulus is not None
        starts_s = one.sweep_start_s if alone else quality.drive_start_s(one)
        trace = quality.listen(capture, law=self.law, sweep_start_s=starts_s)
        notes += quality.once_deconvolved(
            one,
            trace=trace,
            law=self.law,
            stimulus=alone,
            clipped=capture.clipped_samples > 0,
        )
        return _Read(notes=tuple(notes), deconvolved=one, trace=trace)

    def key(self, path: str) -> str | None:
        """The key that what is made of a capture is kept under."""
        return kept.capture_key(
            self.session,
            path,
            sample_rate_hz=self.sample_rate_hz,
            frequency_hz=self.grid_hz,
            fraction=self.fraction,
            code=self.code,
        )

    def recall(self, path: str) -> _Read:
        """Take a capture from the shelf, or read it and put it there."""
        if path in self.faults:
            return _Read(notes=(quality.refused(path, self.faults[path]),))
        key, folder, made = self.key(path), kept.shelf_folder(self.session), dict[str, _Read]()

        def make(path: str) -> tuple[Deconvolved, list[QualityNote]]:
            made[path] = self.read(path)
            if made[path].deconvolved is None:
                raise _RefusedError(made[path])
            return made[path].deconvolved, list(made[path].notes)  # type: ignore[return-value]

        try:
            one, notes = kept.measured(self.session, path, key=key, make=make, write=self.keep)
        except _RefusedError as refusal:
            return refusal.read
        if path in made:
            fresh = made[path].trace
            if self.keep and key is not None and fresh is not None:
                kept.keep_text(folder, key, kind="trace", text=quality.trace_text(fresh))
            return made[path]
        text = None if key is None else kept.load_text(folder, key, kind="trace")
        trace = None if text is None else quality.trace_from_text(text)
        if trace is None:
            return self.read(path)
        return _Read(notes=tuple(notes), deconvolved=one, trace=trace)


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """Every sweep of a session as a response behind one gate.

    Attributes
    ----------
    session : the day as it remains, without the captures that were refused
    responses : by capture path
    traces : by capture path, what the quality gate keeps of the recordings
    stress : by capture path, the tones of the stress recordings that can be used
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
    stress: Mapping[str, StressTones] = field(default_factory=dict)

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

    A take that cannot be used is refused and left out; the day goes on without it. What a run
    before has kept of a capture is used again (`kept`); `keep` says whether this one may write.

    Raises
    ------
    CaptureError
        A header cannot be read, or the stimulus cannot be used; the line names it.
    AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    if captures.is_text_session(session):
        return _measure_text(session, parameters=parameters)
    reader = _reader(session, fraction=parameters.smoothing_fraction, keep=keep)
    law, rate, fraction = reader.law, reader.sample_rate_hz, reader.fraction
    paths = sweep_captures(session)
    # Transforms release the interpreter's lock, so that threads use the cores there are.
    with ThreadPoolExecutor(min(_MOST_WORKERS, os.cpu_count() or 1)) as pool:
        found = list(pool.map(reader.recall, paths))
        notes = [note for one in found for note in one.notes]
        notes += [
            quality.refused(path, error)
            for path, error in reader.faults.items()
            if path not in paths
        ]
        remaining, _ = quality.without(session, notes)
        left = set(sweep_captures(remaining))
        deconvolved = [
            one.deconvolved for one in found if one.deconvolved and one.deconvolved.source in left
        ]
        traces = {one.trace.source: one.trace for one in found if one.trace}
        gate = session_gate(deconvolved, law=law, gate_ms=session.rig.gate_ms)
        if reader.stimulus is not None:
            deconvolved, of_clocks = _clocks_together(
                deconvolved, reader=reader, gate=gate, pool=pool
            )
            notes += of_clocks
            gate = session_gate(deconvolved, law=law, gate_ms=session.rig.gate_ms)
        keys = {path: reader.key(path) for path in paths}
        responses = responses_behind(
            gate,
            deconvolved=deconvolved,
            law=law,
            fraction=fraction,
            spread=session.rig.space in _REVERBERANT,
            pool=pool,
            folder=kept.shelf_folder(session),
            # without a reference clocks may have been brought together: not as they were kept
            keys=keys if reader.stimulus is None else {},
            keep=keep,
        )
    stress = read_stress(session, sample_rate_hz=rate, keep=keep)
    notes += stress.notes
    if keep:
        kept.tidy(kept.shelf_folder(session), {*keys.values()} | stress.keys)
    notes += quality.before_comparing(remaining, responses)
    remaining, missing = quality.without(session, notes)
    responses = {path: responses[path] for path in sweep_captures(remaining)}
    shortest = min(responses.values(), key=lambda one: one.tail_s)
    microphone, microphone_notes = microphone_on_grid(session, grid=reader.grid_hz)
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
            full_scale_db=full_scale_db(session),
            sweep_range_hz=(law.start_hz, law.stop_hz),
            lowest_hz=gate.lowest_hz,
            fraction=fraction,
            microphone_db=microphone,
        ),
        responses=responses,
        traces=traces,
        notes=(*session_notes(session), *notes, *microphone_notes),
        stress=stress.tones,
    )


def _measure_text(session: Session, *, parameters: ReportParameters) -> Measured:
    found = text_inputs(session, paths=sweep_captures(session), parameters=parameters)
    return Measured(
        session=session,
        parameters=parameters,
        sample_rate_hz=0,
        gate=found.gate,
        rules=found.rules,
        responses=found.responses,
        traces={},
        notes=(*session_notes(session), *found.notes),
    )


def sweep_law(session: Session) -> SweepLaw:
    """Return the law of the session's sweep."""
    facts = _sweep_facts(session)
    return SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s)


def _reader(session: Session, *, fraction: int, keep: bool) -> _Reader:
    facts, law = _sweep_facts(session), sweep_law(session)
    headers = captures.read_headers(session)
    rate = headers.sample_rate_hz
    if facts.stop_hz > 0.5 * rate:
        raise SessionError(
            f"{_facts_file(session)}: [sweep] stop_hz = {facts.stop_hz:g} lies above half the "
            f"captures' sample rate ({rate} Hz). Correct stop_hz."
        )
    stimulus, two = None, None
    if session.channels.reference is None:
        if facts.stimulus is None:
            raise SessionError(
                f"{_facts_file(session)}: no reference channel was recorded and [sweep] names no "
                "stimulus. Add stimulus, the file that was played."
            )
        stimulus = captures.read_stimulus(session, facts.stimulus, sample_rate_hz=rate)
        source = one_line(f"{session.folder}/{facts.stimulus}")
        two = clock.two_sweeps(stimulus, law=law, sample_rate_hz=rate, source=source)
        if two is not None:
            stimulus = two.played
        else:
            find_sweep(stimulus, law=law, sample_rate_hz=rate, source=source)
    return _Reader(
        session=session,
        law=law,
        sample_rate_hz=rate,
        grid_hz=grid_hz(start_hz=facts.start_hz, stop_hz=facts.stop_hz),
        fraction=fraction,
        stimulus=stimulus,
        two=two,
        code=kept.code_digest(),
        keep=keep,
        faults=headers.faults,
    )


def _clocks_together(
    deconvolved: Sequence[Deconvolved],
    *,
    reader: _Reader,
    gate: Gate,
    pool: ThreadPoolExecutor,
) -> tuple[list[Deconvolved], list[QualityNote]]:
    """Bring captures without a reference to one clock, where theirs differ by too much."""
    own = clock.own_drift(deconvolved[0])
    heard, common = deconvolved[0].source, own
    if common is None:
        heard, common = _stress_drift(
            reader.session, sample_rate_hz=reader.sample_rate_hz, faults=reader.faults
        )
    clocks = clock.compare_clocks(deconvolved, law=reader.law, gate_s=gate.length_s, common=common)
    moved = clocks.to_take_off_ppm(deconvolved)
    again = dict(
        zip(
            moved,
            pool.map(lambda path: reader.read(path, ppm=moved[path]).deconvolved, moved),
            strict=True,
        )
    )
    notes = quality.clock_notes(clocks, heard=heard, twice=own is not None)
    return [again.get(one.source) or one for one in deconvolved], notes


def _stress_drift(
    session: Session, *, sample_rate_hz: int, faults: Container[str]
) -> tuple[str, clock.Drift | None]:
    """Path of the day's first stress recording and the drift of its clock, where it tells one."""
    paths = [
        stage.stress
        for level in session.long_term
        for stage in level.stages
        if stage.stress and stage.stress not in faults
    ]
    if not paths or session.multitone is None:
        return "", None
    period = captures.read_stimulus(
        session, session.multitone.stimulus, sample_rate_hz=sample_rate_hz
    )
    blocks = captures.open_blocks(session, paths[0])
    return paths[0], clock.multitone_drift(blocks, period=period)


def _sweep_facts(session: Session) -> SweepFacts:
    if session.sweep is None:
        raise AnalysisError(
            f"{_facts_file(session)}: there is no [sweep]; audio captures need start_hz, stop_hz "
            "and duration_s of the sweep that was played."
        )
    return session.sweep


def _facts_file(session: Session) -> str:
    return one_line(f"{session.folder}/session.toml")
