"""Playing and recording the stress: a multitone that warms the coils while it plays.

Part of the simulation (``reportlib.simulate``).
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from reportlib.model import FloatArray
from reportlib.simulate.electrical import terminal_admittance
from reportlib.simulate.heat import Heating, Temperatures, cold, cooled, heated
from reportlib.simulate.loudspeaker import drive_gain, path, radiated
from reportlib.simulate.parts import Loudspeaker
from reportlib.simulate.rig import Chain, Recording, Sound, record
from reportlib.simulate.signals import Multitone, Seed
from reportlib.simulate.spectra import ComplexArray

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

    Parameters are those of `simulate.play_sweep`; `drive_db` is the multitone's rms drive over
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
