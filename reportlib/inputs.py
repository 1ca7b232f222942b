"""What enters the analysis beside sweeps: column text, calibration, the microphone's correction."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from reportlib import captures, quality
from reportlib.compression import Rules
from reportlib.day import SPACES_WITH_1_M_LEVELS, Session, TextFacts
from reportlib.gate import Gate
from reportlib.levels import grid_hz
from reportlib.model import FloatArray, QualityNote, Response
from reportlib.parameters import ReportParameters
from reportlib.text_notes import correction_notes, text_notes
from reportlib.text_response import microphone_db, text_range_hz, text_response


@dataclass(frozen=True, eq=False, kw_only=True)
class TextInputs:
    """A session's column text on one grid.

    Attributes
    ----------
    responses : by capture path
    gate : as stated; inf long where nobody says
    """

    responses: Mapping[str, Response]
    gate: Gate
    rules: Rules
    notes: tuple[QualityNote, ...]


def text_inputs(
    session: Session, *, paths: Sequence[str], parameters: ReportParameters
) -> TextInputs:
    """Bring column-text captures onto the grid: no gate to lay, no noise and no drive to see.

    Raises
    ------
    CaptureError
        A file cannot be used; the line names it.
    AnalysisError
        A file leaves nothing to tell.
    """
    captures.check_headers(session)
    columns = [captures.read_column_text(session, path) for path in paths]
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
    return TextInputs(
        responses=responses,
        gate=gate,
        rules=Rules(
            reference_counts=False,
            drive_tolerance_db=session.rig.drive_tolerance_db,
            assumed_repeatability_db=parameters.assumed_repeatability_db,
            usable_u95_db=parameters.usable_u95_db,
            full_scale_db=None,
            sweep_range_hz=range_hz,
            lowest_hz=gate.lowest_hz,
            fraction=fraction,
            microphone_db=microphone,
            source="text",
        ),
        notes=(
            *text_notes(
                tuple(responses.values()), facts=facts, fraction=fraction, gate_s=gate.length_s
            ),
            *quality.session_wide_notes(session, gate=gate, shortest=None),
            *microphone_notes,
        ),
    )


def microphone_on_grid(
    session: Session, *, grid: FloatArray
) -> tuple[FloatArray | None, list[QualityNote]]:
    """Return by how much the microphone reads too high on the grid, and what to know about it.

    Parameters
    ----------
    grid : shape (n,), Hz

    Returns
    -------
    shape (n,), dB, None where the session names no correction; notes
    """
    correction = captures.read_correction(session)
    if correction is None:
        return None, []
    calibration = session.calibration
    by_recording = calibration is not None and calibration.recording is not None
    found = microphone_db(
        correction,
        frequency_hz=grid,
        calibrated_at_hz=calibration.frequency_hz if calibration and by_recording else None,
    )
    return found, correction_notes(correction, frequency_hz=grid)


def full_scale_db(session: Session) -> float | None:
    """Return the level of a full-scale sine, referred to 1 m where the space allows.

    Returns
    -------
    dB SPL (rms), None where nothing was calibrated
    """
    level = captures.read_full_scale_db(session)
    if level is not None and session.rig.space in SPACES_WITH_1_M_LEVELS:
        level += 20.0 * math.log10(session.rig.distance_m)
    return level
