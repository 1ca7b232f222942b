"""What each table of ``session.toml`` may hold: the session format as pydantic models.

Strict and closed: no value is turned from one type into another (a whole number may stand for
a number with decimals), and no key is known but these. A field's description says what it is,
its example is what could stand there; `session_faults` puts both into its messages. Rules that
span several keys are in `session`.
"""

import datetime
import re
from collections.abc import Callable
from pathlib import PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from reportlib.day import Space

FORMAT = 1
AUDIO_ENDINGS = (".wav", ".flac")
COLUMN_TEXT_ENDINGS = (".txt", ".csv")

_LEAST = 1e-6
"""No length, time, frequency or power of a measuring day is smaller; what is overflows sums."""
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def is_column_text(path: str) -> bool:
    """Return whether the capture at `path` is column text, not audio: its name's ending says."""
    return path.lower().endswith(COLUMN_TEXT_ENDINGS)


def _check(fits: Callable[[Any], bool], expected: str) -> AfterValidator:
    """Return a validator that asks for `expected` where a value does not fit."""

    def checked(value: Any) -> Any:
        if not fits(value):
            raise PydanticCustomError("expected", "{expected}", {"expected": expected})
        return value

    return AfterValidator(checked)


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _between(low: float, high: float, *, text: str = "") -> AfterValidator:
    text = text or f"a number from {_number(low)} to {_number(high)}"
    return _check(lambda value: low <= value <= high, text)


def _above_zero(high: float) -> AfterValidator:
    return _between(_LEAST, high, text=f"a number above {_LEAST:f} and at most {_number(high)}")


def _path_inside(value: str) -> str:
    """Return `value` without ``.`` parts, or say which rule of paths it breaks.

    Whether a link leads out of the folder shows only on the disk (`session`).
    """
    if _CONTROL.search(value) or not value.strip():
        expected = 'a path in the session folder, such as "captures/short-72-a.wav"'
    elif "\\" in value:
        expected = "a path with / instead of \\ between its parts"
    elif value.startswith("/") or re.match(r"[A-Za-z]:", value):
        expected = "a path relative to the session folder, not an absolute one"
    elif ".." in value.split("/"):
        expected = 'a path without "..", inside the session folder'
    elif value.endswith("/") or not PurePosixPath(value).name:
        expected = "the path of a file, not of a folder"
    else:
        return str(PurePosixPath(value))
    raise PydanticCustomError("expected", "{expected}", {"expected": expected})


def _ends_with(*endings: str) -> AfterValidator:
    text = " or ".join((", ".join(endings[:-1]), endings[-1]) if len(endings) > 1 else endings)
    return _check(lambda path: path.lower().endswith(endings), f"a file whose name ends in {text}")


def _iso_text(kinds: tuple[type, ...], expected: str) -> BeforeValidator:
    """Return a validator that turns TOML's own dates and times into ISO 8601 text."""

    def text(value: object) -> str:
        # a date-time is a date to Python: where a date is asked for, it may stand for one
        if not isinstance(value, kinds):
            raise PydanticCustomError("expected", "{expected}", {"expected": expected})
        return value.isoformat()  # type: ignore[attr-defined, no-any-return]

    return BeforeValidator(text)


def _one_or_many(value: object) -> object:
    return value if isinstance(value, list) else [value]


def _some(values: list[Any]) -> bool:
    return len(values) > 0


