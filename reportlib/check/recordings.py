"""Notes on single recordings: what can be told before levels are compared, and about two clocks."""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.check.kinds import found
from reportlib.check.trace import HUM_ORDERS, MAINS_HZ, Trace
from reportlib.errors import CaptureError
from reportlib.measure.clock_between import Clocks
from reportlib.measure.deconvolution import Deconvolved
from reportlib.measure.levels import BANDS
from reportlib.measure.records import BaselineCurve, Response
from reportlib.measure.sweep import SweepLaw, find_sweep
from reportlib.numbers import frequency, number
from reportlib.session.records import Capture, FloatArray, QualityNote

NOISE_EXCESS_DB = 6.0  # a judgement: four times the power
FLAT_SHARE = 0.2
"""A sine of constant amplitude reaches 0.10, one cut 0.15 dB below its tops 0.3 (computed)."""
DC_NOTE, DC_WARNING = 0.01, 0.1
"""Of full scale; 0.1 costs 0.9 dB of headroom (common practice, no source)."""
CUT_S = 0.02
LOW_SIGNAL_DB, LOWEST_SIGNAL_DB = 30.0, 20.0
"""At 20 dB noise alone leaves one bin 1.2 dB open, 0.4 dB at 30 (6.14 dB·σ/|H|, both sides)."""
HUM_DB = 10.0
"""Noise alone passes this in the mean of several silences less than once in 10⁶ (computed)."""


def once_read(capture: Capture, *, law: SweepLaw) -> list[QualityNote]:
    """Check a recording before anything is made of it."""
    return [
        *capture_notes(capture),
        *offset_notes(capture.source, offset=capture.dc_offset),
        *cut_notes(capture, law=law),
    ]


def once_deconvolved(
    one: Deconvolved, *, trace: Trace, law: SweepLaw, stimulus: bool, clipped: bool
) -> list[QualityNote]:
    """Check a recording whose sweep was found; `stimulus`: the drive is the file played."""
    return [
        *late_notes(one, law=law, stimulus=stimulus),
        *tops_notes(trace, clipped=clipped),
        *dropout_notes(one),
    ]


def capture_notes(capture: Capture) -> list[QualityNote]:
    """Notes on one recording, before anything is made of it."""
    if not capture.clipped_samples:
        return []
    return [
        found(
            "clipped",
            "warning",
            capture=capture.source,
            message=f"{capture.clipped_samples} samples stand at full scale in runs of three or "
            "more: the recording clipped. What the sweep passed meanwhile is left out, since what "
            "would look like compression there may be the recorder. Lower the input gain and "
            "record this level again.",
        )
    ]


def offset_notes(source: str, *, offset: float) -> list[QualityNote]:
    """Say that a recording does not rest at zero; `offset` is its mean, full scale at 1."""
    if abs(offset) < DC_NOTE:
        return []
    return [
        found(
            "dc-offset",
            "warning" if abs(offset) >= DC_WARNING else "note",
            capture=source,
            message=f"The recording rests at {number(100.0 * offset, 1)} % of full scale, not at "
            "zero. The offset was taken off; it costs headroom on one side. Have the input "
            "looked at.",
        )
    ]


