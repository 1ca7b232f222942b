"""The facts of one measuring day, validated: what ``session.toml`` says, as frozen records.

``session.read_session`` makes them; everything below only reads them. Field names are those
of the session format (README, "The session folder"). Conventions: levels in dB SPL (nominal,
at 1 m), drives in dB relative to the baseline sweep, times in seconds, captures as paths
relative to the session folder with ``/``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Test = Literal["short_term", "long_term"]
Space = Literal["free field", "half space", "gated", "near field", "room"]

SPACES_WITH_1_M_LEVELS: tuple[Space, ...] = ("free field", "half space", "gated")
"""Spaces whose absolute levels may be referred to 1 m by 20·lg(d)."""


@dataclass(frozen=True, kw_only=True)
class Speaker:
    """The loudspeaker under test."""

    name: str
    drive: Literal["passive", "active"]
    use: Literal["desk", "living room", "home cinema", "stage"] | None = None
    crossovers_hz: tuple[float, ...] = ()
    serial: str | None = None
    settings: str | None = None
    rated_impedance_ohm: float | None = None
    rated_power_w: float | None = None
    maximum_level_db: float | None = None
    sensitivity_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Rig:
    """Where and with what it was measured."""

    distance_m: float
    space: Space
    gate_ms: float | None = None
    reference_at: Literal["terminals", "loop-back"] | None = None
    volume_at: Literal["before reference", "after reference"] = "before reference"
    temperature_c: float | None = None
    humidity_percent: float | None = None
    pressure_kpa: float | None = None
    equipment: tuple[str, ...] = ()
    microphone_correction: str | None = None
    drive_tolerance_db: float = 0.1


@dataclass(frozen=True, kw_only=True)
class Channels:
    """Which channel of a recording is what, counted from 1."""

    microphone: int = 1
    reference: int | None = None
    voltage: int | None = None
    current: int | None = None


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What ties samples to dB SPL, volts and amperes."""

    recording: str | None = None
    level_db: float | None = None
    frequency_hz: float | None = None
    full_scale_db: float | None = None
    voltage_full_scale_v: float | None = None
    current_full_scale_a: float | None = None


@dataclass(frozen=True, kw_only=True)
class SweepFacts:
    """The exponential sweep; `duration_s` is of the sweep itself, without silence around it."""

    start_hz: float
    stop_hz: float
    duration_s: float
    stimulus: str | None = None


@dataclass(frozen=True, kw_only=True)
class MultitoneFacts:
    """The stress: one whole period of a multitone, repeated."""

    stimulus: str
    crest_factor_db: float


@dataclass(frozen=True, kw_only=True)
class TextFacts:
    """How column-text captures were made, where they are not audio."""

    gate_ms: float | None = None
    smoothing_octaves: float | None = None
    snr_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One level of the short-term test, or the baseline once more: one or more takes."""

    level_db: float
    drive_db: float
    captures: tuple[str, ...]
    at: str | None = None
    temperature_c: float | None = None
    input_gain_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Stage:
    """One stretch of multitone and the sweeps after it."""

    stress_s: float
    after: tuple[str, ...]
    pause_s: tuple[float, ...]
    pause_u_s: float = 0.5
    stress: str | None = None
    rest_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class LongTermEntry:
    """One level of the long-term test."""

    level_db: float
    drive_db: float
    sweep_drive_db: float
    before: tuple[str, ...]
    stages: tuple[Stage, ...]

    def elapsed_s(self, stage_index: int) -> float:
        """Seconds of stress behind the end of the stage with this index."""
        return sum(stage.stress_s for stage in self.stages[: stage_index + 1])


@dataclass(frozen=True, kw_only=True)
class Session:
    """One loudspeaker's measuring day.

    `short_term` starts with the baseline. `digests` maps each file that the session names
    (and ``session.toml`` itself) to its SHA-256, as hexadecimal text.
    """

    folder: str
    speaker: Speaker
    rig: Rig
    channels: Channels
    short_term: tuple[Entry, ...]
    baseline_again: tuple[Entry, ...] = ()
    long_term: tuple[LongTermEntry, ...] = ()
    date: str | None = None
    notes: str = ""
    calibration: Calibration | None = None
    sweep: SweepFacts | None = None
    multitone: MultitoneFacts | None = None
    text: TextFacts | None = None
    noise_captures: tuple[str, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    kept: Mapping[str, object] = field(default_factory=dict)
    """Keys that start with ``x_``: kept, never read."""

    @property
    def baseline(self) -> Entry:
        """The first short-term entry."""
        return self.short_term[0]

    @property
    def reference_counts(self) -> bool:
        """Whether volume steps can be read from a reference channel."""
        return self.channels.reference is not None and self.rig.volume_at == "before reference"
