"""Notes on how the day was measured: gate, reference, levels, steps; its stress; its column text.

Column-text captures tell less than recordings do: what a reader should know about that is here.
"""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.check.kinds import found
from reportlib.measure.clock_within import SHORT_GATE_S
from reportlib.measure.levels import BANDS, G
from reportlib.measure.records import BaselineCurve, DriveStep, Response
from reportlib.measure.response import Gate
from reportlib.measure.stress.periods import StressTones
from reportlib.numbers import frequency, number
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Session, TextFacts
from reportlib.session.records import ColumnText, FloatArray, QualityNote

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
                f"{asked:g} ms asked for, because "
                + (
                    "this file holds no more after the sound’s arrival. Export it longer."
                    if session.of_impulse_responses
                    else "this recording ends that soon after its sweep. Record on for longer."
                ),
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
        if step.measured_db is not None and step_was_off(step)
    ]


def step_was_off(step: DriveStep) -> bool:
    """Whether a volume step was measured, and surely was not the one asked for."""
    if step.measured_db is None:
        return False
    return abs(step.measured_db - step.asked_db) > STEP_OFF_DB + step.u95_db


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


LEAST_PERIODS = 3
"""The first rings in, and one alone shows no change."""
_OFF_PERIODS = 1.5
_OFF_SHARE = 0.02
"""A stretch that was timed by hand is not better known (common practice, no source)."""


def stress_notes(tones: StressTones | None, *, source: str, stress_s: float) -> list[QualityNote]:
    """Check a stress recording against how long the multitone is said to have played.

    A refusal is among the notes where the recording cannot be used.

    Parameters
    ----------
    tones : None where the multitone is not in it
    """
    if tones is None:
        return [
            _refusal(
                "no-multitone",
                source,
                "the multitone of [multitone] is not in it. Check the file.",
            )
        ]
    said = f"{_seconds(tones.heard_s)} of the {_seconds(stress_s)} that stress_s says"
    if tones.centre_s.size < LEAST_PERIODS:
        return [
            _refusal(
                "stress-cut",
                source,
                f"it holds {said}, fewer than {LEAST_PERIODS} periods of the multitone.",
            )
        ]
    if math.isnan(tones.missed_s):
        return [
            _refusal(
                "stress-cut",
                source,
                "it holds neither start nor end of the multitone, so that nobody knows how long it "
                "had played. Record from half a second before it until half a second after it.",
            )
        ]
    notes = []
    short_s = stress_s - tones.missed_s - tones.heard_s
    off_s = max(_OFF_PERIODS * tones.period_s, _OFF_SHARE * stress_s)
    if tones.missed_s > 0.0:
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The recording starts when the multitone has played already; its end says that "
                f"{_seconds(tones.missed_s)} are missing. What the loudspeaker lost in them can "
                "only be told by the fit.",
            )
        )
    elif abs(short_s) > off_s and (tones.ended or short_s < 0.0):
        longer = "longer" if short_s < 0.0 else "shorter"
        notes.append(
            _warning(
                "stress-length",
                source,
                f"The multitone plays {longer} than stress_s says: "
                f"{'more than' if short_s < 0.0 else 'for'} "
                f"{_seconds(min(tones.heard_s, stress_s) if short_s < 0.0 else tones.heard_s)}, "
                f"not {_seconds(stress_s)}. Correct stress_s.",
            )
        )
    elif short_s > off_s:
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The recording ends early: it holds {said}. The loss at the end of the stress is "
                "not in it.",
            )
        )
    if tones.gap.any():
        at_s = float(tones.centre_s[np.argmax(tones.gap)])
        notes.append(
            _warning(
                "stress-cut",
                source,
                f"The multitone pauses {_seconds(at_s)} after its start, for about "
                f"{_seconds(float(tones.gap.sum()) * tones.period_s)}; those periods are left out.",
            )
        )
    clipped = int(tones.clipped.sum())
    if clipped:
        notes.append(
            _warning(
                "clipped",
                source,
                f"The recording clipped in {clipped} of {tones.clipped.size} periods of the "
                "multitone; they are left out. Lower the input gain and record this stress again.",
            )
        )
    return notes


def _seconds(value_s: float) -> str:
    return f"{number(value_s, 0 if value_s >= 10.0 else 1)} s"


