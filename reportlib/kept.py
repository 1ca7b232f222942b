"""Measured captures kept in the session folder, so that one new capture costs one capture.

``SESSION/.upheld/kept/<key>.kept`` holds what :func:`deconvolution.deconvolve` made of one
recording and the notes on it. The key is a SHA-256 over all that enters: the recording's own
digest and name, the stimulus', the facts of the session that are used, and the code. Whatever
differs has another key and is measured again.

A file is the SHA-256 of all that follows it, one line of JSON and the arrays as they lie in
memory; nothing is parsed before that digest holds, and nothing can be run from it. Beside it
lie, as JSON and held alike, what the quality gate heard (``.trace``) and the response behind the
session's gate (``.response``), which counts for that very gate and baseline only. What is
damaged, cut short, of another key or of another version is left aside as if it were not there;
a folder that cannot be written, or a link in its place, only costs the time that it would have
saved. All entries together take at most :data:`MOST_BYTES`; those that a run had no use for go
with it. The folder can be deleted at any time.
"""

import hashlib
import json
import sys
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any, Literal

import numpy as np
import scipy

from reportlib import files
from reportlib.day import Session
from reportlib.deconvolution import Deconvolved
from reportlib.errors import RenderError
from reportlib.model import FloatArray, QualityNote, Response

MOST_BYTES = 1 << 30
"""All entries of a session together: about 200 captures of 10 s at 192 kHz."""

Measured = tuple[Deconvolved, list[QualityNote]]
Kind = Literal["trace", "response"]

_FORMAT = "upheld kept 2"
_ENDING = ".kept"
_TEXTS = (".trace", ".response")
NO_ENTRY = (
    OSError, RenderError, ValueError, TypeError, KeyError, AttributeError, RecursionError,
)  # fmt: skip
"""What reading an entry may raise: then there is none."""
_ALIGNED = 64
_DIGEST = hashlib.sha256().digest_size
_ALL_NUMBERS = ("impulse", "frequency_hz", "drive_power", "during_broad", "before_broad")


