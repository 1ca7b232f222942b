"""The worker processes from outside: each gets one session after another.

A worker that ends before its session is done loses nothing: what it wrote is whole, and the
session is taken up once more by a fresh one. On Ctrl-C no further session is handed out and
those at work are finished; a second one ends the workers at once, which leaves each session as
it was or as it is to be, and those in between for the next refresh.
"""

import contextlib
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlib.one_line import one_line
from reportlib.refreshing.helper import LEAVE_S, PATIENCE_S, WORKER, Helper
from reportlib.refreshing.outcome import Outcome, outcome_of

TRIES = 2
_LOOK_S = 1.0  # where a wait can't be interrupted, Ctrl-C is seen so soon
_AT_ONCE = 2  # presses of it


@dataclass(frozen=True)
class _Said:
    folder: str
    what: str | Outcome
    """A stage, or what became of it."""


def refresh(
    archive: Path,
    *,
    folders: Sequence[str],
    jobs: int,
    whatever: bool = False,
    say: Callable[[str, str], None],
    done: Callable[[Outcome], None],
    ending: Callable[[], None],
    command: Sequence[str] = WORKER,
) -> tuple[str, ...]:
    """Make the reports of an archive again that are out of date.

    Parameters
    ----------
    folders : of sessions, from `archive` on
    jobs : worker processes
    whatever : make them again though they are up to date
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
    crew = [
        _Worker(archive, waiting=waiting, said=said, stop=stop, whatever=whatever, command=command)
        for _ in range(min(jobs, len(folders)))
    ]
    left = dict.fromkeys(folders)
    at_work = len(crew)
    with _interrupts(said) as pressed:
        try:
            for worker in crew:
                worker.start()
            while at_work and len(pressed) < _AT_ONCE:
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


@contextlib.contextmanager
def _interrupts(said: "queue.SimpleQueue[Any]") -> Iterator[list[str]]:
    """Put Ctrl-C among what the workers say, wherever it meets this process, and count it.

    Outside the main thread there is nothing to catch: Python gives it no signals.
    """
    pressed: list[str] = []
    if threading.current_thread() is not threading.main_thread():
        yield pressed
        return

    def press(*_: object) -> None:
        pressed.append("Ctrl-C")
        said.put("Ctrl-C")

    before = signal.signal(signal.SIGINT, press)
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)


class _Worker(threading.Thread):
    """One worker process, and the thread that hands it its work."""

    def __init__(
        self,
        archive: Path,
        *,
        waiting: "queue.SimpleQueue[str]",
        said: "queue.SimpleQueue[_Said | str | None]",
        stop: threading.Event,
        whatever: bool,
        command: Sequence[str],
    ) -> None:
        super().__init__(daemon=True)
        self._archive = archive
        self._waiting = waiting
        self._said = said
        self._stopped = stop
        self._whatever = whatever
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
        self._helper.end(at_work=self.is_alive())
        self.join(LEAVE_S)
        self._helper.close()

    def _take_up(self, folder: str) -> None:
        job = {"session": str((self._archive / folder).absolute()), "all": self._whatever}
        for _ in range(TRIES):
            answer = self._helper.ask(job, say=lambda what: self._said.put(_Said(folder, what)))
            if answer is not None:
                self._said.put(_Said(folder, outcome_of(answer, folder=folder)))
                return
            job["patience_s"] = PATIENCE_S  # what was killed may yet be on its way out
            if self._stopped.is_set():
                return  # it was ended with its work undone: the next refresh takes it up
        line = one_line(
            f"{self._archive / folder}: its worker process ended {TRIES} times over it "
            "(killed, or out of memory). Its report is as it was; run upheld report there."
        )
        self._said.put(_Said(folder, Outcome(folder=folder, kind="failed", line=line)))
