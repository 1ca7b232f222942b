"""Recordings as files: WAV and FLAC, opened where the header holds good, cut, and written.

Through soundfile (libsndfile). Samples have full scale at ±1: an integer sample of b bits is
divided by 2^(b−1) (FLAC's samples are signed integers of their bit depth, RFC 9639; WAV's by
common practice, no source), 8-bit WAV after taking off its offset of 128. A fault is one
line that names the file.

libsndfile reads a WAV that was cut short without a word, as far as it goes; a copy that broke
off or a recorder that was never stopped would pass for a whole recording. The layout is that
of RIFF (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991)
and of its 64-bit form RF64 (EBU Tech 3306); both from memory.

Which channel of which recording is what, the channel map of ``session.toml`` says. Long recordings
are looked into anywhere, and pieces cut out of them bit for bit. What is to be played is written as
24-bit WAV with dither, read back and checked.

Dither is noise of triangular density, two steps wide (S. P. Lipshitz, R. A. Wannamaker,
J. Vanderkooy, JAES 40(5), 1992; from memory), with a fixed seed: the same day makes the same
bytes.
"""

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from reportlib.errors import CaptureError, RenderError, one_line
from reportlib.session.day import Session
from reportlib.session.records import FloatArray

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


_ORDERS = {b"RIFF": "little", b"RF64": "little", b"BW64": "little", b"RIFX": "big"}
_IN_DS64 = 0xFFFFFFFF  # a size that RF64 keeps in its ds64 chunk


def missing_bytes(path: Path) -> int:
    """Return by how many bytes the file is shorter than its data chunk says; 0 for other files.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as file:
        order = _ORDERS.get(file.read(4))
        length = os.fstat(file.fileno()).st_size
        promised = _promised_end(file, order=order) if order else 0
    return max(0, promised - length)


def _promised_end(file: BinaryIO, *, order: str) -> int:
    """Return where the samples end by the header, 0 where it has no data chunk."""

    def number(data: bytes) -> int:
        return int.from_bytes(data, "big" if order == "big" else "little")

    file.seek(12)
    long_size = _IN_DS64
    while len(chunk := file.read(8)) == 8:
        name, size = chunk[:4], number(chunk[4:])
        start = file.tell()
        if name == b"data":
            return start + (long_size if size == _IN_DS64 else size)
        if name == b"ds64":  # the whole file's size, then that of the data chunk
            long_size = number(file.read(16)[8:])
        file.seek(start + size + size % 2)
    return 0


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


BITS = 24
_STEPS = 1 << (BITS - 1)
_SEED = 24
_TIMES = 4
"""Interpolation for the true peak (ITU-R BS.1770, Annex 2, asks for four times; from memory)."""
_AROUND = 256
_PIECE_WRITTEN = 1 << 16


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
        for start in range(0, block.size, _PIECE_WRITTEN):
            yield block[start : start + _PIECE_WRITTEN]


def _true_peak(samples: FloatArray) -> float:
    """Largest value of a stretch between its samples too, away from its ends."""
    from scipy.signal import resample_poly

    between = resample_poly(samples, _TIMES, 1, window=("kaiser", 10.0))
    inside = between[_TIMES * _AROUND // 2 : between.size - _TIMES * _AROUND // 2]
    return float(np.max(np.abs(inside), initial=float(np.max(np.abs(samples)))))
