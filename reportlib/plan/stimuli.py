"""The files that are played: the sweep, the multitone, and each level at its own gain.

The sweep is the synchronized exponential one, wider than what is reported.

x(t) = sin(2π·f1·L·e^(t/L)), whose harmonics keep their phase for any start, stop and length
(A. Novak, P. Lotton, L. Simon, JAES 63(10), 2015, 786–798). It begins below the reported band and
ends above it by the same law, and fades there: a fade inside would ripple (S. Müller,
P. Massarani, JAES 49(6), 2001).
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from reportlib.errors import PlanError
from reportlib.measure.stress.multitone import Multitone, make_multitone
from reportlib.measure.sweep import SweepLaw
from reportlib.plan import records
from reportlib.plan.levels import nominal_range_hz
from reportlib.plan.records import Plan, PlanRequest
from reportlib.session.day import SweepFacts
from reportlib.session.records import FloatArray

_HIGHEST = 0.49  # of the sample rate: what a fade may reach
_LEAST_FADE_OCTAVES = 1.0 / 24.0


def played_facts(reported: SweepFacts, *, sample_rate_hz: int) -> SweepFacts:
    """Return the sweep that is played for a reported band, at the same rate through it.

    It is wider by a sixth of an octave at each end, or by less where the sample rate ends
    before; as wide at both, so that the middle of its energy is the middle of its time.

    Raises
    ------
    PlanError
        The sample rate leaves no room above the band.
    """
    room_octaves = math.log2(_HIGHEST * sample_rate_hz / reported.stop_hz)
    if room_octaves < _LEAST_FADE_OCTAVES:
        most_hz = _HIGHEST * sample_rate_hz / 2.0**_LEAST_FADE_OCTAVES
        raise PlanError(
            f"a sweep up to {reported.stop_hz:g} Hz at {sample_rate_hz} samples a second has no "
            f"room to fade out above it. Give --sweep-stop {math.floor(most_hz / 100.0) * 100} or "
            "less, or a higher --sample-rate."
        )
    wider = 2.0 ** min(records.FADE_OCTAVES, room_octaves)
    start_hz = round(reported.start_hz / wider, 3)
    stop_hz = round(reported.stop_hz * wider, 1)
    rate_s = reported.duration_s / math.log(reported.stop_hz / reported.start_hz)
    return replace(
        reported,
        start_hz=start_hz,
        stop_hz=stop_hz,
        duration_s=round(rate_s * math.log(stop_hz / start_hz), 4),
    )


def played_sweep(
    facts: SweepFacts, *, reported_hz: tuple[float, float], sample_rate_hz: int
) -> FloatArray:
    """Return the sweep with peaks of 1; shape (round(duration·rate),).

    Parameters
    ----------
    facts : of all that is played
    reported_hz : the band within which nothing fades
    """
    law = law_of(facts)
    size = round(law.duration_s * sample_rate_hz)
    turns = law.start_hz * law.rate_s * np.exp(np.arange(size) / (law.rate_s * sample_rate_hz))
    signal = np.sin(2.0 * np.pi * turns)
    low_hz, high_hz = reported_hz
    fade_in = round(law.time_s(low_hz) * sample_rate_hz)
    fade_out = size - round(law.time_s(high_hz) * sample_rate_hz)
    signal[:fade_in] *= raised_cosine(fade_in)
    signal[size - fade_out :] *= raised_cosine(fade_out)[::-1]
    return np.asarray(signal)


def law_of(facts: SweepFacts) -> SweepLaw:
    """Return a sweep's law of time and frequency."""
    return SweepLaw(start_hz=facts.start_hz, stop_hz=facts.stop_hz, duration_s=facts.duration_s)


