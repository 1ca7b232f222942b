"""Sessions that lie in a store: S3, Google Cloud Storage, whatever fsspec knows by its address.

Object stores put an object whole or not at all. Where a store is a file system, a file is put
beside its place and renamed over it. fsspec reads and writes; what is fetched and put back is
decided here: its ``rsync`` was tried and goes by size, so that an edit of the same length is left
behind, and it writes over what somebody saved in the store meanwhile.

*One session* is fetched, worked on and put back. Recordings are fetched once where there is a
cache, and not at all where the report was made from just these. Put back is only what changed, in
the order in which a run writes it: what says what the pages were made from comes last, so that
whatever is cut off is made again. A notebook that was saved in the store meanwhile is not
overwritten. What a run keeps to be quicker the next time (``.upheld/kept``) stays out of the store.

*An archive* is listed, filtered and given its catalogue as any other. Only facts and results are
fetched, and only where they changed; of recordings and pages there are empty files, which say
that they are there.
"""

import contextlib
import hashlib
import json
import re
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path, PurePosixPath
from typing import Any

from reportlib.errors import StoreError, one_line
from reportlib.many.index import FOLDER as INDEX
from reportlib.many.index import OWN
from reportlib.many.rows import RESULTS
from reportlib.many.stale import NOTEBOOK, pages_out_of_date
from reportlib.publish import memory
from reportlib.publish.kinds import COMPARISON
from reportlib.session import files

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


_READ = ("session.toml", *RESULTS, *memory.RENDERED)
_PRESENT = ("out/report.html", f".upheld/results/{COMPARISON.data[0]}")
_SHADOW_STAMPS = ".upheld-store.json"


class Shadow:
    """The shadow of an archive.

    Parameters
    ----------
    place : the archive in its store
    folder : of this machine; what an earlier shadow of the same archive left there is used
    """

    def __init__(self, place: Place, *, folder: Path) -> None:
        self.folder = folder
        self._place = place

    def bring_up_to_date(self) -> None:
        """Fetch what changed in the store, and let go of what is gone there.

        Raises
        ------
        StoreError
            The store can't be read, or holds nothing there.
        """
        held = {name: one for name, one in self._place.files().items() if self._wanted(name)}
        if not held:
            raise StoreError(
                one_line(
                    f"{self._place.address}: nothing lies there. Name what holds the sessions."
                )
            )
        known = self._known()
        for name in known.keys() - held.keys():
            (self.folder / name).unlink(missing_ok=True)
        self.folder.mkdir(parents=True, exist_ok=True)
        changed = [
            name
            for name, one in held.items()
            if not one.stamp
            or known.get(name) != [one.size, one.stamp]
            or not (self.folder / name).exists()
        ]
        each(self._fetch, changed)
        self._remember(held)

    def put_catalogue(self) -> None:
        """Put the catalogue back, its pictures first, and the index.

        Raises
        ------
        StoreError
            The store can't be written.
        """
        there = self._place.files()
        made = [
            path
            for part in (*OWN, INDEX)
            for path in sorted(
                (self.folder / part).rglob("*"), key=lambda one: one.suffix == ".html"
            )
            if path.is_file()
        ]
        for path in made:
            name = path.relative_to(self.folder).as_posix()
            if path.suffix != ".svg" or name not in there:  # a picture's name is its content's
                self._place.put(name, path)

    def _fetch(self, name: str) -> None:
        fetch = self._place.fetch if name.endswith(_READ) else self._place.stand_in
        fetch(name, self.folder / name)

    @staticmethod
    def _wanted(name: str) -> bool:
        if name.split("/")[0] in (*OWN, INDEX):
            return False
        ours = "/.upheld/" in f"/{name}" or "/out/" in f"/{name}"
        return not ours or name.endswith((*_READ, *_PRESENT))

    def _known(self) -> dict[str, list[object]]:
        try:
            kept = json.loads((self.folder / _SHADOW_STAMPS).read_text("utf-8"))
            return dict(kept[self._place.address])
        except (OSError, ValueError, KeyError, TypeError):
            return {}

    def _remember(self, held: dict[str, Held]) -> None:
        stamps = {name: [one.size, one.stamp] for name, one in held.items()}
        text = json.dumps({self._place.address: stamps})
        files.write_text_safely(self.folder / _SHADOW_STAMPS, text, inside=self.folder)


_FACTS = "session.toml"
_FETCHED = ".upheld/fetched.json"
_HISTORY = ".upheld/history/"
_LEFT_OUT = (".upheld/lock", ".upheld/kept/")
_BY_THE_WAY = re.compile(r"(^|/)(\.ipynb_checkpoints/|\.[^/]*\.[0-9a-f]{16}$)")
"""What Jupyter keeps beside a notebook, and what a write that was cut off leaves."""
_ORDER = (".upheld/", NOTEBOOK, "out/", _FETCHED, memory.FILE)
"""The later in this order, the later put back; the longest that fits counts."""


