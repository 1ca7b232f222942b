"""All checks of a whole day, at the places where they can be made; and the day that remains.

Those of a recording by itself are in `recordings`.

A take that cannot be used is refused, not the day: its level keeps its other takes. A level
without any is left out of the curves, bands and the ladder. Without a baseline nothing can be
compared, and that is the one error.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from reportlib.check.chain import gain_notes, touched_notes
from reportlib.check.kinds import found
from reportlib.check.levels import (
    knob_notes,
    local_notes,
    odd_notes,
    order_notes,
    placed,
    sister_notes,
    take_notes,
)
from reportlib.check.over_the_day import (
    lost_notes,
    moved_notes,
    outcome_notes,
    temperature_notes,
)
from reportlib.check.recordings import hum_notes, noise_notes, signal_notes
from reportlib.check.setup import level_notes, step_notes
from reportlib.check.trace import Trace
from reportlib.errors import AnalysisError, CaptureError
from reportlib.measure.compression import Setting, ShortTerm
from reportlib.measure.records import Response
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import Entry, LongTermEntry, Session, Stage
from reportlib.session.records import QualityNote


def before_comparing(
    session: Session, responses: Mapping[str, Response], *, told: Sequence[QualityNote]
) -> list[QualityNote]:
    """Check that the captures stand where session.toml lists them: refusals only.

    `told`: what was said of the recordings; a take with a fault that its sister has not is left
    out.
    """
    lost = lost_notes(session, responses)
    refused = {note.capture for note in lost}
    whole = {path: one for path, one in responses.items() if path not in refused}
    lost += sister_notes(session, whole, told=told)
    refused = {note.capture for note in lost}
    captures = [one for one in placed(session, responses) if one.source not in refused]
    placing = knob_notes(captures, session=session) or order_notes(captures, session=session)
    refused |= {note.capture for note in placing}
    captures = [one for one in captures if one.source not in refused]
    return [*lost, *placing, *odd_notes(captures, session=session)]


def without_repeats(notes: Sequence[QualityNote]) -> list[QualityNote]:
    """Drop what was said of a take that was then left out for that very reason."""
    out = {(note.code, note.capture) for note in notes if note.severity == "refused"}
    return [
        note for note in notes if note.severity == "refused" or (note.code, note.capture) not in out
    ]


def after_comparing(
    session: Session,
    *,
    short: ShortTerm,
    settings: Sequence[Setting],
    again: Sequence[Setting],
    responses: Mapping[str, Response],
    traces: Mapping[str, Trace],
    law: SweepLaw,
    gate_s: float,
    full_scale_db: float | None,
) -> list[QualityNote]:
    """Check what the levels say about each other.

    Parameters
    ----------
    session : as it remains after refusals
    settings : the baseline and the levels of `short.curves`, in order
    again : the baseline once more
    responses, traces : by capture path, of all that remains
    """
    kept = [trace for path, trace in traces.items() if path in responses]
    lowest_hz = 2.0 / gate_s
    takes: list[QualityNote] = []
    for setting in (*settings, *again):
        whole = take_notes(setting)
        local = local_notes(
            setting,
            traces=traces,
            law=law,
            gate_s=gate_s,
            lowest_hz=lowest_hz,
            apart_as_a_whole=bool(whole),
        )
        burst = next((note.capture for note in local if note.code == "noise-burst"), None)
        takes += [replace(note, capture=burst or note.capture) for note in whole]
        takes += local
    # A loud disturbance can pass for the sound's arrival.
    disturbed = {note.capture for note in takes if note.code == "noise-burst"}
    moved = [note for note in moved_notes(session, responses) if note.capture not in disturbed]
    automatic = gain_notes(
        short, settings=settings, traces=traces, reference_counts=session.reference_counts
    )
    touched = touched_notes(session, short, settings=settings) if not moved else []
    return [
        *level_notes(short.baseline),
        *step_notes(short.steps, sources=[setting.takes[0].source for setting in settings[1:]]),
        *takes,
        *signal_notes(
            short.baseline,
            lowest_hz=lowest_hz,
            sweep_range_hz=(law.start_hz, law.stop_hz),
            source=settings[0].takes[0].source,
        ),
        *hum_notes(kept, baseline=short.baseline, full_scale_db=full_scale_db),
        *noise_notes(tuple(responses.values())),
        *(automatic or touched),
        *moved,
        *temperature_notes(session),
        *outcome_notes(short, again=bool(session.baseline_again)),
    ]


def refused(source: str, error: CaptureError, *, whole_drive: bool = False) -> QualityNote:
    """Return the note on a take that cannot be used, from the error that said so.

    `whole_drive`: the file holds the drive's sweep whole, so that an answer which seems to start
    before it is none: something louder stands there.
    """
    text = str(error)
    text = text[max(text.find(source), 0) :]  # without the folder, which is nobody's business
    code = error.code
    if code == "starts-late" and whole_drive:
        code = "no-sweep"
        text = (
            f"what is loudest in {source} is not the sweep’s answer: a loud disturbance. Take this "
            "level again."
        )
    return found(code, "refused", capture=source, message=f"Left out: {text}")


def without(
    session: Session, notes: Sequence[QualityNote]
) -> tuple[Session, tuple[QualityNote, ...]]:
    """Return the day without the captures that were refused, and what is missing because of it.

    Short-term levels and repeated baselines without a take are dropped; stages of a long-term
    level stay (their stress was played), with no sweep after them; see `Stage.after`.

    Raises
    ------
    AnalysisError
        The baseline has no take left, or nothing is left to compare with it.
    """
    why = {note.capture: note for note in notes if note.severity == "refused" and note.capture}
    if not why:
        return session, ()
    missing: list[QualityNote] = []
    short = [_entry(entry, why=why) for entry in session.short_term]
    if not short[0].captures:
        raise AnalysisError(
            f"the baseline has no take left. {_first(session.baseline.captures, why=why)}"
        )
    for before, after in zip(session.short_term, short, strict=True):
        if not after.captures:
            missing.append(
                _missing(
                    before.captures,
                    f"No take of the {before.level_db:g} dB level is left: it has no curve, no "
                    "bands and no place on the ladder. Record this level again.",
                )
            )
    again = [_entry(entry, why=why) for entry in session.baseline_again]
    for before, after in zip(session.baseline_again, again, strict=True):
        if not after.captures:
            missing.append(
                _missing(
                    before.captures,
                    "No take of the repeated baseline is left, so the day’s drift is not known "
                    "from it. Measure the baseline once more.",
                )
            )
    long = [_long(entry, why=why, missing=missing) for entry in session.long_term]
    kept = tuple(entry for entry in short if entry.captures)
    compared = len(kept) > 1 or any(stage.after for one in long for stage in one.stages)
    if not compared:
        raise AnalysisError(
            "nothing is left to compare with the baseline. "
            f"{_first([path for entry in session.short_term for path in entry.captures], why=why)}"
        )
    reduced = replace(
        session,
        short_term=kept,
        baseline_again=tuple(entry for entry in again if entry.captures),
        long_term=tuple(long),
    )
    return reduced, tuple(missing)


def _entry(entry: Entry, *, why: Mapping[str, QualityNote]) -> Entry:
    return replace(entry, captures=tuple(path for path in entry.captures if path not in why))


def _long(
    entry: LongTermEntry, *, why: Mapping[str, QualityNote], missing: list[QualityNote]
) -> LongTermEntry:
    before = tuple(path for path in entry.before if path not in why)
    if not before and entry.before:
        missing.append(
            _missing(
                entry.before,
                f"No sweep from before the stress is left for the long-term test at "
                f"{entry.level_db:g} dB: its sweeps after stress have no curve. Repeat this test "
                "from cold.",
            )
        )
    stages = []
    for index, stage in enumerate(entry.stages):
        kept = [
            (path, pause)
            for path, pause in zip(stage.after, _pauses(stage), strict=True)
            if path not in why and before
        ]
        if not kept and before and stage.after:
            missing.append(
                _missing(
                    stage.after,
                    f"No sweep after {entry.elapsed_s(index):g} s of stress is left at "
                    f"{entry.level_db:g} dB: that stage has no curve. Repeat this test from cold.",
                )
            )
        pauses = tuple(pause for _, pause in kept)
        stages.append(
            replace(stage, after=tuple(path for path, _ in kept), pause_s=pauses or stage.pause_s)
        )
    return replace(entry, before=before, stages=tuple(stages))


def _pauses(stage: Stage) -> tuple[float, ...]:
    if len(stage.pause_s) == len(stage.after):
        return stage.pause_s
    return stage.pause_s[:1] * len(stage.after)


def _missing(paths: Sequence[str], text: str) -> QualityNote:
    return found("level-left-out", "refused", capture=paths[0], message=text)


def _first(paths: Sequence[str], *, why: Mapping[str, QualityNote]) -> str:
    note = next(why[path] for path in paths if path in why)
    text = note.message.removeprefix("Left out: ")
    return text if note.capture in text else f"{note.capture}: {text}"
