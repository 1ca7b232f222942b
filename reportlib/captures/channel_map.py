"""Which channel of which recording is what: the channel map of ``session.toml``."""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import soundfile

from reportlib.captures.audio_files import file_fault
from reportlib.day import Session

Role = Literal["microphone", "reference", "voltage", "current"]


def full_path(session: Session, path: str) -> Path:
    """Return where a file of the session lies."""
    return Path(session.folder) / path


def is_calibrator(session: Session, path: str) -> bool:
    """Return whether a recording is that of the acoustic calibrator."""
    return session.calibration is not None and session.calibration.recording == path


def needed_roles(session: Session, path: str) -> list[Role]:
    """Return the roles of the channel map that a recording has to carry."""
    if is_calibrator(session, path) or path in session.noise_captures:
        return ["microphone"]
    roles: list[Role] = ["microphone", "reference"]
    if any(stage.stress == path for entry in session.long_term for stage in entry.stages):
        roles += ["voltage", "current"]
    return [role for role in roles if getattr(session.channels, role) is not None]


def channel_indices(
    session: Session, path: str, *, file: soundfile.SoundFile, roles: Sequence[Role]
) -> list[int]:
    """Return where in the file the channels with these roles lie, counted from 0."""
    if is_calibrator(session, path) and file.channels == 1:
        return [0]
    for role in roles:
        number = getattr(session.channels, role)
        if number is None:
            text = f"no {role} can be read, [channels] of session.toml names none. Add it there."
            raise file_fault(full_path(session, path), text=text)
        if number > file.channels:
            count = "1 channel" if file.channels == 1 else f"{file.channels} channels"
            text = (
                f"session.toml says {role} = {number}, but the file has {count}. Correct "
                "[channels], or record it again with all channels."
            )
            raise file_fault(full_path(session, path), text=text)
    return [getattr(session.channels, role) - 1 for role in roles]
