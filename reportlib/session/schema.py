"""What may stand at a key of ``session.toml``: numbers in bounds, lines, paths, dates.

A value that cannot be is told as what is expected of it ("a number from −20 to 180").
"""

import datetime
import re
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, PlainSerializer, Strict
from pydantic_core import PydanticCustomError

AUDIO_ENDINGS = (".wav", ".flac")
_NO_TEXT_ENDINGS = (
    *(".aac", ".aif", ".aifc", ".aiff", ".au", ".caf", ".m4a", ".mp3", ".mp4", ".oga", ".ogg"),
    *(".opus", ".w64", ".wma", ".mat", ".npy", ".ods", ".pdf", ".xls", ".xlsx", ".zip"),
)
"""Of sound, of tables and of archives that are no text; whatever else is tried as one."""

_LEAST = 1e-6
"""No length, time, frequency or power of a measuring day is smaller; what is overflows sums."""
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def is_column_text(path: str) -> bool:
    """Return whether the capture at `path` is column text: its name's ending is none of audio."""
    return not path.lower().endswith(AUDIO_ENDINGS)


def checked(fits: Callable[[Any], object], expected: str) -> AfterValidator:
    """Return a validator that asks for `expected` where a value does not fit."""

    def check(value: Any) -> Any:
        if not fits(value):
            raise PydanticCustomError("expected", "{expected}", {"expected": expected})
        return value

    return AfterValidator(check)


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def between(low: float, high: float, *, text: str = "") -> AfterValidator:
    """Return a validator of numbers from `low` to `high`; `text` says so in other words."""
    text = text or f"a number from {_number(low)} to {_number(high)}"
    return checked(lambda value: low <= value <= high, text)


def above_zero(high: float) -> AfterValidator:
    """Return a validator of numbers above 0 and at most `high`."""
    return between(_LEAST, high, text=f"a number above {_LEAST:f} and at most {_number(high)}")


def _path_inside(value: str) -> str:
    """Return `value` without needless parts, or say which rule of paths it breaks.

    Whether a link leads out of the folder shows only on the disk (`session.named_files`).
    """
    parts = [part for part in value.split("/") if part not in ("", ".")]
    if _CONTROL.search(value) or not value.strip():
        expected = 'a path in the session folder, such as "captures/short-72-a.wav"'
    elif "\\" in value:
        expected = "a path with / instead of \\ between its parts"
    elif value.startswith("/") or re.match(r"[A-Za-z]:", value):
        expected = "a path relative to the session folder, not an absolute one"
    elif ".." in parts:
        expected = 'a path without "..", inside the session folder'
    elif value.endswith("/") or not parts:
        expected = "the path of a file, not of a folder"
    else:
        return "/".join(parts)
    raise PydanticCustomError("expected", "{expected}", {"expected": expected})


def _iso_text(kinds: tuple[type, ...], expected: str) -> BeforeValidator:
    """Return a validator that turns TOML's own dates and times into ISO 8601 text."""

    def text(value: object) -> str:
        # a date-time is a date to Python: where a date is asked for, it may stand for one
        if not isinstance(value, kinds):
            raise PydanticCustomError("expected", "{expected}", {"expected": expected})
        return value.isoformat()  # type: ignore[attr-defined, no-any-return]

    return BeforeValidator(text)


def _toml_time(text: str) -> datetime.date | datetime.time:
    kind = datetime.datetime if "T" in text else datetime.date if "-" in text else datetime.time
    return kind.fromisoformat(text)


Number = Annotated[float, Strict()]
Level = Annotated[Number, between(-20.0, 180.0)]
"""dB SPL: from below the threshold of hearing to beyond any loudspeaker (common sense)."""
Gain = Annotated[Number, between(-120.0, 120.0)]
Temperature = Annotated[Number, between(-50.0, 70.0)]
Seconds = Annotated[Number, between(0.0, 100_000.0)]
SomeSeconds = Annotated[Number, above_zero(100_000.0)]
Hertz = Annotated[Number, above_zero(200_000.0)]
Milliseconds = Annotated[Number, above_zero(60_000.0)]
Amount = Annotated[Number, above_zero(100_000.0)]
Channel = Annotated[
    int, Strict(), checked(lambda n: 1 <= n <= 1024, "a whole number from 1 to 1024")
]
Line = Annotated[
    str,
    checked(
        lambda text: bool(text.strip()) and not _CONTROL.search(text), "one line of text, not empty"
    ),
]
AnyFile = Annotated[str, AfterValidator(_path_inside)]
AudioFile = Annotated[
    AnyFile,
    checked(
        lambda path: path.lower().endswith(AUDIO_ENDINGS), "a file whose name ends in .wav or .flac"
    ),
]
CaptureFile = Annotated[
    AnyFile,
    checked(
        lambda path: not path.lower().endswith(_NO_TEXT_ENDINGS),
        "a recording as .wav or .flac, or column text: convert it first",
    ),
]
_SOME_FILES = checked(len, "at least one file")
AudioFiles = Annotated[tuple[AudioFile, ...], _SOME_FILES]
CaptureFiles = Annotated[tuple[CaptureFile, ...], _SOME_FILES]
Clock = Annotated[
    str,
    _iso_text(
        (datetime.time, datetime.datetime),
        "a time of day with seconds and without quotes, such as 10:32:00",
    ),
    PlainSerializer(_toml_time),
]
Day = Annotated[
    str,
    _iso_text((datetime.date,), "a date without quotes, such as 2026-05-04"),
    PlainSerializer(_toml_time),
]
