"""Sweeps as somebody else gives them: column text, and impulse responses.

There is no drive to divide out, and little to check.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reportlib.check import day, setup
from reportlib.check.setup import text_notes
from reportlib.errors import CaptureError
from reportlib.judge.inputs import (
    headers,
    microphone_on_grid,
    read_stress,
    sweep_captures,
    sweep_law,
)
from reportlib.judge.shelf import Shelf
from reportlib.measure.compression import Rules
from reportlib.measure.deconvolution import divided_already
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
from reportlib.measure.text import text_range_hz, text_response
from reportlib.session import captures
from reportlib.session import columns as session_columns
from reportlib.session.captures import read_capture
from reportlib.session.day import Session, TextFacts
from reportlib.session.parameters import ReportParameters
from reportlib.session.records import QualityNote

REVERBERANT = ("room", "near field")
"""Spaces in which sound comes from everywhere, and all over the gate."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Given:
    """A session's column text or impulse responses on one grid; fields as in `Measured`.

    Attributes
    ----------
    gate : of column text as stated; inf long where nobody says
    """

    session: Session
    responses: Mapping[str, Response]
    gate: Gate
    rules: Rules
    notes: tuple[QualityNote, ...]
    sample_rate_hz: int = 0
    stress: Mapping[str, StressTones] = field(default_factory=dict)


def text_inputs(session: Session, *, parameters: ReportParameters) -> Given:
    """Bring column-text captures onto the grid: no gate to lay, no noise and no drive to see.

    Raises
    ------
    CaptureError
        A file cannot be used; the line names it.
    AnalysisError
        A file leaves nothing to tell.
    """
    captures.check_headers(session)
    columns = [session_columns.read_column_text(session, path) for path in sweep_captures(session)]
    facts, sweep = session.text or TextFacts(), session.sweep
    swept = None if sweep is None else (sweep.start_hz, sweep.stop_hz)
    range_hz = text_range_hz(columns, sweep_range_hz=swept)
    grid = grid_hz(start_hz=range_hz[0], stop_hz=range_hz[1])
    fraction = parameters.smoothing_fraction
    responses = {
        column.source: text_response(column, frequency_hz=grid, fraction=fraction, facts=facts)
        for column in columns
    }
    gate_ms = facts.gate_ms or session.rig.gate_ms
    gate = Gate(before_s=0.0, length_s=math.inf if gate_ms is None else gate_ms / 1e3)
    microphone, microphone_notes = microphone_on_grid(session, grid=grid)
    return Given(
        session=session,
        responses=responses,
        gate=gate,
        rules=_rules(
            session,
            parameters,
            sweep_range_hz=range_hz,
            lowest_hz=gate.lowest_hz,
            microphone_db=microphone,
            source="text",
            lower_bound=True,
        ),
        notes=(
            *text_notes(
                tuple(responses.values()), facts=facts, fraction=fraction, gate_s=gate.length_s
            ),
            *setup.session_wide_notes(session, gate=gate, shortest=None),
            *microphone_notes,
        ),
    )


def impulse_inputs(session: Session, *, parameters: ReportParameters, keep: bool) -> Given:
    """Gate and smooth impulse responses: what a sweep is once the drive is divided out.

    Parameters
    ----------
    keep : whether what is read of the stress may be kept for the next run

    Raises
    ------
    CaptureError, SessionError, AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    law, fraction, facts = sweep_law(session), parameters.smoothing_fraction, session.impulse
    rate, faults = headers(session)
    grid = grid_hz(start_hz=law.start_hz, stop_hz=law.stop_hz)
    noise_s = None if facts is None else (facts.noise_from_s, facts.noise_to_s)
    found = []
    for path in sweep_captures(session):
        try:
            if path not in faults:
                one = read_capture(session, path)
                found.append(divided_already(one, law=law, frequency_hz=grid, noise_s=noise_s))
        except CaptureError as error:
            faults[path] = error
    shelf = Shelf(session, write=keep)
    stress = read_stress(session, sample_rate_hz=rate, shelf=shelf)
    shelf.tidy()
    notes = [*(day.refused(path, error) for path, error in faults.items()), *stress.notes]
    remaining, _ = day.without(session, notes)
    left = set(sweep_captures(remaining))
    baseline, *others = (one for one in found if one.source in left)
    gate = session_gate([baseline, *others], law=law, gate_ms=session.rig.gate_ms)
    of_session: dict[str, Any] = {"law": law, "gate": gate, "fraction": fraction}
    arrival_s = find_arrival_s(baseline, law=law)
    of_session["smoothing"] = smoothing_cells(
        baseline, arrival_s=arrival_s, spread=session.rig.space in REVERBERANT, **of_session
    )
    responses = {
        one.source: measure_response(
            one, arrival_s=align_s(one, to=baseline, arrival_s=arrival_s), **of_session
        )
        for one in (baseline, *others)
    }
    notes += day.before_comparing(remaining, responses, told=notes)
    remaining, missing = day.without(session, notes)
    responses = {path: responses[path] for path in sweep_captures(remaining)}
    shortest = min(responses.values(), key=lambda one: one.tail_s)
    microphone, microphone_notes = microphone_on_grid(session, grid=grid)
    return Given(
        session=remaining,
        responses=responses,
        gate=gate,
        rules=_rules(
            session,
            parameters,
            sweep_range_hz=(law.start_hz, law.stop_hz),
            lowest_hz=gate.lowest_hz,
            microphone_db=microphone,
            lower_bound=noise_s is None,
        ),
        notes=(
            *notes,
            *missing,
            *setup.impulse_notes(noise_known=noise_s is not None),
            *setup.session_wide_notes(session, gate=gate, shortest=shortest),
            *microphone_notes,
        ),
        sample_rate_hz=rate,
        stress=stress.tones,
    )


def _rules(session: Session, parameters: ReportParameters, **of_kind: Any) -> Rules:
    return Rules(
        reference_counts=False,
        drive_tolerance_db=session.rig.drive_tolerance_db,
        assumed_repeatability_db=parameters.assumed_repeatability_db,
        usable_u95_db=parameters.usable_u95_db,
        full_scale_db=None,
        fraction=parameters.smoothing_fraction,
        **of_kind,
    )
