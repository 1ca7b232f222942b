"""The same refresh on a Dask cluster: sessions handed out by a scheduler, taken up again by it.

The scheduler gets as many sessions at a time as its workers have threads: handing out the next
takes milliseconds, a session seconds, and Ctrl-C finds none that wait there. A worker that dies
loses nothing: Dask gives its sessions to another.
"""

import contextlib
import queue
import secrets
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

from reportlib import __version__
from reportlib.errors import ArchiveError
from reportlib.one_line import one_line
from reportlib.refreshing.helper import WORKER, session_at
from reportlib.refreshing.interrupts import AT_ONCE, PRESSED, interrupts
from reportlib.refreshing.outcome import Outcome, outcome_of

_CONNECT_S = 5.0
_WORKERS_S = 10.0
_LOOK_S = 1.0


def refresh(
    archive: Path | str,
    *,
    folders: Sequence[str],
    scheduler: str,
    whatever: bool = False,
    cache: Path | None = None,
    say: Callable[[str, str], None],
    done: Callable[[Outcome], None],
    ending: Callable[[], None],
    command: Sequence[str] = WORKER,
) -> tuple[str, ...]:
    """Make the reports of an archive again that are out of date, by the workers of a cluster.

    Parameters
    ----------
    archive : its path, the same for every worker, or its address in a store
    scheduler : address of a Dask scheduler, such as ``tcp://host:8786``
    folders, whatever, cache, say, done, ending, command : as for `crew.refresh`

    Returns
    -------
    folders that were not finished, since Ctrl-C was pressed

    Raises
    ------
    ArchiveError
        Dask is not installed, nobody answers there, or the cluster was lost on the way.
    """
    heard: queue.SimpleQueue[Any] = queue.SimpleQueue()
    name = f"upheld-{secrets.token_hex(6)}"
    waiting = deque(folders)
    left = dict.fromkeys(folders)
    with (
        _connected(scheduler) as client,
        interrupts(heard) as pressed,
        _helpers(client, name=name, command=command),
    ):
        client.subscribe_topic(name, lambda event: heard.put(event[1]))
        job = {"all": whatever, "cache": None if cache is None else str(cache.absolute())}
        handed = _Handed(client, name=name, archive=archive, job=job, heard=heard)
        while len(pressed) < AT_ONCE:
            while waiting and not pressed and handed.takes_more(scheduler):
                handed.out(waiting.popleft())
            if not handed.folders:
                break
            try:
                one = heard.get(timeout=_LOOK_S)
            except queue.Empty:
                handed.require_scheduler(scheduler)
                continue
            if one == PRESSED:
                if len(pressed) == 1:
                    handed.take_back()
                    ending()
            elif isinstance(one, dict):
                if folder := handed.begun(one):
                    say(folder, one["stage"])
            elif (outcome := handed.back(one, scheduler=scheduler)) is not None:
                left.pop(outcome.folder)
                done(outcome)
    return tuple(left)


class _Handed:
    """The sessions that the cluster has."""

    def __init__(
        self, client: Any, *, name: str, archive: Path | str, job: Mapping[str, Any], heard: Any
    ) -> None:
        self._client = client
        self._name = name
        self._archive = archive
        self._job = job
        self._heard = heard
        self._futures: dict[str, Any] = {}
        self._begun: set[str] = set()

    @property
    def folders(self) -> tuple[str, ...]:
        return tuple(self._futures)

    def takes_more(self, scheduler: str) -> bool:
        """Whether a worker is idle, of as many as there are now.

        Raises
        ------
        ArchiveError
            The scheduler is gone.
        """
        self.require_scheduler(scheduler)
        try:
            threads: int = sum(self._client.nthreads().values())
        except OSError:
            self._lost(scheduler)
        return len(self._futures) < max(threads, 1)

    def out(self, folder: str) -> None:
        """Hand a session out."""
        from reportlib.refreshing.on_a_worker import make_one

        future = self._client.submit(
            make_one,
            {
                **self._job,
                "archive": session_at(self._archive, folder="."),
                "session": session_at(self._archive, folder=folder),
                "folder": folder,
            },
            refresh=self._name,
            version=__version__,
            key=f"{self._name}-{secrets.token_hex(8)}",
            pure=False,
        )
        self._futures[folder] = future
        future.add_done_callback(lambda one: self._heard.put((folder, one)))

    def begun(self, said: dict[str, str]) -> str:
        """Return which session a worker speaks of; nothing where it is done already."""
        folder = said["folder"]
        if folder not in self._futures:
            return ""
        self._begun.add(folder)
        return folder

    def back(self, one: tuple[str, Any], *, scheduler: str) -> Outcome | None:
        """Return what became of a session; None where it was taken back.

        Raises
        ------
        ArchiveError
            The scheduler is gone, and took it along.
        """
        folder, future = one
        if self._futures.get(folder) is not future or future is None:
            return None
        if future.cancelled():
            self._lost(scheduler)
        del self._futures[folder]
        error = future.exception()
        if error is None:
            answer = future.result()
            return None if answer is None else outcome_of(answer, folder=folder)
        what = " ".join(f"{type(error).__name__}: {error}".split())
        session = session_at(self._archive, folder=folder)
        line = one_line(
            f"{session}: the cluster could not make it ({what}). Its report is as it was; run "
            "upheld report there."
        )
        return Outcome(folder=folder, kind="failed", line=line)

    def take_back(self) -> None:
        """Take back what nobody has begun."""
        folders = [folder for folder in self._futures if folder not in self._begun]
        with contextlib.suppress(OSError):  # where the scheduler is gone, so are they
            self._client.cancel([self._futures.pop(folder) for folder in folders])

    def require_scheduler(self, scheduler: str) -> None:
        """Raise an `ArchiveError` where the scheduler is gone."""
        if self._client.status != "running":
            self._lost(scheduler)

    def _lost(self, scheduler: str) -> NoReturn:
        raise ArchiveError(
            one_line(
                f"{scheduler}: the scheduler was lost on the way. What was made is whole; the same "
                "command goes on with the rest when it is there again."
            )
        )


@contextlib.contextmanager
def _connected(scheduler: str) -> Iterator[Any]:
    """Connect to a scheduler that has workers."""
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
        yield client


@contextlib.contextmanager
def _helpers(client: Any, *, name: str, command: Sequence[str]) -> Iterator[None]:
    """Have worker processes of ours on every worker, also on those that join later."""
    try:
        from reportlib.refreshing.on_a_worker import Helpers

        client.register_plugin(Helpers(name, command=command))
    except Exception as error:
        what = " ".join(f"{type(error).__name__}: {error}".split())
        raise ArchiveError(
            one_line(
                f"The cluster's workers can't make reports ({what}). Install upheld[cluster] "
                f"{__version__} for each of them."
            )
        ) from error
    try:
        yield
    finally:
        with contextlib.suppress(Exception):  # where the scheduler is gone, so are they
            client.unregister_worker_plugin(name)