def _code_digest() -> str:
    """Return the SHA-256 over every module's source and the versions of what computes."""
    digest = hashlib.sha256(sys.version.encode())
    digest.update(f"numpy {np.__version__}, scipy {scipy.__version__}\n".encode())
    package = Path(__file__).parent
    for path in sorted(package.rglob("*.py")):
        data = path.read_bytes()
        digest.update(f"{path.relative_to(package).as_posix()} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


_RUNNING_CODE = _code_digest()
"""As it was imported: a kernel that runs on while a module is edited keeps nothing."""


def shelf_folder(session: Session) -> Path:
    """Return where a session's captures are kept; it need not be there."""
    return Path(session.folder) / ".upheld" / "kept"


def code_digest() -> str | None:
    """Return what stands for the running code, None where its source has changed since."""
    with suppress(OSError):
        return _RUNNING_CODE if _code_digest() == _RUNNING_CODE else None
    return None


def capture_key(
    session: Session,
    path: str,
    *,
    sample_rate_hz: int,
    frequency_hz: FloatArray,
    fraction: int,
    code: str | None,
) -> str | None:
    """Return the key of one sweep recording: 64 hexadecimal digits.

    Parameters
    ----------
    path : of the recording, in the session folder
    sample_rate_hz, frequency_hz, fraction : as `deconvolution.deconvolve` gets them
    code : of :func:`code_digest`, once a run

    Returns
    -------
    None where nothing can be kept: the code has changed, or the session holds no digests
    """
    sweep = session.sweep
    stimulus = None if sweep is None else sweep.stimulus
    named = [path] if stimulus is None else [path, stimulus]
    if code is None or sweep is None or any(name not in session.digests for name in named):
        return None
    enters = {
        "format": _FORMAT,
        "code": code,
        "path": path,
        "digests": [session.digests[name] for name in named],
        "sweep": [sweep.start_hz, sweep.stop_hz, sweep.duration_s],
        "channels": asdict(session.channels),
        "nothing_played": path in session.noise_captures,
        "sample_rate_hz": sample_rate_hz,
        "grid": hashlib.sha256(np.ascontiguousarray(frequency_hz).tobytes()).hexdigest(),
        "fraction": fraction,
    }
    return hashlib.sha256(json.dumps(enters, sort_keys=True).encode()).hexdigest()


def measured(
    session: Session,
    path: str,
    *,
    key: str | None,
    make: Callable[[str], Measured],
    write: bool = True,
) -> Measured:
    """Return what is kept of a capture under `key`; else `make` it, and keep that if `write`.

    It is not kept where the recording is no longer the one that the session was read with.
    """
    folder = shelf_folder(session)
    found = None if key is None else load(folder, key)
    if found is not None:
        return found
    made = make(path)
    if write and key is not None:
        with suppress(OSError), (Path(session.folder) / path).open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() == session.digests[path]:
                keep(folder, key, deconvolved=made[0], notes=made[1])
    return made


def load(folder: Path, key: str) -> Measured | None:
    """Return what is kept under `key`, None where nothing is that can be believed."""
    try:
        data = read_entry(folder, f"{key}{_ENDING}")
        body = memoryview(data)[_DIGEST:]  # megabytes, not to be copied
        if hashlib.sha256(body).digest() != data[:_DIGEST]:
            return None
        end = data.index(b"\n", _DIGEST)
        about = json.loads(data[_DIGEST:end])
        if about["format"] != _FORMAT or about["key"] != key:
            return None
        notes = [QualityNote(**note) for note in about["notes"]]
        found = _unpacked(about, data=memoryview(data)[end + 1 :])
        if not all(isinstance(text, str) for note in notes for text in vars(note).values()):
            return None
        return (found, notes) if _holds(found) else None
    except NO_ENTRY:
        return None


def keep(folder: Path, key: str, *, deconvolved: Deconvolved, notes: Sequence[QualityNote]) -> None:
    """Keep what was made of a capture under `key`; without a word where that cannot be."""
    try:
        data = _packed(deconvolved, key=key, notes=notes)
    except (TypeError, ValueError):  # a record that cannot be written is measured every time
        return
    write_entry(folder, f"{key}{_ENDING}", data=data)


def keep_text(folder: Path, key: str, *, kind: Kind, text: str, made_with: str = "") -> None:
    """Keep a text beside what is kept under `key`, as silently as :func:`keep`.

    `made_with`: what else it was made with; another text of this kind takes its place.
    """
    about = {"format": _FORMAT, "key": key, "made_with": made_with, "text": text}
    head = json.dumps(about).encode()
    if (folder / f"{key}{_ENDING}").is_file():
        write_entry(folder, f"{key}.{kind}", data=hashlib.sha256(head).digest() + head)


def load_text(folder: Path, key: str, *, kind: Kind, made_with: str = "") -> str | None:
    """Return the text that is kept under `key`, None where none is that can be believed."""
    try:
        data = read_entry(folder, f"{key}.{kind}")
        if hashlib.sha256(data[_DIGEST:]).digest() != data[:_DIGEST]:
            return None
        about = json.loads(data[_DIGEST:])
        if [about["format"], about["key"], about["made_with"]] != [_FORMAT, key, made_with]:
            return None
        return str(about["text"])
    except NO_ENTRY:
        return None


def keep_response(folder: Path, key: str, *, response: Response, made_with: str) -> None:
    """Keep a response beside the capture under `key`; it counts for this `made_with` only."""
    values = {field.name: getattr(response, field.name) for field in fields(response)}
    text = json.dumps(
        {name: one.tolist() if isinstance(one, np.ndarray) else one for name, one in values.items()}
    )
    keep_text(folder, key, kind="response", text=text, made_with=made_with)


def load_response(folder: Path, key: str, *, made_with: str) -> Response | None:
    """Return the response that is kept under `key`, None where none can be believed."""
    text = load_text(folder, key, kind="response", made_with=made_with)
    try:
        values = json.loads(text or "")
        return Response(**{**values, "untold": tuple(values["untold"])})
    except (ValueError, TypeError, KeyError):
        return None


def tidy(folder: Path, used: Collection[str | None]) -> None:
    """Let every entry go whose key is not among `used`, and what a killed run left behind."""
    with suppress(OSError, RenderError):
        files.refuse_links(folder, inside=_session(folder))
        for path in folder.iterdir():
            if path.suffix not in (_ENDING, *_TEXTS):
                continue
            if path.stem not in used and not path.is_dir():
                with suppress(OSError):
                    path.unlink()


def read_entry(folder: Path, name: str) -> bytes:
    """Return what lies on the shelf `folder` under a name; one of `NO_ENTRY` where nothing can."""
    files.refuse_links(folder / name, inside=_session(folder))
    data = files.read_bytes(folder / name, inside=folder, most=MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise ValueError(name)
    return data


def write_entry(folder: Path, name: str, *, data: bytes) -> None:
    """Put an entry on the shelf `folder` while there is room; without a word where it can't be."""
    with suppress(OSError, RenderError):
        held = sum(_size(path) for path in folder.iterdir()) if folder.is_dir() else 0
        if held + len(data) <= MOST_BYTES:
            # not brought to the disk at once as other files are: a torn entry is not believed
            place = folder / name
            files.write_bytes_safely(place, data, inside=_session(folder), durable=False)


def _session(folder: Path) -> Path:
    return folder.parent.parent


def _size(path: Path) -> int:
    try:
        return path.lstat().st_size
    except OSError:  # another run took it away meanwhile
        return 0


def _packed(record: Deconvolved, *, key: str, notes: Sequence[QualityNote]) -> bytes:
    values = {field.name: getattr(record, field.name) for field in fields(record)}
    arrays = {name: one for name, one in values.items() if isinstance(one, np.ndarray)}
    about = {
        "format": _FORMAT,
        "key": key,
        "notes": [asdict(note) for note in notes],
        "lengths": {name: array.size for name, array in arrays.items()},
        "values": {name: one for name, one in values.items() if name not in arrays},
    }
    head = json.dumps(about).encode()
    head += b" " * (-(_DIGEST + len(head) + 1) % _ALIGNED) + b"\n"
    body = head + b"".join(array.astype("<f8", copy=False).tobytes() for array in arrays.values())
    return hashlib.sha256(body).digest() + body


def _unpacked(about: dict[str, Any], *, data: memoryview) -> Deconvolved:
    """Return the record of an entry; ValueError, KeyError or TypeError where it is none."""
    values = dict(about["values"])
    start = 0
    for name, length in about["lengths"].items():
        if not 0 <= length <= (len(data) - start) // 8:
            raise ValueError(name)
        # A copy, aligned as a fresh array is, and without the whole file behind it.
        values[name] = np.frombuffer(data, "<f8", count=length, offset=start).astype(np.float64)
        start += 8 * length
    if start != len(data):
        raise ValueError("more than the arrays")
    for field in fields(Deconvolved):
        kind = np.ndarray if field.type is FloatArray else field.type
        if isinstance(kind, type) and type(values[field.name]) is not kind:
            raise TypeError(field.name)
    return Deconvolved(**values)


def _holds(record: Deconvolved) -> bool:
    """Return whether its arrays fit each other and hold numbers."""
    for field in fields(record):
        value = getattr(record, field.name)
        if isinstance(value, np.ndarray) and field.name not in _ALL_NUMBERS:
            value = value[~np.isnan(value)]
        if not isinstance(value, str | None) and not np.all(np.isfinite(value)):
            return False
    return (
        record.drive_power.shape == record.drive_noise.shape == record.frequency_hz.shape
        and record.sample_rate_hz > 0
        and 0 <= record.peak_lag - record.first_lag < record.impulse.size
    )
