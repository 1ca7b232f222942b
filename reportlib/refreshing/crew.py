"""The worker processes from outside: each gets one session after another.

A worker that ends before its session is done loses nothing: what it wrote is whole, and the
session is taken up once more by a fresh one. On Ctrl-C no further session is handed out and
those at work are finished; a second one ends the workers at once, which leaves each session as
it was or as it is to be, and those in between for the next refresh.
"""

import contextlib
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlib.refreshing.helper import LEAVE_S, WORKER, Helper, session_at
from reportlib.refreshing.interrupts import AT_ONCE, interrupts
from reportlib.refreshing.outcome import Outcome, outcome_of

_LOOK_S = 1.0  # where a wait can't be interrupted, Ctrl-C is seen so soon


@dataclass(frozen=True)
class _Said:
    folder: str
    what: str | Outcome
    """A stage, or what became of it."""


def refresh(
    archive: Path | str,
    *,
    folders: Sequence[str],
    jobs: int,
    whatever: bool = False,
    cache: Path | None = None,
    say: Callable[[str, str], None],
    done: Callable[[Outcome], None],
    ending: Callable[[], None],
    command: Sequence[str] = WORKER,
) -> tuple[str, ...]:
    """Make the reports of an archive again that are out of date.

    Parameters
    ----------
    archive : its path, or its address in a store
    folders : of sessions, from `archive` on
    jobs : worker processes
    whatever : make them again though they are up to date
    cache : folder that keeps recordings fetched from a store
    say : called with a folder and what is being done there
    done : called with what became of each session, as they come
    ending : called when Ctrl-C was pressed and the sessions at work are still to be finished
    command : what a worker is started by

    Returns
    -------
    folders that were not finished, since Ctrl-C was pressed
    """
    waiting: queue.SimpleQueue[str] = queue.SimpleQueue()
    for folder in folders:
        waiting.put(folder)
    said: queue.SimpleQueue[_Said | str | None] = queue.SimpleQueue()
    stop = threading.Event()
    job = {"all": whatever, "cache": None if cache is None else str(cache.absolute())}
    crew = [
        _Worker(archive, waiting=waiting, said=said, stop=stop, job=job, command=command)
        for _ in range(min(jobs, len(folders)))
    ]
    left = dict.fromkeys(folders)
    at_work = len(crew)
    with interrupts(said) as pressed:
        try:
            for worker in crew:
                worker.start()
            while at_work and len(pressed) < AT_ONCE:
                with contextlib.suppress(queue.Empty):
                    heard = said.get(timeout=_LOOK_S)
                    if heard is None:
                        at_work -= 1
                    elif isinstance(heard, str):
                        if not stop.is_set():
                            stop.set()
                            ending()
                    elif isinstance(heard.what, Outcome):
                        left.pop(heard.folder, None)
                        done(heard.what)
                    else:
                        say(heard.folder, heard.what)
        finally:
            stop.set()
            for worker in crew:
                worker.end()
    return tuple(left)


class _Worker(threading.Thread):
    """One worker process, and the thread that hands it its work."""

    def __init__(
        self,
        archive: Path | str,
        *,
        waiting: "queue.SimpleQueue[str]",
        said: "queue.SimpleQueue[_Said | str | None]",
        stop: threading.Event,
        job: Mapping[str, Any],
        command: Sequence[str],
    ) -> None:
        super().__init__(daemon=True)
        self._archive = archive
        self._waiting = waiting
        self._said = said
        self._stopped = stop
        self._job = job
        self._helper = Helper(command)

    def run(self) -> None:
        try:
            while not self._stopped.is_set():
                try:
                    folder = self._waiting.get_nowait()
                except queue.Empty:
                    break
                self._take_up(folder)
        finally:
            self._said.put(None)

    def end(self) -> None:
        """End the process: at once where it works, by itself where it is idle."""
        self._helper.end()
        self.join(LEAVE_S)

    def _take_up(self, folder: str) -> None:
        job = {**self._job, "session": session_at(self._archive, folder=folder)}
        answer = self._helper.have_done(job, say=lambda what: self._said.put(_Said(folder, what)))
        if answer is not None:  # else it was ended with its work undone: for the next refresh
            self._said.put(_Said(folder, outcome_of(answer, folder=folder)))
