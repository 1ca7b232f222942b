"""What ties samples to dB SPL: a recording of an acoustic calibrator, or a typed-in full scale."""

import math
from pathlib import Path

import numpy as np

from reportlib.captures.audio_files import file_fault
from reportlib.captures.recordings import read_capture
from reportlib.day import Session
from reportlib.levels import tone_amplitude

_SHORTEST_S = 0.25
_PIECES = 5
_STEADY_DB = 0.3  # common practice, no source: a calibrator that sits well moves by less
_LEAST_SHARE = 0.5


def read_full_scale_db(session: Session) -> float | None:
    """Return the level of a sine that just reaches full scale, dB SPL (rms) at the microphone.

    From the calibrator's recording (the amplitude of its tone against its level) or as typed
    in; None where nothing was calibrated.

    Raises
    ------
    CaptureError
        The recording holds no steady tone of the calibrator's frequency, is too short or
        clipped, or cannot be read.
    """
    calibration = session.calibration
    if calibration is None or calibration.recording is None:
        return None if calibration is None else calibration.full_scale_db
    tone = read_capture(session, calibration.recording)
    asked_hz, asked_db = calibration.frequency_hz or 1000.0, calibration.level_db or 94.0
    full = Path(session.folder) / calibration.recording
    seconds = tone.microphone.size / tone.sample_rate_hz
    if seconds < _SHORTEST_S or asked_hz > 0.45 * tone.sample_rate_hz:
        text = (
            f"{seconds:.2f} s at {tone.sample_rate_hz} Hz, expected {_SHORTEST_S:g} s or more of a "
            f"{asked_hz:g} Hz tone. Record the calibrator again."
        )
        raise file_fault(full, text=text)
    if tone.clipped_samples:
        text = "the calibrator's tone is clipped. Lower the input gain and measure this day again."
        raise file_fault(full, text=text)
    common = {"sample_rate_hz": tone.sample_rate_hz, "frequency_hz": asked_hz}
    amplitude, share = tone_amplitude(tone.microphone, **common)
    if share < _LEAST_SHARE:
        text = (
            f"it holds no steady {asked_hz:g} Hz tone. Record the calibrator again, or correct "
            "frequency_hz in [calibration] of session.toml."
        )
        raise file_fault(full, text=text)
    parts = np.array_split(tone.microphone, _PIECES)
    levels = [20.0 * math.log10(tone_amplitude(part, **common)[0] + 1e-30) for part in parts]
    if max(levels) - min(levels) > _STEADY_DB:
        text = (
            f"its tone moves by {max(levels) - min(levels):.1f} dB, expected a steady one. Cut the "
            "recording to where the calibrator sits still, or record it again."
        )
        raise file_fault(full, text=text)
    return asked_db - 20.0 * math.log10(amplitude)
