"""Sessions made in processes of their own: the same as alone, and nothing left of a killed one."""

import contextlib
import os
import signal
import subprocess
import sys

import psutil
import pytest
from fake_sessions import really

from reportlib.many.making import Job
from reportlib.many.refresh import Children
from reportlib.publish import kernels
from reportlib.session import lock

LONG_S = 60

CREW = """
import pathlib, sys
from fake_sessions import fake
from reportlib.many.refresh import Here
from reportlib.many.refresh import refresh

if __name__ == "__main__":
    with Here(1, make=fake) as workers:
        refresh(pathlib.Path(sys.argv[1]), folders=["."], workers=workers,
                say=lambda *_: print("began", flush=True), done=print, ending=print)
"""
KERNELS = """
import pathlib, sys
from reportlib.publish import kernel
from reportlib.publish import kernels as publish_kernels

with publish_kernels.kernels() as one, publish_kernels.kernels() as other:
    for kernels in (one, other):
        with kernels(pathlib.Path(sys.argv[1])) as handed_out:
            manager = handed_out()
            client = manager.blocking_client()
            client.start_channels()
            client.wait_for_ready(timeout=60)
            for code in (
                "print('numpy' in __import__('sys').modules, 'mine' in dir())",
                "import os, numpy; print(os.getcwd()); print(numpy.random.random())",
                "import builtins; mine = builtins.mine = 1; print(hasattr(builtins, 'mine'))",
            ):
                client.execute_interactive(code, output_hook=lambda message: print(
                    message["content"].get("text", ""), end=""))
            client.stop_channels()
        print(manager.has_kernel)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_child_does_not_outlive_its_parent(tmp_path, how):
    (tmp_path / "waits").touch()
    with subprocess.Popen(
        [sys.executable, "-c", CREW, str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    ) as process:
        assert process.stdout.readline() == "began\n"
        process.send_signal(how)
        process.wait(LONG_S)
        pids = (tmp_path / "begun").read_text().split()
        assert len(pids) == 1
        assert ended(int(pids[0]))


def ended(pid):
    """Wait until a process has ended, whether or not anybody has asked how."""
    try:
        process = psutil.Process(pid)
        for _ in range(10 * LONG_S):
            with contextlib.suppress(psutil.TimeoutExpired):
                process.wait(0.1)
                return True
            if process.status() == psutil.STATUS_ZOMBIE:
                return True
    except psutil.NoSuchProcess:
        return True
    return False


@pytest.mark.skipif(not kernels.POSSIBLE, reason="this system can't fork a kernel")
def test_forked_kernels_share_imports_and_nothing_else(tmp_path):
    """The second begins as the first did, in the session's folder, with chance of its own."""
    done = subprocess.run(
        [sys.executable, "-c", KERNELS, str(tmp_path)],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    lines = done.stdout.splitlines()
    first, second = lines[:5], lines[5:]
    assert first[0] == second[0] == "True False"
    assert first[1] == second[1] == os.fspath(tmp_path)
    assert first[2] != second[2]
    assert first[3:] == second[3:] == ["True", "False"]


def files_of(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_a_report_is_byte_for_byte_that_of_a_single_run(session, reported):
    """Though the first process that made it was killed in its middle."""
    (session / "dies once").touch()
    job = Job(archive=str(session.parent), folder=session.name)
    assert Children(really).have_done(job, say=lambda _: None).kind == "made"
    assert not (session / "dies once").exists()
    made, alone = files_of(session), files_of(reported)
    assert sorted(made) == sorted(alone)
    assert [name for name in alone if made[name] != alone[name]] == []


def test_a_session_whose_processes_are_killed_is_as_it_was_and_free(session):
    before = files_of(session)
    children = Children(really)

    def end(what):
        if "measuring" in what:
            children.end()

    job = Job(archive=str(session.parent), folder=session.name)
    assert children.have_done(job, say=end) is None
    with lock.only_run(session / ".upheld", what="nobody else"):
        now = {name: data for name, data in files_of(session).items() if "lock" not in name}
        assert {name: data for name, data in now.items() if "/kept/" not in name} == before
