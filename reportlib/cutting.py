"""Looking into long recordings anywhere, and cutting pieces out of them, bit for bit."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from reportlib.arrays import FloatArray
from reportlib.captures.audio_files import opened_audio
from reportlib.errors import RenderError
from reportlib.one_line import one_line

_PIECE = 1 << 18
_KEPT = {"PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"}  # as WAV; shorter ones grow to 16 bits


@dataclass(frozen=True, eq=False, kw_only=True)
class Opened:
    """A recording that stays open to be looked into."""

    file: soundfile.SoundFile

    @property
    def samples(self) -> int:
        """Its length."""
        return int(self.file.frames)

    @property
    def sample_rate_hz(self) -> int:
        """Its sample rate."""
        return int(self.file.samplerate)

    @property
    def channels(self) -> int:
        """How many channels it has."""
        return int(self.file.channels)

    def listen(self, first: int, count: int, *, channel: int) -> FloatArray:
        """Return so many samples of a channel (from 1) from one on; zeros beyond the ends."""
        begin, end = max(first, 0), min(first + count, self.samples)
        heard = np.zeros(count)
        if end > begin:
            self.file.seek(begin)
            read = self.file.read(end - begin, dtype="float64", always_2d=True)
            heard[begin - first : begin - first + len(read)] = read[:, channel - 1]
        return heard


@contextmanager
def opened_recording(path: Path) -> Iterator[Opened]:
    """Open a recording for looking into it.

    Raises
    ------
    CaptureError
        It cannot be used.
    """
    with opened_audio(path) as file:
        yield Opened(file=file)


def cut_out(path: Path, place: Path, *, first: int, samples: int) -> None:
    """Copy a stretch of a recording, all channels and every bit, to a WAV file.

    Raises
    ------
    CaptureError
        The recording cannot be used.
    RenderError
        The piece could not be written.
    """
    with opened_audio(path) as source:
        subtype = source.subtype if source.subtype in _KEPT else "PCM_16"
        dtype = "float64" if subtype in ("FLOAT", "DOUBLE") else "int32"
        source.seek(first)
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            with soundfile.SoundFile(
                place, "w", source.samplerate, source.channels, format="WAV", subtype=subtype
            ) as piece:
                for begin in range(0, samples, _PIECE):
                    piece.write(
                        source.read(min(_PIECE, samples - begin), dtype=dtype, always_2d=True)
                    )
        except OSError as error:
            raise RenderError(
                one_line(f"{place}: could not be written ({error.strerror or error}). Make room.")
            ) from error
