"""One session of an archive made again where it is out of date, and what became of it."""

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from reportlib.errors import BusyError, ReportError, one_line
from reportlib.many import stores
from reportlib.many.rows import Difference, differences, row_of
from reportlib.many.stale import measured, out_of_date
from reportlib.many.stores import is_address
from reportlib.publish.report import Kernels, make_report
from reportlib.session import lock
from reportlib.session.lock import same_folder

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


_LOOK_S = 0.2


def make(job: Job, *, say: Callable[[str], None], kernels: Kernels | None = None) -> Outcome:
    """Do a job, on this machine's disk or in a store.

    Parameters
    ----------
    say : called with what is being done
    kernels : what starts the kernel, as for `report.make_report`
    """
    begun = time.monotonic()

    def take_up_here(session: Path) -> Outcome:
        how = {"whatever": job.whatever, "patience_s": job.patience_s}
        return take_up(session, say=say, kernels=kernels, **how)  # type: ignore[arg-type]

    if is_address(job.session):
        how = {"whatever": job.whatever, "cache": job.cache, "say": say}
        outcome = take_up_stored(job.session, make=take_up_here, **how)  # type: ignore[arg-type]
    else:
        outcome = take_up_here(Path(job.session))
    return replace(outcome, folder=job.folder, seconds=round(time.monotonic() - begun, 3))


def take_up(
    session: Path,
    *,
    whatever: bool,
    patience_s: float = 0.0,
    say: Callable[[str], None] = lambda _: None,
    kernels: Kernels | None = None,
) -> Outcome:
    """Make a session's report again where it is out of date, and tell what came of it.

    Parameters
    ----------
    whatever : make it again though it is up to date
    patience_s : how long to wait where another run is at work there
    say, kernels : as for `make`
    """
    latest = time.monotonic() + patience_s
    while True:
        try:
            with same_folder(session):
                return _made(session, whatever=whatever, say=say, kernels=kernels)
        except BusyError as error:
            if time.monotonic() >= latest:
                return Outcome(kind="skipped", line=one_line(" ".join(str(error).split())))
        except Exception as error:
            what = str(error)
            if not isinstance(error, ReportError):
                what = f"{session}: ended with {type(error).__name__}: {error}. "
                what += "This is a fault of upheld"
            return Outcome(kind="failed", line=one_line(" ".join(what.split())))
        time.sleep(_LOOK_S)


def _made(
    session: Path, *, whatever: bool, say: Callable[[str], None], kernels: Kernels | None
) -> Outcome:
    say("comparing recordings and words")
    if not measured(session):
        return Outcome(kind="skipped", line=f"{session}: planned, nothing recorded yet.")
    why = out_of_date(session)
    if not why and not whatever:
        return Outcome(kind="up to date")
    before = row_of(session, folder=".")

    @contextlib.contextmanager
    def stage(what: str) -> Iterator[None]:
        say(what)
        yield

    made = make_report(session, given={}, stage=stage, kernels=kernels)
    known = before["state"] == "reported"
    return Outcome(
        kind="made",
        why=tuple(why) or ("asked for",),
        changed=tuple(differences(before, row_of(session, folder="."))) if known else (),
        read_again=tuple(
            f"{slot}: {'; '.join(reasons)}" for slot, reasons in made.run.read_again.items()
        ),
        not_run=made.run.not_run,
    )


_MOST_TRIES = 3
_CHECKED = ("made", "up to date")


def take_up_stored(
    address: str,
    *,
    whatever: bool,
    cache: Path | None,
    say: Callable[[str], None],
    make: Callable[[Path], Outcome],
) -> Outcome:
    """Make the report of a session in a store again, and tell what came of it.

    Where its notebook was saved in the store meanwhile, the newer one is fetched and run.

    Parameters
    ----------
    address : of the session
    whatever : make it again though it is up to date
    cache : folder in which recordings are kept, None where they are not
    say : called with what is being done
    make : makes the report in a folder of this machine, as `take_up`
    """
    outcome = Outcome(kind="failed")
    for _ in range(_MOST_TRIES):
        with lock.own_folder() as top:
            folder = top / (address.rstrip("/").rpartition("/")[2] or "session")
            try:
                say("fetching")
                copy = stores.Copy(stores.place_at(address), folder=folder, cache=cache)
                copy.fetch_report()
                if not whatever and copy.up_to_date():
                    return Outcome(kind="up to date")
                copy.fetch_recordings()
                outcome = make(folder)
                if outcome.kind in _CHECKED:
                    say("putting back")
                    copy.put_back()
            except stores.ChangedMeanwhileError as error:
                outcome = Outcome(kind="failed", line=str(error))
                continue
            except (ReportError, OSError) as error:
                outcome = Outcome(kind="failed", line=one_line(" ".join(str(error).split())))
        return replace(outcome, line=outcome.line.replace(str(folder), address))
    return outcome