class ChangedMeanwhileError(StoreError):
    """The notebook in the store was saved while the session was worked on."""


class Copy:
    """A session's working copy.

    Parameters
    ----------
    place : the session's folder in the store
    folder : where it is worked on, not there yet
    cache : folder in which recordings are kept, None where they are not
    """

    def __init__(self, place: Place, *, folder: Path, cache: Path | None = None) -> None:
        self.folder = folder
        self._place = place
        self._cache = cache
        self._held: dict[str, Held] = {}
        self._fetched: dict[str, str] = {}

    def fetch_report(self) -> None:
        """Fetch everything but the recordings.

        Raises
        ------
        StoreError
            The store can't be read.
        """
        self.folder.mkdir(parents=True)
        self._held = {
            name: held
            for name, held in self._place.files().items()
            if not name.startswith(_LEFT_OUT) and not _BY_THE_WAY.search(name)
        }
        earlier = sorted(name for name in self._held if name.startswith(_HISTORY))
        notebooks = [name for name in earlier if name.endswith(".ipynb")]
        wanted = []
        for name in self._held:
            if name in notebooks[:-1] or name.startswith("out/"):  # there, and of no other use
                self._place.stand_in(name, self.folder / name)
            elif name == _FACTS or not _recorded(name):
                wanted.append(name)
        each(lambda name: self._place.fetch(name, self.folder / name), wanted)
        self._fetched = _digests(self.folder)

    def up_to_date(self) -> bool:
        """Whether the report was made from just what the store holds, by this version."""
        try:
            kept = json.loads((self.folder / _FETCHED).read_text("utf-8"))
        except (OSError, ValueError):
            return False
        now = self._recordings()
        sure = all(stamp for _, stamp in now.values())  # else a file of the same size may be new
        return sure and kept == now and not pages_out_of_date(self.folder)

    def fetch_recordings(self) -> None:
        """Fetch what is missing yet: what the report is made from.

        Raises
        ------
        StoreError
            The store can't be read.
        """
        wanted = [name for name in self._held if _recorded(name) and name != _FACTS]
        each(lambda name: self._fetch_kept(name, held=self._held[name]), wanted)

    def put_back(self) -> None:
        """Put back what changed.

        Raises
        ------
        ChangedMeanwhileError
            The notebook was saved in the store meanwhile; nothing of it was overwritten.
        StoreError
            The session was deleted meanwhile, or the store can't be written.
        """
        (self.folder / _FETCHED).write_text(json.dumps(self._recordings()) + "\n", "utf-8")
        now = _digests(self.folder)
        changed = [
            name
            for name, digest in now.items()
            if not _recorded(name) and self._fetched.get(name) != digest
        ]
        self._require_unchanged()
        for _, names in groupby(sorted(changed, key=_rank), key=_rank):
            several = list(names)
            if NOTEBOOK in several:
                self._require_unchanged()
            each(lambda name: self._place.put(name, self.folder / name), several)

    def _require_unchanged(self) -> None:
        if self._place.read(_FACTS) is None:
            raise StoreError(
                one_line(
                    f"{self._place.address}: was deleted or moved away while it was worked on."
                )
            )
        saved = self._place.read(NOTEBOOK)
        digest = None if saved is None else hashlib.sha256(saved).hexdigest()
        if digest != self._fetched.get(NOTEBOOK):
            raise ChangedMeanwhileError(
                one_line(
                    f"{self._place.address}/{NOTEBOOK} was saved in the store again and again "
                    "while its report was made. Nothing was overwritten; run it again."
                )
            )

    def _recordings(self) -> dict[str, list[object]]:
        return {
            name: [held.size, held.stamp]
            for name, held in sorted(self._held.items())
            if _recorded(name)
        }

    def _fetch_kept(self, name: str, *, held: Held) -> None:
        path = self.folder / name
        if self._cache is None or not held.stamp:
            self._place.fetch(name, path)
            return
        known = f"{self._place.address}/{name} {held.size} {held.stamp}".encode()
        kept = self._cache / "recordings" / hashlib.sha256(known).hexdigest()
        if not kept.is_file() or kept.stat().st_size != held.size:
            beside = kept.with_name(f"{kept.name}.{secrets.token_hex(8)}")
            self._place.fetch(name, beside)
            beside.replace(kept)
        path.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(kept, path)


def _recorded(name: str) -> bool:
    """Whether a file is what the report is made from, and not made with it."""
    return not name.startswith((".upheld/", "out/")) and name != NOTEBOOK


def _rank(name: str) -> int:
    fitting = [place for place, start in enumerate(_ORDER) if name.startswith(start)]
    return max(fitting, key=lambda place: len(_ORDER[place]), default=0)


def _digests(folder: Path) -> dict[str, str]:
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not name.startswith(_LEFT_OUT):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found
