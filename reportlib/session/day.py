"""The facts of one measuring day as frozen records, which are ``session.toml`` as well.

A table of the file is a record, a key a field: its type says what may stand there, its
description and its example go into the messages about what is wrong or missing, a `Comment`
stands in the file. `facts_of` reads a document by these definitions, strictly (no value is turned
from one type into another, but a whole number may stand for one with decimals; no key is known
but these), and `document_of` goes back. A record made by keyword is not checked: a plan or a
test may hold what no day could. Rules that span several keys are in `session.rules`.

Conventions: levels in dB SPL (nominal, at 1 m), drives in dB relative to the baseline sweep,
times in seconds, captures as paths relative to the session folder with ``/``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    TypeAdapter,
    ValidationInfo,
    field_serializer,
    field_validator,
)
from pydantic.fields import FieldInfo

from reportlib.session.schema import (
    Amount,
    AnyFile,
    AudioFile,
    AudioFiles,
    CaptureFiles,
    Channel,
    Clock,
    Day,
    Gain,
    Hertz,
    Level,
    Line,
    Milliseconds,
    Number,
    Seconds,
    SomeSeconds,
    Temperature,
    above_zero,
    between,
    checked,
)

FORMAT: Literal[1] = 1

Test = Literal["short_term", "long_term"]
Space = Literal["free field", "half space", "gated", "near field", "room"]

SPACES_WITH_1_M_LEVELS: tuple[Space, ...] = ("free field", "half space", "gated")
"""Spaces whose absolute levels may be referred to 1 m by 20·lg(d)."""


@dataclass(frozen=True)
class Comment:
    """What stands in the file beside a table's header, or above each entry of a list of tables.

    With `apart` it stands once, with a blank line after it: it is about the list as a whole.
    """

    text: str
    apart: bool = False


def _about(description: str, example: str) -> Any:
    """Return what messages say of a key: what it is, and what could stand there."""
    return Field(description=description, examples=[example])


class Table:
    """What all records of a table share: no unknown keys, no NaN or infinity."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)


Use = Literal["desk", "living room", "home cinema", "stage"]


@dataclass(frozen=True, kw_only=True)
class Speaker(Table):
    """``[speaker]``, the loudspeaker under test."""

    name: Annotated[Line, _about("the loudspeaker's name", '"Marram 12"')]
    drive: Annotated[
        Literal["passive", "active"],
        _about("passive is fed by an amplifier, active has its own", '"passive"'),
    ]
    use: Use | None = None
    crossovers_hz: Annotated[
        tuple[Hertz, ...], AfterValidator(lambda hz: tuple(sorted(set(hz))))
    ] = ()
    enclosure: Literal["closed", "vented", "passive radiator", "open"] | None = None
    tuning_hz: tuple[Hertz, ...] = ()
    serial: Line | None = None
    settings: str | None = None
    rated_impedance_ohm: Amount | None = None
    rated_power_w: Amount | None = None
    maximum_level_db: Level | None = None
    sensitivity_db: Level | None = None


@dataclass(frozen=True, kw_only=True)
class Rig(Table):
    """``[rig]``, where and with what it was measured."""

    distance_m: Annotated[
        Number,
        between(0.001, 100.0),
        _about("metres from the microphone to the loudspeaker", "1.0"),
    ]
    space: Annotated[Space, _about("free field, half space, gated, near field or room", '"gated"')]
    gate_ms: Annotated[
        Milliseconds | None, _about("milliseconds until the first reflection", "6.0")
    ] = None
    reference_at: Annotated[
        Literal["terminals", "loop-back"] | None,
        _about("where the reference was taken: terminals or loop-back", '"terminals"'),
    ] = None
    volume_at: Literal["before reference", "after reference"] = "before reference"
    temperature_c: Temperature | None = None
    humidity_percent: Annotated[Number, between(0.0, 100.0)] | None = None
    pressure_kpa: Annotated[Number, between(30.0, 120.0)] | None = None
    equipment: tuple[Line, ...] = ()
    microphone_correction: AnyFile | None = None
    drive_tolerance_db: Annotated[Number, between(0.0, 6.0)] = 0.1


@dataclass(frozen=True, kw_only=True)
class Channels(Table):
    """``[channels]``, which channel of a recording is what, counted from 1."""

    microphone: Channel = 1
    reference: Channel | None = None
    voltage: Channel | None = None
    current: Channel | None = None


@dataclass(frozen=True, kw_only=True)
class Calibration(Table):
    """``[calibration]``, what ties samples to dB SPL, volts and amperes."""

    recording: Annotated[
        AudioFile | None,
        _about("a recording of an acoustic calibrator", '"calibration/calibrator.wav"'),
    ] = None
    level_db: Annotated[Level | None, _about("the calibrator's level, dB SPL", "94.0")] = None
    frequency_hz: Annotated[Hertz | None, _about("the calibrator's frequency, Hz", "1000.0")] = None
    full_scale_db: Annotated[Number, between(0.0, 250.0)] | None = None
    voltage_full_scale_v: Amount | None = None
    current_full_scale_a: Amount | None = None


