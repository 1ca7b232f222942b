"""The day's recordings, by the channel map of ``session.toml``.

Samples are float64 with full scale at ±1. Only the channels that ``[channels]`` names are
kept. What cannot be used ends in one line that names the file; nothing is mended here.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from math import gcd
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from reportlib.captures.audio_files import (
    BLOCK_FRAMES,
    MOST_FRAMES,
    file_fault,
    full_scale,
    opened_audio,
    raw_blocks,
)
from reportlib.day import Session
from reportlib.model import Capture, FloatArray

Role = Literal["microphone", "reference", "voltage", "current"]

_CLIPPED_RUN = 3


def check_headers(session: Session) -> int:
    """Return the sample rate that all captures share [Hz], from their headers alone.

    The stimuli and the calibrator's recording are opened too; their rates may differ.

    Raises
    ------
    CaptureError
        A file is no WAV or FLAC, is cut short, holds nothing, lacks a channel that
        ``[channels]`` names, or has a sample rate of its own.
    """
    rates_hz: dict[str, int] = {}
    for path in _captures(session):
        with opened_audio(_full(session, path)) as file:
            _channel_indices(session, path, file=file, roles=_needed(session, path))
            rates_hz[path] = file.samplerate
    common_hz = Counter(rates_hz.values()).most_common(1)[0][0]
    for path, rate_hz in rates_hz.items():
        if rate_hz != common_hz:
            other = next(name for name, rate in rates_hz.items() if rate == common_hz)
            text = (
                f"recorded at {rate_hz} Hz, but {other} at {common_hz} Hz, expected one sample "
                "rate for all captures. Record it again, or convert it."
            )
            raise file_fault(_full(session, path), text=text)
    if session.calibration and session.calibration.recording:
        path = session.calibration.recording
        with opened_audio(_full(session, path)) as file:
            _channel_indices(session, path, file=file, roles=_needed(session, path))
    for stimulus in (session.sweep, session.multitone):
        if stimulus and stimulus.stimulus:
            with opened_audio(_full(session, stimulus.stimulus)):
                pass
    return common_hz


def read_capture(session: Session, path: str) -> Capture:
    """Read one recording whole, with the mean of each channel taken off.

    Parameters
    ----------
    session
        Its channel map says what is kept, and what kind of recording `path` is: a sweep needs
        the reference where one is named; a recording with nothing played may lack it; the
        calibrator's needs the microphone alone, which is its only channel where it has one.
    path
        Relative to the session folder.

    Returns
    -------
    Capture
        `clipped_samples` counts the instants at which either channel stays at one value at or
        beyond full scale for three samples or more. Full scale is the largest value that the
        integer format holds; for float files that of a 24-bit converter, 1 − 2^−23.

    Raises
    ------
    CaptureError
        The file cannot be used; the line says why and what to do.
    """
    full = _full(session, path)
    nothing_played = path in session.noise_captures
    with opened_audio(full) as file:
        roles = [role for role in _needed(session, path) if role in ("microphone", "reference")]
        reference = session.channels.reference
        if nothing_played and reference is not None and reference <= file.channels:
            roles.append("reference")
        indices = _channel_indices(session, path, file=file, roles=roles)
        if file.frames > MOST_FRAMES:
            minutes = file.frames / file.samplerate / 60.0
            text = f"{minutes:.0f} minutes long, expected one sweep. Cut it to the sweep."
            raise file_fault(full, text=text)
        channels = [np.empty(file.frames) for _ in roles]
        start = 0
        for block in raw_blocks(full, file=file):
            for channel, index in zip(channels, indices, strict=True):
                channel[start : start + len(block)] = block[:, index]
            start += len(block)
        rate_hz = file.samplerate
        limit = full_scale(file.subtype)
    clipped: NDArray[np.intp] = np.empty(0, dtype=np.intp)
    offset = 0.0
    for role, channel in zip(roles, channels, strict=True):
        low, high = float(channel.min()), float(channel.max())
        if low == high and not (role == "reference" and nothing_played):
            text = (
                f"its {role} channel ({getattr(session.channels, role)}) is silent, every sample "
                "is the same. Check the cable and [channels] of session.toml, and record it again."
            )
            raise file_fault(full, text=text)
        if max(-low, high) >= limit:
            clipped = np.union1d(clipped, _held(channel, limit=limit))
        mean = float(channel.mean())
        channel -= mean
        offset = max(offset, mean, key=abs)
    return Capture(
        source=path,
        sample_rate_hz=rate_hz,
        microphone=channels[0],
        reference=channels[1] if len(channels) > 1 else None,
        clipped_samples=clipped.size,
        dc_offset=offset,
    )


def read_stimulus(session: Session, path: str, *, sample_rate_hz: int) -> FloatArray:
    """Return the first channel of what was played, at the captures' sample rate; shape (n,).

    Where its own rate differs it is resampled by the exact ratio, with a low-pass of linear
    phase (Kaiser window, its delay taken off): flat to 0.9 of the lower Nyquist frequency and
    120 dB down from 1.1 of it on, so that it leaves nothing of its own in a response.

    Raises
    ------
    CaptureError
        The file cannot be used.
    """
    full = _full(session, path)
    with opened_audio(full) as file:
        if file.frames > MOST_FRAMES:
            raise file_fault(full, text="too long for a stimulus. Give one sweep or one period.")
        blocks = [np.array(block[:, 0]) for block in raw_blocks(full, file=file)]
        rate_hz = file.samplerate
    samples = np.concatenate(blocks).astype(np.float64, copy=False)
    if samples.min() == samples.max():
        raise file_fault(full, text="silent, expected what was played. Copy the right file.")
    if rate_hz == sample_rate_hz:
        return samples
    from scipy.signal import firwin, resample_poly

    common = gcd(rate_hz, sample_rate_hz)
    up, down = sample_rate_hz // common, rate_hz // common
    widest = max(up, down)
    # half a length of 40 periods of the lower rate: (A − 7.95)/(2.285·Δω) for A = 120 dB and a
    # transition of 0.2 of its Nyquist frequency (Kaiser 1974; the formula from memory) gives 39
    taps = firwin(2 * 40 * widest + 1, 1.0 / widest, window=("kaiser", 12.26))
    return np.asarray(resample_poly(samples, up, down, window=taps))


def open_blocks(
    session: Session,
    path: str,
    *,
    roles: Sequence[Role] = ("microphone",),
    block_frames: int = BLOCK_FRAMES,
) -> Iterator[FloatArray]:
    """Read a long recording in blocks, never whole: shape (len(roles), n) each, means kept.

    All blocks but the last hold `block_frames` samples a channel. The header is checked at
    once, the samples as they are read.

    Raises
    ------
    CaptureError
        The file cannot be used, or turns out cut short or not finite on the way.
    """
    with opened_audio(_full(session, path)) as file:
        indices = _channel_indices(session, path, file=file, roles=roles)
    return _blocks(_full(session, path), indices=indices, block_frames=block_frames)


def _blocks(full: Path, *, indices: list[int], block_frames: int) -> Iterator[FloatArray]:
    with opened_audio(full) as file:
        for block in raw_blocks(full, file=file, block_frames=block_frames):
            yield np.array(block[:, indices].T, dtype=np.float64, order="C")


def _full(session: Session, path: str) -> Path:
    return Path(session.folder) / path


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


def _is_calibrator(session: Session, path: str) -> bool:
    return session.calibration is not None and session.calibration.recording == path


def _needed(session: Session, path: str) -> list[Role]:
    """Return the roles of the channel map that a recording has to carry."""
    if _is_calibrator(session, path) or path in session.noise_captures:
        return ["microphone"]
    roles: list[Role] = ["microphone", "reference"]
    if any(stage.stress == path for entry in session.long_term for stage in entry.stages):
        roles += ["voltage", "current"]
    return [role for role in roles if getattr(session.channels, role) is not None]


def _channel_indices(
    session: Session, path: str, *, file: soundfile.SoundFile, roles: Sequence[Role]
) -> list[int]:
    """Return where in the file the channels with these roles lie, counted from 0."""
    if _is_calibrator(session, path) and file.channels == 1:
        return [0]
    for role in roles:
        number = getattr(session.channels, role)
        if number is None:
            text = f"no {role} can be read, [channels] of session.toml names none. Add it there."
            raise file_fault(_full(session, path), text=text)
        if number > file.channels:
            count = "1 channel" if file.channels == 1 else f"{file.channels} channels"
            text = (
                f"session.toml says {role} = {number}, but the file has {count}. Correct "
                "[channels], or record it again with all channels."
            )
            raise file_fault(_full(session, path), text=text)
    return [getattr(session.channels, role) - 1 for role in roles]


def _held(channel: FloatArray, *, limit: float) -> NDArray[np.intp]:
    """Return the samples in runs of one value at or beyond `limit`, three or more long."""
    at = np.flatnonzero(np.abs(channel) >= limit)
    breaks = np.flatnonzero((np.diff(at) > 1) | (np.diff(channel[at]) != 0.0)) + 1
    lengths = np.diff(np.concatenate(([0], breaks, [at.size])))
    return at[np.repeat(lengths >= _CLIPPED_RUN, lengths)]
