"""The parts of an invented loudspeaker, as records of their parameters.

Part of the simulation (``reportlib.simulate``), which shares no code with the analysis.
Conventions: SI units, voltages rms at the terminals, levels in dB SPL rms at 1 m. Every part
may be left out, so that a test can look at one of them alone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reportlib.session.records import FloatArray

SENSITIVITY_VOLT = 2.83


@dataclass(frozen=True, kw_only=True)
class Heat:
    """Two-stage heating: coil into magnet and frame, those into the room (Button 1992).

    `alpha_per_k` is the resistance's rise at 20 °C (annealed copper: 0.00393, Dellinger 1911),
    `room_c` what the loudspeaker has been standing in.
    """

    coil_k_per_w: float = 3.0
    coil_j_per_k: float = 5.0
    magnet_k_per_w: float = 1.5
    magnet_j_per_k: float = 1200.0
    alpha_per_k: float = 0.00393
    room_c: float = 20.0

    @property
    def rise_per_k(self) -> float:
        """Rise of the resistance for each K above the room's temperature, over that in it."""
        return self.alpha_per_k / (1.0 + self.alpha_per_k * (self.room_c - 20.0))


@dataclass(frozen=True, kw_only=True)
class Vent:
    """The vented box behind a drive unit.

    `compliance_ratio` is the suspension's compliance over that of the air in the box,
    `quality` the port's Q in the smallest flow. `loss_coefficient` K sets how its resistance
    rises with the flow's speed, ½·rho·K·u|u| once the peak speed is well beyond `onset_m_s`
    and less below it: 0 for a port that stays linear.
    """

    tuning_hz: float = 45.0
    compliance_ratio: float = 1.5
    quality: float = 15.0
    port_area_m2: float = 0.002
    loss_coefficient: float = 0.0
    onset_m_s: float = 5.0


@dataclass(frozen=True, kw_only=True)
class DriveUnit:
    """A moving-coil drive unit with the crossover's filters in front of it.

    `highpass_hz` and `lowpass_hz` are second-order Butterworth filters, run twice where
    `squared` (neighbours then sum to an all-pass). `gain_db` is heard; `pad_db` only spares a
    more sensitive unit that much of the voltage. `half_force_m` is the peak excursion at
    which the force factor would have fallen to half; None keeps it constant. `stop_m` is the
    peak excursion that an elastic stop leaves, None where nothing stops the cone.
    `magnet_loss` is the share of the force factor that a warm magnet lacks, `series_ohm` what a
    warm fuse or coil puts in front of the unit (see `changed`).
    """

    name: str = "full range"
    resistance_ohm: float = 6.0
    force_factor_tm: float = 7.0
    mass_kg: float = 0.020
    resonance_hz: float = 45.0
    mechanical_q: float = 4.0
    cone_area_m2: float = 0.022
    gain_db: float = 0.0
    pad_db: float = 0.0
    highpass_hz: float | None = None
    lowpass_hz: float | None = None
    squared: bool = True
    half_force_m: float | None = None
    stop_m: float | None = None
    magnet_loss: float = 0.0
    series_ohm: float = 0.0
    vent: Vent | None = None
    heat: Heat | None = None


@dataclass(frozen=True, kw_only=True)
class Resonance:
    """A small resonance that is there at every level."""

    frequency_hz: float
    q: float
    gain_db: float


@dataclass(frozen=True, kw_only=True)
class Panel:
    """A panel that rings, or takes up sound, the more the louder it is driven.

    At `half_level_db` (nominal level at 1 m) it does half of its `full_gain_db` as a ratio of
    amplitudes; `steepness` is the power of the drive with which it sets in.
    """

    frequency_hz: float
    q: float
    full_gain_db: float
    half_level_db: float
    steepness: float = 2.0


