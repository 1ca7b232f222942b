"""Rules of the session format that span several keys: what needs what, and in which order."""

from reportlib.session.faults import CORRECT, Fault, Place, key_name, missing_key, table_name
from reportlib.session.named_files import named_files
from reportlib.session.schema import SessionTable, is_column_text


def check_rules(table: SessionTable) -> None:
    """Stop at the first rule that the facts break.

    Raises
    ------
    Fault
        The place and what to do; `session` adds the file and the line.
    """
    _check_rig(table)
    _check_channels(table)
    _check_calibration(table)
    _check_kinds(table)
    _check_sweep(table)
    _check_short_term(table)
    _check_long_term(table)


def _check_rig(table: SessionTable) -> None:
    if table.rig.space == "gated" and table.rig.gate_ms is None:
        raise Fault(("rig",), missing_key(("rig", "gate_ms"), why='where space is "gated"'))
    if table.channels.reference is not None and table.rig.reference_at is None:
        why = "where [channels] names a reference"
        raise Fault(("rig",), missing_key(("rig", "reference_at"), why=why))


def _check_channels(table: SessionTable) -> None:
    taken: dict[int, str] = {}
    for role, number in table.channels:
        if number in taken:
            # the microphone's number may stand there by default: name what was written
            key = role if role in table.channels.model_fields_set else taken[number]
            text = (
                f"[channels] {role} is {number} and {taken[number]} is {number} too (microphone "
                f"is 1 unless given), expected a channel of its own for each. {CORRECT}"
            )
            raise Fault(("channels", key), text)
        if number is not None:
            taken[number] = role


def _check_calibration(table: SessionTable) -> None:
    calibration = table.calibration
    if calibration is None:
        return
    recorded = ("recording", "level_db", "frequency_hz")
    given = [key for key in recorded if getattr(calibration, key) is not None]
    if calibration.full_scale_db is not None and given:
        text = (
            f"[calibration] holds both {given[0]} and full_scale_db, expected a calibrator's "
            "recording with its level_db and frequency_hz, or full_scale_db. Remove one of them."
        )
        raise Fault(("calibration", "full_scale_db"), text)
    for key in recorded if given else ():
        if key not in given:
            text = missing_key(("calibration", key), why=f"with {given[0]}")
            raise Fault(("calibration",), text)
    if all(value is None for _, value in calibration):
        text = (
            "[calibration] is empty, expected recording with level_db and frequency_hz, or "
            "full_scale_db. Add them, or remove the table."
        )
        raise Fault(("calibration",), text)


def _sweeps(table: SessionTable) -> list[tuple[Place, str]]:
    """Return place and path of every capture of a sweep, in the order of the file."""
    return [
        (place, path)
        for place, path in named_files(table)
        if place[0] in {"short_term", "baseline_again", "long_term"} and place[-1] != "stress"
    ]


def _check_kinds(table: SessionTable) -> None:
    """A change between a recording and somebody's smoothed curve would be no change at all."""
    (_, first), *others = _sweeps(table)
    for place, path in others:
        if is_column_text(path) != is_column_text(first):
            kinds = ("column text", "audio") if is_column_text(path) else ("audio", "column text")
            text = (
                f"{key_name(place)} names {path}, which is {kinds[0]}, but {first} is {kinds[1]}, "
                "expected all sweeps of a session to be of one kind. Put them into two sessions."
            )
            raise Fault(place, text)


def _check_sweep(table: SessionTable) -> None:
    sweep = table.sweep
    if sweep is not None and sweep.start_hz >= sweep.stop_hz:
        text = (
            f"[sweep] start_hz is {sweep.start_hz:g} and stop_hz {sweep.stop_hz:g}, expected a "
            f"sweep that rises. {CORRECT}"
        )
        raise Fault(("sweep", "start_hz"), text)
    audio = [path for _, path in _sweeps(table) if not is_column_text(path)]
    if not audio:
        return
    if sweep is None:
        raise Fault((), missing_key(("sweep",), why=f"where a capture is audio, as {audio[0]} is"))
    if sweep.stimulus is None and table.channels.reference is None:
        why = "where no reference channel was recorded"
        raise Fault(("sweep",), missing_key(("sweep", "stimulus"), why=why))


def _check_short_term(table: SessionTable) -> None:
    first = table.short_term[0]
    if first.drive_db != 0.0:
        text = f"the first [[short_term]] has drive_db = {first.drive_db:g}, "
        zero = [i for i, entry in enumerate(table.short_term) if entry.drive_db == 0.0]
        if zero:
            text += f"but entry {zero[0] + 1} is the baseline (drive_db = 0). Move it to the top."
        else:
            text += "expected the baseline, drive_db = 0, first. Add it, or count drive_db from it."
        raise Fault(("short_term", 0, "drive_db"), text)
    if first.input_gain_db != 0.0:
        text = (
            f"the first [[short_term]], the baseline, has input_gain_db = "
            f"{first.input_gain_db:g}, expected 0: it is counted from the baseline's. {CORRECT}"
        )
        raise Fault(("short_term", 0, "input_gain_db"), text)
    for i, entry in enumerate(table.short_term[1:], start=1):
        below_db = table.short_term[i - 1].level_db
        if entry.level_db <= below_db:
            text = (
                f"{table_name(('short_term', i))} has level_db = {entry.level_db:g} after "
                f"{below_db:g}, expected levels that rise from the baseline on. Order the entries "
                "by level; put takes of one level into one entry."
            )
            raise Fault(("short_term", i, "level_db"), text)


def _check_long_term(table: SessionTable) -> None:
    seen: dict[float, int] = {}
    for i, entry in enumerate(table.long_term):
        if entry.level_db in seen:
            text = (
                f"{table_name(('long_term', i))} has level_db = {entry.level_db:g}, as entry "
                f"{seen[entry.level_db] + 1} has, expected one entry a level. Put the stages of "
                "one level into one entry."
            )
            raise Fault(("long_term", i, "level_db"), text)
        seen[entry.level_db] = i
        for j, stage in enumerate(entry.stage):
            place: Place = ("long_term", i, "stage", j, "pause_s")
            if len(stage.pause_s) not in (1, len(stage.after)):
                text = (
                    f"{key_name(place)} has {len(stage.pause_s)} values and after has "
                    f"{len(stage.after)} takes, expected one value for each or one for all. "
                    f"{CORRECT}"
                )
                raise Fault(place, text)
            if stage.stress is not None and table.multitone is None:
                why = f"where a stress recording is given, as {stage.stress} is"
                raise Fault((), missing_key(("multitone",), why=why))