@dataclass(frozen=True, kw_only=True)
class SweepFacts(Table):
    """``[sweep]``, the exponential sweep; `duration_s` is 0 where nobody says."""

    start_hz: Annotated[Hertz, _about("where the sweep starts, Hz", "20.0")]
    stop_hz: Annotated[Hertz, _about("where the sweep ends, Hz", "20000.0")]
    duration_s: Annotated[
        Number,
        above_zero(3600.0),
        PlainSerializer(lambda duration_s: duration_s or None),
        _about("seconds of the sweep itself, without silence around it", "4.0"),
    ] = 0.0
    stimulus: Annotated[
        AudioFile | None, _about("the file that was played", '"stimulus/sweep.wav"')
    ] = None


@dataclass(frozen=True, kw_only=True)
class MultitoneFacts(Table):
    """``[multitone]``, the stress: one whole period of a multitone, repeated."""

    stimulus: Annotated[
        AudioFile, _about("one whole period of what was played", '"stimulus/multitone.wav"')
    ]
    crest_factor_db: Annotated[Number, between(0.0, 60.0), _about("peak over rms, dB", "12.0")]


@dataclass(frozen=True, kw_only=True)
class TextFacts(Table):
    """``[text]``, how column-text captures were made, where they are not audio."""

    gate_ms: Milliseconds | None = None
    smoothing_octaves: Annotated[Number, above_zero(10.0)] | None = None
    snr_db: Annotated[Number, between(-200.0, 200.0)] | None = None


@dataclass(frozen=True, kw_only=True)
class ImpulseFacts(Table):
    """``[impulse]``, where noise alone stands in the files of impulse responses."""

    noise_from_s: Annotated[
        Seconds, _about("seconds into the files from where noise alone stands", "0.6")
    ]
    noise_to_s: Annotated[Seconds, _about("seconds into the files to where it does", "0.9")]


@dataclass(frozen=True, kw_only=True)
class NoiseFacts(Table):
    """``[noise]``, the room and the rig with nothing played."""

    captures: Annotated[
        AudioFiles, _about("recordings with nothing played", '["captures/silence.wav"]')
    ]


@dataclass(frozen=True, kw_only=True)
class Asked(Table):
    """A level and its drive, as they head an entry of the short-term test."""

    level_db: Annotated[Level, _about("the level asked for, dB SPL at 1 m", "72.0")]
    drive_db: Annotated[Gain, _about("how far the volume was raised from the baseline, dB", "0.0")]


@dataclass(frozen=True, kw_only=True)
class Again(Table):
    """``[[baseline_again]]``, the baseline once more: one or more takes.

    In the file, either `captures` or `impulse_responses` is given; see `Session`.
    """

    at: Clock | None = None
    temperature_c: Temperature | None = None
    input_gain_db: Annotated[Gain, PlainSerializer(lambda gain_db: gain_db or None)] = 0.0
    captures: Annotated[
        CaptureFiles, _about("the recordings, one sweep each", '["captures/again-72.wav"]')
    ] = ()
    impulse_responses: AudioFiles = ()


@dataclass(frozen=True, kw_only=True)
class Entry(Again, Asked):
    """``[[short_term]]``, one level of the short-term test; or the baseline once more."""


