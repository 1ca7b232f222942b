"""A folder in a store: what lies below it, fetched and put whole; nothing is ever deleted.

Object stores put an object whole or not at all. Where a store is a file system, a file is put
beside its place and renamed over it.
"""

import contextlib
import secrets
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from reportlib.errors import StoreError
from reportlib.one_line import one_line

_STAMPS = (
    "ETag", "etag", "md5Hash", "generation", "mtime", "LastModified", "last_modified",
    "modificationTime", "modify", "modified", "created",
)  # fmt: skip
"""What a store says of a file's content, the surest first."""
_WHOLE = frozenset(("s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "memory"))
"""Stores that put whole by themselves."""

_AT_A_TIME = 8


@dataclass(frozen=True, kw_only=True)
class Held:
    """A file in a store: its size in bytes, and what changes whenever its content does."""

    size: int
    stamp: str


def is_address(text: str) -> bool:
    """Whether a text is an address in a store, and not a path.

    >>> [is_address(text) for text in ("s3://library/tests", "my-sessions", "C:/sessions")]
    [True, False, False]
    """
    return "://" in text


def module_for(address: str) -> str:
    """Return the module that an address needs, as far as fsspec knows one; else fsspec itself."""
    with contextlib.suppress(ImportError, KeyError):
        from fsspec.registry import known_implementations

        protocol = address.partition("://")[0]
        return str(known_implementations[protocol]["class"]).rpartition(".")[0]
    return "fsspec"


def place_at(address: str) -> "Place":
    """Return the folder that an address leads to.

    Raises
    ------
    StoreError
        What the address needs is not installed, or fsspec knows no such store.
    """
    protocol = address.partition("://")[0]
    try:
        import fsspec

        system, root = fsspec.core.url_to_fs(
            address, skip_instance_cache=True, use_listings_cache=False
        )
    except ImportError as error:
        reason = " ".join(str(error).split())
        raise StoreError(
            one_line(
                f"{address}: what {protocol}:// needs is not installed ({reason}). Install "
                "'upheld[cluster]', and gcsfs for gs://, here and for the workers."
            )
        ) from error
    except Exception as error:
        raise _fault(address, error=error) from error
    return Place(address.rstrip("/"), system=system, root=root, whole=protocol in _WHOLE)


def each(work: Callable[[str], None], names: Iterable[str]) -> None:
    """Do `work` on every name, several at a time: a store answers late, but many at once."""
    pool = ThreadPoolExecutor(_AT_A_TIME)
    try:
        for _ in pool.map(work, names):
            pass
    finally:
        pool.shutdown(cancel_futures=True)


class Place:
    """A folder in a store."""

    def __init__(self, address: str, *, system: Any, root: str, whole: bool) -> None:
        self.address = address
        self._system = system
        self._root = root.rstrip("/")
        self._whole = whole

    def files(self) -> dict[str, Held]:
        """List the files below it, by their paths from it on.

        Raises
        ------
        StoreError
            The store can't be read, or holds a name that is no path.
        """
        with self._said(self.address):
            self._system.invalidate_cache()
            found = self._system.find(self._root, detail=True)
        listed = {}
        for full, about in found.items():
            name = full[len(self._root) :].lstrip("/")
            if not name or name.endswith("/"):
                continue  # what stands for a folder where there are none
            if set(name.split("/")) & {"", ".", ".."} or "\\" in name or "\0" in name:
                raise StoreError(
                    one_line(f"{self.address}/{name}: no such name can be a file's. Rename it.")
                )
            stamps = (str(about[key]) for key in _STAMPS if about.get(key) is not None)
            listed[name] = Held(size=int(about["size"] or 0), stamp=next(stamps, ""))
        return listed

    def read(self, name: str) -> bytes | None:
        """Return a file's content as it is now; None where it is not there.

        Raises
        ------
        StoreError
            The store can't be read.
        """
        with self._said(f"{self.address}/{name}"):
            self._system.invalidate_cache()
            try:
                content: bytes = self._system.cat_file(f"{self._root}/{name}")
            except FileNotFoundError:
                return None
            return content

    def fetch(self, name: str, path: Path) -> None:
        """Fetch a file to `path`.

        Raises
        ------
        StoreError
            It can't be read, or `path` can't be written.
        """
        with self._said(f"{self.address}/{name}"):
            path.parent.mkdir(parents=True, exist_ok=True)
            self._system.get_file(f"{self._root}/{name}", str(path))

    def stand_in(self, name: str, path: Path) -> None:
        """Make `path` an empty file, which says that there is one in the store.

        Raises
        ------
        StoreError
            It can't be written, such as where the store has a file and a folder of one name.
        """
        with self._said(f"{self.address}/{name}"):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch()

    def put(self, name: str, path: Path) -> None:
        """Put the file `path` in its place: whole, or not at all.

        Raises
        ------
        StoreError
            It can't be written.
        """
        full = f"{self._root}/{name}"
        with self._said(f"{self.address}/{name}"):
            if self._whole:
                self._system.put_file(str(path), full)
                return
            folder, _, last = full.rpartition("/")
            self._system.makedirs(folder, exist_ok=True)
            beside = f"{folder}/.{PurePosixPath(last).name[:40]}.{secrets.token_hex(8)}"
            self._system.put_file(str(path), beside)
            self._system.mv(beside, full)
            if self._system.exists(beside):
                raise FileExistsError("it does not rename over a file")

    @contextlib.contextmanager
    def _said(self, what: str) -> Iterator[None]:
        try:
            yield
        except StoreError:
            raise
        except Exception as error:  # every store has errors of its own
            raise _fault(what, error=error) from error


def _fault(what: str, *, error: Exception) -> StoreError:
    reason = " ".join(f"{type(error).__name__}: {error}".split())
    return StoreError(
        one_line(
            f"{what}: the store refuses ({reason}). Check the address, the network and your "
            "credentials; nothing was lost."
        )
    )
