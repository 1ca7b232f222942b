"""The same refresh on a Dask cluster: sessions handed out by a scheduler, taken up again by it.

The scheduler gets as many sessions at a time as its workers have threads: handing out the next
takes milliseconds, a session seconds, and Ctrl-C finds none that wait there. A worker that dies
loses nothing: Dask gives its sessions to another, and what was written is whole. After a second
Ctrl-C the sessions at work are finished there, and nobody listens.
"""

import contextlib
import socket
from collections.abc import Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any, NoReturn

from reportlib import __version__
from reportlib.errors import ArchiveError, one_line
from reportlib.many.making import Job, Outcome, make
from reportlib.many.refresh import Children, Make, Say
from reportlib.many.stores import is_address

PATIENCE_S = 15.0
"""How long a session that is taken up again waits for whoever was killed over it."""
_CONNECT_S = 5.0
_WORKERS_S = 10.0


class Cluster:
    """The workers of a Dask cluster; each of their threads has a process for its session."""

    def __init__(self, client: Any, *, scheduler: str, make: Make = make) -> None:
        self._client = client
        self._scheduler = scheduler
        self._make = make

    def room(self) -> int:
        """Return how many threads the workers have, of as many as there are now."""
        try:
            threads: dict[str, int] = self._client.nthreads()
        except OSError:
            self._lost()
        if self._client.status != "running":
            self._lost()
        return max(1, sum(threads.values()))

    def begin(self, job: Job, *, say: Say) -> Any:
        """Hand a job to the scheduler."""
        say(job.folder, "at work on the cluster")
        return self._client.submit(make_one, job, version=__version__, make=self._make, pure=False)

    def outcome(self, future: Any, *, job: Job) -> Outcome | None:
        """Return what became of a job.

        Raises
        ------
        ArchiveError
            The scheduler is gone, and took it along.
        """
        if future.cancelled():
            self._lost()
        error = future.exception()
        if error is None:
            found: Outcome | None = future.result()
            return found
        what = " ".join(f"{type(error).__name__}: {error}".split())
        line = f"{job.session}: the cluster could not make it ({what}). Its report is as it was; "
        line = one_line(f"{line}run upheld report there.")
        return Outcome(kind="failed", folder=job.folder, line=line)

    def _lost(self) -> NoReturn:
        raise ArchiveError(
            one_line(
                f"{self._scheduler}: the scheduler was lost on the way. What was made is whole; "
                "the same command goes on with the rest when it is there again."
            )
        )


def make_one(job: Job, *, version: str, make: Make = make) -> Outcome | None:
    """Make one session's report, on a Dask worker.

    Parameters
    ----------
    version : of upheld that asks
    """
    failed = partial(Outcome, kind="failed", folder=job.folder)
    where = socket.gethostname()
    if version != __version__:
        line = f"{job.session}: the worker on {where} has upheld {__version__}, not {version}. "
        return failed(line=one_line(f"{line}Install the same on both."))
    if not is_address(job.archive) and not Path(job.archive).is_dir():
        line = f"{job.session}: the worker on {where} does not see {job.archive}. Put the archive "
        line += "where all workers see it under the same path, or in an object store."
        return failed(line=one_line(line))
    return _children(make).have_done(job, say=lambda _: None)


@cache
def _children(make: Make) -> Children:
    return Children(make)


@contextlib.contextmanager
def connected(scheduler: str) -> Iterator[Any]:
    """Connect to a scheduler that has workers, which have upheld.

    Raises
    ------
    ArchiveError
        Dask is not installed, nobody answers there, or the workers can't make reports.
    """
    try:
        import dask

        with dask.config.set({"logging": {"distributed": "critical"}}):  # it is said in one line
            import distributed
    except ImportError as error:
        raise ArchiveError(
            "--scheduler needs Dask, which is not installed: pip install 'upheld[cluster]', here "
            "and for the workers."
        ) from error
    try:
        client = distributed.Client(scheduler, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = " ".join(str(error).split())
        raise ArchiveError(
            one_line(
                f"{scheduler}: no scheduler answers there ({reason}). Start one with "
                "'dask scheduler', or give its address as tcp://host:port."
            )
        ) from error
    with contextlib.closing(client):
        try:
            client.wait_for_workers(1, timeout=_WORKERS_S)
        except TimeoutError as error:
            raise ArchiveError(
                one_line(
                    f"{scheduler}: the scheduler has no workers. Start some with "
                    f"'dask worker {scheduler}'."
                )
            ) from error
        # Only what a worker lacks is told: one that dies over the question is Dask's to replace.
        for answer in client.run(_can_make, on_error="return").values():
            if isinstance(answer, ImportError):
                raise ArchiveError(
                    one_line(
                        f"The cluster's workers can't make reports ({answer}). Install "
                        f"upheld[cluster] {__version__} for each of them."
                    )
                )
        yield client


def _can_make() -> bool:
    return callable(make)
