"""Arrays in frozen records, and what is read of a capture: samples, a file's columns, a note on it.

Arrays are private, read-only, of one length. Levels are in dB SPL (nominal, at 1 m), times in
seconds, captures are paths relative to the session folder with ``/``.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def frozen_array(values: ArrayLike, *, dtype: Any = np.float64) -> NDArray[Any]:
    """Return a private copy of `values` that cannot be written to."""
    array = np.array(values, dtype=dtype)
    array.flags.writeable = False
    return array


def freeze(record: Any, names: Iterable[str], *, dtype: Any = np.float64) -> None:
    """Replace a record's arrays by private read-only copies."""
    for name in names:
        if getattr(record, name) is not None:
            object.__setattr__(record, name, frozen_array(getattr(record, name), dtype=dtype))


def same_length(record: Any, names: Iterable[str]) -> None:
    """Raise ValueError where a record's arrays differ in their last dimension."""
    lengths = {name: np.shape(getattr(record, name))[-1] for name in names}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"{type(record).__name__}: fields differ in length: {lengths}")


Severity = Literal["note", "warning", "refused"]


@dataclass(frozen=True, kw_only=True)
class QualityNote:
    """One thing about the data that a reader should know.

    `capture` is the path that it is about, or empty where it is about the session.
    """

    code: str
    severity: Severity
    capture: str
    message: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Capture:
    """One recording, as float64 samples with full scale at ±1.

    Attributes
    ----------
    source : path in the session folder
    sample_rate_hz : samples a second
    microphone : shape (n,), DC removed
    reference : shape (n,), DC removed, or None where no reference was recorded
    voltage, current : shape (n,), V and A, DC removed, or None where not recorded or not scaled
    clipped_samples : samples in runs of three or more at full scale, microphone or reference
    clipped_s : shape (2k,), first and last moment of each clipped stretch, in order
    dropped_s : shape (2k,), of each stretch that stands still amid sound, where samples were lost
    dc_offset : mean that was taken off, of the channel where it was larger; full scale at 1
    """

    source: str
    sample_rate_hz: int
    microphone: FloatArray
    reference: FloatArray | None = None
    voltage: FloatArray | None = None
    current: FloatArray | None = None
    clipped_samples: int = 0
    clipped_s: FloatArray = field(default_factory=lambda: np.empty(0))
    dropped_s: FloatArray = field(default_factory=lambda: np.empty(0))
    dc_offset: float = 0.0

    def __post_init__(self) -> None:
        # No copies: a capture owns the buffers that it was read into, and they are large.
        for name in ("microphone", "reference", "voltage", "current"):
            if getattr(self, name) is not None:
                getattr(self, name).flags.writeable = False


@dataclass(frozen=True, eq=False, kw_only=True)
class ColumnText:
    """What a column-text file says.

    Attributes
    ----------
    source : path in the session folder
    frequency_hz : shape (n,), n ≥ 2, above 0, strictly rising
    level_db : shape (n,)
    phase_deg : shape (n,), or None where the file has two columns
    """

    source: str
    frequency_hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "level_db", "phase_deg"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, frozen_array(getattr(self, name)))