def raised_cosine(samples: int) -> FloatArray:
    """Return a rise from 0 to 1; shape (samples,)."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(samples) + 0.5) / max(samples, 1)))


_TURN_BLOCK = 1 << 16


@dataclass(frozen=True, kw_only=True)
class Part:
    """A stretch of a file: so many samples of silence, a sweep, or whole periods of tones."""

    kind: Literal["silence", "sweep", "multitone", "volume"]
    samples: int
    rms: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PlayedFile:
    """A file to play: its path in the session folder, and its parts in order."""

    path: str
    parts: tuple[Part, ...]

    @property
    def samples(self) -> int:
        """Its length."""
        return sum(part.samples for part in self.parts)


@dataclass(frozen=True, eq=False, kw_only=True)
class Waves:
    """What all files of a day are made of.

    Attributes
    ----------
    sweep : shape (n,), peaks of √2, so that its rms is 1 away from the fades
    multitone : one period, rms 1, within the band of the sweep
    volume : one period of what the volume is set with, rms 1
    """

    sweep: FloatArray
    multitone: Multitone
    volume: Multitone
    sample_rate_hz: int


def volume_tones(request: PlanRequest) -> Multitone:
    """Return one period of what the volume is set with, rms 1.

    Pink over the stretch that levels are named by, so that an unweighted meter reads a sweep's
    level by its definition, whatever the loudspeaker does outside. Its period is half the
    multitone's: no tone stands on one of the multitone's, and intake tells the two apart.

    Raises
    ------
    ReportError
        The sample rate is too low for it, or the stretch too narrow.
    """
    rate = request.sample_rate_hz
    low_hz, high_hz = nominal_range_hz(request.sweep)
    return make_multitone(
        sample_rate_hz=rate,
        period_s=0.5,
        range_hz=(low_hz, min(high_hz, math.floor(0.45 * rate))),
        spectrum="pink",
        crest_factor_db=records.VOLUME_CREST_DB,
    )


def make_waves(plan: Plan) -> Waves:
    """Return the sweep and the multitone of a day.

    Raises
    ------
    ReportError
        The sample rate is too low for them, or no such crest factor can be had.
    """
    rate = plan.request.sample_rate_hz
    reported = plan.request.sweep
    sweep = played_sweep(
        plan.sweep, reported_hz=(reported.start_hz, reported.stop_hz), sample_rate_hz=rate
    )
    return Waves(
        sweep=math.sqrt(2.0) * sweep,
        multitone=make_multitone(
            sample_rate_hz=rate,
            range_hz=(
                max(25.0, reported.start_hz),
                min(16000.0, reported.stop_hz, math.floor(0.45 * rate)),
            ),
            crest_factor_db=plan.request.crest_factor_db,
        ),
        volume=volume_tones(plan.request),
        sample_rate_hz=rate,
    )


def day_files(plan: Plan, *, waves: Waves) -> tuple[PlayedFile, ...]:
    """Return every file that the day plays, each at its own gain.

    The two plain ones have the same rms, so that the volume reads the same for both; what the
    volume is set with has that of the baseline.
    """
    common = _below_full_scale() / waves.multitone.true_peak
    sweep = Part(kind="sweep", samples=waves.sweep.size, rms=common)
    period = Part(kind="multitone", samples=waves.multitone.samples.size, rms=common)
    levels = _level_files(plan, waves=waves) if plan.request.level_files else []
    turns = round(records.VOLUME_S / waves.volume.period_s)
    volume = Part(
        kind="volume",
        samples=turns * waves.volume.samples.size,
        rms=_baseline_rms(plan, waves=waves) if plan.request.level_files else common,
    )
    return (
        PlayedFile(path=records.SWEEP, parts=(sweep,)),
        PlayedFile(path=records.MULTITONE, parts=(period,)),
        PlayedFile(path=plan.volume.file, parts=(volume,)),
        *levels,
    )


def file_blocks(file: PlayedFile, *, waves: Waves) -> Iterator[FloatArray]:
    """Yield the samples of a file in order, full scale at ±1; none of it is held whole."""
    for part in file.parts:
        if part.kind == "sweep":
            yield part.rms * waves.sweep
        elif part.kind == "silence":
            for start in range(0, part.samples, _TURN_BLOCK):
                yield np.zeros(min(_TURN_BLOCK, part.samples - start))
        elif part.kind == "volume":
            for _ in range(part.samples // waves.volume.samples.size):
                yield part.rms * waves.volume.samples
        else:
            yield from _turns(part, waves=waves)


def _below_full_scale() -> float:
    return float(10.0 ** (-records.HEADROOM_DB / 20.0))


def _baseline_rms(plan: Plan, *, waves: Waves) -> float:
    """Of the files of levels: the loudest peak then stays just below full scale."""
    peaks = [(math.sqrt(2.0), level.drive_db) for level in (*plan.sweeps, *plan.stresses)]
    peaks += [(waves.multitone.true_peak, level.drive_db) for level in plan.stresses]
    peaks += [(waves.volume.true_peak, 0.0)]
    loudest = max(peak * float(10.0 ** (drive_db / 20.0)) for peak, drive_db in peaks)
    return _below_full_scale() / loudest


def _level_files(plan: Plan, *, waves: Waves) -> list[PlayedFile]:
    """Each level at its drive over the baseline's."""
    baseline_rms = _baseline_rms(plan, waves=waves)

    def rms(drive_db: float) -> float:
        return float(baseline_rms * 10.0 ** (drive_db / 20.0))

    files = {
        records.sweep_file(level.level_db): _sweep_parts(waves, rms=rms(level.drive_db))
        for level in (*plan.sweeps, *plan.stresses)
    }
    for level in plan.stresses:
        parts = _stress_parts(waves, rms=rms(level.drive_db), stages_s=plan.request.stages_s)
        files[records.stress_file(level.level_db)] = parts
    return [PlayedFile(path=path, parts=parts) for path, parts in files.items()]


def _sweep_parts(waves: Waves, *, rms: float) -> tuple[Part, ...]:
    rate = waves.sample_rate_hz
    return (
        _silence(round(records.LEAD_IN_S * rate)),
        Part(kind="sweep", samples=waves.sweep.size, rms=rms),
        _silence(round(records.TAIL_S * rate)),
    )


def _stress_parts(waves: Waves, *, rms: float, stages_s: Sequence[float]) -> tuple[Part, ...]:
    """Stages with a sweep after each: times count from whole periods to the sweep's own start."""
    rate, ramp = waves.sample_rate_hz, round(records.RAMP_S * waves.sample_rate_hz)
    sweep = Part(kind="sweep", samples=waves.sweep.size, rms=rms)
    parts = [_silence(round(records.LEAD_IN_S * rate) - ramp)]
    for stress_s in stages_s:
        parts += [
            Part(kind="multitone", samples=round(stress_s * rate) + 2 * ramp, rms=rms),
            _silence(round(records.PAUSE_S * rate) - ramp),
            sweep,
            _silence(round(records.AFTER_SWEEP_S * rate) - ramp),
        ]
    return tuple(parts)


def _silence(samples: int) -> Part:
    return Part(kind="silence", samples=samples)


def _turns(part: Part, *, waves: Waves) -> Iterator[FloatArray]:
    """The multitone over and over; where it is not one bare period, with a ramp at each end."""
    period = part.rms * waves.multitone.samples
    if part.samples == period.size:
        yield period
        return
    ramp = round(records.RAMP_S * waves.sample_rate_hz)
    rise = raised_cosine(ramp)
    yield rise * period[period.size - ramp :]
    whole = part.samples - 2 * ramp
    for start in range(0, whole, period.size):
        yield period[: min(period.size, whole - start)]
    yield rise[::-1] * np.roll(period, -(whole % period.size))[:ramp]
