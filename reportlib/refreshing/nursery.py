"""A process that imports everything once and forks a child for each session.

The child makes the report and ends: each session begins with a clean state, no import is paid
twice, and memory is that of one session however many there are. It ends, too, as soon as this
process does, and the other way about: a session whose child was killed is handed back.
"""

import contextlib
import gc
import importlib
import json
import os
import select
import signal
import socket
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

from reportlib import forked, kernel

_NEEDED = (
    "IPython.core.interactiveshell", "ipykernel.ipkernel", "ipykernel.kernelapp",
    "jinja2.ext", "jupyter_core.application", "PIL.ImageFont",
    "matplotlib.backends.backend_svg", "nbconvert.exporters", "nbformat.sign", "papermill",
    "scipy.interpolate", "scipy.optimize", "scipy.signal", "typst",
    "reportlib.archive.stale", "reportlib.publish.exporter_typst", "reportlib.publish.exporters",
    "reportlib.publish.exporters_plain", "reportlib.publish.render", "reportlib.reporting",
)  # fmt: skip
_LEAVE_S = 5.0
_TASKS = Path("/proc/self/task")


def prepare() -> bool:
    """Import what making a report needs, here and in kernels; return whether to fork it now."""
    if not forked.POSSIBLE:
        return False
    kernel.prepare()
    for name in _NEEDED:
        importlib.import_module(name)
    from reportlib import notebook, resources

    notebook.read_notebook(resources.notebooks_folder() / "compression.ipynb")  # warms the check
    gc.collect()
    gc.freeze()  # what is shared stays shared: no collection writes to it
    # what the thread of a library holds, no child could let go of
    return _TASKS.is_dir() and len(list(_TASKS.iterdir())) == 1


def serve(work: Callable[[str, forked.Seed], None]) -> int:
    """Do `work` on every line of standard input in a child forked for it; return an exit code.

    Parameters
    ----------
    work : called in the child with a line and the seed of a kernel
    """
    lines = _Lines()
    while (line := lines.next()) is not None:
        if "://" in line:
            _prepare_store(line)
        ours, childs = socket.socketpair()
        child = os.fork()
        if child == 0:
            ours.close()
            _work_and_end(line, parent=childs, work=work)
        childs.close()
        try:
            listening = _wait(ours, lines=lines)
        finally:
            ours.close()  # the child ends, where it hasn't yet
            ended = _ended(child)
        if ended or not listening:
            return 1
    return 0


def _prepare_store(line: str) -> None:
    from reportlib.stores import place

    with contextlib.suppress(ValueError, KeyError):
        place.prepare(json.loads(line)["session"])


def _wait(ours: socket.socket, *, lines: "_Lines") -> bool:
    """Wait until the child has ended; return False where standard input ended before."""
    while True:
        ready, _, _ = select.select([ours.fileno(), 0], [], [])
        if ours.fileno() in ready:
            return True
        if not lines.read():
            return False


def _ended(child: int) -> int:
    """Return how a child ended that has been told to; where it doesn't listen, end it."""

    def at_last() -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)

    last = threading.Timer(_LEAVE_S, at_last)
    if os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        last.start()
    _, status = os.waitpid(child, 0)
    if last.is_alive():
        last.cancel()
        last.join()  # no thread is left when the next child is forked
    return os.waitstatus_to_exitcode(status)


def _work_and_end(
    line: str, *, parent: socket.socket, work: Callable[[str, forked.Seed], None]
) -> NoReturn:
    """Do the work of a child, and end without what an interpreter does at its end."""
    code = 1
    try:
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        seed = forked.seed()  # before there is a thread
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
        work(line, seed)
        code = 0
    except SystemExit:
        pass
    except Exception:
        traceback.print_exc()
    finally:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


def _end_with(parent: socket.socket) -> None:
    """End this process when the other end of `parent` is closed: asked first, then at once."""
    parent.recv(1)
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(_LEAVE_S / 2)
    os._exit(1)


class _Lines:
    """Standard input by lines, read without a buffer that a wait could not see."""

    def __init__(self) -> None:
        self._held = b""

    def next(self) -> str | None:
        """Wait for the next line; None where there is none."""
        while b"\n" not in self._held:
            if not self.read():
                return None
        line, _, self._held = self._held.partition(b"\n")
        return line.decode()

    def read(self) -> bool:
        """Read what is there, or wait for it; return whether there was any."""
        data = os.read(0, 1 << 16)
        self._held += data
        return bool(data)
