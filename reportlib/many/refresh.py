"""Many reports made again, each session in a process of its own, by the same run as one.

On Ctrl-C no further session is handed out and those at work are finished; a second one ends the
workers at once, which leaves each session as it was or as it is to be, and those in between for
the next refresh.

On Linux the processes are forked from a server (``forkserver``) that has imported everything, so
that no import is paid twice; elsewhere each is a new Python (``spawn``). One process makes one
session: each begins with a clean state, and memory is that of one session however many there are.
A pool of processes would lose all that is queued with the first that is killed; here the session
of a killed process is taken up once more, and only that one fails where it kills the next, too.
"""

import contextlib
import gc
import multiprocessing
import os
import signal
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from multiprocessing.util import Finalize
from pathlib import Path
from typing import Any, Protocol

from reportlib.errors import one_line
from reportlib.many.making import Job, Outcome, make
from reportlib.publish import kernels as publish_kernels
from reportlib.session import lock

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


Make = Callable[..., Outcome]


class Here:
    """Processes of this machine.

    Parameters
    ----------
    jobs : how many at a time
    make, preload : as of `Children`
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


_CONTEXT: Any = multiprocessing.get_context("forkserver" if publish_kernels.POSSIBLE else "spawn")
_TRIES = 2
_LEAVE_S = 10.0
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""Small matrices gain nothing by threads, and a process that has none can be forked."""


def _serve(preload: Sequence[str]) -> None:
    """Start the server, whose socket lies where the next run clears it should this be killed."""
    held = contextlib.ExitStack()
    folder = held.enter_context(lock.own_folder())
    Finalize(None, held.close, exitpriority=-200)  # when multiprocessing has left it, at -100
    forkserver.set_forkserver_preload(list(preload))
    before, tempfile.tempdir = tempfile.tempdir, str(folder)
    try:
        forkserver.ensure_running()
    finally:
        tempfile.tempdir = before


class Children:
    """Has sessions made, each in a process of its own; safe to share by threads.

    Parameters
    ----------
    make : does a job, as `making.make`
    preload : modules that it needs beyond what every report does
    """

    def __init__(self, make: Make = make, *, preload: Sequence[str] = ()) -> None:
        self._make = make
        self._at_work: set[Any] = set()
        self._ended = False
        self._starting = threading.Lock()
        for name, value in _ONE_THREAD.items():
            os.environ.setdefault(name, value)
        if publish_kernels.POSSIBLE:
            _serve(["reportlib.many.preloaded", *preload])
        # A Dask worker is marked as one that must have no children, since they might outlive it.
        # Ours don't (`_end_with_parent`).
        multiprocessing.current_process().daemon = False

    def have_done(self, job: Job, *, say: Callable[[str], None]) -> Outcome | None:
        """Have a job done, once more where the process ended over it; None where it was told to.

        Parameters
        ----------
        say : called with what is being done
        """
        for _ in range(_TRIES):
            outcome = self._asked(job, say=say)
            if outcome is not None or self._ended:
                return outcome
        line = one_line(
            f"{job.session}: its process ended {_TRIES} times over it (killed, or out of memory). "
            "Its report is as it was; run upheld report there."
        )
        return Outcome(kind="failed", folder=job.folder, line=line)

    def end(self) -> None:
        """End those at work; each session is left as it was or as it is to be."""
        with self._starting:
            self._ended = True
            for process in self._at_work:
                process.terminate()

    def _asked(self, job: Job, *, say: Callable[[str], None]) -> Outcome | None:
        """Have a job done; None where the process ended before it told what came of it."""
        heard, told = _CONTEXT.Pipe(duplex=False)
        process = _CONTEXT.Process(
            target=_work, args=(told,), kwargs={"job": job, "make": self._make}
        )
        with self._starting:
            if self._ended:
                return None
            with suppress(OSError, EOFError):  # the server was killed: the next try has a new one
                process.start()
            self._at_work.add(process)
        told.close()
        try:
            while process.pid and (heard.poll() or heard in wait([heard, process.sentinel])):
                what = heard.recv()
                if isinstance(what, Outcome):
                    return what
                say(what)
        except (EOFError, OSError):
            pass
        finally:
            heard.close()
            if process.pid:
                process.join(_LEAVE_S)
                process.kill()
                process.join()
            self._at_work.discard(process)
        return None


def _work(told: Connection, *, job: Job, make: Make) -> None:
    """Do a job in the child."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the crew's to answer
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that the kernel ends with it
    os.dup2(2, 1)  # whatever prints does not get among what the command says
    gc.freeze()  # what is shared stays shared: no collection writes to it
    with publish_kernels.kernels() as kernels:  # before there is a thread
        threading.Thread(target=_end_with_parent, daemon=True).start()
        told.send(make(job, say=partial(_say, told), kernels=kernels))


def _say(told: Connection, what: str) -> None:
    with suppress(OSError):  # nobody listens: what is begun is finished
        told.send(what)


def _end_with_parent() -> None:
    """End this process when its parent has ended: asked first, then at once."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(_LEAVE_S / 2)
    os._exit(1)
