"""Read a session folder: ``session.toml``, its rules, and the files that it names.

Everything is checked here, once, and leaves as `day.Session`; what is below needs no second
look. The first fault stops the reading with one line that names the file as the user gave it,
the table and the key (or the line, where it is no TOML), what stands there, what is expected and
what to do.
"""

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from reportlib import day
from reportlib.model import QualityNote
from reportlib.one_line import one_line
from reportlib.session.faults import Fault, first_fault
from reportlib.session.named_files import file_digests
from reportlib.session.rules import check_rules
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
    return day.Session(folder=folder, digests=digests, kept=kept, **given)
