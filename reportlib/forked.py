"""A kernel that is forked: what this process has imported, it need not import.

A process without threads forks a *seed*, which waits. When a notebook is to run, the seed is
told where its sockets lie and becomes the kernel: an ordinary one, with a clean namespace, since
nothing has run in it. Only on Linux: a fork that goes on without an exec is not to be had on
Windows, and system libraries of macOS do not survive one. Nor does a process with threads.
"""

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

from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.local_provisioner import LocalProvisioner

from reportlib import folders
from reportlib import kernels as ordinary

POSSIBLE = sys.platform == "linux"
_TASKS = Path("/proc/self/task")
_ARGUMENTS_FROM = 4
"""``python -P -m reportlib.kernel`` come before the kernel's own arguments."""

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
    """Make a kernel of `seed`; else as `kernels.started`."""

    class Forked(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
            seed.orders.send((cmd[_ARGUMENTS_FROM:], str(options["cwd"]), options["env"]))
            self.process, self.pid, self.pgid = cast(Any, seed), seed.pid, seed.pid
            return self.connection_info

        async def kill(self, restart: bool = False) -> None:
            await super().kill(restart)
            seed.wait()  # else it is looked at every tenth of a second whether it has ended

    class Manager(ordinary.ThisPython):
        module = ordinary.PREPARED

    with folders.own_folder() as sockets:
        manager = Manager(kernel_name="python3", **ordinary.connection(sockets))
        manager.provisioner = Forked(
            kernel_id="forked", kernel_spec=manager.kernel_spec, parent=manager
        )
        with ordinary.handed_out(manager, folder=folder, sockets=sockets) as handed_out:
            yield handed_out


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
    sys.argv = ["reportlib.kernel", *arguments]
    if "numpy" in sys.modules:  # else every session would draw the same random numbers
        sys.modules["numpy"].random.seed()
    from reportlib import kernel  # megabytes, which whoever only waits for reports need not load

    kernel.run(arguments, parent_handle=parent)
