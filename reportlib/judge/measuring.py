"""From a session to measured responses: every recording read, judged, deconvolved, gated.

A take that cannot be used is refused and left out; what a run before has kept of a capture is
used again; clocks that differ are brought together. What comes out is one frozen record.
"""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from reportlib.check import chain, day, recordings, setup
from reportlib.check import trace as check_trace
from reportlib.errors import CaptureError, SessionError, one_line
from reportlib.judge.given import REVERBERANT, Given, impulse_inputs, text_inputs
from reportlib.judge.inputs import (
    facts_file,
    full_scale_db,
    headers,
    microphone_on_grid,
    read_stress,
    stress_drift,
    stress_recordings,
    sweep_captures,
    sweep_facts,
    sweep_law,
)
from reportlib.judge.shelf import Shelf, record
from reportlib.measure import clock_between, clock_within
from reportlib.measure.compression import Rules, Setting, ShortTerm, short_term
from reportlib.measure.deconvolution import Deconvolved, deconvolve
from reportlib.measure.levels import grid_hz
from reportlib.measure.records import Response
from reportlib.measure.response import (
    Gate,
    align_s,
    find_arrival_s,
    measure_response,
    session_gate,
    smoothing_cells,
)
from reportlib.measure.stress.periods import StressTones
from reportlib.measure.sweep import SweepLaw, find_sweep
from reportlib.session import captures
from reportlib.session.day import Entry, Session
from reportlib.session.parameters import ReportParameters
from reportlib.session.reading import session_notes
from reportlib.session.records import FloatArray, QualityNote

_MOST_WORKERS = 4  # each holds about seven arrays as long as a recording


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
    traces: Mapping[str, check_trace.Trace]
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


