"""What a reader should know about the data: one note a matter, with code and severity.

Codes are stable names; `warning` means that a number may mislead, `note` that it must be
read with something in mind, `refused` that a capture was left out.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from reportlib.clock import Drift
from reportlib.compression import Setting, ShortTerm
from reportlib.day import SPACES_WITH_1_M_LEVELS, Session
from reportlib.facts import frequency, number
from reportlib.gate import Gate
from reportlib.levels import BANDS, db
from reportlib.model import BaselineCurve, Capture, DriveStep, FloatArray, QualityNote, Response

STEP_OFF_DB = 0.1
LEVEL_OFF_DB = 1.0
TAKES_APART_DB = 0.5
NOISE_EXCESS_DB = 6.0
SHORT_GATE_S = 0.05


def capture_notes(capture: Capture) -> list[QualityNote]:
    """Notes on one recording, before anything is made of it."""
    if not capture.clipped_samples:
        return []
    return [
        QualityNote(
            code="clipped",
            severity="warning",
            capture=capture.source,
            message=f"{capture.clipped_samples} samples stand at full scale in runs of three or "
            "more: the recording clipped, and what looks like compression may be the recorder. "
            "Lower the input gain and record this level again.",
        )
    ]


def session_wide_notes(session: Session, *, gate: Gate, shortest: Response) -> list[QualityNote]:
    """Notes on how the day was measured."""
    notes = []
    asked = session.rig.gate_ms
    if asked is not None and gate.length_s < asked / 1e3 * 0.999:
        notes.append(
            QualityNote(
                code="gate-shortened",
                severity="warning",
                capture=shortest.source,
                message=f"The gate is {number(1e3 * gate.length_s, 0)} ms instead of the "
                f"{asked:g} ms asked for, because this recording ends that soon after its sweep. "
                "Record on for longer.",
            )
        )
    if gate.length_s < SHORT_GATE_S:
        notes.append(
            QualityNote(
                code="gate-smears",
                severity="note",
                capture="",
                message=f"With a gate of {1e3 * gate.length_s:.3g} ms, resonances narrower than "
                f"{frequency(1.0 / gate.length_s)} are smeared, and nothing below "
                f"{frequency(gate.lowest_hz)} can be told.",
            )
        )
    if session.channels.reference is None:
        notes.append(
            QualityNote(
                code="steps-not-measured",
                severity="note",
                capture="",
                message="No reference was recorded: every volume step is taken as asked, give or "
                f"take {number(1.96 * session.rig.drive_tolerance_db, 1)} dB.",
            )
        )
    elif not session.reference_counts:
        notes.append(
            QualityNote(
                code="volume-behind-reference",
                severity="note",
                capture="",
                message="The volume was turned behind the reference, so the steps are taken as "
                f"asked, give or take {number(1.96 * session.rig.drive_tolerance_db, 1)} dB.",
            )
        )
    elif session.rig.reference_at == "loop-back":
        notes.append(
            QualityNote(
                code="amplifier-inside",
                severity="note",
                capture="",
                message="The reference was taken at the loop-back: whatever amplifies is part of "
                "what was tested.",
            )
        )
    if session.rig.space not in SPACES_WITH_1_M_LEVELS:
        notes.append(
            QualityNote(
                code="level-at-microphone",
                severity="note",
                capture="",
                message=f"Measured in the space “{session.rig.space}”: levels are those at the "
                "microphone, not at 1 m.",
            )
        )
    if session.rig.microphone_correction is not None:
        notes.append(
            QualityNote(
                code="microphone-correction-unused",
                severity="note",
                capture=session.rig.microphone_correction,
                message="The microphone’s correction is not applied to absolute levels by this "
                "version; changes do not depend on it.",
            )
        )
    return notes


def clock_notes(
    common: Drift | None, *, stress: str, differing: Mapping[str, Drift], taken_off: bool
) -> list[QualityNote]:
    """Notes on the clocks of player and recorder, where no reference was recorded.

    Parameters
    ----------
    common : drift of the stress recording, None where it can't be told
    stress : path of that recording
    differing : by capture, drift against the baseline that was taken off
    taken_off : whether the common drift was taken off every sweep
    """
    if common is None:
        notes = [
            QualityNote(
                code="clock-unknown",
                severity="note",
                capture="",
                message="No reference was recorded and no stress recording tells how far the "
                "clocks of player and recorder ran apart. What all captures share of it cancels in "
                "a change.",
            )
        ]
    else:
        digits = int(np.clip(-np.floor(np.log10(max(2.0 * common.u_ppm, 1e-9))), 0, 2))
        done = "taken off every sweep" if taken_off else "left in the sweeps, where it cancels"
        notes = [
            QualityNote(
                code="clock-drift",
                severity="note",
                capture=stress,
                message="The recorder’s clock ran "
                f"{number(common.ppm, digits)} ± "
                f"{number(max(2.0 * common.u_ppm, 10.0**-digits), digits)} ppm fast against the "
                f"player’s, by the multitone (negative: slow); it was {done}.",
            )
        ]
    notes += [
        QualityNote(
            code="clock-differs",
            severity="note",
            capture=path,
            message=f"The clocks ran {number(drift.ppm, 0)} ± "
            f"{number(max(2.0 * drift.u_ppm, 1.0), 0)} ppm otherwise than during the "
            "baseline; this capture was resampled by as much.",
        )
        for path, drift in differing.items()
    ]
    return notes


def level_notes(baseline: BaselineCurve) -> list[QualityNote]:
    """Say whether levels were measured, and whether the baseline’s is the one asked for."""
    if not baseline.calibrated:
        return [
            QualityNote(
                code="levels-as-asked",
                severity="note",
                capture="",
                message="Nothing was calibrated: absolute levels are the asked-for ones, not "
                "measured. Changes do not depend on them.",
            )
        ]
    apart = baseline.mean_level_db - baseline.level_asked_db
    if abs(apart) <= LEVEL_OFF_DB:
        return []
    return [
        QualityNote(
            code="level-off",
            severity="warning",
            capture="",
            message=f"The baseline was asked to be {baseline.level_asked_db:g} dB and measured "
            f"{number(baseline.mean_level_db, 1)} dB (mean of the power over 200–5000 Hz). Levels "
            "are named as asked; at the seat the measured ones count.",
        )
    ]


def step_notes(steps: Sequence[DriveStep], *, sources: Sequence[str]) -> list[QualityNote]:
    """Name each volume step that was not made as asked."""
    return [
        QualityNote(
            code="volume-step-off",
            severity="warning",
            capture=source,
            message=f"The volume rose by {number(step.measured_db, 2)} dB to the "
            f"{step.level_db:g} dB level, not by the {number(step.asked_db, 2)} dB asked for. "
            "The measured step was used, so the curve is right; the level’s name is not.",
        )
        for step, source in zip(steps, sources, strict=True)
        if step.measured_db is not None
        and abs(step.measured_db - step.asked_db) > STEP_OFF_DB + step.u95_db
    ]


def take_notes(setting: Setting, *, low_hz: float, high_hz: float) -> list[QualityNote]:
    """Say where takes of one level differ by more than they should."""
    if len(setting.takes) < 2:
        return []
    grid = setting.takes[0].frequency_hz
    inside = (grid >= low_hz) & (grid <= high_hz)
    levels = np.stack([db(take.power)[inside] for take in setting.takes])
    with np.errstate(invalid="ignore"):
        offset = np.nanmean(levels - levels.mean(axis=0), axis=1)
    apart = float(np.ptp(offset))
    if not apart > TAKES_APART_DB:
        return []
    return [
        QualityNote(
            code="takes-differ",
            severity="warning",
            capture=setting.takes[int(np.argmax(np.abs(offset)))].source,
            message=f"The takes at {setting.level_db:g} dB lie {number(apart, 1)} dB apart as a "
            "whole; they are averaged and the interval is widened. Check gain and microphone, "
            "and take this level again.",
        )
    ]


def noise_notes(responses: Sequence[Response]) -> list[QualityNote]:
    """Say where there was more noise during a sweep than before it."""
    notes = []
    for response in responses:
        bands = [
            band
            for band in BANDS
            if _median(response.noise_excess_db[band.holds(response.frequency_hz)])
            > NOISE_EXCESS_DB
        ]
        if bands:
            names = ", ".join(band.name for band in bands)
            notes.append(
                QualityNote(
                    code="noise-with-signal",
                    severity="note",
                    capture=response.source,
                    message=f"There was more noise during the sweep than before it ({names}): a "
                    "disturbance while it ran, or the loudspeaker’s own noise (port, rattle). "
                    "The larger noise was counted.",
                )
            )
    return notes


def outcome_notes(short: ShortTerm, *, again: bool) -> list[QualityNote]:
    """Notes on repeatability and on the day’s drift."""
    notes = []
    if short.repeatability.assumed:
        notes.append(
            QualityNote(
                code="repeatability-assumed",
                severity="note",
                capture="",
                message="Nothing was repeated, so a repeatability of "
                f"{short.repeatability.broadband_db:g} dB is assumed. Two takes a level would "
                "measure it.",
            )
        )
    if not again:
        notes.append(
            QualityNote(
                code="drift-unknown",
                severity="note",
                capture="",
                message="The baseline was not repeated at the end, so the day’s drift is not "
                "known.",
            )
        )
    elif np.any(short.drift_db > 0.0):
        largest = float(np.nanmax(np.abs(short.drift_shown_db)))
        notes.append(
            QualityNote(
                code="drift",
                severity="warning" if largest > 0.5 else "note",
                capture="",
                message=f"The baseline itself moved by up to {number(largest, 1)} dB over the "
                "day. The interval is widened by it; nothing is corrected.",
            )
        )
    return notes


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("-inf")
