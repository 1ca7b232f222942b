"""From a session to measured responses: every recording read, judged, deconvolved, gated.

A take that cannot be used is refused and left out; what a run before has kept of a capture is
used again; clocks that differ are brought together. What comes out is one frozen record.
"""

import os
from collections.abc import Container, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from reportlib import captures, clock, quality
from reportlib.compression import Rules, Setting
from reportlib.day import Entry, Session
from reportlib.deconvolution import Deconvolved
from reportlib.gate import Gate, align_s, find_arrival_s, session_gate
from reportlib.inputs import full_scale_db, microphone_on_grid, text_inputs
from reportlib.model import QualityNote, Response
from reportlib.parameters import ReportParameters
from reportlib.response import measure_response, smoothing_cells
from reportlib.session import session_notes
from reportlib.shelf import record
from reportlib.soak import StressTones
from reportlib.stress_captures import read_stress, stress_recordings
from reportlib.sweep_reading import Heard, Reader, reader_of

_REVERBERANT = ("room", "near field")
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
    before has kept of a capture is used again (`shelf`); `keep` says whether this one may write.

    Raises
    ------
    CaptureError
        A header cannot be read, or the stimulus cannot be used; the line names it.
    AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    if captures.is_text_session(session):
        return _measure_text(session, parameters=parameters)
    reader = reader_of(session, fraction=parameters.smoothing_fraction, keep=keep)
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


def _responses(
    heard: Sequence[Heard], *, reader: Reader, gate: Gate, pool: ThreadPoolExecutor
) -> dict[str, Response]:
    """Return every capture behind the gate, by path, from the shelf or measured.

    Parameters
    ----------
    heard : the captures, the baseline's first take first
    """
    first, law, shelf = heard[0], reader.law, reader.shelf
    spread = reader.session.rig.space in _REVERBERANT
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
    own = clock.own_drift(deconvolved[0])
    heard, common = deconvolved[0].source, own
    if common is None:
        heard, common = _stress_drift(
            reader.session, sample_rate_hz=reader.sample_rate_hz, faults=reader.faults
        )
    clocks = clock.compare_clocks(deconvolved, law=reader.law, gate_s=gate.length_s, common=common)
    notes = quality.clock_notes(clocks, heard=heard, twice=own is not None)
    return clocks.to_take_off_ppm(deconvolved), list(notes)


def _stress_drift(
    session: Session, *, sample_rate_hz: int, faults: Container[str]
) -> tuple[str, clock.Drift | None]:
    """Path of the day's first stress recording and the drift of its clock, where it tells one."""
    paths = [path for path, _ in stress_recordings(session) if path not in faults]
    if not paths or session.multitone is None:
        return "", None
    period = captures.read_stimulus(
        session, session.multitone.stimulus, sample_rate_hz=sample_rate_hz
    )
    blocks = captures.open_blocks(session, paths[0])
    return paths[0], clock.multitone_drift(blocks, period=period)
