"""What runs on a Dask worker: each of its threads has a worker process of ours for its sessions.

The very processes that a refresh on one machine uses: a Dask worker itself has threads, so that
it can't be forked, and whatever a session does to a process ends with that one.
"""

import asyncio
import queue
import socket
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from distributed import get_worker
from distributed.diagnostics.plugin import WorkerPlugin

from reportlib import __version__
from reportlib.one_line import one_line
from reportlib.refreshing.helper import PATIENCE_S, Helper
from reportlib.stores.place import is_address


class Helpers(WorkerPlugin):  # type: ignore[misc]
    """The worker processes that one refresh uses on a Dask worker; they end with it.

    Parameters
    ----------
    name : of the refresh
    command : that begins such a process
    """

    def __init__(self, name: str, *, command: Sequence[str]) -> None:
        self.name = name
        self._command = tuple(command)

    def setup(self, worker: Any) -> None:
        """Begin with none: each is begun when it is first needed."""
        del worker
        self._idle: queue.SimpleQueue[Helper] = queue.SimpleQueue()
        self._all: list[Helper] = []

    async def teardown(self, worker: Any) -> None:
        """End them all, at work or not."""
        del worker
        await asyncio.gather(*(asyncio.to_thread(one.end) for one in self._all))

    def have_done(self, job: Mapping[str, Any], *, say: Any) -> dict[str, Any] | None:
        """Have a job done by one that is idle, as `Helper.have_done`."""
        try:
            helper = self._idle.get_nowait()
        except queue.Empty:
            helper = Helper(self._command)
            self._all.append(helper)
        try:
            return helper.have_done(job, say=say)
        finally:
            self._idle.put(helper)


def make_one(job: Mapping[str, Any], *, refresh: str, version: str) -> dict[str, Any] | None:
    """Make one session's report, on a Dask worker; return the answer of `worker.take_up`.

    Parameters
    ----------
    job : as `worker` reads it, with its ``archive``
    refresh : name of the refresh, of its `Helpers` and of the topic of what is said meanwhile
    version : of upheld that asks
    """
    where = socket.gethostname()
    if version != __version__:
        line = (
            f"{job['session']}: the worker on {where} has upheld {__version__}, not {version}. "
            "Install the same on both."
        )
        return {"kind": "failed", "line": one_line(line)}
    if not is_address(job["archive"]) and not Path(job["archive"]).is_dir():
        line = (
            f"{job['session']}: the worker on {where} does not see {job['archive']}. Put the "
            "archive where all workers see it under the same path, or in an object store."
        )
        return {"kind": "failed", "line": one_line(line)}
    worker = get_worker()
    helpers: Helpers = worker.plugins[refresh]
    return helpers.have_done(
        {"patience_s": PATIENCE_S, **job},
        say=lambda what: worker.log_event(refresh, {"folder": job["folder"], "stage": what}),
    )