@dataclass(frozen=True, kw_only=True)
class Stage(Table):
    """``[[long_term.stage]]``, one stretch of multitone and the sweeps after it.

    `pause_s` has one value for each of `after`; in the file one may stand for all, and either
    `after` or `impulse_responses` is given.
    """

    stress_s: Annotated[SomeSeconds, _about("seconds that the multitone played", "90.0")]
    after: Annotated[
        CaptureFiles, _about("the sweeps after the stress", '["captures/long-92-after-1.wav"]')
    ] = ()
    impulse_responses: AudioFiles = ()
    pause_s: Annotated[
        tuple[Seconds, ...],
        BeforeValidator(lambda value: value if isinstance(value, list) else [value]),
        PlainSerializer(lambda pauses_s: pauses_s[0] if len(set(pauses_s)) == 1 else pauses_s),
        _about("seconds from the multitone's end to the start of the sweep itself", "2.0"),
    ]
    pause_u_s: Seconds = 0.5
    stress: AudioFile | None = None
    rest_s: Seconds | None = None

    @field_validator("pause_s")
    @classmethod
    def _one_for_each(cls, pauses_s: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
        if len(pauses_s) != 1:
            return pauses_s
        return pauses_s * len(info.data.get("after") or info.data.get("impulse_responses", ()))


@dataclass(frozen=True, kw_only=True)
class LongTermEntry(Table):
    """``[[long_term]]``, one level of the long-term test.

    In the file, `sweep_drive_db` is `drive_db` unless given, `stages` are ``stage``, and either
    `before` or `impulse_responses` is given.
    """

    level_db: Annotated[Level, _about("the multitone's level asked for, dB SPL at 1 m", "92.0")]
    drive_db: Annotated[
        Gain, _about("rms of the multitone's drive over that of the baseline sweep, dB", "20.0")
    ]
    sweep_drive_db: Annotated[Gain, Field(default_factory=lambda facts: facts["drive_db"])]
    before: Annotated[
        CaptureFiles, _about("the sweeps before the stress", '["captures/long-92-before.wav"]')
    ] = ()
    impulse_responses: AudioFiles = ()
    stages: Annotated[
        tuple[Stage, ...],
        checked(len, "at least one [[long_term.stage]]"),
        Field(alias="stage", description="the stretches of multitone, in time order"),
    ]

    @field_serializer("sweep_drive_db")
    def _unless_drive_db(self, sweep_drive_db: float) -> float | None:
        return None if sweep_drive_db == self.drive_db else sweep_drive_db

    def elapsed_s(self, stage_index: int) -> float:
        """Seconds of stress behind the end of the stage with this index."""
        return sum(stage.stress_s for stage in self.stages[: stage_index + 1])


@dataclass(frozen=True, kw_only=True)
class SessionFile(Table):
    """The whole of ``session.toml``; `short_term` starts with the baseline."""

    format: Annotated[Literal[1], _about("the version of the format", "1")] = FORMAT
    date: Day | None = None
    notes: str = ""
    speaker: Annotated[Speaker, Field(description="the loudspeaker under test")]
    rig: Annotated[Rig, Comment("where and with what it was measured")]
    channels: Annotated[
        Channels, Comment("which channel of a recording is what, counted from 1")
    ] = Channels()
    calibration: Annotated[Calibration | None, Comment("what ties samples to dB SPL")] = None
    sweep: Annotated[
        SweepFacts | None, Comment("what was played for a response: an exponential sweep")
    ] = None
    multitone: Annotated[
        MultitoneFacts | None,
        Comment("what was played as stress, over and over: one period of it"),
    ] = None
    text: TextFacts | None = None
    impulse: ImpulseFacts | None = None
    noise: Annotated[NoiseFacts | None, Comment("the place and the rig with nothing played")] = None
    short_term: Annotated[
        tuple[Entry, ...],
        checked(len, "at least one [[short_term]], the baseline"),
        Field(description="one entry a level, the baseline first"),
        Comment(
            "Short-term: the same sweep, the volume raised. The first entry is the baseline.\n"
            "# level_db is what was asked for at 1 m, drive_db how far the volume was raised.",
            apart=True,
        ),
    ]
    baseline_again: Annotated[
        tuple[Again, ...],
        Comment("the baseline once more at the end of the day: what it differs by is drift"),
    ] = ()
    long_term: Annotated[
        tuple[LongTermEntry, ...],
        Comment(
            "Long-term: a sweep before, then stages of stress with a sweep after each.\n"
            "# pause_s runs from the end of the stress to the start of the sweep.",
            apart=True,
        ),
    ] = ()


@dataclass(frozen=True, kw_only=True)
class Session(SessionFile):
    """One loudspeaker's measuring day: what its ``session.toml`` says, and what that comes with.

    `baseline_again` has the baseline's level and drive. `captures`, `before` and `after` name the
    sweeps whatever they are, impulse responses too. `digests` maps each file that the session
    names (and ``session.toml`` itself) to its SHA-256, as hexadecimal text. `kept` are the keys
    that start with ``x_``, never read; those of a table under its dotted name.
    """

    folder: str
    baseline_again: tuple[Entry, ...] = ()
    digests: Mapping[str, str] = field(default_factory=dict)
    kept: Mapping[str, object] = field(default_factory=dict)

    @property
    def noise_captures(self) -> tuple[str, ...]:
        """The recordings with nothing played; empty without any."""
        return self.noise.captures if self.noise else ()

    @property
    def of_impulse_responses(self) -> bool:
        """Whether its sweeps are impulse responses; they are all of one kind."""
        return bool(self.baseline.impulse_responses)

    @property
    def baseline(self) -> Entry:
        """The first short-term entry."""
        return self.short_term[0]

    @property
    def reference_counts(self) -> bool:
        """Whether volume steps can be read from a reference channel."""
        return self.channels.reference is not None and self.rig.volume_at == "before reference"


_FILE = TypeAdapter(SessionFile)


def facts_of(document: Mapping[str, Any]) -> SessionFile:
    """Return the facts in a TOML document, with defaults filled in.

    Raises
    ------
    pydantic.ValidationError
        A table or key is unknown, missing or holds what cannot be.
    """
    return _FILE.validate_python(document)


def document_of(facts: SessionFile) -> dict[str, Any]:
    """Return the facts as a TOML document; what is not given is None or an empty tuple."""
    document: dict[str, Any] = _FILE.dump_python(facts, by_alias=True, warnings=False)
    return document


def keys_of(table: type[Table]) -> dict[str, FieldInfo]:
    """Return the keys of a table as they are called in the file, with what is said of them."""
    found = {one.name: FieldInfo.from_annotation(one.type) for one in fields(table)}  # type: ignore[arg-type]
    return {info.alias or name: info for name, info in found.items()}
