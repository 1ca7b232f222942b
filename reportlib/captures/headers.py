"""Look at every file of the day before anything is made of one, so that faults come early."""

from collections import Counter
from collections.abc import Iterator

from reportlib.captures.audio_files import file_fault, opened_audio
from reportlib.captures.channel_map import channel_indices, full_path, needed_roles
from reportlib.captures.column_text import read_column_text, read_correction
from reportlib.day import Session
from reportlib.session.schema import is_column_text


def is_text_session(session: Session) -> bool:
    """Return whether the session's sweeps are column text; they are all of one kind."""
    return is_column_text(session.baseline.captures[0])


def check_headers(session: Session) -> int:
    """Return the sample rate that all recordings share [Hz], from their headers alone.

    The stimuli and the calibrator's recording are opened too; their rates may differ. Column
    text, captures and the microphone's correction, is read.

    Returns
    -------
    Hz; 0 where every capture is column text

    Raises
    ------
    CaptureError
        A file is no WAV or FLAC, is cut short, holds nothing, lacks a channel that
        ``[channels]`` names, or has a sample rate of its own; column text cannot be read.
    """
    read_correction(session)
    rates_hz: dict[str, int] = {}
    for path in _captures(session):
        if is_column_text(path):
            read_column_text(session, path)
            continue
        with opened_audio(full_path(session, path)) as file:
            channel_indices(session, path, file=file, roles=needed_roles(session, path))
            rates_hz[path] = file.samplerate
    common_hz = Counter(rates_hz.values()).most_common(1)[0][0] if rates_hz else 0
    for path, rate_hz in rates_hz.items():
        if rate_hz != common_hz:
            other = next(name for name, rate in rates_hz.items() if rate == common_hz)
            text = (
                f"recorded at {rate_hz} Hz, but {other} at {common_hz} Hz, expected one sample "
                "rate for all captures. Record it again, or convert it."
            )
            raise file_fault(full_path(session, path), text=text)
    if session.calibration and session.calibration.recording:
        path = session.calibration.recording
        with opened_audio(full_path(session, path)) as file:
            channel_indices(session, path, file=file, roles=needed_roles(session, path))
    for stimulus in (session.sweep, session.multitone):
        if stimulus and stimulus.stimulus:
            with opened_audio(full_path(session, stimulus.stimulus)):
                pass
    return common_hz


def _captures(session: Session) -> Iterator[str]:
    """Yield the path of every recording of the day but the calibrator's."""
    yield from session.noise_captures
    for entry in (*session.short_term, *session.baseline_again):
        yield from entry.captures
    for level in session.long_term:
        yield from level.before
        for stage in level.stages:
            yield from (stage.stress,) if stage.stress else ()
            yield from stage.after
