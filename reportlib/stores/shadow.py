"""Of an archive in a store, what its index is made of, in a folder of this machine.

There an archive is listed, filtered and given its catalogue as any other. Only facts and results
are fetched, and only where they changed; of recordings and pages there are empty files, which
say that they are there.
"""

import json
from pathlib import Path

from reportlib import files
from reportlib.archive.index import FOLDER as INDEX
from reportlib.archive.rows import RESULTS
from reportlib.archive.sessions import OWN
from reportlib.errors import StoreError
from reportlib.kinds import COMPARISON
from reportlib.one_line import one_line
from reportlib.stores.place import Held, Place, each

_READ = ("session.toml", *RESULTS, ".upheld/rendered.json")
_PRESENT = ("out/report.html", f".upheld/results/{COMPARISON.data[0]}")
_STAMPS = ".upheld-store.json"


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
            kept = json.loads((self.folder / _STAMPS).read_text("utf-8"))
            return dict(kept[self._place.address])
        except (OSError, ValueError, KeyError, TypeError):
            return {}

    def _remember(self, held: dict[str, Held]) -> None:
        stamps = {name: [one.size, one.stamp] for name, one in held.items()}
        text = json.dumps({self._place.address: stamps})
        files.write_text_safely(self.folder / _STAMPS, text, inside=self.folder)