Level = Annotated[float, _between(-20.0, 180.0)]
"""dB SPL: from below the threshold of hearing to beyond any loudspeaker (common sense)."""
Gain = Annotated[float, _between(-120.0, 120.0)]
Temperature = Annotated[float, _between(-50.0, 70.0)]
Seconds = Annotated[float, _between(0.0, 100_000.0)]
SomeSeconds = Annotated[float, _above_zero(100_000.0)]
Hertz = Annotated[float, _above_zero(200_000.0)]
Milliseconds = Annotated[float, _above_zero(60_000.0)]
Amount = Annotated[float, _above_zero(100_000.0)]
Channel = Annotated[int, _check(lambda n: 1 <= n <= 1024, "a whole number from 1 to 1024")]
Line = Annotated[
    str,
    _check(
        lambda text: bool(text.strip()) and not _CONTROL.search(text), "one line of text, not empty"
    ),
]
AnyFile = Annotated[str, AfterValidator(_path_inside)]
AudioFile = Annotated[AnyFile, _ends_with(*AUDIO_ENDINGS)]
CaptureFile = Annotated[AnyFile, _ends_with(*AUDIO_ENDINGS, *COLUMN_TEXT_ENDINGS)]
CaptureFiles = Annotated[list[CaptureFile], _check(_some, "at least one file")]
Clock = Annotated[
    str,
    _iso_text(
        (datetime.time, datetime.datetime),
        "a time of day with seconds and without quotes, such as 10:32:00",
    ),
]
Day = Annotated[str, _iso_text((datetime.date,), "a date without quotes, such as 2026-05-04")]


