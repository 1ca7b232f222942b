"""One worker process from outside: given a session, it says what it does and what came of it."""

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from reportlib.one_line import one_line

WORKER = (sys.executable, "-P", "-m", "reportlib.refreshing.worker")
LEAVE_S = 10.0
_TRIES = 2
PATIENCE_S = 15.0
"""How long a session that is taken up again waits for whoever was killed over it."""
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""Small matrices gain nothing by threads, and a process that has none can be forked."""


def session_at(archive: Path | str, *, folder: str) -> str:
    """Return a session's absolute path or its address, from its archive's and its folder there.

    >>> session_at("s3://library/tests", folder="marram-12")
    's3://library/tests/marram-12'
    """
    if isinstance(archive, Path):
        return str((archive / folder).absolute())
    return archive if folder == "." else f"{archive.rstrip('/')}/{folder}"


class Helper:
    """A worker process, begun when it is first asked, and anew where it has ended.

    Parameters
    ----------
    command : that begins it
    """

    def __init__(self, command: Sequence[str] = WORKER) -> None:
        self._command = command
        self._process: subprocess.Popen[str] | None = None
        self._starting = threading.Lock()
        self._asking = threading.Lock()
        self._ended = False

    def have_done(
        self, job: Mapping[str, Any], *, say: Callable[[str], None]
    ) -> dict[str, Any] | None:
        """Have a job done, once more where the process ended over it; None where it was told to.

        Parameters
        ----------
        job, say : as for `ask`
        """
        patience_s = job.get("patience_s", 0.0)
        for _ in range(_TRIES):
            answer = self.ask({**job, "patience_s": patience_s}, say=say)
            if answer is not None:
                return answer
            if self._ended:
                return None
            patience_s = PATIENCE_S  # what was killed may yet be on its way out
        line = one_line(
            f"{job['session']}: its worker process ended {_TRIES} times over it "
            "(killed, or out of memory). Its report is as it was; run upheld report there."
        )
        return {"kind": "failed", "line": line}

    def ask(self, job: Mapping[str, Any], *, say: Callable[[str], None]) -> dict[str, Any] | None:
        """Have a job done and return the answer; None where the process ended before it told.

        Parameters
        ----------
        job : as `worker` reads it
        say : called with what is being done
        """
        with self._asking:
            process = self._running()
            return None if process is None else _asked(process, job, say=say)

    def end(self) -> None:
        """End it for good: at once where it is at work, by itself where it is idle."""
        with self._starting:
            self._ended = True
            process = self._process
        if process is None:
            return
        if self._asking.locked():
            process.terminate()
        elif process.stdin is not None:
            with contextlib.suppress(OSError):
                process.stdin.close()
        _wait(process)
        if self._asking.acquire(timeout=LEAVE_S):  # whoever reads there has seen the end
            _close(process)
            self._asking.release()

    def _running(self) -> subprocess.Popen[str] | None:
        with self._starting:
            if self._process is not None and self._process.poll() is None:
                return self._process
            if self._process is not None:
                _close(self._process)
            if self._ended:
                return None
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                env={**os.environ, **_ONE_THREAD},
                start_new_session=True,  # a terminal's Ctrl-C reaches the crew alone
            )
            return self._process


def _asked(
    process: "subprocess.Popen[str]", job: Mapping[str, Any], *, say: Callable[[str], None]
) -> dict[str, Any] | None:
    if process.stdin is None or process.stdout is None:
        return None
    try:
        process.stdin.write(json.dumps(job) + "\n")
        process.stdin.flush()
        for line in process.stdout:
            answer: dict[str, Any] = json.loads(line)
            if "kind" in answer:
                if answer.pop("last", False):
                    _wait(process)
                return answer
            say(str(answer["stage"]))
    except (OSError, ValueError, KeyError, TypeError):
        pass
    with contextlib.suppress(OSError):
        process.kill()
    process.wait()
    return None


def _wait(process: "subprocess.Popen[str]") -> None:
    """Wait for a process that is about to end."""
    try:
        process.wait(LEAVE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _close(process: "subprocess.Popen[str]") -> None:
    """Close the pipes to a process that has ended."""
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):  # it may hold a job that nobody took
                pipe.close()
