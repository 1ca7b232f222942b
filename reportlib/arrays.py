"""Arrays in frozen records: private, read-only, of one length."""

from collections.abc import Iterable
from typing import Any

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
