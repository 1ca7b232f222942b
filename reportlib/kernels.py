"""Kernels for the report: of this very Python, and begun before anybody has to wait for one.

What runs and writes a notebook takes longer to import than a kernel takes to start. So the
kernel starts first, imports its own share meanwhile, and is handed out when it is asked for.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import run_sync

from reportlib import folders

PLAIN = "ipykernel_launcher"
PREPARED = "reportlib.kernel"


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

    with folders.own_folder() as sockets:
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
