"""How it was measured, in words, and how sure the numbers are."""

import math

from reportlib.judge.records import Analysis
from reportlib.judge.seat import is_calibrated
from reportlib.numbers import counted, frequency, level_key, number
from reportlib.session.day import Session, Space
from reportlib.write.listener import beside_the_microphone, estimates, heard_note
from reportlib.write.writer import Writer, decibels, plain

_SPACES: dict[Space, str] = {
    "free field": "In free field",
    "half space": "In half space",
    "gated": "Gated",
    "near field": "In the near field",
    "room": "In a room",
}
_LEAST_STEP_OFF_DB = 0.1
"""A step that is off by less is not worth a sentence."""


def how_measured(writer: Writer) -> list[str]:
    """Return the section's sentences as one paragraph."""
    analysis, session = writer.analysis, writer.analysis.session
    takes = sorted({len(entry.captures) for entry in session.short_term})
    fewest = f"{takes[0]} to " if len(takes) > 1 else ""
    values = {
        "space": _SPACES[session.rig.space],
        "distance": f"{session.rig.distance_m:g} m",
        "takes": f"{fewest}{counted(takes[-1], 'take')}",
        "baseline": writer.quote("test.baseline"),
    }
    if from_text(analysis):
        sentences = [writer.say("how-measured/texts", **values)]
    elif session.of_impulse_responses:
        sentences = [writer.say("how-measured/impulses", **values)]
    else:
        sentences = [writer.say("how-measured/sweeps", sweep=writer.quote("test.sweep"), **values)]
    for wording in (_reference(session), _levels(analysis)):
        sentences.append(writer.say(f"how-measured/{wording}"))
    codes = {note.code for note in analysis.quality}
    sentences += _step(writer)
    if analysis.drift_db is not None:
        sentences.append(writer.say("how-measured/moved", moved=writer.quote("test.drift")))
    elif "drift-unknown" in codes:
        sentences.append(writer.say("how-measured/drift-unknown"))
    warnings = sum(note.severity != "note" for note in analysis.quality)
    if warnings:
        stand = {"count": counted(warnings, "warning"), "verb": "stand" + "s" * (warnings == 1)}
        sentences.append(writer.say("how-measured/warnings", **stand))
    return [" ".join(sentences)]


def _reference(session: Session) -> str:
    if not session.reference_counts:
        return "reference-none"
    if session.rig.reference_at == "loop-back":
        return "reference-loop-back"
    return "reference-terminals"


def _levels(analysis: Analysis) -> str:
    if not analysis.baseline.calibrated:
        return "not-calibrated"
    here = is_calibrated(analysis.baseline, space=analysis.session.rig.space)
    return "calibrated" if here else "calibrated-here"


def _step(writer: Writer) -> list[str]:
    """Name the volume step that came out most otherwise than asked."""
    off = [
        (abs(one.measured_db - one.asked_db), one.level_db)
        for one in writer.analysis.drive_steps
        if one.measured_db is not None
        and abs(one.measured_db - one.asked_db) > max(one.u95_db, _LEAST_STEP_OFF_DB)
    ]
    if not off:
        return []
    level_db = max(off)[1]
    key = f"step.{level_key(level_db)}"
    return [
        writer.say(
            "how-measured/step",
            level=decibels(level_db),
            measured=writer.quote(f"{key}.measured"),
            asked=writer.quote(f"{key}.asked"),
        )
    ]


def how_sure(writer: Writer) -> list[str]:
    """Return paragraphs: intervals, the words' limits, hearing, seats, how to repeat it safely."""
    analysis = writer.analysis
    start, stop = analysis.sweep_range_hz
    known = math.isfinite(analysis.gate_s)
    interval = "interval"
    if any(curve.lower_bound for curve in (*analysis.short_term, *analysis.long_term)):
        interval = "interval-text" if from_text(analysis) else "interval-impulses"
    found = [
        writer.say(
            "how-measured/processed",
            start=frequency(start),
            stop=frequency(stop),
            gate=f"{number(1e3 * analysis.gate_s, 0)} ms" if known else "an unknown length",
            smoothing=f"1/{analysis.smoothing_fraction}-octave smoothing",
        ),
        writer.say(
            f"how-measured/{interval}",
            limit=f"{writer.parameters.usable_u95_db:g} dB",
            lowest=frequency(max(analysis.lowest_hz, start)),
        ),
        writer.say("how-measured/grades"),
        heard_note(writer),
        estimates(writer),
        writer.say("how-measured/programme"),
        beside_the_microphone(writer),
        *(writer.say(f"care/{name}") for name in ("ears", "equipment", "law")),
    ]
    if analysis.session.rig.equipment:
        equipment = "; ".join(plain(one) for one in analysis.session.rig.equipment)
        found.append(writer.say("how-measured/equipment", equipment=equipment))
    if analysis.session.notes.strip():
        found.append(writer.say("how-measured/notes", notes=plain(analysis.session.notes)))
    return [one for one in found if one]


def from_text(analysis: Analysis) -> bool:
    """Whether curves were read as column text, not measured from recordings."""
    curves = (*analysis.short_term, *analysis.long_term)
    return not analysis.sample_rate_hz or any(curve.source == "text" for curve in curves)
