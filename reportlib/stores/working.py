"""One session of a store: fetched, worked on in a folder of this machine, put back.

Recordings are fetched once where there is a cache, and not at all where the report was made from
just these. Put back is only what changed, in the order in which a run writes it: what says what
the pages were made from comes last, so that whatever is cut off is made again. A notebook that
was saved in the store meanwhile is not overwritten. What a run keeps to be quicker the next time
(``.upheld/kept``) stays out of the store.
"""

import hashlib
import json
import re
import secrets
import shutil
from itertools import groupby
from pathlib import Path

from reportlib.archive.stale import NOTEBOOK, pages_out_of_date
from reportlib.errors import StoreError
from reportlib.one_line import one_line
from reportlib.stores.place import Held, Place, each

_FACTS = "session.toml"
_FETCHED = ".upheld/fetched.json"
_HISTORY = ".upheld/history/"
_LEFT_OUT = (".upheld/lock", ".upheld/kept/")
_BY_THE_WAY = re.compile(r"(^|/)(\.ipynb_checkpoints/|\.[^/]*\.[0-9a-f]{16}$)")
"""What Jupyter keeps beside a notebook, and what a write that was cut off leaves."""
_ORDER = (".upheld/", NOTEBOOK, ".upheld/written.json", "out/", _FETCHED, ".upheld/rendered.json")
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
