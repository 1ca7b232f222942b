"""Playing through a simulated loudspeaker and recording it: sweeps, and the stress that warms it.

Part of the simulation (``reportlib.simulate``).
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from reportlib.session.day import SweepFacts
from reportlib.session.records import FloatArray
from reportlib.simulate.heat import Heating, Temperatures, cold, cooled, heated, terminal_admittance
from reportlib.simulate.loudspeaker import (
    drive_gain,
    limiter_gain,
    path,
    radiated,
    small_signal,
    transfer,
)
from reportlib.simulate.parts import Loudspeaker
from reportlib.simulate.rig import Chain, Recording, Sound, record
from reportlib.simulate.signals import (
    ComplexArray,
    Multitone,
    Seed,
    sweep_rate_s,
    sweep_signal,
    sweep_time_s,
)

HEAT_STEPS_IN_A_SWEEP = 200


def sweep_heating(
    loudspeaker: Loudspeaker,
    sweep: SweepFacts,
    *,
    drive_db: float,
    temperatures: Temperatures | None = None,
) -> Heating:
    """Return how the coils warm while the sweep passes, from its start."""
    step_s = sweep.duration_s / HEAT_STEPS_IN_A_SWEEP
    middle_s = step_s * (np.arange(HEAT_STEPS_IN_A_SWEEP) + 0.5)
    frequency = sweep.start_hz * np.exp(middle_s / sweep_rate_s(sweep))
    volt = loudspeaker.unit_voltage(drive_db) * drive_gain(
        loudspeaker, frequency, drive_db=drive_db
    )
    return heated(
        loudspeaker,
        temperatures or cold(loudspeaker),
        frequency_hz=frequency[:, np.newaxis],
        volt=volt[:, np.newaxis],
        step_s=step_s,
    )


def sweep_transfer(
    loudspeaker: Loudspeaker,
    frequency_hz: ArrayLike,
    *,
    sweep: SweepFacts,
    drive_db: float,
    temperatures: Temperatures | None = None,
) -> ComplexArray:
    """Return `transfer` with each coil as warm as it is when the sweep passes the frequency.

    Parameters
    ----------
    loudspeaker : the loudspeaker
    frequency_hz : shape (n,)
    sweep : the sweep that it plays
    drive_db : its rms drive over that of the baseline sweep
    temperatures : at the sweep's start; cold where left out

    Returns
    -------
    complex array, shape (n,), Pa/V: the truth of `play_sweep`
    """
    heating = sweep_heating(loudspeaker, sweep, drive_db=drive_db, temperatures=temperatures)
    coil_k = _coil_by_frequency(heating, frequency_hz, sweep=sweep)
    return transfer(loudspeaker, frequency_hz, drive_db=drive_db, temperatures=coil_k)


def play_sweep(
    loudspeaker: Loudspeaker,
    sweep: SweepFacts,
    *,
    drive_db: float,
    chain: Chain,
    seed: Seed,
    sample_rate_hz: int = 48000,
    temperatures: Temperatures | None = None,
    volume_step_error_db: float = 0.0,
    lead_in_s: float = 0.5,
    tail_s: float = 0.6,
) -> Recording:
    """Play one sweep and record it.

    Parameters
    ----------
    loudspeaker, sweep, chain : what plays, what it plays, what records
    drive_db : rms drive over that of the baseline sweep, as asked for
    seed : of the noise and the take's level
    temperatures : at the start of the recording, before its lead-in; cold where left out
    volume_step_error_db : by how much less than asked the volume was raised
    lead_in_s, tail_s : silence before and after the sweep

    Returns
    -------
    Recording, with `temperatures` at its end
    """
    sound = sweep_sound(
        loudspeaker,
        sweep,
        drive_db=drive_db - volume_step_error_db,
        sample_rate_hz=sample_rate_hz,
        temperatures=temperatures,
        lead_in_s=lead_in_s,
        tail_s=tail_s,
    )
    return record(sound, chain=chain, seed=seed)


def sweep_sound(
    loudspeaker: Loudspeaker,
    sweep: SweepFacts,
    *,
    drive_db: float,
    sample_rate_hz: int = 48000,
    temperatures: Temperatures | None = None,
    lead_in_s: float = 0.5,
    tail_s: float = 0.6,
) -> Sound:
    """Return the sound of one sweep, to be recorded once or often; see `play_sweep`."""
    start = cooled(loudspeaker, temperatures or cold(loudspeaker), pause_s=lead_in_s)
    lead_in, tail = round(lead_in_s * sample_rate_hz), round(tail_s * sample_rate_hz)
    peak_volt = np.sqrt(2.0) * loudspeaker.voltage(drive_db)
    signal = peak_volt * sweep_signal(sweep, sample_rate_hz=sample_rate_hz)
    volt = np.pad(signal, (lead_in, tail))
    ring_s = max(0.5, loudspeaker.room.reverberation_s if loudspeaker.room else 0.0)
    size = next_fast_len(volt.size + round(ring_s * sample_rate_hz), real=True)
    frequency = rfftfreq(size, 1.0 / sample_rate_hz)
    heating = sweep_heating(loudspeaker, sweep, drive_db=drive_db, temperatures=start)
    coil_k = _coil_by_frequency(heating, frequency, sweep=sweep)
    spectrum = rfft(volt, size)
    spectrum *= transfer(loudspeaker, frequency, drive_db=drive_db, temperatures=coil_k)
    if loudspeaker.harmonics or loudspeaker.cubic:
        harmonics = _harmonics(loudspeaker, sweep, drive_db=drive_db, rate=sample_rate_hz)
        added = rfft(np.pad(harmonics, (lead_in, tail)), size)
        spectrum += added * small_signal(loudspeaker, frequency)
    return Sound(
        pressure=irfft(spectrum, size)[: volt.size],
        volt=volt,
        sample_rate_hz=sample_rate_hz,
        drive_db=drive_db,
        temperatures=cooled(loudspeaker, heating.end, pause_s=tail_s),
    )


def play_silence(
    *, duration_s: float, chain: Chain, seed: Seed, sample_rate_hz: int = 48000
) -> Recording:
    """Record the room and the chain with nothing played."""
    nothing = np.zeros(round(duration_s * sample_rate_hz))
    sound = Sound(pressure=nothing, volt=nothing, sample_rate_hz=sample_rate_hz)
    return record(sound, chain=chain, seed=seed)


def _coil_by_frequency(
    heating: Heating, frequency_hz: ArrayLike, *, sweep: SweepFacts
) -> FloatArray:
    """How warm each coil is when the sweep passes each frequency, shape (units, n)."""
    if not np.any(heating.coil_k):
        return heating.coil_k[:, 0]
    frequency = np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3)
    return heating.coil_at(sweep_time_s(sweep, frequency))


def _harmonics(
    loudspeaker: Loudspeaker, sweep: SweepFacts, *, drive_db: float, rate: int
) -> FloatArray:
    """Volts that, played by the small-signal loudspeaker, give the harmonics of a sweep."""
    peak_volt = np.sqrt(2.0) * loudspeaker.voltage(drive_db)
    count = round(sweep.duration_s * rate)
    frequency = sweep.start_hz * np.exp(np.arange(count) / rate / sweep_rate_s(sweep))
    total = np.zeros(count)
    for part in loudspeaker.harmonics:
        level_db = part.level_db + (part.order - 1) * (drive_db - part.at_drive_db)
        amplitude = 10.0 ** (min(level_db, -10.0) / 20.0)
        amplitude = amplitude * np.sqrt(1.0 + (part.rising_below_hz / frequency) ** 2)
        total += np.minimum(amplitude, 10.0**-0.5) * sweep_signal(
            sweep, sample_rate_hz=rate, order=part.order
        )
    if loudspeaker.cubic:
        # sin³φ = (3·sin φ − sin 3φ)/4: the first part is in the transfer, this is the second.
        coarse = np.geomspace(sweep.start_hz, sweep.stop_hz, 1000)
        gain = np.interp(frequency, coarse, limiter_gain(loudspeaker, coarse, drive_db=drive_db))
        third = gain**3 * sweep_signal(sweep, sample_rate_hz=rate, order=3)
        total -= 0.25 * loudspeaker.cubic * 10.0 ** (drive_db / 10.0) * third
    return np.asarray(peak_volt * total)


BLOCKS_IN_A_PERIOD = 2
WORTH_A_NEW_PERIOD_K = 0.01
"""A coil that warms by less changes its output by less than 0.0004 dB."""


def multitone_heating(
    loudspeaker: Loudspeaker,
    multitone: Multitone,
    *,
    drive_db: float,
    duration_s: float,
    step_s: float,
    temperatures: Temperatures | None = None,
) -> Heating:
    """Return how the coils warm while the multitone plays."""
    gain = drive_gain(
        loudspeaker, multitone.frequency_hz, drive_db=drive_db, shares=multitone.shares
    )
    volt = loudspeaker.unit_voltage(drive_db) * gain * multitone.shares
    steps = round(duration_s / step_s)
    return heated(
        loudspeaker,
        temperatures or cold(loudspeaker),
        frequency_hz=multitone.frequency_hz[np.newaxis],
        volt=np.broadcast_to(volt, (steps, volt.size)),
        step_s=step_s,
    )


def play_multitone(
    loudspeaker: Loudspeaker,
    multitone: Multitone,
    *,
    drive_db: float,
    periods: int,
    chain: Chain,
    seed: Seed,
    temperatures: Temperatures | None = None,
    volume_step_error_db: float = 0.0,
    lead_in_s: float = 0.5,
    tail_s: float = 0.6,
) -> Recording:
    """Play whole periods of a multitone, with the coils warming meanwhile, and record it.

    Parameters are those of `play_sweep`; `drive_db` is the multitone's rms drive over
    that of the baseline sweep.
    """
    sound = multitone_sound(
        loudspeaker,
        multitone,
        drive_db=drive_db - volume_step_error_db,
        periods=periods,
        temperatures=temperatures,
        lead_in_s=lead_in_s,
        tail_s=tail_s,
        with_current=chain.current_full_scale_a is not None,
    )
    return record(sound, chain=chain, seed=seed)


def multitone_sound(
    loudspeaker: Loudspeaker,
    multitone: Multitone,
    *,
    drive_db: float,
    periods: int,
    temperatures: Temperatures | None = None,
    lead_in_s: float = 0.5,
    tail_s: float = 0.6,
    with_current: bool = False,
) -> Sound:
    """Return the sound of whole periods of a multitone, and the current behind it where wanted.

    Each tone is in its steady state for the temperature of the moment, which is followed
    linearly through blocks of half a period; how the loudspeaker builds up at the start and
    rings out at the end is exact. Harmonics between the tones are left out.
    """
    rate, size = multitone.sample_rate_hz, multitone.samples.size
    start = cooled(loudspeaker, temperatures or cold(loudspeaker), pause_s=lead_in_s)
    lead_in, tail = round(lead_in_s * rate), round(tail_s * rate)
    block = size // BLOCKS_IN_A_PERIOD
    heating = multitone_heating(
        loudspeaker,
        multitone,
        drive_db=drive_db,
        duration_s=periods * size / rate,
        step_s=block / rate,
        temperatures=start,
    )
    span = (lead_in, periods, tail)
    tones = rfft(multitone.samples)[multitone.bins]
    way = path(loudspeaker, rfftfreq(size, 1.0 / rate))[multitone.bins]
    steady = _Steady(loudspeaker, multitone, drive_db, radiated, way * tones)
    pressure = _played(steady, heating, span=span)
    current = None
    if with_current:
        steady = _Steady(loudspeaker, multitone, drive_db, terminal_admittance, tones)
        current = _played(steady, heating, span=span)
    volt = loudspeaker.voltage(drive_db) * np.tile(multitone.samples, periods)
    return Sound(
        pressure=pressure,
        volt=np.pad(volt, (lead_in, tail)),
        current=current,
        sample_rate_hz=rate,
        drive_db=drive_db,
        temperatures=cooled(loudspeaker, heating.end, pause_s=tail_s),
    )


class _Steady(NamedTuple):
    """A multitone playing on and on at one drive, and what answers its voltage."""

    loudspeaker: Loudspeaker
    multitone: Multitone
    drive_db: float
    answer: Callable[..., ComplexArray]
    """`radiated` or `terminal_admittance`."""
    tones: ComplexArray
    """Spectrum of a period at the tones, behind the way to the microphone where it is sound."""


def _played(steady: _Steady, heating: Heating, *, span: tuple[int, int, int]) -> FloatArray:
    """Silence, so many periods while the coils warm, and what rings out, in Pa or A.

    `span` is the samples before, the periods, and the samples after.
    """
    lead_in, periods, tail = span
    size = steady.multitone.samples.size
    block = size // BLOCKS_IN_A_PERIOD
    total = np.zeros(lead_in + periods * size + tail)
    rising = np.arange(block) / block
    known_k = heating.coil_k[:, 0]
    here = _period(steady, known_k)
    for index, coil_k in enumerate(heating.coil_k.T[1:]):
        if np.max(np.abs(coil_k - known_k)) > WORTH_A_NEW_PERIOD_K:
            known_k, after = coil_k, _period(steady, coil_k)
        else:
            after = here
        first = block * (index % BLOCKS_IN_A_PERIOD)
        part = slice(first, first + block)
        place = lead_in + index * block
        total[place : place + block] = here[part] + (after[part] - here[part]) * rising
        here = after
    end = lead_in + periods * size
    total[lead_in : lead_in + size] -= _missing_past(steady, heating.coil_k[:, 0])
    rest = min(tail, size)
    total[end : end + rest] += _missing_past(steady, heating.coil_k[:, -1])[:rest]
    return total


def _period(steady: _Steady, coil_k: FloatArray) -> FloatArray:
    """One period of the answer, at steady temperatures."""
    multitone = steady.multitone
    size = multitone.samples.size
    response = steady.answer(
        steady.loudspeaker,
        multitone.frequency_hz,
        drive_db=steady.drive_db,
        temperatures=coil_k,
        shares=multitone.shares,
    )
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    spectrum[multitone.bins] = steady.tones * response
    volt = steady.loudspeaker.voltage(steady.drive_db)
    return np.asarray(volt * irfft(spectrum, size))


def _missing_past(steady: _Steady, coil_k: FloatArray) -> FloatArray:
    """What the periods before a moment still sound after it: one period of it.

    It is what a multitone that starts at that moment lacks, and what one that ends there leaves.
    """
    multitone = steady.multitone
    tones, size = multitone.bins.size, multitone.samples.size
    long = next_fast_len(3 * size, real=True)
    frequency = rfftfreq(long, 1.0 / multitone.sample_rate_hz)
    response = steady.answer(
        steady.loudspeaker,
        np.concatenate([multitone.frequency_hz, frequency]),
        drive_db=steady.drive_db,
        temperatures=coil_k,
        shares=np.concatenate([multitone.shares, np.zeros(frequency.size)]),
    )[tones:]
    if steady.answer is radiated:
        response *= path(steady.loudspeaker, frequency)
    volt = steady.loudspeaker.voltage(steady.drive_db)
    begun = rfft(np.tile(multitone.samples, 2), long) * response * volt
    return np.asarray(_period(steady, coil_k) - irfft(begun, long)[:size])
