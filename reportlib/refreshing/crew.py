"""Sessions handed out to workers, here or elsewhere, and an end that is clean.

On Ctrl-C no further session is handed out and those at work are finished; a second one ends the
workers at once, which leaves each session as it was or as it is to be, and those in between for
the next refresh.
"""

import contextlib
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from reportlib.refreshing.child import Children, Make
from reportlib.refreshing.making import make
from reportlib.refreshing.outcome import Job, Outcome

Say = Callable[[str, str], None]
_LOOK_S = 0.2  # Ctrl-C is seen so soon
_AT_ONCE = 2
"""Presses of it after which nothing is waited for."""


class Workers(Protocol):
    """Who makes the sessions."""

    def room(self) -> int:
        """Return how many can be worked on at a time."""

    def begin(self, job: Job, *, say: Say) -> Any:
        """Hand a job out and return its future."""

    def outcome(self, future: Any, *, job: Job) -> Outcome | None:
        """Return what a future tells that is done; None where its work was left undone."""


class Here:
    """Processes of this machine.

    Parameters
    ----------
    jobs : how many at a time
    make, preload : as of `child.Children`
    """

    def __init__(self, jobs: int, *, make: Make = make, preload: Sequence[str] = ()) -> None:
        self._jobs = jobs
        self._children = Children(make, preload=preload)
        self._waiting_for_them = ThreadPoolExecutor(jobs)

    def __enter__(self) -> "Here":
        return self

    def __exit__(self, *_: object) -> None:
        self._children.end()
        self._waiting_for_them.shutdown()

    def room(self) -> int:
        """Return how many processes there are."""
        return self._jobs

    def begin(self, job: Job, *, say: Say) -> Any:
        """Have a job done by a process; `say` is called from a thread."""
        said = partial(say, job.folder)
        return self._waiting_for_them.submit(self._children.have_done, job, say=said)

    def outcome(self, future: Any, *, job: Job) -> Outcome | None:
        """Return what became of a job."""
        del job
        found: Outcome | None = future.result()
        return found


def refresh(
    archive: Path | str,
    *,
    folders: Sequence[str],
    workers: Workers,
    whatever: bool = False,
    cache: Path | None = None,
    patience_s: float = 0.0,
    say: Say,
    done: Callable[[Outcome], None],
    ending: Callable[[], None],
) -> tuple[str, ...]:
    """Make the reports of an archive again that are out of date.

    Parameters
    ----------
    archive : its path, or its address in a store
    folders : of sessions, from `archive` on
    whatever, cache, patience_s : as of a `Job`
    say : called with a folder and what is being done there
    done : called with what became of each session, as they come
    ending : called when Ctrl-C was pressed and the sessions at work are still to be finished

    Returns
    -------
    folders that were not finished, since Ctrl-C was pressed
    """
    job = partial(
        Job,
        archive=str(archive.absolute()) if isinstance(archive, Path) else archive,
        whatever=whatever,
        cache=None if cache is None else cache.absolute(),
        patience_s=patience_s,
    )
    waiting, left = deque(folders), dict.fromkeys(folders)
    at_work: dict[Any, Job] = {}
    news = threading.Event()
    told = False
    with _interrupts() as pressed:
        while len(pressed) < _AT_ONCE:
            room = workers.room()
            while waiting and not pressed and len(at_work) < room:
                one = job(folder=waiting.popleft())
                future = workers.begin(one, say=say)
                at_work[future] = one
                future.add_done_callback(lambda _: news.set())
            if not at_work:
                break
            if pressed and not told:
                ending()
                told = True
            news.wait(_LOOK_S)
            news.clear()
            for future in [one for one in at_work if one.done()]:
                outcome = workers.outcome(future, job=at_work.pop(future))
                if outcome is not None:
                    left.pop(outcome.folder)
                    done(outcome)
    return tuple(left)


@contextlib.contextmanager
def _interrupts() -> Iterator[list[int]]:
    """Count Ctrl-C. Outside the main thread there is nothing to catch: Python gives it none."""
    pressed: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield pressed
        return
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)