def cut_notes(capture: Capture, *, law: SweepLaw) -> list[QualityNote]:
    """Refuse a take whose drive is already playing as the file starts, or still as it ends.

    Needs a reference; without one see :func:`late_notes`.
    """
    drive, fs = capture.reference, capture.sample_rate_hz
    edge = round(0.01 * fs)
    if drive is None or drive.size < 20 * edge:
        return []
    middle = drive[drive.size // 3 : 2 * drive.size // 3]
    amplitude = math.sqrt(2.0 * float(np.mean(np.square(middle))))
    stretch = 0.1
    if float(np.max(np.abs(drive[:edge]))) > 0.3 * amplitude:
        now_hz = _frequency_hz(drive[: round(stretch * fs)], fs=fs)
        due_hz = law.start_hz * law.rate_s / stretch * math.expm1(stretch / law.rate_s)
        if now_hz > 1.5 * due_hz and now_hz < 0.9 * law.stop_hz:
            # The frequency found is that of the stretch's middle.
            return [_late(capture.source, law.time_s(now_hz) - stretch / 2.0, law=law)]
    if float(np.max(np.abs(drive[-edge:]))) > 0.3 * amplitude:
        now_hz = _frequency_hz(drive[-edge:], fs=fs)
        if law.start_hz < now_hz < law.stop_hz / 1.1:
            return [_early(capture.source, law.duration_s - law.time_s(now_hz), law=law)]
    return []


def holds_drive(capture: Capture, *, law: SweepLaw) -> bool:
    """Return whether the reference holds the drive's sweep from its start on."""
    drive = capture.reference
    if drive is None:
        return False
    rate = capture.sample_rate_hz
    try:
        return find_sweep(drive, law=law, sample_rate_hz=rate, source=capture.source) > -CUT_S
    except CaptureError:
        return False


def late_notes(one: Deconvolved, *, law: SweepLaw, stimulus: bool) -> list[QualityNote]:
    """Refuse a take that the sweep's place in it shows to be cut.

    `stimulus`: the drive is the file that was played, so that it is never cut itself; a cut
    reference is half as late as it seems, as its middle is what is found.
    """
    starts_s = one.sweep_start_s
    factor = 1.0
    if not stimulus:
        # By the drive alone: a loud disturbance can pass for the answer's arrival.
        factor = 2.0
        starts_s = factor * drive_start_s(one)
    elif starts_s < -0.5 * law.duration_s:
        # Lags are circular: an answer cut at its end stands before the start of the file.
        return [_early(one.source, None, law=law)]
    if starts_s < -CUT_S * factor:
        return [_late(one.source, -starts_s, law=law)]
    if one.tail_s < 0.001:
        return [_early(one.source, max(-factor * one.tail_s, 0.0), law=law)]
    return []


def drive_start_s(one: Deconvolved) -> float:
    """Return where the drive's sweep starts in the recording."""
    return one.sweep_start_s - one.peak_lag / one.sample_rate_hz


def dropout_notes(one: Deconvolved) -> list[QualityNote]:
    """Say that samples were lost while the sweep ran."""
    stretches = one.dropped_hz
    if not stretches.size:
        return []
    count = stretches.size // 2
    times = "once" if count == 1 else f"{count} times"
    return [
        found(
            "dropout",
            "warning",
            capture=one.source,
            message=f"The recording stands still {times} in the middle of the sweep: samples were "
            f"lost. What that touches, between {frequency(float(stretches[0]))} and "
            f"{frequency(float(stretches[-1]))}, is left out. Use a larger buffer, close other "
            "programs, and record this level again.",
        )
    ]


def tops_notes(trace: Trace, *, clipped: bool) -> list[QualityNote]:
    """Say that a waveform is cut flat below full scale."""
    notes = []
    for share, peak, channel, stage in (
        (trace.microphone_tops, trace.peak, "microphone’s", "microphone, preamplifier or mixer"),
        (trace.reference_tops, trace.reference_peak, "reference", "amplifier or player"),
    ):
        if clipped or not share > FLAT_SHARE:
            continue
        notes.append(
            found(
                "flat-tops",
                "warning",
                capture=trace.source,
                message=f"The {channel} channel is cut flat at {_full_scale(peak)} re full scale "
                f"({number(100.0 * share, 0)} % of its highest samples stand at one value; a "
                f"sweep’s are 10 % or less). It looks like a clipping {stage}. Lower the level "
                "ahead of it and record this level again.",
            )
        )
    return notes


def noise_notes(responses: Sequence[Response]) -> list[QualityNote]:
    """Say where there was more noise during a sweep than before it."""
    notes = []
    for response in responses:
        bands = [
            (band, excess)
            for band in BANDS
            if (excess := _median(response.noise_excess_db[band.holds(response.frequency_hz)]))
            > NOISE_EXCESS_DB
        ]
        if bands:
            names = ", ".join(f"{band.name} {number(excess, 0)} dB" for band, excess in bands)
            notes.append(
                found(
                    "noise-with-signal",
                    "note",
                    capture=response.source,
                    message=f"There was more noise during the sweep than before it ({names}): a "
                    "disturbance while it ran, or the loudspeaker’s own noise (port, rattle). "
                    "The larger noise was counted.",
                )
            )
    return notes


def signal_notes(
    baseline: BaselineCurve, *, lowest_hz: float, sweep_range_hz: tuple[float, float], source: str
) -> list[QualityNote]:
    """Say in which bands the baseline stands too little above the noise."""
    grid = baseline.frequency_hz
    inside = (grid >= max(lowest_hz, sweep_range_hz[0])) & (grid <= sweep_range_hz[1])
    low = []
    for band in BANDS:
        of_band = band.holds(grid) & inside
        if np.count_nonzero(of_band) < 4:
            continue
        snr = baseline.snr_db[of_band]
        median = float(np.median(np.where(np.isfinite(snr), snr, -99.0)))
        if median < LOW_SIGNAL_DB:
            low.append((band, median))
    if not low:
        return []
    worst = min(median for _, median in low)
    words = ", ".join(
        f"{band.name} {number(median, 0) + ' dB' if median > -20.0 else 'lost in it'}"
        for band, median in low
    )
    return [
        found(
            "low-signal",
            "warning" if worst < LOWEST_SIGNAL_DB else "note",
            capture=source,
            message=f"The baseline stands too little above the noise ({words}; "
            f"{LOW_SIGNAL_DB:g} dB are advised), so little or nothing can be told there. Measure "
            "where or when it is quieter, play a longer sweep, or start at a higher level.",
        )
    ]


def hum_notes(
    traces: Sequence[Trace], *, baseline: BaselineCurve, full_scale_db: float | None
) -> list[QualityNote]:
    """Name mains hum in the silences before the sweeps, averaged over the day."""
    known = [trace for trace in traces if np.all(np.isfinite(trace.hum_power))]
    if not known:
        return []
    line = np.mean([trace.hum_power for trace in known], axis=0)
    around = np.mean([trace.hum_around for trace in known], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = 10.0 * np.log10(line / around)
    stands = excess > HUM_DB
    # 300 Hz belongs to both mains; the fundamental or two lines decide.
    strength = [
        float(np.sum((line - around)[row][stands[row]]))
        if stands[row, 0] or np.count_nonzero(stands[row]) > 1
        else 0.0
        for row in range(len(MAINS_HZ))
    ]
    row = int(np.argmax(strength))
    if strength[row] <= 0.0:
        return []
    orders = [order for order in range(HUM_ORDERS) if stands[row, order]]
    lines_hz = [MAINS_HZ[row] * (order + 1) for order in orders]
    lines = ", ".join(
        f"{hz:.0f} Hz {number(excess[row, order], 0)} dB"
        for hz, order in zip(lines_hz, orders, strict=True)
    )
    grid = baseline.frequency_hz
    snr = [
        float(baseline.snr_db[int(np.argmin(np.abs(np.log(grid / hz))))])
        for hz in lines_hz
        if grid[0] <= hz <= grid[-1]
    ]
    hurts = any(not one > LOWEST_SIGNAL_DB for one in snr)
    return [
        found(
            "hum",
            "warning" if hurts else "note",
            message=f"Mains hum of {MAINS_HZ[row]:.0f} Hz stands in the silence, "
            f"{_level(strength[row], full_scale_db)} in all; over the noise around: {lines}. "
            + (
                "At these frequencies the baseline is lost in it. "
                if hurts
                else "It widens the interval there. "
            )
            + "Look for an earth loop, and keep cables away from transformers.",
        )
    ]


def _late(source: str, missing_s: float, *, law: SweepLaw) -> QualityNote:
    lost_hz = law.frequency_hz(min(missing_s, law.duration_s))
    return found(
        "starts-late",
        "refused",
        capture=source,
        message=f"The recording starts about {number(missing_s, 2)} s after its sweep does, so "
        f"everything below about {frequency(lost_hz)} is missing. It is left out. Start the "
        "recorder at least half a second before the sweep, and record it again.",
    )


def _early(source: str, missing_s: float | None, *, law: SweepLaw) -> QualityNote:
    lost = "so its upper end is missing"
    if missing_s is not None:
        lost_hz = law.frequency_hz(max(law.duration_s - missing_s, 0.0))
        lost = f"by about {number(missing_s, 2)} s, so everything above about "
        lost += f"{frequency(lost_hz)} is missing"
    return found(
        "ends-early",
        "refused",
        capture=source,
        message=f"The recording ends before its sweep does, {lost}. It is left out. Record on "
        "for at least half a second after the sweep.",
    )


def _frequency_hz(piece: FloatArray, *, fs: int) -> float:
    return float(np.count_nonzero(np.diff(np.signbit(piece)))) * fs / (2.0 * piece.size)


def _full_scale(amplitude: float) -> str:
    return f"{number(20.0 * math.log10(max(amplitude, 1e-12)), 1)} dB"


def _level(mean_square: float, full_scale_db: float | None) -> str:
    level = 10.0 * math.log10(2.0 * max(mean_square, 1e-30))
    if full_scale_db is None:
        return f"{number(level, 0)} dB re full scale"
    return f"{number(level + full_scale_db, 0)} dB SPL"


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("-inf")


def clock_notes(clocks: Clocks, *, heard: str, twice: bool) -> list[QualityNote]:
    """Notes on the clocks of player and recorder, where no reference was recorded.

    Parameters
    ----------
    clocks : what they did
    heard : path of the recording that told their common drift
    twice : whether it told it by holding the sweep twice, and not the multitone
    """
    common = clocks.common
    if common is None:
        notes = [
            found(
                "clock-unknown",
                "note",
                message="No reference was recorded and no stress recording tells how far the "
                "clocks of player and recorder ran apart. What all captures share of it cancels in "
                "a change.",
            )
        ]
    else:
        digits = int(np.clip(-np.floor(np.log10(max(2.0 * common.u_ppm, 1e-9))), 0, 2))
        by = "the multitone"
        if twice:
            by = "the sweep that it holds twice, of which the first is measured"
        done = "left in the sweeps, where it cancels"
        if clocks.taken_off:
            done = "taken off every sweep"
        notes = [
            found(
                "clock-drift",
                "note",
                capture=heard,
                message="The recorder’s clock ran "
                f"{number(common.ppm, digits)} ± "
                f"{number(max(2.0 * common.u_ppm, 10.0**-digits), digits)} ppm fast against the "
                f"player’s, by {by} (negative: slow); it was {done}.",
            )
        ]
    notes += [
        found(
            "clock-differs",
            "note",
            capture=path,
            message=f"The clocks ran {number(drift.ppm, 0)} ± "
            f"{number(max(2.0 * drift.u_ppm, 1.0), 0)} ppm otherwise than during the "
            "baseline; this capture was resampled by as much.",
        )
        for path, drift in clocks.differing.items()
    ]
    return notes
