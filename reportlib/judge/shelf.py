"""Measured captures kept in the session folder, so that one new capture costs one capture.

``SESSION/.upheld/kept/<key>.npz`` holds one record of what is dear to make and small to keep: of
a sweep recording what the quality gate heard, behind a gate its response, of a stress recording
its tones. The key is a SHA-256 over all that enters: the digests of the files, the facts of the
session that are used, and the code. Whatever differs has another key and is measured again.

Impulse responses are not kept: with their noise they are larger than the recordings, and are only
needed for what is not kept either. So a new capture costs itself and the baseline, which it is
aligned to; another gate costs the day.

A file is what ``numpy.savez`` writes, and its SHA-256 behind it; nothing is parsed before that
digest holds, and nothing can be run from it. What is damaged, cut short, of another key or not
the record that it should be is left aside as if it were not there; a folder that cannot be
written, or a link in its place, only costs the time that it would have saved. All entries
together take no more than the session's own files, or 10 MB where that is more; those that a run
had no use for go with it. The folder can be deleted at any time.
"""

import hashlib
import io
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

import numpy as np
import scipy

from reportlib.errors import RenderError
from reportlib.session import files
from reportlib.session.day import Session
from reportlib.session.records import BoolArray, FloatArray

MOST_BYTES = 10_000_000
"""Allowed to all entries of a session whose own files are smaller."""

T = TypeVar("T")

_DIGEST = hashlib.sha256().digest_size
_DTYPES = ((FloatArray, np.float64), (BoolArray, np.bool_))


def _code_digest() -> str:
    """Return the SHA-256 over every module's source and the versions of what computes."""
    digest = hashlib.sha256(sys.version.encode())
    digest.update(f"numpy {np.__version__}, scipy {scipy.__version__}\n".encode())
    package = Path(__file__).parents[1]
    for path in sorted(package.rglob("*.py")):
        data = path.read_bytes()
        digest.update(f"{path.relative_to(package).as_posix()} {len(data)}\n".encode())
        digest.update(data)
    return digest.hexdigest()


_RUNNING_CODE = _code_digest()
"""As it was imported: a kernel that runs on while a module is edited keeps nothing."""


def code_digest() -> str | None:
    """Return what stands for the running code, None where its source has changed since."""
    with suppress(OSError):
        return _RUNNING_CODE if _code_digest() == _RUNNING_CODE else None
    return None


class Shelf:
    """What is kept of one session; safe to share by threads.

    Parameters
    ----------
    session : as read, with the digests of its files
    write : whether anything may be kept, or let go
    """

    def __init__(self, session: Session, *, write: bool) -> None:
        self.folder = Path(session.folder) / ".upheld" / "kept"
        self._session = session
        self._write = write
        self._code = code_digest()
        self._used: set[str] = set()
        own = sum(_size(Path(session.folder) / name) for name in session.digests)
        self._most = max(own, MOST_BYTES)

    def key(
        self, *named: str, after: Sequence[str | None] = (), enters: Mapping[str, object]
    ) -> str | None:
        """Return the key of what is made of some files: 64 hexadecimal digits.

        Parameters
        ----------
        named : files of the session
        after : keys of what else it is made of
        enters : all else that it is made with, as JSON types

        Returns
        -------
        None where nothing can be kept: the code has changed, or something has no digest or key
        """
        digests = [self._session.digests.get(name) for name in named]
        if self._code is None or None in digests or None in after:
            return None
        text = json.dumps([self._code, named, digests, after, enters], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def unchanged(self, path: str) -> bool:
        """Whether a file is still the one that the session was read with."""
        with suppress(OSError), (Path(self._session.folder) / path).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            return digest == self._session.digests.get(path)
        return False

    def load(self, key: str | None, *, make: Callable[..., T]) -> T | None:
        """Return what is kept under `key`, None where nothing is that can be believed.

        Parameters
        ----------
        make : makes it of the values that :meth:`keep` got, by name; lists for tuples
        """
        if key is None:
            return None
        place = self.folder / f"{key}.npz"
        with suppress(Exception):  # whatever is wrong with a file, it is as if it were not there
            files.refuse_links(place, inside=Path(self._session.folder))
            data = files.read_bytes(place, inside=self.folder, most=self._most + 1)
            if len(data) > self._most:
                return None
            if hashlib.sha256(data[:-_DIGEST]).digest() != data[-_DIGEST:]:
                return None
            with np.load(io.BytesIO(data), allow_pickle=False) as held:
                if sum(one.file_size for one in held.zip.infolist()) > len(data):  # a bomb
                    return None
                values = dict(held)
            about = json.loads(values.pop("about").tobytes())
            if about["key"] == key:
                found = make(**about["values"], **values)
                self._used.add(key)
                return found
        return None

    def keep(self, key: str | None, values: Any) -> None:
        """Keep a record, or values by name, under `key`; silently none where that cannot be."""
        if key is None or not self._write:
            return
        if is_dataclass(values):
            values = {field.name: getattr(values, field.name) for field in fields(values)}
        arrays = {name: one for name, one in values.items() if isinstance(one, np.ndarray)}
        rest = {name: one for name, one in values.items() if name not in arrays}
        buffer = io.BytesIO()
        with suppress(OSError, RenderError, TypeError):  # TypeError: it holds what can't be written
            about = json.dumps({"key": key, "values": rest}, default=asdict).encode()
            np.savez(buffer, about=np.frombuffer(about, np.uint8), **arrays)  # type: ignore[arg-type]
            data = buffer.getvalue() + hashlib.sha256(buffer.getbuffer()).digest()
            held = sum(map(_size, self.folder.iterdir())) if self.folder.is_dir() else 0
            if held + len(data) > self._most:
                return
            # not brought to the disk at once as other files are: a torn entry is not believed
            place, session = self.folder / f"{key}.npz", Path(self._session.folder)
            files.write_bytes_safely(place, data, inside=session, durable=False)
            self._used.add(key)

    def tidy(self) -> None:
        """Let every entry go that was not used, and what a killed run or old versions left."""
        with suppress(OSError, RenderError):
            if not self._write:
                return
            files.refuse_links(self.folder, inside=Path(self._session.folder))
            for path in self.folder.iterdir():
                ours = path.suffix in (".npz", ".kept", ".trace", ".response")
                if ours and path.stem not in self._used and not path.is_dir():
                    with suppress(OSError):
                        path.unlink()


def record(kind: type[T], values: Mapping[str, Any]) -> T:
    """Return the record of `kind` that `values` are the fields of, as :meth:`Shelf.load` has them.

    Raises
    ------
    TypeError, ValueError
        They are not: a field is of another type, or arrays don't fit each other.
    """
    values = dict(values)
    for field in fields(kind):  # type: ignore[arg-type]
        one, wanted = values[field.name], field.type
        dtype = next((dtype for array, dtype in _DTYPES if wanted is array), None)
        if dtype is not None:
            fits = isinstance(one, np.ndarray) and one.dtype == dtype
        elif get_origin(wanted) is tuple:
            values[field.name] = tuple(one)
            fits = all(isinstance(text, str) for text in one)
        else:
            fits = one in get_args(wanted) or type(one) is wanted
        if not fits:
            raise TypeError(field.name)
    return kind(**values)


def _size(path: Path) -> int:
    try:
        return path.lstat().st_size
    except OSError:  # another run took it away meanwhile
        return 0
