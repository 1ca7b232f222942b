"""One session made again where it is out of date; whatever goes wrong there is told in a line."""

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from reportlib.archive import differences, row_of
from reportlib.archive.stale import measured, out_of_date
from reportlib.errors import BusyError, ReportError
from reportlib.lock import same_folder
from reportlib.one_line import one_line
from reportlib.refreshing.outcome import Job, Outcome
from reportlib.refreshing.stored import take_up_stored
from reportlib.reporting import Kernels, make_report
from reportlib.stores.place import is_address

_LOOK_S = 0.2


def make(job: Job, *, say: Callable[[str], None], kernels: Kernels | None = None) -> Outcome:
    """Do a job, on this machine's disk or in a store.

    Parameters
    ----------
    say : called with what is being done
    kernels : what starts the kernel, as for `reporting.make_report`
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
