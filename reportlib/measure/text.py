"""Column text brought onto the grid: levels that somebody else measured and smoothed.

A file's curve is taken as straight in dB over log frequency between its rows. Where its rows
stand closer than the smoothing still due, the power under the curve is averaged over each cell,
every hertz with the same weight, as sweeps are smoothed; elsewhere the curve itself is read.
What was smoothed over s octaves already is averaged over √(w² − s²) only, w the report's own
width: boxes add in the squares of their widths (second moments), and nothing is smoothed twice.

A step between rows wider than 1/6 octave, or than the smoothing that the file was given, says
nothing of what lies inside it: those points are told by no file (``gap``), like those outside
its range (``range``).
"""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.errors import AnalysisError
from reportlib.measure.levels import G, grid_hz
from reportlib.measure.records import Reason, Response
from reportlib.session.day import TextFacts
from reportlib.session.records import BoolArray, ColumnText, FloatArray

GRID_RANGE_HZ = (10.0, 40_000.0)
"""The grid goes no farther than this, however far a file does."""

LARGEST_STEP_OCTAVES = 1.0 / 6.0
_ROUNDED = 1.2  # nominal frequencies are rounded: 140 to 160 Hz (ISO 266) is 1.16 times 1/6 octave
_BESIDE = 1.001  # as far as four digits may have rounded a file's first and last frequency


def text_range_hz(
    columns: Sequence[ColumnText], *, sweep_range_hz: tuple[float, float] | None = None
) -> tuple[float, float]:
    """Return the range that the files of a session cover: all of it, each its part.

    Parameters
    ----------
    columns : one a file
    sweep_range_hz : what was swept, where the session says it; nothing beyond counts

    Raises
    ------
    AnalysisError
        The files say nothing within 10 Hz to 40 kHz, or within the sweep.
    """
    low, high = GRID_RANGE_HZ
    if sweep_range_hz is not None:
        low, high = max(low, sweep_range_hz[0]), min(high, sweep_range_hz[1])
    first = max(low, min(float(column.frequency_hz[0]) for column in columns))
    last = min(high, max(float(column.frequency_hz[-1]) for column in columns))
    if first > last or not grid_hz(start_hz=first, stop_hz=last).size:
        raise AnalysisError(
            f"{columns[0].source} and the other column-text captures hold no frequency from "
            f"{low:g} to {high:g} Hz that a report shows; the first column is frequency in Hz."
        )
    return first, last


def level_at(column: ColumnText, *, frequency_hz: FloatArray) -> FloatArray:
    """Return the level at frequencies, straight over log frequency and held beyond the ends.

    Returns
    -------
    shape of `frequency_hz`, dB
    """
    return np.asarray(np.interp(np.log(frequency_hz), np.log(column.frequency_hz), column.level_db))


def microphone_db(
    column: ColumnText, *, frequency_hz: FloatArray, calibrated_at_hz: float | None = None
) -> FloatArray:
    """Return by how much the microphone reads too high, held beyond the file's ends.

    Where a calibrator's recording ties samples to dB SPL, the microphone's error at the
    calibrator's frequency is in that tie already: there the correction is 0.

    Parameters
    ----------
    frequency_hz : shape (n,)
    calibrated_at_hz : the calibrator's frequency, None without one
    """
    found = level_at(column, frequency_hz=frequency_hz)
    if calibrated_at_hz is None:
        return found
    return found - level_at(column, frequency_hz=np.array([calibrated_at_hz]))


def untold(
    column: ColumnText, *, frequency_hz: FloatArray, smoothing_octaves: float | None
) -> tuple[Reason, ...]:
    """Return why the file can't tell a point: ``range``, ``gap`` or nothing, one a point.

    Parameters
    ----------
    frequency_hz : shape (n,), the grid
    smoothing_octaves : how the file was smoothed already, None where nobody says
    """
    f = column.frequency_hz
    outside = (frequency_hz < f[0] / _BESIDE) | (frequency_hz > f[-1] * _BESIDE)
    index, on_row = _rows_below(column, frequency_hz=frequency_hz)
    inside_gap = _gaps(column, smoothing_octaves=smoothing_octaves)[index] & ~on_row
    reason = np.select([outside, inside_gap], ["range", "gap"], default="")
    return tuple(reason.tolist())


