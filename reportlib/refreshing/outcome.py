"""One session of an archive that is refreshed: what is to be done there, and what became of it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from reportlib.archive.changed import Difference

Kind = Literal["up to date", "made", "skipped", "failed"]


@dataclass(frozen=True, kw_only=True)
class Job:
    """A session to be made again where it is out of date.

    Attributes
    ----------
    archive : its absolute path, or its address in a store
    folder : of the session, from the archive's on
    whatever : make it again though it is up to date
    cache : folder that keeps recordings fetched from a store
    patience_s : how long to wait where another run is at work there
    """

    archive: str
    folder: str
    whatever: bool = False
    cache: Path | None = None
    patience_s: float = 0.0

    @property
    def session(self) -> str:
        """The session's path or address.

        >>> Job(archive="s3://library/tests", folder="marram-12").session
        's3://library/tests/marram-12'
        """
        return self.archive if self.folder == "." else f"{self.archive.rstrip('/')}/{self.folder}"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of a session.

    Attributes
    ----------
    folder : from the archive's on
    line : why it was skipped, or what failed
    why : why its report was made again
    changed : what its row says otherwise now, where it said something before
    read_again : why words are to be read again, by slot
    not_run : how many code cells that somebody put into its notebook were left out
    seconds : that it took
    """

    kind: Kind
    folder: str = ""
    line: str = ""
    why: tuple[str, ...] = ()
    changed: tuple[Difference, ...] = ()
    read_again: tuple[str, ...] = ()
    not_run: int = 0
    seconds: float = 0.0
