"""The day's recordings, by the channel map of ``session.toml``; looked at before they are believed.

Samples are float64 with full scale at ±1. Only the channels that ``[channels]`` names are
kept. What cannot be used ends in one line that names the file; nothing is mended here.

The headers of all files of the day are looked at before anything is made of one, so that faults
come early.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import gcd
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from reportlib.errors import CaptureError
from reportlib.session.audio import (
    BLOCK_FRAMES,
    MOST_FRAMES,
    Role,
    channel_indices,
    file_fault,
    full_path,
    full_scale,
    is_calibrator,
    needed_roles,
    opened_audio,
    raw_blocks,
)
from reportlib.session.columns import read_column_text, read_correction
from reportlib.session.day import Session
from reportlib.session.records import Capture, FloatArray
from reportlib.session.schema import is_column_text

_CLIPPED_RUN = 3
_DROPPED_RUN = 16
_DROPPED_STEPS = 32
"""A sine that stands still at its top for n samples moves by up to 8 steps in the n on either side
(its parabola); four times as much is no sine."""


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
        integer format holds; for float files that of a 24-bit converter, 1 − 2^−23. Voltage
        and current are carried where the file has their channels and ``[calibration]`` says
        how many volts and amperes a full-scale sample is.

    Raises
    ------
    CaptureError
        The file cannot be used; the line says why and what to do.
    """
    full = full_path(session, path)
    nothing_played = path in session.noise_captures
    with opened_audio(full) as file:
        roles: list[Role] = [
            role for role in needed_roles(session, path) if role in ("microphone", "reference")
        ]
        reference = session.channels.reference
        if nothing_played and reference is not None and reference <= file.channels:
            roles.append("reference")
        scales = _electrical_scales(session, path, channels=file.channels)
        roles += scales
        indices = channel_indices(session, path, file=file, roles=roles)
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
    dropped: NDArray[np.intp] = np.empty(0, dtype=np.intp)
    offset = 0.0
    for role, channel in zip(roles, channels, strict=True):
        if role in scales:
            channel -= channel.mean()
            channel *= scales[role]
            continue
        low, high = float(channel.min()), float(channel.max())
        if low == high and not (role == "reference" and nothing_played):
            text = (
                f"its {role} channel ({getattr(session.channels, role)}) is silent, every sample "
                "is the same. Check the cable and [channels] of session.toml, and record it again."
            )
            raise file_fault(full, text=text, code="silent")
        if max(-low, high) >= limit:
            clipped = np.union1d(clipped, _held(channel, limit=limit))
        dropped = np.union1d(dropped, _dropped(channel, step=1.0 - limit))
        mean = float(channel.mean())
        channel -= mean
        offset = max(offset, mean, key=abs)
    read = dict(zip(roles, channels, strict=True))
    return Capture(
        source=path,
        sample_rate_hz=rate_hz,
        microphone=read["microphone"],
        reference=read.get("reference"),
        voltage=read.get("voltage"),
        current=read.get("current"),
        clipped_samples=clipped.size,
        clipped_s=_stretches(clipped, apart=rate_hz // 100) / rate_hz,
        dropped_s=_stretches(dropped, apart=rate_hz // 100) / rate_hz,
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
    full = full_path(session, path)
    with opened_audio(full) as file:
        if file.frames > MOST_FRAMES:
            raise file_fault(full, text="too long for a stimulus. Give one sweep or one period.")
        blocks = [np.array(block[:, 0]) for block in raw_blocks(full, file=file)]
        rate_hz = file.samplerate
    samples = np.concatenate(blocks).astype(np.float64, copy=False)
    if samples.min() == samples.max():
        raise file_fault(
            full, text="silent, expected what was played. Copy the right file.", code="silent"
        )
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


def read_period(session: Session, path: str, *, sample_rate_hz: int) -> FloatArray:
    """Return one period of what was repeated, at the captures' sample rate; shape (p,).

    Where its own rate differs it is resampled as what repeats itself for ever (by its spectrum), so
    that it stays one whole period.

    Raises
    ------
    CaptureError
        The file cannot be used, or its length is no whole number of samples at that rate.
    """
    full = full_path(session, path)
    with opened_audio(full) as file:
        rate_hz, frames = file.samplerate, file.frames
    samples = read_stimulus(session, path, sample_rate_hz=rate_hz)
    if rate_hz == sample_rate_hz:
        return samples
    if frames * sample_rate_hz % rate_hz:
        text = (
            f"its {frames} samples at {rate_hz} Hz are no whole number at the captures' "
            f"{sample_rate_hz} Hz, so that no period of it can be cut out of them. Play a period "
            "that is."
        )
        raise file_fault(full, text=text, code="no-multitone")
    from scipy.signal import resample

    return np.asarray(resample(samples, frames * sample_rate_hz // rate_hz))


@dataclass(frozen=True, kw_only=True)
class Header:
    """What a recording's header says: its length, and the value from which samples are clipped."""

    sample_rate_hz: int
    frames: int
    full_scale: float


def read_header(session: Session, path: str) -> Header:
    """Read how long a recording is and where it clips.

    Raises
    ------
    CaptureError
        The file cannot be used.
    """
    with opened_audio(full_path(session, path)) as file:
        return Header(
            sample_rate_hz=file.samplerate,
            frames=file.frames,
            full_scale=full_scale(file.subtype),
        )


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
    with opened_audio(full_path(session, path)) as file:
        indices = channel_indices(session, path, file=file, roles=roles)
    return _blocks(full_path(session, path), indices=indices, block_frames=block_frames)


def _blocks(full: Path, *, indices: list[int], block_frames: int) -> Iterator[FloatArray]:
    with opened_audio(full) as file:
        for block in raw_blocks(full, file=file, block_frames=block_frames):
            yield np.array(block[:, indices].T, dtype=np.float64, order="C")


def _electrical_scales(session: Session, path: str, *, channels: int) -> dict[Role, float]:
    """Return volts and amperes of a full-scale sample, of those channels that `path` carries."""
    calibration = session.calibration
    if calibration is None or is_calibrator(session, path):
        return {}
    given: dict[Role, float | None] = {
        "voltage": calibration.voltage_full_scale_v,
        "current": calibration.current_full_scale_a,
    }
    found: dict[Role, float] = {}
    for role, scale in given.items():
        number = getattr(session.channels, role)
        if scale is not None and number is not None and number <= channels:
            found[role] = scale
    return found


def _held(channel: FloatArray, *, limit: float) -> NDArray[np.intp]:
    """Return the samples in runs of one value at or beyond `limit`, three or more long."""
    at = np.flatnonzero(np.abs(channel) >= limit)
    breaks = np.flatnonzero((np.diff(at) > 1) | (np.diff(channel[at]) != 0.0)) + 1
    lengths = np.diff(np.concatenate(([0], breaks, [at.size])))
    return at[np.repeat(lengths >= _CLIPPED_RUN, lengths)]


def _dropped(channel: FloatArray, *, step: float) -> NDArray[np.intp]:
    """Return the samples of runs that stand still while the sound before and after them moves.

    A converter's own steps, silence and tops that are cut flat stand still as well: with nothing
    moving on one side, or at the highest value around.

    Parameters
    ----------
    step : of the recording's format, full scale at 1; the converter's own may be larger
    """
    at = np.flatnonzero(channel[1:] == channel[:-1])
    if not at.size:
        return at
    breaks = np.flatnonzero(np.diff(at) > 1)
    first = at[np.concatenate(([0], breaks + 1))]
    last = at[np.concatenate((breaks, [at.size - 1]))] + 1
    long = last - first >= _DROPPED_RUN - 1
    if not long.any():
        return at[:0]
    moves = np.abs(np.diff(channel))
    step = max(step, float(np.min(moves, where=moves > 0.0, initial=np.inf)))
    found = [np.empty(0, dtype=np.intp)]
    for start, end in zip(first[long].tolist(), last[long].tolist(), strict=True):
        size, value = end - start + 1, channel[start]
        sides = channel[max(0, start - size) : start], channel[end + 1 : end + 1 + size]
        if not all(side.size for side in sides):
            continue
        apart = [np.abs(side - value).max() for side in sides]
        highest = max(np.abs(side).max() for side in sides)
        if min(apart) >= _DROPPED_STEPS * step and abs(value) < 0.9 * highest:
            found.append(np.arange(start, end + 1))
    return np.concatenate(found)


def _stretches(samples: NDArray[np.intp], *, apart: int) -> FloatArray:
    """Return first and last of each group of samples that lie less than `apart` from each other."""
    if not samples.size:
        return np.empty(0)
    breaks = np.flatnonzero(np.diff(samples) >= apart)
    first = samples[np.concatenate(([0], breaks + 1))]
    last = samples[np.concatenate((breaks, [samples.size - 1]))]
    return np.stack((first, last), axis=1).ravel().astype(np.float64)


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
