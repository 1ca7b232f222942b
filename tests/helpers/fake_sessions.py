"""Work on a session that ends as the files in its folder say; done in processes of its own."""

import multiprocessing
import os
import signal
import threading
from pathlib import Path

from reportlib.many import making
from reportlib.many.making import Outcome


def fake(job, *, say, kernels=None):
    del kernels
    folder = Path(job.session)
    with (folder / "begun").open("a") as file:
        print(os.getpid(), file=file)
    say("measuring")
    if (folder / "dies").exists():
        os._exit(9)
    if (folder / "dies once").exists():
        (folder / "dies once").unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    if (folder / "parent dies once").exists():
        (folder / "parent dies once").unlink()
        os.kill(multiprocessing.parent_process().pid, signal.SIGKILL)
        threading.Event().wait()
    if (folder / "waits").exists():
        threading.Event().wait()
    if (folder / "gate").exists():
        (folder / "gate").open().close()
    kind = "failed" if (folder / "fails").exists() else "made"
    return Outcome(folder=job.folder, kind=kind, line=str(folder), seconds=1.5)


def really(job, *, say, kernels=None):
    """Make the report, but kill a process once where it gets to measure."""

    def said(what):
        for name, pid in (
            ("parent dies once", multiprocessing.parent_process().pid),
            ("dies once", os.getpid()),
        ):
            mark = Path(job.session) / name
            if "measuring" in what and mark.exists():
                mark.unlink()
                os.kill(pid, signal.SIGKILL)
        say(what)

    return making.make(job, say=said, kernels=kernels)
