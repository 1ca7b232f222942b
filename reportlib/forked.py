"""Kernels that are forked: what this process has imported, they need not import.

A process without threads forks a *seed*, which waits. When a notebook is to run, the seed is
told where its sockets lie and becomes the kernel: an ordinary one, with a clean namespace, since
nothing has run in it. Only on Linux: a fork that goes on without an exec is not to be had on
Windows, and system libraries of macOS do not survive one.
"""

import contextlib
import json
import os
import signal
import sys
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn, cast

from jupyter_client.manager import AsyncKernelManager
from jupyter_client.provisioning.local_provisioner import LocalProvisioner

from reportlib import folders, kernels

POSSIBLE = sys.platform == "linux"
_ARGUMENTS_FROM = 4
"""``python -P -m reportlib.kernel`` come before the kernel's own arguments."""


class Seed:
    """A forked process that has yet to become a kernel; to jupyter_client what a `Popen` is."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int, *, orders: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._orders: int | None = orders

    def grow(self, order: dict[str, Any]) -> None:
        """Make it a kernel: `order` holds its arguments, its folder and its environment."""
        if self._orders is not None:
            data = json.dumps(order).encode()
            with contextlib.suppress(BrokenPipeError):  # it is dead: whoever waits for it sees
                while data:
                    data = data[os.write(self._orders, data) :]
            self._let_go()

    def poll(self) -> int | None:
        """Return how it ended, None while it runs."""
        return self._waited(os.WNOHANG)

    def wait(self) -> int | None:
        """Wait until it has ended, and return how."""
        return self._waited(0)

    def send_signal(self, number: int) -> None:
        """Send it a signal, where it still runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)

    def end(self) -> None:
        """End it, whatever has become of it."""
        self._let_go()
        self.kill()
        self.wait()

    def _let_go(self) -> None:
        if self._orders is not None:
            os.close(self._orders)
            self._orders = None

    def _waited(self, how: int) -> int | None:
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, how)
            if pid:
                self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode


def seed() -> Seed:
    """Fork a seed from this process, which must have no threads and no event loop yet."""
    reading, writing = os.pipe()
    parent = os.getpid()
    pid = os.fork()
    if pid == 0:
        _grow(reading, parent=parent)
    os.close(reading)
    return Seed(pid, orders=writing)


@contextlib.contextmanager
def started(folder: Path, *, seed: Seed) -> Iterator[type[AsyncKernelManager]]:
    """Make a kernel of `seed`, which is used up; else as `kernels.started`."""

    class Forked(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **options: Any) -> Any:
            seed.grow(
                {
                    "arguments": cmd[_ARGUMENTS_FROM:],
                    "folder": str(options["cwd"]),
                    "environment": options["env"],
                }
            )
            self.process, self.pid, self.pgid = cast(Any, seed), seed.pid, seed.pid
            return self.connection_info

        async def kill(self, restart: bool = False) -> None:
            await super().kill(restart)
            seed.wait()  # else it is looked at every tenth of a second whether it has ended

    class Manager(kernels.ThisPython):
        module = kernels.PREPARED

    with folders.own_folder() as sockets:
        manager = Manager(kernel_name="python3", **kernels.connection(sockets))
        manager.provisioner = Forked(
            kernel_id="forked", kernel_spec=manager.kernel_spec, parent=manager
        )
        try:
            with kernels.handed_out(manager, folder=folder, sockets=sockets) as handed_out:
                yield handed_out
        finally:
            seed.end()


def _grow(orders: int, *, parent: int) -> NoReturn:
    """Wait for the order, then be a kernel; in the child, which never comes back from here."""
    status = 1
    try:
        os.setsid()
        os.dup2(orders, 3)
        for held in list(Path("/proc/self/fd").iterdir()):  # else who reads there sees no end
            if int(held.name) > 3:
                with contextlib.suppress(OSError):
                    os.close(int(held.name))
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        with os.fdopen(3, encoding="utf-8") as told:
            text = told.read()
        if text:  # else nobody needed it, or whoever would is dead
            _be_a_kernel(**json.loads(text), parent=parent)
        status = 0
    except Exception:
        traceback.print_exc()
    finally:
        os._exit(status)


def _be_a_kernel(
    *, arguments: list[str], folder: str, environment: dict[str, str], parent: int
) -> None:
    from ipykernel.kernelapp import launch_new_instance

    os.chdir(folder)
    os.environ.update(environment)
    sys.argv = ["reportlib.kernel", *arguments]
    if "numpy" in sys.modules:  # else every session would draw the same random numbers
        sys.modules["numpy"].random.seed()
    launch_new_instance(argv=arguments, parent_handle=parent)