class Table(BaseModel):
    """What all tables share: strict types, no unknown keys, no NaN or infinity."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class SpeakerTable(Table):
    """``[speaker]``, the loudspeaker under test."""

    name: Line = Field(description="the loudspeaker's name", examples=['"Marram 12"'])
    drive: Literal["passive", "active"] = Field(
        description="passive is fed by an amplifier, active has its own", examples=['"passive"']
    )
    use: Literal["desk", "living room", "home cinema", "stage"] | None = None
    crossovers_hz: list[Hertz] = []
    serial: Line | None = None
    settings: str | None = None
    rated_impedance_ohm: Amount | None = None
    rated_power_w: Amount | None = None
    maximum_level_db: Level | None = None
    sensitivity_db: Level | None = None


class RigTable(Table):
    """``[rig]``, where and with what it was measured."""

    distance_m: Annotated[float, _between(0.001, 100.0)] = Field(
        description="metres from the microphone to the loudspeaker", examples=["1.0"]
    )
    space: Space = Field(
        description="free field, half space, gated, near field or room", examples=['"gated"']
    )
    gate_ms: Milliseconds | None = Field(
        default=None, description="milliseconds until the first reflection", examples=["6.0"]
    )
    reference_at: Literal["terminals", "loop-back"] | None = Field(
        default=None,
        description="where the reference was taken: terminals or loop-back",
        examples=['"terminals"'],
    )
    volume_at: Literal["before reference", "after reference"] = "before reference"
    temperature_c: Temperature | None = None
    humidity_percent: Annotated[float, _between(0.0, 100.0)] | None = None
    pressure_kpa: Annotated[float, _between(30.0, 120.0)] | None = None
    equipment: list[Line] = []
    microphone_correction: AnyFile | None = None
    drive_tolerance_db: Annotated[float, _between(0.0, 6.0)] = 0.1


class ChannelsTable(Table):
    """``[channels]``, which channel of a recording is what, counted from 1."""

    microphone: Channel = 1
    reference: Channel | None = None
    voltage: Channel | None = None
    current: Channel | None = None


class CalibrationTable(Table):
    """``[calibration]``, what ties samples to dB SPL, volts and amperes."""

    recording: AudioFile | None = Field(
        default=None,
        description="a recording of an acoustic calibrator",
        examples=['"calibration/calibrator.wav"'],
    )
    level_db: Level | None = Field(
        default=None, description="the calibrator's level, dB SPL", examples=["94.0"]
    )
    frequency_hz: Hertz | None = Field(
        default=None, description="the calibrator's frequency, Hz", examples=["1000.0"]
    )
    full_scale_db: Annotated[float, _between(0.0, 250.0)] | None = None
    voltage_full_scale_v: Amount | None = None
    current_full_scale_a: Amount | None = None


class SweepTable(Table):
    """``[sweep]``, the exponential sweep."""

    start_hz: Hertz = Field(description="where the sweep starts, Hz", examples=["20.0"])
    stop_hz: Hertz = Field(description="where the sweep ends, Hz", examples=["20000.0"])
    duration_s: Annotated[float, _above_zero(3600.0)] = Field(
        description="seconds of the sweep itself, without silence around it", examples=["4.0"]
    )
    stimulus: AudioFile | None = Field(
        default=None, description="the file that was played", examples=['"stimulus/sweep.wav"']
    )


class MultitoneTable(Table):
    """``[multitone]``, the stress."""

    stimulus: AudioFile = Field(
        description="one whole period of what was played", examples=['"stimulus/multitone.wav"']
    )
    crest_factor_db: Annotated[float, _between(0.0, 60.0)] = Field(
        description="peak over rms, dB", examples=["12.0"]
    )


class TextTable(Table):
    """``[text]``, how column-text captures were made."""

    gate_ms: Milliseconds | None = None
    smoothing_octaves: Annotated[float, _above_zero(10.0)] | None = None
    snr_db: Annotated[float, _between(-200.0, 200.0)] | None = None


class NoiseTable(Table):
    """``[noise]``, the room and the rig with nothing played."""

    captures: Annotated[list[AudioFile], _check(_some, "at least one file")] = Field(
        description="recordings with nothing played", examples=['["captures/silence.wav"]']
    )


class AgainTable(Table):
    """``[[baseline_again]]``, the baseline once more."""

    captures: CaptureFiles = Field(
        description="the recordings, one sweep each", examples=['["captures/again-72.wav"]']
    )
    at: Clock | None = None
    temperature_c: Temperature | None = None
    input_gain_db: Gain = 0.0


class ShortTermTable(AgainTable):
    """``[[short_term]]``, one level of the short-term test."""

    level_db: Level = Field(description="the level asked for, dB SPL at 1 m", examples=["72.0"])
    drive_db: Gain = Field(
        description="how far the volume was raised from the baseline, dB", examples=["0.0"]
    )


class StageTable(Table):
    """``[[long_term.stage]]``, one stretch of multitone and the sweeps after it."""

    stress_s: SomeSeconds = Field(
        description="seconds that the multitone played", examples=["90.0"]
    )
    pause_s: Annotated[list[Seconds], BeforeValidator(_one_or_many)] = Field(
        description="seconds from the multitone's end to the start of the sweep itself",
        examples=["2.0"],
    )
    after: CaptureFiles = Field(
        description="the sweeps after the stress", examples=['["captures/long-92-after-1.wav"]']
    )
    stress: AudioFile | None = None
    pause_u_s: Seconds = 0.5
    rest_s: Seconds | None = None


class LongTermTable(Table):
    """``[[long_term]]``, one level of the long-term test."""

    level_db: Level = Field(
        description="the multitone's level asked for, dB SPL at 1 m", examples=["92.0"]
    )
    drive_db: Gain = Field(
        description="rms of the multitone's drive over that of the baseline sweep, dB",
        examples=["20.0"],
    )
    sweep_drive_db: Gain | None = None
    before: CaptureFiles = Field(
        description="the sweeps before the stress", examples=['["captures/long-92-before.wav"]']
    )
    stage: Annotated[list[StageTable], _check(_some, "at least one [[long_term.stage]]")] = Field(
        description="the stretches of multitone, in time order"
    )


class SessionTable(Table):
    """The whole of ``session.toml``."""

    format: Literal[1] = Field(description="the version of the format", examples=["1"])
    date: Day | None = None
    notes: str = ""
    speaker: SpeakerTable = Field(description="the loudspeaker under test")
    rig: RigTable = Field(description="where and with what it was measured")
    channels: ChannelsTable = ChannelsTable()
    calibration: CalibrationTable | None = None
    sweep: SweepTable | None = None
    multitone: MultitoneTable | None = None
    text: TextTable | None = None
    noise: NoiseTable | None = None
    short_term: Annotated[
        list[ShortTermTable], _check(_some, "at least one [[short_term]], the baseline")
    ] = Field(description="one entry a level, the baseline first")
    baseline_again: list[AgainTable] = []
    long_term: list[LongTermTable] = []
