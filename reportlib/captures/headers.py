"""Look at every file of the day before anything is made of one, so that faults come early."""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from reportlib.captures.audio_files import file_fault, opened_audio
from reportlib.captures.channel_map import channel_indices, full_path, needed_roles
from reportlib.captures.column_text import read_column_text, read_correction
from reportlib.day import Session
from reportlib.day_values import is_column_text
from reportlib.errors import CaptureError


def is_text_session(session: Session) -> bool:
    """Return whether the session's sweeps are column text; they are all of one kind."""
    return is_column_text(session.baseline.captures[0])


@dataclass(frozen=True, eq=False, kw_only=True)
class Headers:
    """What the headers of a day's recordings say.

    Attributes
    ----------
    sample_rate_hz : of the session, 0 where every capture is column text
    faults : by path, of the recordings that cannot be used
    """

    sample_rate_hz: int
    faults: Mapping[str, CaptureError]


def read_headers(session: Session) -> Headers:
    """Look at every recording's header; one that cannot be used is a fault, not the day's end.

    Of the rates that the baseline's takes have the commonest of the day is the session's: nothing
    can be compared without a baseline. The stimuli and the calibrator's recording are opened
    too; their rates may differ. Column text, captures and the microphone's correction, is read.

    Raises
    ------
    CaptureError
        No recording can be used, or a stimulus, the calibrator's recording, the microphone's
        correction or column text cannot be read.
    """
    read_correction(session)
    rates_hz: dict[str, int] = {}
    faults: dict[str, CaptureError] = {}
    for path in _captures(session):
        if is_column_text(path):
            read_column_text(session, path)
            continue
        try:
            with opened_audio(full_path(session, path)) as file:
                channel_indices(session, path, file=file, roles=needed_roles(session, path))
                rates_hz[path] = file.samplerate
        except CaptureError as error:
            faults[path] = error
    if faults and not rates_hz:
        raise next(iter(faults.values()))
    baseline = {rates_hz[path] for path in session.baseline.captures if path in rates_hz}
    counted = Counter(rate for rate in rates_hz.values() if not baseline or rate in baseline)
    common_hz = counted.most_common(1)[0][0] if counted else 0
    for path, rate_hz in rates_hz.items():
        if rate_hz != common_hz:
            first = next(name for name, rate in rates_hz.items() if rate == common_hz)
            text = (
                f"recorded at {rate_hz} Hz, but {first} at {common_hz} Hz, expected one sample "
                "rate for all captures. Record it again, or convert it."
            )
            faults[path] = file_fault(full_path(session, path), text=text)
    if session.calibration and session.calibration.recording:
        path = session.calibration.recording
        with opened_audio(full_path(session, path)) as file:
            channel_indices(session, path, file=file, roles=needed_roles(session, path))
    for stimulus in (session.sweep, session.multitone):
        if stimulus and stimulus.stimulus:
            with opened_audio(full_path(session, stimulus.stimulus)):
                pass
    return Headers(sample_rate_hz=common_hz, faults=faults)


def check_headers(session: Session) -> int:
    """Return the sample rate that all recordings share [Hz], from their headers alone.

    Returns
    -------
    Hz; 0 where every capture is column text

    Raises
    ------
    CaptureError
        As `read_headers`, and where any recording is no WAV or FLAC, is cut short, holds
        nothing, lacks a channel that ``[channels]`` names, or has a sample rate of its own.
    """
    found = read_headers(session)
    for error in found.faults.values():
        raise error
    return found.sample_rate_hz


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
