"""The frozen records that travel through the analysis.

Conventions: frequencies in Hz, levels and changes in dB, times in seconds. `change_db` is
negative for a loss (less output than asked for) and positive for a gain. Powers are linear;
`u95_db` is the half-width of a 95 % coverage interval (JCGM 100:2008). Arrays are private
read-only float64 copies; records compare by identity, tests compare their fields.
"""

import math
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np

from reportlib.session.day import Test
from reportlib.session.records import BoolArray, FloatArray, freeze, same_length

Reason = Literal["", "noise", "gate", "range", "gap", "clipped", "overload", "dropout"]

CHAIN_FAULTS: tuple[Reason, ...] = ("clipped", "overload", "dropout")
"""Reasons that lie with microphone, preamplifier or recorder: what they touch says nothing."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Response:
    """The gated, smoothed response of one capture, per unit of its own drive.

    Attributes
    ----------
    source : path in the session folder
    frequency_hz : shape (n,), the 1/24-octave grid
    power : shape (n,), smoothed |H|² with the noise's own power taken off; may be ≤ 0 in noise
    power_moved_gate : shape (2, n), the same behind the gates of `response.Gate.moved`
    noise_power : shape (n,), variance σ² of the gated H
    noise_dof : shape (n,), degrees of freedom behind σ²
    cells : shape (n,), K, how many independent values one smoothed value averages
    gate_noise_share : shape (2, n), variance that noise alone gives the difference that moving
        the gate makes, over the variance it gives the level itself
    drive_amplitude : peak amplitude of the drive's sweep, full scale at 1
    drive_power : shape (n,), smoothed |X|²
    drive_noise : shape (n,), noise power over signal power in the smoothed reference; 0 without
    harmonic_power : shape (k, n), harmonics 2 to k + 1 over the fundamental (power) at the
        frequency that excited them; NaN where not shown; k is 4, or 0 where none can be told
    harmonic_noise : shape (k, n), the least that would be told from noise in their place
    arrival_s : arrival of the direct sound, seconds after the drive
    sweep_start_s : where the sweep starts in the recording
    tail_s : recorded time after the last of the sweep
    noise_excess_db : shape (n,), noise during the sweep over noise before it; NaN where no
        silence was recorded
    untold : one a point: why it can't be told whatever its interval, empty where it can; no
        points at all where nothing stands in the way
    """

    source: str
    frequency_hz: FloatArray
    power: FloatArray
    power_moved_gate: FloatArray
    noise_power: FloatArray
    noise_dof: FloatArray
    cells: FloatArray
    gate_noise_share: FloatArray
    drive_power: FloatArray
    drive_noise: FloatArray
    harmonic_power: FloatArray
    harmonic_noise: FloatArray
    noise_excess_db: FloatArray
    drive_amplitude: float
    arrival_s: float
    sweep_start_s: float
    tail_s: float
    untold: tuple[Reason, ...] = ()

    def __post_init__(self) -> None:
        arrays = [field.name for field in fields(self) if field.type is FloatArray]
        freeze(self, arrays)
        same_length(self, arrays)
        same_length(self, [*arrays, "untold"] if self.untold else arrays)

    @property
    def snr_db(self) -> FloatArray:
        """K·|H|²/σ² in dB, what reports call the signal-to-noise ratio; shape (n,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(10.0 * np.log10(self.cells * self.power / self.noise_power))


@dataclass(frozen=True, eq=False, kw_only=True)
class Budget:
    """Standard uncertainties of a curve, in dB (JCGM 100:2008), baseline and level combined.

    Attributes
    ----------
    noise_db, local_db, gate_db, drift_db : shape (n,), noise; what takes differ by locally;
        the gate; the day's drift
    broadband_db, step_db : what takes differ by as a whole; the volume step
    dof : shape (n,), effective degrees of freedom (Welch-Satterthwaite)
    """

    noise_db: FloatArray
    local_db: FloatArray
    gate_db: FloatArray
    drift_db: FloatArray
    dof: FloatArray
    broadband_db: float
    broadband_dof: float
    step_db: float

    def __post_init__(self) -> None:
        arrays = ("noise_db", "local_db", "gate_db", "drift_db", "dof")
        freeze(self, arrays)
        same_length(self, arrays)


@dataclass(frozen=True, eq=False, kw_only=True)
class ChangeCurve:
    """Output against the drive actually applied, over frequency, for one level or stage.

    Attributes
    ----------
    test : ``"short_term"`` (against the baseline) or ``"long_term"`` (after against before)
    level_db : asked-for level of the entry, dB SPL at 1 m; the row's key
    elapsed_s : seconds of stress behind it; 0 for short-term
    takes : how many captures were averaged
    frequency_hz, change_db, u95_db : shape (n,)
    usable : shape (n,), whether the point may be used
    reason : one a point: why it may not, empty where it may
    lower_bound : `u95_db` is one, since nobody knows the noise
    """

    test: Test
    level_db: float
    elapsed_s: float
    takes: int
    frequency_hz: FloatArray
    change_db: FloatArray
    u95_db: FloatArray
    usable: BoolArray
    reason: tuple[Reason, ...]
    budget: Budget
    source: Literal["sweep", "multitone", "text"] = "sweep"
    lower_bound: bool = False

    def __post_init__(self) -> None:
        arrays = ("frequency_hz", "change_db", "u95_db")
        freeze(self, arrays)
        freeze(self, ("usable",), dtype=np.bool_)
        same_length(self, (*arrays, "usable", "reason"))


@dataclass(frozen=True, kw_only=True)
class DriveStep:
    """A volume step: asked for and, where a reference counts, measured (else None)."""

    level_db: float
    asked_db: float
    measured_db: float | None
    u95_db: float

    @property
    def applied_db(self) -> float:
        """The step that compression is counted against."""
        return self.asked_db if self.measured_db is None else self.measured_db


@dataclass(frozen=True, eq=False, kw_only=True)
class HarmonicCurves:
    """Harmonics of one short-term level, against the fundamental that excited them.

    Attributes
    ----------
    level_db : asked-for level, dB SPL at 1 m
    frequency_hz : shape (n,), the exciting frequency
    orders : the harmonics' numbers, e.g. (2, 3, 4, 5)
    relative_db : shape (len(orders), n), dB re the fundamental; NaN where noise may be all of it
    floor_db : shape (len(orders), n), the least that is told from noise; NaN beyond what a
        harmonic was looked for in
    """

    level_db: float
    frequency_hz: FloatArray
    orders: tuple[int, ...]
    relative_db: FloatArray
    floor_db: FloatArray

    def __post_init__(self) -> None:
        freeze(self, ("frequency_hz", "relative_db", "floor_db"))
        same_length(self, ("frequency_hz", "relative_db", "floor_db"))

    @property
    def at_most_db(self) -> FloatArray:
        """What a harmonic that is not told lies below, with 95 % and more; shape of `floor_db`.

        Twice the floor's power: a harmonic as strong as that and noise, one taking from the other,
        stay together above the floor.
        """
        return self.floor_db + 10.0 * math.log10(2.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class BaselineCurve:
    """The baseline itself: its level over frequency and how well it is known.

    Attributes
    ----------
    level_asked_db : what the session says, dB SPL at 1 m
    mean_level_db : mean of the power over 200-5000 Hz, measured where `calibrated`
    frequency_hz, level_db, u95_db, snr_db : shape (n,)
    usable : shape (n,)
    calibrated : whether `level_db` is absolute (dB SPL) or set by the asked-for level
    """

    level_asked_db: float
    mean_level_db: float
    frequency_hz: FloatArray
    level_db: FloatArray
    u95_db: FloatArray
    snr_db: FloatArray
    usable: BoolArray
    calibrated: bool

    def __post_init__(self) -> None:
        freeze(self, ("frequency_hz", "level_db", "u95_db", "snr_db"))
        freeze(self, ("usable",), dtype=np.bool_)
