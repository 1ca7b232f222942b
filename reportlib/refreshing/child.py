"""A process of its own for every session, and what it says; it is the standard library's.

On Linux the processes are forked from a server (``forkserver``) that has imported everything, so
that no import is paid twice; elsewhere each is a new Python (``spawn``). One process makes one
session: each begins with a clean state, and memory is that of one session however many there are.
A pool of processes would lose all that is queued with the first that is killed; here the session
of a killed process is taken up once more, and only that one fails where it kills the next, too.
"""

import gc
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from typing import Any

from reportlib import forked
from reportlib.one_line import one_line
from reportlib.refreshing.making import make
from reportlib.refreshing.outcome import Job, Outcome

Make = Callable[..., Outcome]

_CONTEXT: Any = multiprocessing.get_context("forkserver" if forked.POSSIBLE else "spawn")
_TRIES = 2
_LEAVE_S = 10.0
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""Small matrices gain nothing by threads, and a process that has none can be forked."""


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
        if forked.POSSIBLE:
            forkserver.set_forkserver_preload(["reportlib.refreshing.preloaded", *preload])
            forkserver.ensure_running()
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
    with forked.kernels() as kernels:  # before there is a thread
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