def measure_captures(
    session: Session, *, parameters: ReportParameters, keep: bool = True
) -> Measured:
    """Read every sweep of the session and measure its response.

    A take that cannot be used is refused and left out; the day goes on without it. What a run
    before has kept of a capture is used again (`shelf`); `keep` says whether this one may write.

    Raises
    ------
    CaptureError
        A header cannot be read, or the stimulus cannot be used; the line names it.
    AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    if captures.is_text_session(session):
        given = text_inputs(session, parameters=parameters)
        return _measured(given, session=session, parameters=parameters)
    if session.of_impulse_responses:
        given = impulse_inputs(session, parameters=parameters, keep=keep)
        return _measured(given, session=session, parameters=parameters)
    reader = reader_of(session, fraction=parameters.smoothing_fraction, keep=keep)
    law, rate, fraction = reader.law, reader.sample_rate_hz, reader.fraction
    paths = sweep_captures(session)
    # Transforms release the interpreter's lock, so that threads use the cores there are.
    with ThreadPoolExecutor(min(_MOST_WORKERS, os.cpu_count() or 1)) as pool:
        found = list(pool.map(reader.recall, paths))
        notes = [note for one in found for note in one.notes]
        notes += [
            day.refused(path, error) for path, error in reader.faults.items() if path not in paths
        ]
        remaining, _ = day.without(session, notes)
        left = set(sweep_captures(remaining))
        heard = [one for one in found if one.trace and one.source in left]
        traces = {one.trace.source: one.trace for one in found if one.trace}
        gate = session_gate(heard, law=law, gate_ms=session.rig.gate_ms)
        if reader.stimulus is not None:
            heard, of_clocks = _clocks_together(heard, reader=reader, gate=gate, pool=pool)
            notes += of_clocks
            gate = session_gate(heard, law=law, gate_ms=session.rig.gate_ms)
        responses = _responses(heard, reader=reader, gate=gate, pool=pool)
    stress = read_stress(session, sample_rate_hz=rate, shelf=reader.shelf)
    notes += stress.notes
    reader.shelf.tidy()
    responses = chain.cut_flat(responses, traces=traces, fraction=fraction)
    notes += day.before_comparing(remaining, responses, told=notes)
    notes = day.without_repeats(notes)
    remaining, missing = day.without(session, notes)
    responses = {path: responses[path] for path in sweep_captures(remaining)}
    shortest = min(responses.values(), key=lambda one: one.tail_s)
    microphone, microphone_notes = microphone_on_grid(session, grid=reader.grid_hz)
    notes += [*missing, *setup.session_wide_notes(session, gate=gate, shortest=shortest)]
    measured = Measured(
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
    responses, overloaded = chain.overloaded(
        remaining,
        responses,
        traces=traces,
        short=short_term_test(measured),
        settings=[measured.setting(entry) for entry in remaining.short_term],
        rules=measured.rules,
        sample_rate_hz=rate,
    )
    return replace(measured, responses=responses, notes=(*measured.notes, *overloaded))


def short_term_test(measured: Measured) -> ShortTerm:
    """Compare every short-term level with the baseline."""
    session = measured.session
    return short_term(
        measured.setting(session.baseline),
        [measured.setting(entry) for entry in session.short_term[1:]],
        again=[measured.setting(entry) for entry in session.baseline_again],
        rules=measured.rules,
    )


def _measured(found: Given, *, session: Session, parameters: ReportParameters) -> Measured:
    return Measured(
        session=found.session,
        parameters=parameters,
        sample_rate_hz=found.sample_rate_hz,
        gate=found.gate,
        rules=found.rules,
        responses=found.responses,
        traces={},
        notes=(*session_notes(session), *found.notes),
        stress=found.stress,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Heard:
    """What came of one file: without a trace where it was refused.

    Attributes
    ----------
    tail_s : see `records.Response`
    ppm : how much too fast its clock ran, which is taken off
    deconvolved : None where it was refused, and where the rest comes from the shelf
    key : that it is kept under, None where nothing made of it may be kept
    """

    source: str
    notes: tuple[QualityNote, ...]
    tail_s: float = 0.0
    ppm: float = 0.0
    trace: check_trace.Trace | None = None
    deconvolved: Deconvolved | None = None
    key: str | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Reader:
    """Reads and deconvolves one capture of a session at a time; safe to share by threads."""

    session: Session
    law: SweepLaw
    sample_rate_hz: int
    grid_hz: FloatArray
    fraction: int
    stimulus: FloatArray | None
    two: clock_within.TwoSweeps | None
    shelf: Shelf
    faults: Mapping[str, CaptureError]

    def read(self, path: str, *, ppm: float = 0.0) -> Heard:
        """Read a capture; nothing is kept of it."""
        try:
            capture = captures.read_capture(self.session, path)
            notes = recordings.once_read(capture, law=self.law)
            if any(note.severity == "refused" for note in notes):
                return Heard(source=path, notes=tuple(notes))
            if ppm:
                capture = replace(
                    capture, microphone=clock_between.resampled(capture.microphone, ppm=ppm)
                )
            drift = None
            if self.two is not None:
                first, drift = clock_within.first_of_two(
                    capture.microphone, two=self.two, source=path
                )
                capture = replace(capture, microphone=first)
        except CaptureError as error:
            return Heard(source=path, notes=(day.refused(path, error),))
        try:
            one = deconvolve(
                capture,
                law=self.law,
                frequency_hz=self.grid_hz,
                fraction=self.fraction,
                stimulus=self.stimulus,
            )
        except CaptureError as error:
            whole = self.stimulus is None and recordings.holds_drive(capture, law=self.law)
            return Heard(source=path, notes=(day.refused(path, error, whole_drive=whole),))
        if drift is not None:
            one = replace(one, own_clock_ppm=np.array([drift.ppm, drift.u_ppm]))
        alone = self.stimulus is not None
        starts_s = one.sweep_start_s if alone else recordings.drive_start_s(one)
        trace = check_trace.listen(capture, law=self.law, sweep_start_s=starts_s)
        notes += recordings.once_deconvolved(
            one,
            trace=trace,
            law=self.law,
            stimulus=alone,
            clipped=capture.clipped_samples > 0,
        )
        return Heard(
            source=path,
            notes=tuple(notes),
            tail_s=one.tail_s,
            ppm=ppm,
            trace=trace,
            deconvolved=one,
            key=self._key(path, ppm=ppm) if self.shelf.unchanged(path) else None,
        )

    def recall(self, path: str, *, ppm: float = 0.0) -> Heard:
        """Take what is told of a capture from the shelf, or read it and put that there."""
        if path in self.faults:
            return Heard(source=path, notes=(day.refused(path, self.faults[path]),))
        key = self._key(path, ppm=ppm)

        def as_kept(*, notes: Any, tail_s: float, **trace: Any) -> Heard:
            return Heard(
                source=path,
                notes=tuple(record(QualityNote, note) for note in notes),
                tail_s=float(tail_s),
                ppm=ppm,
                trace=record(check_trace.Trace, trace),
                key=key,
            )

        kept = self.shelf.load(key, make=as_kept)
        if kept is not None:
            return kept
        made = self.read(path, ppm=ppm)
        if made.trace is not None:
            about = {"notes": made.notes, "tail_s": made.tail_s}
            self.shelf.keep(made.key, {**vars(made.trace), **about})
        return made

    def deconvolved(self, one: Heard) -> Deconvolved:
        """Return the impulse response of what was read, or was told by the shelf."""
        if one.deconvolved is not None:
            return one.deconvolved
        again = self.read(one.source, ppm=one.ppm)
        if again.deconvolved is None or again.key != one.key:
            raise CaptureError(f"{one.source} changed while the session was read; run it again.")
        return again.deconvolved

    def _key(self, path: str, *, ppm: float) -> str | None:
        played = self.session.sweep.stimulus if self.session.sweep else None
        return self.shelf.key(
            path,
            *([] if played is None else [played]),
            enters={
                "sweep": asdict(self.law),
                "channels": asdict(self.session.channels),
                "nothing_played": path in self.session.noise_captures,
                "sample_rate_hz": self.sample_rate_hz,
                "fraction": self.fraction,
                "ppm": ppm,
            },
        )


def _responses(
    heard: Sequence[Heard], *, reader: Reader, gate: Gate, pool: ThreadPoolExecutor
) -> dict[str, Response]:
    """Return every capture behind the gate, by path, from the shelf or measured.

    Parameters
    ----------
    heard : the captures, the baseline's first take first
    """
    first, law, shelf = heard[0], reader.law, reader.shelf
    spread = reader.session.rig.space in REVERBERANT
    enters = {"gate": [gate.before_s, gate.length_s], "spread": spread}
    keys = {one.source: shelf.key(after=(first.key, one.key), enters=enters) for one in heard}
    recall = partial(shelf.load, make=lambda **values: record(Response, values))
    found = dict(zip(keys, pool.map(recall, keys.values()), strict=True))
    missing = [one for one in heard if found[one.source] is None]
    if missing:
        baseline = reader.deconvolved(first)
        arrival_s = find_arrival_s(baseline, law=law)
        of_session: dict[str, Any] = {"law": law, "gate": gate, "fraction": reader.fraction}
        smoothing = smoothing_cells(baseline, arrival_s=arrival_s, spread=spread, **of_session)

        def measure(one: Heard) -> Response:
            capture, there_s = baseline, arrival_s
            if one is not first:
                capture = reader.deconvolved(one)
                there_s = align_s(capture, to=baseline, arrival_s=arrival_s)
            made = measure_response(capture, arrival_s=there_s, smoothing=smoothing, **of_session)
            shelf.keep(keys[one.source], made)
            return made

        measured = pool.map(measure, missing)
        found.update(zip((one.source for one in missing), measured, strict=True))
    return {path: one for path, one in found.items() if one is not None}


def _clocks_together(
    heard: Sequence[Heard], *, reader: Reader, gate: Gate, pool: ThreadPoolExecutor
) -> tuple[list[Heard], list[QualityNote]]:
    """Bring captures without a reference to one clock, where theirs differ by too much."""
    key = reader.shelf.key(
        *(stress for stress, _ in stress_recordings(reader.session)),
        after=[one.key for one in heard],
        enters={"gate_s": gate.length_s},
    )

    def as_kept(*, moved: dict[str, float], notes: Any) -> tuple[dict[str, float], Any]:
        return (
            {str(path): float(ppm) for path, ppm in moved.items()},
            [record(QualityNote, note) for note in notes],
        )

    found = reader.shelf.load(key, make=as_kept)
    if found is None:
        found = _compared_clocks(
            list(pool.map(reader.deconvolved, heard)), reader=reader, gate=gate
        )
        reader.shelf.keep(key, {"moved": found[0], "notes": found[1]})
    moved, notes = found
    again = {
        one.source: one
        for one in pool.map(lambda path: reader.recall(path, ppm=moved[path]), moved)
        if one.trace is not None
    }
    return [again.get(one.source, one) for one in heard], notes


def _compared_clocks(
    deconvolved: Sequence[Deconvolved], *, reader: Reader, gate: Gate
) -> tuple[dict[str, float], list[QualityNote]]:
    """Return what to take off each capture's clock, in ppm by path, and what is said of it."""
    own = clock_between.own_drift(deconvolved[0])
    heard, common = deconvolved[0].source, own
    if common is None:
        heard, common = stress_drift(
            reader.session, sample_rate_hz=reader.sample_rate_hz, faults=reader.faults
        )
    clocks = clock_between.compare_clocks(
        deconvolved, law=reader.law, gate_s=gate.length_s, common=common
    )
    notes = recordings.clock_notes(clocks, heard=heard, twice=own is not None)
    return clocks.to_take_off_ppm(deconvolved), list(notes)


