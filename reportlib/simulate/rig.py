"""The chain that records in the simulation: noise, microphone, converters, clock.

Part of the simulation (``reportlib.simulate``). Conventions: pressure in Pa, drive in volt,
recordings with full scale at ±1, levels in dB SPL rms; a sine of `full_scale_db` just reaches
full scale.
"""

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from reportlib.session.records import FloatArray
from reportlib.simulate.heat import Temperatures
from reportlib.simulate.loudspeaker import PASCAL_AT_0_DB
from reportlib.simulate.signals import ComplexArray, Seed

SHELF_HZ = 9000.0


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Sound at the microphone that nobody played; None leaves a kind out.

    White noise up to half the sample rate, pink noise 20 Hz-20 kHz (power density as 1/f, which is
    as much in every octave), and mains hum: a
    fundamental with its second and third harmonic 6 and 12 dB below, levels of each as a whole.
    """

    white_db: float | None = None
    pink_db: float | None = None
    hum_db: float | None = None
    hum_hz: float = 50.0

    def pressure(
        self, count: int, *, sample_rate_hz: float, generator: np.random.Generator
    ) -> FloatArray:
        """Return `count` samples of it in Pa."""
        total = np.zeros(count)
        if self.white_db is not None:
            total += _pascal(self.white_db) * generator.standard_normal(count)
        if self.pink_db is not None:
            size = next_fast_len(count, real=True)
            frequency = rfftfreq(size, 1.0 / sample_rate_hz)
            inside = (frequency >= 20.0) & (frequency <= min(20000.0, 0.49 * sample_rate_hz))
            weight = np.zeros(frequency.size)
            weight[inside] = 1.0 / np.sqrt(frequency[inside])
            weight *= 0.5 * size / np.sqrt(np.sum(weight**2))
            parts = generator.standard_normal((2, frequency.size))
            total += (
                _pascal(self.pink_db) * irfft(weight * (parts[0] + 1j * parts[1]), size)[:count]
            )
        if self.hum_db is not None:
            amplitudes = np.array([1.0, 0.5, 0.25])
            amplitudes *= np.sqrt(2.0 / np.sum(amplitudes**2))
            time_s = np.arange(count) / sample_rate_hz
            for order, amplitude in enumerate(amplitudes, start=1):
                phase = generator.uniform(0.0, 2.0 * np.pi)
                turns = order * self.hum_hz * time_s
                total += _pascal(self.hum_db) * amplitude * np.sin(2.0 * np.pi * turns + phase)
        return total


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Microphone, converters and clock.

    Attributes
    ----------
    full_scale_db : level of a sine that just reaches full scale
    noise : sound that nobody played
    gain_db : what this recording was amplified beyond the calibration
    jitter_db : standard deviation of the level from take to take
    microphone_shelf_db : how far the microphone reads too high far above 9 kHz
    reference : whether the drive is recorded beside the microphone
    reference_full_scale_v : peak voltage at full scale
    reference_noise_db : rms noise of the reference channel over full scale
    reference_sees_volume : False where the volume was turned behind the reference
    latency_s, drift_ppm : how much later everything stands in the recording, and how much too
        fast the recorder's clock runs against the player's
    voltage_full_scale_v, current_full_scale_a : peaks at full scale of the two channels at the
        terminals, which are recorded where a sound comes with its current
    electrical_noise_db : rms noise of those two over full scale
    converter_bits : None for a recording that was never rounded
    dither : whether noise of triangular density, two steps wide, is added before rounding
    """

    full_scale_db: float = 124.0
    noise: Noise = Noise()
    gain_db: float = 0.0
    jitter_db: float = 0.0
    microphone_shelf_db: float = 0.0
    reference: bool = True
    reference_full_scale_v: float = 100.0
    reference_noise_db: float | None = None
    reference_sees_volume: bool = True
    latency_s: float = 0.0
    drift_ppm: float = 0.0
    voltage_full_scale_v: float | None = None
    current_full_scale_a: float | None = None
    electrical_noise_db: float | None = None
    converter_bits: int | None = None
    dither: bool = False

    def microphone(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the microphone's own response, 1 where it reads right; shape (n,)."""
        # Zeros and poles an equal ratio apart: half the lift, in dB, stands at SHELF_HZ.
        ratio = 10.0 ** (self.microphone_shelf_db / 20.0)
        s = 1j * frequency_hz / SHELF_HZ
        return np.asarray((1.0 + s * np.sqrt(ratio)) / (1.0 + s / np.sqrt(ratio)))


@dataclass(frozen=True, eq=False, kw_only=True)
class Sound:
    """What reaches the microphone, and the drive behind it, before anything is recorded.

    Attributes
    ----------
    pressure : shape (n,), Pa
    volt : shape (n,), V
    drive_db : rms drive over that of the baseline sweep
    temperatures : the loudspeaker's at the end
    current : shape (n,), A at the terminals, or None
    """

    pressure: FloatArray
    volt: FloatArray
    sample_rate_hz: int
    drive_db: float = 0.0
    temperatures: Temperatures | None = None
    current: FloatArray | None = None


@dataclass(frozen=True, eq=False, kw_only=True)
class Recording:
    """What a simulated capture holds, full scale at ±1.

    `temperatures` are the loudspeaker's at the end of it, None where nothing was played; `bits`
    are the converter's, None where nothing was rounded.
    """

    microphone: FloatArray
    reference: FloatArray | None
    sample_rate_hz: int
    temperatures: Temperatures | None = None
    voltage: FloatArray | None = None
    current: FloatArray | None = None
    bits: int | None = None


def record(sound: Sound, *, chain: Chain, seed: Seed) -> Recording:
    """Return what the chain makes of a sound: another seed, another take."""
    rate = sound.sample_rate_hz
    microphone_noise, reference_noise, take, electrical = np.random.default_rng(seed).spawn(4)
    gain = 10.0 ** ((chain.gain_db + chain.jitter_db * take.standard_normal()) / 20.0)
    pressure = _clocked(_heard(sound.pressure, chain=chain, sample_rate_hz=rate), chain, rate=rate)
    pressure = pressure + chain.noise.pressure(
        pressure.size, sample_rate_hz=rate, generator=microphone_noise
    )
    microphone = gain * pressure / (np.sqrt(2.0) * _pascal(chain.full_scale_db))
    reference = None
    if chain.reference:
        reference = _clocked(sound.volt, chain, rate=rate) / chain.reference_full_scale_v
        if not chain.reference_sees_volume:
            reference = reference * 10.0 ** (-sound.drive_db / 20.0)
        if chain.reference_noise_db is not None:
            reference = _with_noise(
                reference, noise_db=chain.reference_noise_db, generator=reference_noise
            )
        reference = _converted(reference, chain, generator=reference_noise)
    voltage = current = None
    if sound.current is not None:
        voltage, current = (
            _at_terminals(signal, full_scale, chain=chain, rate=rate, generator=electrical)
            for signal, full_scale in (
                (sound.volt, chain.voltage_full_scale_v),
                (sound.current, chain.current_full_scale_a),
            )
        )
    return Recording(
        microphone=_converted(microphone, chain, generator=microphone_noise),
        reference=reference,
        sample_rate_hz=rate,
        temperatures=sound.temperatures,
        voltage=voltage,
        current=current,
        bits=chain.converter_bits,
    )


def _with_noise(
    signal: FloatArray, *, noise_db: float, generator: np.random.Generator
) -> FloatArray:
    """Add white noise of so much rms over full scale."""
    hiss = generator.standard_normal(signal.size)
    return np.asarray(signal + 10.0 ** (noise_db / 20.0) * hiss)


def _at_terminals(
    signal: FloatArray,
    full_scale: float | None,
    *,
    chain: Chain,
    rate: int,
    generator: np.random.Generator,
) -> FloatArray | None:
    """One of the two electrical channels, None where it is not recorded."""
    if full_scale is None:
        return None
    channel = _clocked(signal, chain, rate=rate) / full_scale
    if chain.electrical_noise_db is not None:
        channel = _with_noise(channel, noise_db=chain.electrical_noise_db, generator=generator)
    return _converted(channel, chain, generator=generator)


def _pascal(level_db: float) -> float:
    return PASCAL_AT_0_DB * float(10.0 ** (level_db / 20.0))


def _heard(pressure: FloatArray, *, chain: Chain, sample_rate_hz: int) -> FloatArray:
    """Pressure as the microphone reads it."""
    if chain.microphone_shelf_db == 0.0:
        return pressure
    size = next_fast_len(pressure.size + round(0.1 * sample_rate_hz), real=True)
    response = chain.microphone(rfftfreq(size, 1.0 / sample_rate_hz))
    return np.asarray(irfft(rfft(pressure, size) * response, size)[: pressure.size])


def _converted(signal: FloatArray, chain: Chain, *, generator: np.random.Generator) -> FloatArray:
    """Clip at full scale and round to the converter's steps."""
    if chain.converter_bits is None:
        return np.clip(signal, -1.0, 1.0)
    steps = 2.0 ** (chain.converter_bits - 1)
    scaled = signal * steps
    if chain.dither:
        scaled += generator.random(signal.size) - generator.random(signal.size)
    return np.clip(np.round(scaled), -steps, steps - 1.0) / steps


def _clocked(signal: FloatArray, chain: Chain, *, rate: int) -> FloatArray:
    """Signal as a late clock of another rate samples it (windowed sinc over 64 samples)."""
    if chain.latency_s == 0.0 and chain.drift_ppm == 0.0:
        return signal
    half = 32
    place = np.arange(signal.size) / (1.0 + 1e-6 * chain.drift_ppm)
    place -= chain.latency_s * rate
    whole = np.floor(place).astype(int)
    part = place - whole
    padded = np.pad(signal, half)
    result = np.zeros(signal.size)
    for tap in range(1 - half, half + 1):
        away = part - tap
        window = np.i0(12.0 * np.sqrt(np.maximum(1.0 - (away / half) ** 2, 0.0))) / np.i0(12.0)
        inside = np.clip(whole + tap + half, 0, padded.size - 1)
        result += padded[inside] * np.sinc(away) * window
    return result
