"""Open a WAV or FLAC whose header holds good, and read its samples in blocks.

Through soundfile (libsndfile). Samples have full scale at ±1: an integer sample of b bits is
divided by 2^(b−1) (FLAC's samples are signed integers of their bit depth, RFC 9639; WAV's by
common practice, no source), 8-bit WAV after taking off its offset of 128. A fault is one
line that names the file.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from reportlib.captures.riff import missing_bytes
from reportlib.day_values import is_column_text
from reportlib.errors import CaptureError
from reportlib.one_line import one_line

SAMPLE_RATES_HZ = (8_000, 400_000)
BLOCK_FRAMES = 1 << 16
MOST_FRAMES = 1 << 27
"""Samples a channel that are read whole at most: 46 minutes at 48 kHz."""

_FORMATS = ("WAV", "WAVEX", "RF64", "FLAC")
_BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = ("FLOAT", "DOUBLE")
_LOUDEST = 1e12  # a float file may count in any unit, but no unit makes sense of more
_ENDLESS = 1 << 40  # what libsndfile gives for a FLAC that does not say its length is larger


def file_fault(path: Path, *, text: str, code: str = "not-readable") -> CaptureError:
    """Return the error about the recording at `path`, as one line."""
    return CaptureError(one_line(f"{path}: {text}"), code=code)


def full_scale(subtype: str) -> float:
    """Return the largest value that a format holds on its positive side, with full scale at 1.

    For float formats that of a 24-bit converter, as they have no limit of their own.

    >>> full_scale("PCM_16") * 32768
    32767.0
    """
    return 1.0 - 2.0 ** (1 - _BITS.get(subtype, 24))


@contextmanager
def opened_audio(path: Path) -> Iterator[soundfile.SoundFile]:
    """Open the recording at `path`; errors of libsndfile inside become one line as well.

    Raises
    ------
    CaptureError
        No WAV or FLAC, cut short, empty, a rate or a coding that cannot be used.
    """
    if is_column_text(str(path)):
        text = "column text, expected a recording. Give it as WAV or FLAC."
        raise file_fault(path, text=text)
    if path.exists() and not path.is_file():
        raise file_fault(path, text="not an ordinary file. Name a recording.")
    try:
        missing = missing_bytes(path)
        with soundfile.SoundFile(str(path)) as file:
            fault = _header_fault(file, missing=missing)
            if fault:
                raise file_fault(path, text=fault)
            yield file
    except soundfile.SoundFileError as error:
        said = str(getattr(error, "error_string", error)).removeprefix("Error : ").rstrip(".")
        text = (
            f"no WAV or FLAC that can be read, or damaged or cut short (libsndfile: {said}). Copy, "
            "export or record it again."
        )
        raise file_fault(path, text=text) from error
    except OSError as error:
        text = f"cannot be read ({error.strerror or error}). Check its name and permissions."
        raise file_fault(path, text=text) from error


def raw_blocks(
    path: Path, *, file: soundfile.SoundFile, block_frames: int = BLOCK_FRAMES
) -> Iterator[NDArray[np.floating]]:
    """Yield all samples of an open recording, shape (n, channels), in a buffer used again.

    Raises
    ------
    CaptureError
        The file ends before its header says so, or holds NaN, infinity or absurd values.
    """
    dtype = np.float32 if file.subtype == "FLOAT" else np.float64  # exact, and faster
    buffer = np.empty((min(block_frames, file.frames), file.channels), dtype=dtype)
    floats = file.subtype in _FLOATS
    done = 0
    while done < file.frames:
        block = file.read(out=buffer)
        if len(block) == 0:
            text = (
                f"cut short: its header promises {file.frames} samples a channel, it holds {done}. "
                "Copy or record it again."
            )
            raise file_fault(path, text=text)
        # integers are always finite; NaN fails both comparisons
        if floats and not (block.max() <= _LOUDEST and block.min() >= -_LOUDEST):
            first = int(np.argmin(np.all(np.abs(block) <= _LOUDEST, axis=1)))
            text = (
                f"the sample at {(done + first) / file.samplerate:.3f} s is NaN, infinite or "
                "beyond any level. Export or record it again."
            )
            raise file_fault(path, text=text)
        yield block
        done += len(block)


def _header_fault(file: soundfile.SoundFile, *, missing: int) -> str:
    """Return what is wrong with the header, or nothing."""
    lowest_hz, highest_hz = SAMPLE_RATES_HZ
    if file.format not in _FORMATS:
        return f"{file.format} audio, expected WAV or FLAC. Export it again."
    if file.subtype not in (*_BITS, *_FLOATS):
        return f"coded as {file.subtype}, which loses detail, expected PCM or float. Record it so."
    if not lowest_hz <= file.samplerate <= highest_hz:
        return (
            f"its header says {file.samplerate} Hz, expected a sample rate from {lowest_hz} to "
            f"{highest_hz} Hz. Record or export it again."
        )
    if missing:
        return (
            f"cut short: its header promises {missing} bytes more than the file holds (or the "
            "recorder never closed it). Copy, export or record it again."
        )
    if file.frames == 0:
        return "it holds no samples (or the recorder never closed it). Record it again."
    if file.frames > _ENDLESS:
        return "its header does not say how long it is. Export it again."
    return ""
