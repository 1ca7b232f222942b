"""Stress recordings as read, kept beside the sweeps (`kept`) under keys of their own.

A file is the SHA-256 of all that follows it, one line of JSON and the arrays; as on the rest of the
shelf nothing is parsed before that digest holds, nothing can be run from it, and whatever is
damaged, of another key or another version is as if it were not there. Entries end as the sweeps' do
and go with them when a run has no use for them.
"""

import hashlib
import json
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from reportlib import kept
from reportlib.arrays import BoolArray, FloatArray
from reportlib.day import Session
from reportlib.soak.periods import StressTones

_FORMAT = "upheld kept stress 1"
_DIGEST = hashlib.sha256().digest_size
_ARRAYS = tuple(
    field.name for field in fields(StressTones) if field.type in (FloatArray, BoolArray)
)
_BOOLEAN = tuple(field.name for field in fields(StressTones) if field.type is BoolArray)


def stress_key(
    session: Session,
    path: str,
    *,
    stress_s: float,
    sample_rate_hz: int,
    ohm: float | None,
    code: str | None,
) -> str | None:
    """Return the key of one stress recording, None where nothing can be kept (`kept`)."""
    if session.multitone is None or code is None:
        return None
    named = [path, session.multitone.stimulus]
    if any(name not in session.digests for name in named):
        return None
    enters = {
        "format": _FORMAT,
        "code": code,
        "path": path,
        "digests": [session.digests[name] for name in named],
        "channels": asdict(session.channels),
        "stress_s": stress_s,
        "sample_rate_hz": sample_rate_hz,
        "ohm": ohm,
    }
    return hashlib.sha256(json.dumps(enters, sort_keys=True).encode()).hexdigest()


def measured(
    session: Session,
    path: str,
    *,
    key: str | None,
    make: Callable[[], StressTones | None],
    write: bool,
) -> StressTones | None:
    """Return what is kept under `key`; else `make` it, and keep that if `write`.

    It is not kept where the recording is no longer the one that the session was read with, nor
    where there is nothing in it.
    """
    folder = kept.shelf_folder(session)
    found = None if key is None else load(folder, key)
    if found is not None:
        return found
    made = make()
    if write and key is not None and made is not None:
        with suppress(OSError), (Path(session.folder) / path).open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() == session.digests[path]:
                keep(folder, key, tones=made)
    return made


def load(folder: Path, key: str) -> StressTones | None:
    """Return what is kept under `key`, None where nothing is that can be believed."""
    try:
        data = kept.read_entry(folder, f"{key}.kept")
        if hashlib.sha256(data[_DIGEST:]).digest() != data[:_DIGEST]:
            return None
        head, _, body = data[_DIGEST:].partition(b"\n")
        about = json.loads(head)
        if about["format"] != _FORMAT or about["key"] != key:
            return None
        return _unpacked(about, body=body)
    except kept.NO_ENTRY:
        return None


def keep(folder: Path, key: str, *, tones: StressTones) -> None:
    """Keep a stress recording's tones under `key`; without a word where that cannot be."""
    values = {field.name: getattr(tones, field.name) for field in fields(tones)}
    arrays = {name: values.pop(name) for name in _ARRAYS}
    about = {
        "format": _FORMAT,
        "key": key,
        "values": values,
        "shapes": {name: array.shape for name, array in arrays.items()},
    }
    body = json.dumps(about).encode() + b"\n"
    body += b"".join(array.astype("<f8").tobytes() for array in arrays.values())
    kept.write_entry(folder, f"{key}.kept", data=hashlib.sha256(body).digest() + body)


def _unpacked(about: dict[str, Any], *, body: bytes) -> StressTones | None:
    values = dict(about["values"])
    start = 0
    for name in _ARRAYS:
        shape = [int(size) for size in about["shapes"][name]]
        count = math.prod(shape)
        if min(shape) < 0 or 8 * count > len(body) - start:
            raise ValueError(name)
        array = np.frombuffer(body, "<f8", count=count, offset=start).reshape(shape)
        values[name] = array != 0.0 if name in _BOOLEAN else array
        start += 8 * count
    if start != len(body):
        raise ValueError("more than the arrays")
    tones = StressTones(**values)
    periods, count = tones.centre_s.size, tones.frequency_hz.size
    whole = tones.level_db.shape == (periods, count)
    plain = isinstance(tones.source, str) and isinstance(tones.ended, bool)
    numbers = all(np.all(np.isfinite(getattr(tones, name))) for name in _ARRAYS)
    return tones if whole and plain and numbers and tones.period_s > 0.0 else None