def _refusal(code: str, source: str, text: str) -> QualityNote:  # noqa: PLR0917
    return found(code, "refused", capture=source, message=f"Left out: {source}: {text}")


def _warning(code: str, source: str, text: str) -> QualityNote:  # noqa: PLR0917
    return found(code, "warning", capture=source, message=text)


_LOWER_BOUND = "Every interval is a lower bound; a grade close to a limit names its neighbour."
_MOST_NAMED = 3


def impulse_notes(*, noise_known: bool) -> list[QualityNote]:
    """Say what impulse responses leave unknown."""
    if noise_known:
        return []
    text = (
        "The captures are impulse responses, and no [impulse] says where in their files noise "
        f"alone stands: how much of it stood in them is not known. {_LOWER_BOUND}"
    )
    return [_note("uncertainty-lower-bound", text)]


def text_notes(
    responses: Sequence[Response], *, facts: TextFacts, fraction: int, gate_s: float
) -> list[QualityNote]:
    """Say what the files leave unknown: noise, gate, smoothing, gaps.

    Parameters
    ----------
    responses : one a file, on the grid
    facts : what the session says of the files
    fraction : smoothing of the report, as the n of 1/n octave
    gate_s : inf where nobody says
    """
    if facts.snr_db is None:
        noise = "how much noise stood in them is not known"
    else:
        noise = f"noise is taken as stated ({_db(facts.snr_db)} of signal over noise)"
    notes = [
        _note(
            "uncertainty-lower-bound",
            f"The captures are text files, without recordings behind them: {noise}, and nothing "
            f"checks them. {_LOWER_BOUND}",
        )
    ]
    if math.isinf(gate_s):
        notes.append(
            _note(
                "gate-unknown",
                "Neither [text] nor [rig] says which gate the text files were made with: how far "
                "down they can tell a local change is not known.",
            )
        )
    smoothed = facts.smoothing_octaves
    if smoothed is None:
        notes.append(
            _note(
                "smoothing-unknown",
                "[text] does not say how the text files were smoothed; they were taken as not "
                "smoothed, and smoothed here where they are fine enough.",
            )
        )
    elif smoothed * fraction > 1.001:
        notes.append(
            _note(
                "smoothing-coarse",
                f"The text files were smoothed over {smoothed:.3g} octave, wider than the report’s "
                f"1/{fraction}: what is narrower is flattened in them. They were not smoothed "
                "again.",
            )
        )
    for response in responses:
        gaps = gap_ranges_hz(response.untold, frequency_hz=response.frequency_hz)
        if gaps:
            named = ", ".join(
                f"{frequency(low)} to {frequency(high)}" for low, high in gaps[:_MOST_NAMED]
            )
            more = f" and {len(gaps) - _MOST_NAMED} more" if len(gaps) > _MOST_NAMED else ""
            notes.append(
                _note(
                    "text-gaps",
                    f"Its frequencies stand too far apart to tell what lies between ({named}"
                    f"{more}). Export it finer.",
                    capture=response.source,
                )
            )
    return notes


def correction_notes(correction: ColumnText, *, frequency_hz: FloatArray) -> list[QualityNote]:
    """Say where the microphone's correction ends before the curves do."""
    first, last = float(correction.frequency_hz[0]), float(correction.frequency_hz[-1])
    held = (frequency_hz < first / G ** (1 / 6)) | (frequency_hz > last * G ** (1 / 6))
    if not held.any():
        return []
    text = (
        f"The microphone’s correction covers {frequency(first)} to {frequency(last)}; beyond, its "
        "last value was held. Changes do not depend on it."
    )
    return [_note("microphone-correction-held", text, capture=correction.source)]


def gap_ranges_hz(reasons: Sequence[str], *, frequency_hz: FloatArray) -> list[tuple[float, float]]:
    """Return first and last frequency of every stretch of points that fall into a gap."""
    inside = np.array([reason == "gap" for reason in reasons], dtype=np.int8)
    edges = np.flatnonzero(np.diff(inside, prepend=0, append=0))
    return [
        (float(frequency_hz[start]), float(frequency_hz[end - 1]))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
    ]


def _db(value: float) -> str:
    return f"{value:g} dB".replace("-", "−")


def _note(code: str, text: str, *, capture: str = "") -> QualityNote:
    return QualityNote(code=code, severity="note", capture=capture, message=text)
