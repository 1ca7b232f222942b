"""Read a session folder: ``session.toml``, and what must hold between its keys.

Everything is checked here, once, and leaves as `day.Session`; what is below needs no second
look. The first fault stops the reading with one line that names the file as the user gave it,
the table and the key (or the line, where it is no TOML), what stands there, what is expected and
what to do.
"""

import hashlib
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from reportlib.errors import one_line
from reportlib.session import day
from reportlib.session.day import SessionFile
from reportlib.session.faults import (
    CORRECT,
    Fault,
    Place,
    file_digests,
    first_fault,
    key_name,
    missing_key,
    named_files,
    shown,
    table_name,
)
from reportlib.session.records import QualityNote
from reportlib.session.schema import is_column_text
from reportlib.session.toml_text import NAME, toml_bytes, toml_document, toml_text, without_kept

_FAR_M = 10.0
"""Farther than loudspeakers are measured from (common practice, no source): perhaps not metres."""
_LEVEL_TOLERANCE_DB = 0.5  # the session format's: level_db minus the baseline's against drive_db


def read_session(folder: str | os.PathLike[str]) -> day.Session:
    """Read and validate the session in `folder`, with the digests of all files that it names.

    Parameters
    ----------
    folder
        The session folder, which holds ``session.toml``.

    Returns
    -------
    day.Session
        The facts of the day, with the defaults of the format filled in. `kept` holds the keys
        that start with ``x_``, those of a table under its dotted name (``"short_term.2"``).

    Raises
    ------
    SessionError
        No session there, no valid TOML 1.0, or facts that cannot be.
    CaptureError
        A file that ``session.toml`` names is missing, empty or cannot be read.
    """
    return _read(folder, name=NAME, with_files=True)


def read_planned_session(folder: str | os.PathLike[str], *, name: str = NAME) -> day.Session:
    """Read the session in `folder` as it is planned: the recordings need not be there yet.

    Like `read_session`, but `digests` holds that of ``session.toml`` alone.

    Parameters
    ----------
    name : of the file to read, where it is another than ``session.toml``

    Raises
    ------
    SessionError
        No session there, no valid TOML 1.0, or facts that cannot be.
    """
    return _read(folder, name=name, with_files=False)


def _read(folder: str | os.PathLike[str], *, name: str, with_files: bool) -> day.Session:
    root = Path(folder)
    try:
        data = toml_bytes(root / name)
        document, kept = without_kept(toml_document(toml_text(data)))
        try:
            facts = day.facts_of(document)
        except ValidationError as error:
            raise first_fault(error, document=document) from error
        check_rules(facts)
        digests = {NAME: hashlib.sha256(data).hexdigest()}
        if with_files:
            digests |= file_digests(root, facts=facts)
    except Fault as fault:
        where = f"{root / name}, line {fault.line}" if fault.line else f"{root / name}"
        raise fault.error(one_line(f"{where}: {fault}")) from fault
    return _session(str(folder), facts=facts, digests=digests, kept=kept)


def session_notes(session: day.Session) -> tuple[QualityNote, ...]:
    """Return what a reader should know about the facts of the day, apart from the audio."""
    notes = [*_level_notes(session), *_same_recording_notes(session)]
    if session.rig.distance_m > _FAR_M:
        text = (
            f"{NAME}: [rig] distance_m is {session.rig.distance_m:g}: is it metres? It is farther "
            "than loudspeakers are measured from. Where it is, leave it."
        )
        notes.append(_warning("distance-unlikely", text))
    if len(session.short_term) == 1:
        text = (
            f"{NAME}: no level above the baseline was swept: there is one [[short_term]] entry, "
            "the baseline, so nothing can be said of turning it up. Add an entry a level."
        )
        notes.append(_warning("baseline-alone", text))
    if session.rig.reference_at and session.channels.reference is None:
        text = (
            f"{NAME}: [rig] reference_at is given, but [channels] names no reference: the drive "
            "is taken from the stimulus and volume steps are as typed in."
        )
        notes.append(_warning("reference-not-mapped", text))
    for entry in session.long_term:
        for number, stage in enumerate(entry.stages, start=1):
            if stage.rest_s is not None and stage.rest_s < max(stage.pause_s):
                text = (
                    f"{NAME}: stage {number} of the long-term test at {_db(entry.level_db)} rests "
                    f"{stage.rest_s:g} s, but a sweep after it started {max(stage.pause_s):g} s "
                    "after the stress: rest_s counts to the next stress."
                )
                notes.append(_warning("rest-shorter-than-pause", text))
    return tuple(notes)


def _warning(code: str, text: str, *, capture: str = "") -> QualityNote:
    return QualityNote(code=code, severity="warning", capture=capture, message=one_line(text))


def _db(value: float) -> str:
    return f"{value:g} dB".replace("-", "−")


