"""What a reader should know about the data: one note a matter, with code and severity.

Small pure functions from what was measured to notes, in the order of a day:

    kinds         the table of everything that can be said
    trace         what is kept of a recording for the checks
    recordings    one recording: cut, clipped, noise, hum
    takes         takes of one level: apart as a whole, locally, for a moment
    ladder        from level to level: swapped, mislabelled, the knob behind the reference
    chain         overload and automatic gain
    clocks        clock drift
    over_the_day  moved, warmer, drifted
    stress        one stress recording
    setup         gate, reference, levels, steps
    refusals      captures left out, and the day that remains
    gate          all of them, in the order of the analysis
    telling       text, JSON, exit code
"""

from reportlib.quality.clocks import clock_notes
from reportlib.quality.gate import after_comparing, before_comparing, once_deconvolved, once_read
from reportlib.quality.kinds import KINDS, Kind
from reportlib.quality.over_the_day import outcome_notes
from reportlib.quality.recordings import (
    capture_notes,
    drive_start_s,
    holds_drive,
    noise_notes,
    offset_notes,
)
from reportlib.quality.refusals import refused, without
from reportlib.quality.setup import level_notes, session_wide_notes, step_notes
from reportlib.quality.stress import stress_notes
from reportlib.quality.takes import take_notes
from reportlib.quality.telling import (
    check_document,
    check_lines,
    counts_text,
    exit_code,
    kinds_markdown,
    ordered,
)
from reportlib.quality.trace import Trace, listen

__all__ = [
    "KINDS",
    "Kind",
    "Trace",
    "after_comparing",
    "before_comparing",
    "capture_notes",
    "check_document",
    "check_lines",
    "clock_notes",
    "counts_text",
    "drive_start_s",
    "exit_code",
    "holds_drive",
    "kinds_markdown",
    "level_notes",
    "listen",
    "noise_notes",
    "offset_notes",
    "once_deconvolved",
    "once_read",
    "ordered",
    "outcome_notes",
    "refused",
    "session_wide_notes",
    "step_notes",
    "stress_notes",
    "take_notes",
    "without",
]
