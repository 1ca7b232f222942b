"""Rules of the session format that span several keys: what needs what, and in which order."""

from reportlib.day import SessionFile
from reportlib.day_values import is_column_text
from reportlib.session.faults import CORRECT, Fault, Place, key_name, missing_key, shown, table_name
from reportlib.session.named_files import named_files


def check_rules(facts: SessionFile) -> None:
    """Stop at the first rule that the facts break.

    Raises
    ------
    Fault
        Where it is and what to do; `session.reading` adds the file.
    """
    _check_speaker(facts)
    _check_rig(facts)
    _check_channels(facts)
    _check_calibration(facts)
    _check_kinds(facts)
    _check_sweep(facts)
    _check_short_term(facts)
    _check_long_term(facts)


def _check_speaker(facts: SessionFile) -> None:
    enclosure = facts.speaker.enclosure
    if facts.speaker.tuning_hz and enclosure not in ("vented", "passive radiator"):
        given = "no enclosure is given" if enclosure is None else f"enclosure is {shown(enclosure)}"
        text = (
            f"[speaker] holds tuning_hz, but {given}, expected "
            f'enclosure = "vented" or "passive radiator" with it. {CORRECT}'
        )
        raise Fault(text)


def _check_rig(facts: SessionFile) -> None:
    if facts.rig.space == "gated" and facts.rig.gate_ms is None:
        raise Fault(missing_key(("rig", "gate_ms"), why='where space is "gated"'))
    if facts.channels.reference is not None and facts.rig.reference_at is None:
        why = "where [channels] names a reference"
        raise Fault(missing_key(("rig", "reference_at"), why=why))


def _check_channels(facts: SessionFile) -> None:
    taken: dict[int, str] = {}
    for role, number in vars(facts.channels).items():
        if number in taken:
            text = (
                f"[channels] {role} is {number} and {taken[number]} is {number} too (microphone "
                f"is 1 unless given), expected a channel of its own for each. {CORRECT}"
            )
            raise Fault(text)
        if number is not None:
            taken[number] = role


def _check_calibration(facts: SessionFile) -> None:
    calibration = facts.calibration
    if calibration is None:
        return
    recorded = ("recording", "level_db", "frequency_hz")
    given = [key for key in recorded if getattr(calibration, key) is not None]
    if calibration.full_scale_db is not None and given:
        text = (
            f"[calibration] holds both {given[0]} and full_scale_db, expected a calibrator's "
            "recording with its level_db and frequency_hz, or full_scale_db. Remove one of them."
        )
        raise Fault(text)
    for key in recorded if given else ():
        if key not in given:
            text = missing_key(("calibration", key), why=f"with {given[0]}")
            raise Fault(text)
    if all(value is None for value in vars(calibration).values()):
        text = (
            "[calibration] is empty, expected recording with level_db and frequency_hz, or "
            "full_scale_db. Add them, or remove the table."
        )
        raise Fault(text)


def _sweeps(facts: SessionFile) -> list[tuple[Place, str]]:
    """Return place and path of every capture of a sweep, in the order of the file."""
    return [
        (place, path)
        for place, path in named_files(facts)
        if place[0] in {"short_term", "baseline_again", "long_term"} and place[-1] != "stress"
    ]


def _check_kinds(facts: SessionFile) -> None:
    """A change between a recording and somebody's smoothed curve would be no change at all."""
    (_, first), *others = _sweeps(facts)
    for place, path in others:
        if is_column_text(path) != is_column_text(first):
            kinds = ("column text", "audio") if is_column_text(path) else ("audio", "column text")
            text = (
                f"{key_name(place)} names {path}, which is {kinds[0]}, but {first} is {kinds[1]}, "
                "expected all sweeps of a session to be of one kind. Put them into two sessions."
            )
            raise Fault(text)


def _check_sweep(facts: SessionFile) -> None:
    sweep = facts.sweep
    if sweep is not None and sweep.start_hz >= sweep.stop_hz:
        text = (
            f"[sweep] start_hz is {sweep.start_hz:g} and stop_hz {sweep.stop_hz:g}, expected a "
            f"sweep that rises. {CORRECT}"
        )
        raise Fault(text)
    audio = [path for _, path in _sweeps(facts) if not is_column_text(path)]
    if not audio:
        return
    if sweep is None:
        raise Fault(missing_key(("sweep",), why=f"where a capture is audio, as {audio[0]} is"))
    if sweep.stimulus is None and facts.channels.reference is None:
        why = "where no reference channel was recorded"
        raise Fault(missing_key(("sweep", "stimulus"), why=why))


def _check_short_term(facts: SessionFile) -> None:
    first = facts.short_term[0]
    if first.drive_db != 0.0:
        text = f"the first [[short_term]] has drive_db = {first.drive_db:g}, "
        zero = [i for i, entry in enumerate(facts.short_term) if entry.drive_db == 0.0]
        if zero:
            text += f"but entry {zero[0] + 1} is the baseline (drive_db = 0). Move it to the top."
        else:
            text += "expected the baseline, drive_db = 0, first. Add it, or count drive_db from it."
        raise Fault(text)
    if first.input_gain_db != 0.0:
        text = (
            f"the first [[short_term]], the baseline, has input_gain_db = "
            f"{first.input_gain_db:g}, expected 0: it is counted from the baseline's. {CORRECT}"
        )
        raise Fault(text)
    for i, entry in enumerate(facts.short_term[1:], start=1):
        below_db = facts.short_term[i - 1].level_db
        if entry.level_db <= below_db:
            text = (
                f"{table_name(('short_term', i))} has level_db = {entry.level_db:g} after "
                f"{below_db:g}, expected levels that rise from the baseline on. Order the entries "
                "by level; put takes of one level into one entry."
            )
            raise Fault(text)


def _check_long_term(facts: SessionFile) -> None:
    seen: dict[float, int] = {}
    for i, entry in enumerate(facts.long_term):
        if entry.level_db in seen:
            text = (
                f"{table_name(('long_term', i))} has level_db = {entry.level_db:g}, as entry "
                f"{seen[entry.level_db] + 1} has, expected one entry a level. Put the stages of "
                "one level into one entry."
            )
            raise Fault(text)
        seen[entry.level_db] = i
        for j, stage in enumerate(entry.stages):
            place: Place = ("long_term", i, "stage", j, "pause_s")
            if len(stage.pause_s) != len(stage.after):
                text = (
                    f"{key_name(place)} has {len(stage.pause_s)} values and after has "
                    f"{len(stage.after)} takes, expected one value for each or one for all. "
                    f"{CORRECT}"
                )
                raise Fault(text)
            if stage.stress is not None and facts.multitone is None:
                why = f"where a stress recording is given, as {stage.stress} is"
                raise Fault(missing_key(("multitone",), why=why))