def _level_notes(session: day.Session) -> Iterator[QualityNote]:
    for entry in session.short_term[1:]:
        rise_db = entry.level_db - session.baseline.level_db
        if abs(rise_db - entry.drive_db) > _LEVEL_TOLERANCE_DB + 1e-9:
            text = (
                f"{NAME}: the short-term level {_db(entry.level_db)} lies {_db(rise_db)} above the "
                f"baseline, but drive_db says {_db(entry.drive_db)}; they should agree within "
                f"{_db(_LEVEL_TOLERANCE_DB)}. Compression is counted against the drive."
            )
            yield _warning("level-and-drive-differ", text)


def _same_recording_notes(session: day.Session) -> Iterator[QualityNote]:
    first: dict[str, str] = {}
    for path, digest in session.digests.items():
        if digest in first:
            text = (
                f"{path} holds the very same bytes as {first[digest]}: one of them is a copy, "
                "not a recording of its own, and makes results look surer than they are."
            )
            yield _warning("same-recording", text, capture=path)
        first.setdefault(digest, path)


def _session(
    folder: str, *, facts: day.SessionFile, digests: dict[str, str], kept: dict[str, Any]
) -> day.Session:
    first = facts.short_term[0]
    again = tuple(
        day.Entry(level_db=first.level_db, drive_db=first.drive_db, **vars(entry))
        for entry in facts.baseline_again
    )
    given = vars(facts) | {"baseline_again": again}
    (place, path), *_ = _sweeps(facts)
    if _kind(place, path) != "audio":  # a drive cannot be read from what was made of recordings
        given["channels"] = replace(facts.channels, reference=None)
        given["rig"] = replace(facts.rig, reference_at=None)
    for test in ("short_term", "baseline_again"):
        given[test] = tuple(
            replace(entry, captures=entry.captures or entry.impulse_responses)
            for entry in given[test]
        )
    given["long_term"] = tuple(
        replace(
            entry,
            before=entry.before or entry.impulse_responses,
            stages=tuple(
                replace(stage, after=stage.after or stage.impulse_responses)
                for stage in entry.stages
            ),
        )
        for entry in facts.long_term
    )
    return day.Session(folder=folder, digests=digests, kept=kept, **given)


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
    _check_named(facts)
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


def _check_named(facts: SessionFile) -> None:
    """Each entry names its sweeps, once: as recordings or as impulse responses."""
    named: list[tuple[Place, str, Any]] = [
        ((test, i), "captures", entry)
        for test in ("short_term", "baseline_again")
        for i, entry in enumerate(getattr(facts, test))
    ]
    for i, level in enumerate(facts.long_term):
        named.append((("long_term", i), "before", level))
        named += [
            (("long_term", i, "stage", j), "after", stage) for j, stage in enumerate(level.stages)
        ]
    for place, key, table in named:
        given = bool(getattr(table, key)) + bool(table.impulse_responses)
        if given == 0:
            raise Fault(missing_key((*place, key)))
        if given == 2:
            text = f"{table_name(place)} holds both {key} and impulse_responses, expected one of "
            raise Fault(f"{text}them. Remove one, or put them into two sessions.")


def _kind(place: Place, path: str) -> str:
    """Return what kind a sweep is of, as messages call it."""
    if is_column_text(path):
        return "column text"
    return "an impulse response" if "impulse_responses" in place else "audio"


def _check_kinds(facts: SessionFile) -> None:
    """A change between a recording and somebody's smoothed curve would be no change at all."""
    (at, first), *others = _sweeps(facts)
    for place, path in others:
        kinds = _kind(place, path), _kind(at, first)
        if kinds[0] != kinds[1]:
            name = (
                "" if "column text" in kinds else "Name impulse responses impulse_responses, or p"
            )
            text = (
                f"{key_name(place)} names {path}, which is {kinds[0]}, but {first} is {kinds[1]}, "
                "expected all sweeps of a session to be of one kind. "
                f"{name or 'P'}ut them into two sessions."
            )
            raise Fault(text)
    noise = facts.impulse
    if noise is not None and noise.noise_from_s >= noise.noise_to_s:
        text = (
            f"[impulse] noise_from_s is {noise.noise_from_s:g} and noise_to_s "
            f"{noise.noise_to_s:g}, expected a stretch of time. {CORRECT}"
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
    (place, path), *_ = _sweeps(facts)
    kind = _kind(place, path)
    if sweep is None:
        if kind != "column text":
            raise Fault(missing_key(("sweep",), why=f"where a capture is {kind}, as {path} is"))
        return
    if not sweep.duration_s and kind != "an impulse response":
        raise Fault(missing_key(("sweep", "duration_s")))
    if kind == "audio" and sweep.stimulus is None and facts.channels.reference is None:
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
            key = "after" if stage.after else "impulse_responses"
            takes = len(getattr(stage, key))
            if len(stage.pause_s) != takes:
                text = (
                    f"{key_name(place)} has {len(stage.pause_s)} values and {key} has "
                    f"{takes} takes, expected one value for each or one for all. "
                    f"{CORRECT}"
                )
                raise Fault(text)
            if stage.stress is not None and facts.multitone is None:
                why = f"where a stress recording is given, as {stage.stress} is"
                raise Fault(missing_key(("multitone",), why=why))
