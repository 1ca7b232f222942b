"""Writing what is played: 24-bit WAV with dither, read back and checked.

Dither is noise of triangular density, two steps wide (S. P. Lipshitz, R. A. Wannamaker,
J. Vanderkooy, JAES 40(5), 1992; from memory), with a fixed seed: the same day makes the same
bytes.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from reportlib.arrays import FloatArray
from reportlib.captures.audio_files import opened_audio
from reportlib.errors import RenderError
from reportlib.one_line import one_line

BITS = 24
_STEPS = 1 << (BITS - 1)
_SEED = 24
_TIMES = 4
"""Interpolation for the true peak (ITU-R BS.1770, Annex 2, asks for four times; from memory)."""
_AROUND = 256
_PIECE = 1 << 16


def write_stimulus(path: Path, blocks: Iterable[FloatArray], *, sample_rate_hz: int) -> None:
    """Write samples as 24-bit WAV; folders on the way are made.

    Parameters
    ----------
    blocks : shape (n,) each, full scale at ±1

    Raises
    ------
    RenderError
        It could not be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with soundfile.SoundFile(
            path, "w", sample_rate_hz, 1, format="WAV", subtype=f"PCM_{BITS}"
        ) as file:
            for whole in _dithered(blocks):
                file.write(whole << (32 - BITS))
    except (OSError, soundfile.SoundFileError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RenderError(
            one_line(f"{path}: could not be written ({reason}). Make room, or give another folder.")
        ) from error


def check_stimulus(path: Path, blocks: Iterable[FloatArray], *, sample_rate_hz: int) -> float:
    """Read a file back, hold every sample against what was meant, and return its true peak.

    Parameters
    ----------
    blocks : what was written, once more

    Returns
    -------
    largest value between the samples too, by four times interpolation; full scale is 1

    Raises
    ------
    RenderError
        The file holds something else, or its true peak reaches full scale.
    """
    meant = _pieces(_dithered(blocks))
    peak = 0.0
    before = np.zeros(2 * _AROUND)
    with opened_audio(path) as file:
        if file.samplerate != sample_rate_hz or file.subtype != f"PCM_{BITS}":
            raise _differs(path)
        for expected in meant:
            read = file.read(expected.size, dtype="int32") >> (32 - BITS)
            if not np.array_equal(read, expected):
                raise _differs(path)
            before = np.concatenate((before, read / _STEPS))
            peak = max(peak, _true_peak(before))
            before = before[-2 * _AROUND :]
        if file.read(1).size:
            raise _differs(path)
    peak = max(peak, _true_peak(np.pad(before, (0, 2 * _AROUND))))
    if peak >= 1.0:
        raise RenderError(one_line(f"{path}: its true peak reaches full scale ({peak:.3f})."))
    return peak


def _differs(path: Path) -> RenderError:
    return RenderError(
        one_line(f"{path}: read back, it is not what was written. Check the disk, and plan again.")
    )


def _dithered(blocks: Iterable[FloatArray]) -> Iterator[NDArray[np.int32]]:
    """Whole steps of the converter, with dither: the same for the same blocks."""
    chance = np.random.default_rng(_SEED)
    for block in blocks:
        noise = chance.random(block.size) - chance.random(block.size)
        steps = np.round(block * _STEPS + noise)
        yield np.clip(steps, -_STEPS, _STEPS - 1).astype(np.int32)


def _pieces(blocks: Iterable[NDArray[np.int32]]) -> Iterator[NDArray[np.int32]]:
    for block in blocks:
        for start in range(0, block.size, _PIECE):
            yield block[start : start + _PIECE]


def _true_peak(samples: FloatArray) -> float:
    """Largest value of a stretch between its samples too, away from its ends."""
    from scipy.signal import resample_poly

    between = resample_poly(samples, _TIMES, 1, window=("kaiser", 10.0))
    inside = between[_TIMES * _AROUND // 2 : between.size - _TIMES * _AROUND // 2]
    return float(np.max(np.abs(inside), initial=float(np.max(np.abs(samples)))))
