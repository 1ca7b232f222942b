"""Notes on how the day was measured: gate, reference, levels, volume steps."""

from collections.abc import Sequence

from reportlib.clock.drift import SHORT_GATE_S
from reportlib.day import SPACES_WITH_1_M_LEVELS, Session
from reportlib.gate import Gate
from reportlib.levels import BANDS
from reportlib.model import BaselineCurve, DriveStep, QualityNote, Response
from reportlib.numbers import frequency, number
from reportlib.quality.kinds import found

STEP_OFF_DB = 0.1  # what is accepted of a step (common practice, no source)
LEVEL_OFF_DB = 1.0


def session_wide_notes(
    session: Session, *, gate: Gate, shortest: Response | None
) -> list[QualityNote]:
    """Notes on how the day was measured."""
    notes = []
    asked = session.rig.gate_ms
    if shortest is not None and asked is not None and gate.length_s < asked / 1e3 * 0.999:
        notes.append(
            found(
                "gate-shortened",
                "warning",
                capture=shortest.source,
                message=f"The gate is {number(1e3 * gate.length_s, 0)} ms instead of the "
                f"{asked:g} ms asked for, because this recording ends that soon after its sweep. "
                "Record on for longer.",
            )
        )
    if gate.length_s < SHORT_GATE_S:
        notes.append(
            found(
                "gate-smears",
                "note",
                message=f"With a gate of {1e3 * gate.length_s:.3g} ms, resonances narrower than "
                f"{frequency(1.0 / gate.length_s)} are smeared, and nothing below "
                f"{frequency(gate.lowest_hz)} can be told.",
            )
        )
    notes += _bass_notes(session, gate=gate)
    if session.channels.reference is None or shortest is None:
        notes.append(
            found(
                "steps-not-measured",
                "note",
                message="No reference was recorded: every volume step is taken as asked, give or "
                f"take {number(1.96 * session.rig.drive_tolerance_db, 1)} dB.",
            )
        )
    elif not session.reference_counts:
        notes.append(
            found(
                "volume-behind-reference",
                "note",
                message="The volume was turned behind the reference, so the steps are taken as "
                f"asked, give or take {number(1.96 * session.rig.drive_tolerance_db, 1)} dB.",
            )
        )
    elif session.rig.reference_at == "loop-back":
        notes.append(
            found(
                "amplifier-inside",
                "note",
                message="The reference was taken at the loop-back: whatever amplifies is part of "
                "what was tested.",
            )
        )
    if session.rig.space not in SPACES_WITH_1_M_LEVELS:
        notes.append(
            found(
                "level-at-microphone",
                "note",
                message=f"Measured in the space “{session.rig.space}”: levels are those at the "
                "microphone, not at 1 m.",
            )
        )
    return notes


def level_notes(baseline: BaselineCurve) -> list[QualityNote]:
    """Say whether levels were measured, and whether the baseline’s is the one asked for."""
    if not baseline.calibrated:
        return [
            found(
                "levels-as-asked",
                "note",
                message="Nothing was calibrated: absolute levels are the asked-for ones, not "
                "measured. Changes do not depend on them.",
            )
        ]
    apart = baseline.mean_level_db - baseline.level_asked_db
    if abs(apart) <= LEVEL_OFF_DB:
        return []
    return [
        found(
            "level-off",
            "warning",
            message=f"The baseline was asked to be {baseline.level_asked_db:g} dB and measured "
            f"{number(baseline.mean_level_db, 1)} dB (mean of the power over 200–5000 Hz). Levels "
            "are named as asked; at the seat the measured ones count.",
        )
    ]


def step_notes(steps: Sequence[DriveStep], *, sources: Sequence[str]) -> list[QualityNote]:
    """Name each volume step that was not made as asked."""
    return [
        found(
            "volume-step-off",
            "warning",
            capture=source,
            message=f"The volume rose by {number(step.measured_db, 2)} dB (give or "
            f"take {number(step.u95_db, 2)} dB) to the {step.level_db:g} dB level, not by the "
            f"{number(step.asked_db, 2)} dB asked for. The measured step was used, so the curve is "
            "right; the level’s name is not.",
        )
        for step, source in zip(steps, sources, strict=True)
        if step.measured_db is not None
        and abs(step.measured_db - step.asked_db) > STEP_OFF_DB + step.u95_db
    ]


def _bass_notes(session: Session, *, gate: Gate) -> list[QualityNote]:
    """Say which bands the sweep plays and the gate hides."""
    if session.sweep is None:
        return []
    hidden = [
        band.name
        for band in BANDS
        if band.high_hz > session.sweep.start_hz and band.low_hz * 1.5 < gate.lowest_hz
    ]
    if not hidden:
        return []
    chosen = session.rig.space == "gated" or session.rig.gate_ms is None
    return [
        found(
            "gate-too-short",
            "note" if chosen else "warning",
            message=f"The sweep starts at {frequency(session.sweep.start_hz)}, but a gate of "
            f"{number(1e3 * gate.length_s, 1)} ms tells nothing below {frequency(gate.lowest_hz)}: "
            f"{' and '.join(hidden)} can’t be told, whole or in part. Measure where the first "
            "reflection comes later, or leave gate_ms out.",
        )
    ]