@dataclass(frozen=True, kw_only=True)
class Limiter:
    """A broadband limiter that knows the loudspeaker: its detector weighs the drive by the
    loudspeaker's own small-signal response, so it foresees the level at 1 m. A multitone counts
    for `multitone_db` more than a sine of the same rms, as it does where peaks are detected.
    """

    threshold_db: float
    ratio: float = float("inf")
    knee_db: float = 0.0
    multitone_db: float = 0.0

    def gain_db(self, level_db: ArrayLike) -> FloatArray:
        """Return the gain (≤ 0 dB) at a foreseen level, with a quadratic knee."""
        over = np.asarray(level_db, dtype=np.float64) - self.threshold_db
        half = max(self.knee_db, 1e-9) / 2.0
        soft = np.where(over < half, np.maximum(over + half, 0.0) ** 2 / (4.0 * half), over)
        return np.asarray(-(1.0 - 1.0 / self.ratio) * soft)


@dataclass(frozen=True, kw_only=True)
class BandLimiter:
    """A limiter that hears and turns down one band only, `low_hz` to `high_hz`.

    The band's edges are those of a Butterworth filter of `order`; `limiter` is its law.
    """

    low_hz: float
    high_hz: float
    limiter: Limiter
    order: int = 6

    def weight(self, frequency_hz: ArrayLike) -> FloatArray:
        """Return how much of a tone belongs to the band, 0 to 1; shape (n,)."""
        f = np.asarray(frequency_hz, dtype=np.float64)
        above = 1.0 / (1.0 + (self.low_hz / f) ** (2 * self.order))
        return np.asarray(above / (1.0 + (f / self.high_hz) ** (2 * self.order)))


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """An amplifier that clips: no peak beyond `ceiling_v` at the terminals."""

    ceiling_v: float

    def gain(self, peak_v: ArrayLike) -> FloatArray:
        """Return what is left of the fundamental of a sine of this peak (Fourier series)."""
        under = self.ceiling_v / np.maximum(np.asarray(peak_v, dtype=np.float64), self.ceiling_v)
        return np.asarray(2.0 / np.pi * (np.arcsin(under) + under * np.sqrt(1.0 - under**2)))


@dataclass(frozen=True, kw_only=True)
class Harmonic:
    """One harmonic as a branch of its own, which leaves the fundamental alone.

    `level_db` is against the fundamental at `at_drive_db` and rises by `order` − 1 dB for each
    dB of drive, up to −10 dB; below `rising_below_hz` it rises by 6 dB an octave as well.
    """

    order: int
    level_db: float
    at_drive_db: float = 0.0
    rising_below_hz: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Room:
    """A reverberant tail: noise that decays by 60 dB in `reverberation_s`."""

    reverberation_s: float = 0.4
    reverberant_db: float = -6.0
    """Energy of the tail against the direct sound."""
    first_reflection_s: float = 0.005
    seed: int = 0
    sample_rate_hz: int = 48000


@dataclass(frozen=True, kw_only=True)
class Loudspeaker:
    """Everything between the terminals (or the input, where active) and the microphone.

    `sensitivity_db` is the small-signal level at 1 m for 2.83 V, mean of the power over
    200-5000 Hz; the drive of 0 dB is the one that gives `baseline_level_db` by it. An active
    loudspeaker's drive units get `amplifier_db` more than its input. `cubic` is a in
    y = x + a·x³ with x in peaks of the baseline's sweep, `top_hz` where the output ends.
    """

    units: tuple[DriveUnit, ...] = (DriveUnit(),)
    sensitivity_db: float = 86.0
    baseline_level_db: float = 72.0
    amplifier_db: float = 0.0
    distance_m: float = 1.0
    top_hz: float = 28000.0
    resonances: tuple[Resonance, ...] = ()
    panels: tuple[Panel, ...] = ()
    limiter: Limiter | None = None
    band_limiters: tuple[BandLimiter, ...] = ()
    amplifier: Amplifier | None = None
    harmonics: tuple[Harmonic, ...] = ()
    cubic: float = 0.0
    room: Room | None = None

    def voltage(self, drive_db: float) -> float:
        """Return the rms voltage of the drive, in dB over the baseline sweep's."""
        level_db = self.baseline_level_db - self.sensitivity_db + drive_db
        return SENSITIVITY_VOLT * float(10.0 ** (level_db / 20.0))

    def unit_voltage(self, drive_db: float) -> float:
        """Return the rms voltage before the crossover, where a limiter leaves it alone."""
        return self.voltage(drive_db + self.amplifier_db)
