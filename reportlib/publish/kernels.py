"""Kernels for the report: of this very Python, and begun before anybody has to wait for one.

What runs and writes a notebook takes longer to import than a kernel takes to start. So the
kernel starts first, imports its own share meanwhile, and is handed out when it is asked for.

On Linux they can be forked:

A process without threads forks a *seed*, which waits. When a notebook is to run, the seed is
told where its sockets lie and becomes the kernel: an ordinary one, with a clean namespace, since
nothing has run in it. Only on Linux: a fork that goes on without an exec is not to be had on
Windows, and system libraries of macOS do not survive one. Nor does a process with threads.
"""

import contextlib
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, cast

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.local_provisioner import LocalProvisioner
from jupyter_core.utils import run_sync

from reportlib.session import lock

PLAIN = "ipykernel_launcher"
PREPARED = "reportlib.publish.kernel"


class ThisPython(AsyncKernelManager):
    """Manages a kernel of this very Python, whatever else Jupyter knows of."""

    module = PLAIN

    @property
    def kernel_spec(self) -> KernelSpec:
        """How the kernel is started; without the session folder in its way to modules."""
        return KernelSpec(
            argv=[sys.executable, "-P", "-m", self.module, "-f", "{connection_file}"],
            display_name="Python 3",
            language="python",
            # products of small matrices lose more to threads than they gain
            env={"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )


def manager_class(sockets: Path) -> type[AsyncKernelManager]:
    """Return a manager whose sockets lie in a folder: no open port, none beside the notebook."""

    class Manager(ThisPython):
        def __init__(self, **options: object) -> None:
            super().__init__(**options, **connection(sockets))

    return Manager


@contextlib.contextmanager
def started(folder: Path) -> Iterator[type[AsyncKernelManager]]:
    """Start a kernel in `folder` and yield a manager class that hands it out.

    Whoever makes an instance gets the kernel as it runs, and ends it; a further instance is a
    new one. On leaving no kernel is left.
    """

    class Prepared(ThisPython):
        module = PREPARED

    with lock.own_folder() as sockets:
        manager = Prepared(kernel_name="python3", **connection(sockets))
        with handed_out(manager, folder=folder, sockets=sockets) as one:
            yield one


@contextlib.contextmanager
def handed_out(
    manager: AsyncKernelManager, *, folder: Path, sockets: Path
) -> Iterator[type[AsyncKernelManager]]:
    """Start a manager's kernel in `folder`, and yield a class that gives that manager once.

    Further instances are of a new kernel, with its sockets below `sockets`. On leaving, the
    manager's kernel has ended.
    """
    waiting = [manager]
    (sockets / "further").mkdir()
    fresh = manager_class(sockets / "further")

    class HandedOut(AsyncKernelManager):
        def __new__(cls, **options: object) -> AsyncKernelManager:  # type: ignore[misc]
            # no instance of this class, so that it is not set up a second time
            return waiting.pop() if waiting else fresh(**options)

    try:
        run_sync(manager.start_kernel)(
            cwd=str(folder), extra_arguments=["--HistoryManager.hist_file=:memory:"]
        )
        yield HandedOut
    finally:
        if manager.has_kernel:
            run_sync(manager.shutdown_kernel)(now=True)


def connection(sockets: Path) -> dict[str, str]:
    """Return where a kernel's connection file and, where there are such, its sockets lie."""
    given = {"connection_file": str(sockets / "kernel.json")}
    if os.name == "posix":
        given |= {"transport": "ipc", "ip": str(sockets / "kernel")}
    return given


POSSIBLE = sys.platform == "linux"
_TASKS = Path("/proc/self/task")
_ARGUMENTS_FROM = 4
"""``python -P -m reportlib.publish.kernel`` come before the kernel's own arguments."""

Kernels = Callable[[Path], AbstractContextManager[type[AsyncKernelManager]]]


@contextmanager
def kernels() -> Iterator[Kernels | None]:
    """Fork a seed, and yield what makes a kernel of it once; None where it can't be forked."""
    if not POSSIBLE or len(list(_TASKS.iterdir())) > 1:
        yield None
        return
    seed = _Seed()
    try:
        yield partial(_started, seed=seed)
    finally:
        seed.end()


class _Seed:
    """A forked process that has yet to become a kernel; to jupyter_client what a `Popen` is."""

    stdin = stdout = stderr = None

    def __init__(self) -> None:
        context = multiprocessing.get_context("fork")
        orders, self.orders = context.Pipe(duplex=False)
        self._process = context.Process(target=_grow, args=(orders, self.orders), daemon=True)
        self._process.start()
        orders.close()
        self.pid = cast(int, self._process.pid)

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self) -> int | None:
        self._process.join()
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self._process.terminate()

    def kill(self) -> None:
        self._process.kill()

    def end(self) -> None:
        """End it, whatever has become of it."""
        self.orders.close()
        self.kill()
        self.wait()


@contextmanager
def _started(folder: Path, *, seed: _Seed) -> Iterator[type[AsyncKernelManager]]:
    """Make a kernel of `seed`; else as `started`."""

    class Forked(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
            seed.orders.send((cmd[_ARGUMENTS_FROM:], str(options["cwd"]), options["env"]))
            self.process, self.pid, self.pgid = cast(Any, seed), seed.pid, seed.pid
            return self.connection_info

        async def kill(self, restart: bool = False) -> None:
            await super().kill(restart)
            seed.wait()  # else it is looked at every tenth of a second whether it has ended

    class Manager(ThisPython):
        module = PREPARED

    with lock.own_folder() as sockets:
        manager = Manager(kernel_name="python3", **connection(sockets))
        manager.provisioner = Forked(
            kernel_id="forked", kernel_spec=manager.kernel_spec, parent=manager
        )
        with handed_out(manager, folder=folder, sockets=sockets) as given:
            yield given


def _grow(orders: Connection, other_end: Connection) -> None:
    """Wait for the order, then be a kernel."""
    other_end.close()
    parent = os.getppid()
    os.setsid()
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        arguments, folder, environment = orders.recv()
    except EOFError:  # nobody needed it, or whoever would is dead
        return
    os.chdir(folder)
    os.environ.update(environment)
    sys.argv = ["reportlib.publish.kernel", *arguments]
    if "numpy" in sys.modules:  # else every session would draw the same random numbers
        sys.modules["numpy"].random.seed()
    from reportlib.publish import (
        kernel,  # megabytes, which whoever only waits for reports need not load
    )

    kernel.run(arguments, parent_handle=parent)