def reader_of(session: Session, *, fraction: int, keep: bool) -> Reader:
    """Return the reader of a session's sweeps, whose headers and stimulus it reads.

    Parameters
    ----------
    fraction : smoothing, as the n of 1/n octave
    keep : whether what is read may be kept for the next run

    Raises
    ------
    CaptureError, SessionError, AnalysisError
        A header or the stimulus cannot be read, or does not fit ``session.toml``.
    """
    facts, law = sweep_facts(session), sweep_law(session)
    rate, faults = headers(session)
    stimulus, two = None, None
    if session.channels.reference is None:
        if facts.stimulus is None:
            raise SessionError(
                f"{facts_file(session)}: no reference channel was recorded and [sweep] names no "
                "stimulus. Add stimulus, the file that was played."
            )
        stimulus = captures.read_stimulus(session, facts.stimulus, sample_rate_hz=rate)
        source = one_line(f"{session.folder}/{facts.stimulus}")
        two = clock_within.two_sweeps(stimulus, law=law, sample_rate_hz=rate, source=source)
        if two is not None:
            stimulus = two.played
        else:
            find_sweep(stimulus, law=law, sample_rate_hz=rate, source=source)
    return Reader(
        session=session,
        law=law,
        sample_rate_hz=rate,
        grid_hz=grid_hz(start_hz=facts.start_hz, stop_hz=facts.stop_hz),
        fraction=fraction,
        stimulus=stimulus,
        two=two,
        shelf=Shelf(session, write=keep),
        faults=faults,
    )
