"""Reading a recording with nothing played, before there is a session to read it by."""

from pathlib import Path

import numpy as np

from reportlib.captures.audio_files import MOST_FRAMES, file_fault, opened_audio, raw_blocks
from reportlib.planning.asked import RoomNoise
from reportlib.planning.room_noise import room_noise


def heard_silence(path: Path, *, channel: int, full_scale_db: float) -> RoomNoise:
    """Return how loud a silent recording is.

    Parameters
    ----------
    channel : the microphone's, counted from 1
    full_scale_db : dB SPL (rms) of a sine that just reaches full scale

    Raises
    ------
    CaptureError, PlanError
        The file cannot be used.
    """
    with opened_audio(path) as file:
        if not 1 <= channel <= file.channels:
            raise file_fault(
                path, text=f"has {file.channels} channels, not {channel}. Give the microphone's."
            )
        if file.frames > MOST_FRAMES:
            raise file_fault(path, text="too long. Give some 10 s of silence.")
        rate = file.samplerate
        samples = np.concatenate(
            [np.array(block[:, channel - 1]) for block in raw_blocks(path, file=file)]
        )
    return room_noise(
        samples.astype(np.float64),
        sample_rate_hz=rate,
        full_scale_db=full_scale_db,
        source=str(path),
    )