def text_response(
    column: ColumnText, *, frequency_hz: FloatArray, fraction: int, facts: TextFacts
) -> Response:
    """Bring one file onto the grid, as the response that the analysis takes.

    Its power is that of the file's level, NaN where the file can't tell a point. Of noise it
    knows what ``[text]`` says: `snr_db` is K·|H|²/σ² at every point; without it noise is 0,
    and whatever is made of it a lower bound.

    Parameters
    ----------
    frequency_hz : shape (n,), the grid
    fraction : smoothing of the report, as the n of 1/n octave
    facts : how the files of this session were made

    Raises
    ------
    AnalysisError
        No point of the grid can be told from this file.
    """
    reasons = untold(column, frequency_hz=frequency_hz, smoothing_octaves=facts.smoothing_octaves)
    told = np.array([not reason for reason in reasons])
    if not told.any():
        raise AnalysisError(
            f"{column.source} leaves nothing to tell: its rows stand more than 1/6 octave apart. "
            "Export it finer, or give smoothing_octaves in [text] if it was smoothed so wide."
        )
    power = np.where(
        told, _smoothed_power(column, frequency_hz=frequency_hz, fraction=fraction, facts=facts),
        np.nan,
    )  # fmt: skip
    noise_ratio = 0.0 if facts.snr_db is None else 10.0 ** (-facts.snr_db / 10.0)
    zero, one = np.zeros(frequency_hz.shape), np.ones(frequency_hz.shape)
    unknown = np.empty((0, frequency_hz.size))
    return Response(
        source=column.source,
        frequency_hz=frequency_hz,
        power=power,
        power_moved_gate=np.stack((power, power)),
        noise_power=noise_ratio * power,
        noise_dof=np.full(frequency_hz.shape, np.inf),
        cells=one,
        gate_noise_share=np.stack((zero, zero)),
        drive_amplitude=1.0,
        drive_power=one,
        drive_noise=zero,
        harmonic_power=unknown,
        harmonic_noise=unknown,
        noise_excess_db=np.full(frequency_hz.shape, np.nan),
        arrival_s=0.0,
        sweep_start_s=0.0,
        tail_s=0.0,
        untold=reasons,
    )


def smoothing_due_octaves(*, fraction: int, smoothing_octaves: float | None) -> float:
    """Return over how many octaves a file has still to be averaged.

    >>> smoothing_due_octaves(fraction=12, smoothing_octaves=1 / 3)
    0.0
    """
    return math.sqrt(max(0.0, fraction**-2.0 - (smoothing_octaves or 0.0) ** 2))


def largest_step_octaves(smoothing_octaves: float | None) -> float:
    """Return up to which step between rows the curve between them is believed."""
    return _ROUNDED * max(LARGEST_STEP_OCTAVES, smoothing_octaves or 0.0)


def _octave_steps(column: ColumnText) -> FloatArray:
    return np.asarray(np.diff(np.log(column.frequency_hz)) / math.log(G))


def _gaps(column: ColumnText, *, smoothing_octaves: float | None) -> BoolArray:
    """Return which steps between rows are gaps; shape (n − 1,)."""
    return np.asarray(_octave_steps(column) > largest_step_octaves(smoothing_octaves))


def _rows_below(
    column: ColumnText, *, frequency_hz: FloatArray
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], BoolArray]:
    """Return in which step between rows each frequency lies, and whether it stands on a row."""
    f = column.frequency_hz
    index = np.clip(np.searchsorted(f, frequency_hz, side="right") - 1, 0, f.size - 2)
    on_row = np.isclose(f[index], frequency_hz, rtol=1e-6, atol=0.0) | np.isclose(
        f[index + 1], frequency_hz, rtol=1e-6, atol=0.0
    )
    return index, on_row


def _smoothed_power(
    column: ColumnText, *, frequency_hz: FloatArray, fraction: int, facts: TextFacts
) -> FloatArray:
    """Average the power under the curve over what is due, or read the curve; shape (n,)."""
    f = column.frequency_hz
    width = smoothing_due_octaves(fraction=fraction, smoothing_octaves=facts.smoothing_octaves)
    gaps = np.flatnonzero(_gaps(column, smoothing_octaves=facts.smoothing_octaves))
    # the rows between which the curve around each point is unbroken
    index, _ = _rows_below(column, frequency_hz=frequency_hz)
    before = np.searchsorted(gaps, index)
    start = np.concatenate(([0], gaps + 1))[before]
    end = np.concatenate((gaps, [f.size - 1]))[before]
    low = np.clip(frequency_hz * G ** (-width / 2.0), f[start], f[end])
    high = np.clip(frequency_hz * G ** (width / 2.0), f[start], f[end])
    read = 10.0 ** (level_at(column, frequency_hz=frequency_hz) / 10.0)
    first = np.clip(np.searchsorted(f, low, side="right") - 1, 0, f.size - 2)
    last = np.clip(np.searchsorted(f, high, side="left") - 1, first, f.size - 2)
    widest = _over(np.maximum, _octave_steps(column), first=first, last=last)
    averaged = (widest < width * (1.0 - 1e-6)) & (high > low)
    if not averaged.any():
        return read
    power = 10.0 ** (column.level_db / 10.0)
    areas = 0.5 * (power[1:] + power[:-1]) * np.diff(f)
    # whole steps from the first to the last, less what lies outside the cell
    at_low, at_high = (10.0 ** (level_at(column, frequency_hz=edge) / 10.0) for edge in (low, high))
    same = first == last
    inner = _over(np.add, areas, first=first + 1, last=np.maximum(last - 1, first + 1))
    inner = np.where(last - first >= 2, inner, 0.0)
    left = 0.5 * (at_low + power[first + 1]) * (f[first + 1] - low)
    right = 0.5 * (power[last] + at_high) * (high - f[last])
    area = np.where(same, 0.5 * (at_low + at_high) * (high - low), left + inner + right)
    return np.where(averaged, area / np.where(averaged, high - low, 1.0), read)


def _over(
    gather: np.ufunc,
    values: FloatArray,
    *,
    first: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
    last: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
) -> FloatArray:
    """Gather ``values[first]`` to ``values[last]``, both counted in, for every pair."""
    padded = np.append(values, (0.0, 0.0))
    pairs = np.stack((first, last + 1), axis=1).ravel()
    return np.asarray(gather.reduceat(padded, pairs)[::2])
