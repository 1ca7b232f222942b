"""Sessions made in forked children: the same report as alone, and nothing left of a killed one."""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys

import psutil
import pytest

from reportlib import forked, lock
from reportlib.refreshing.helper import Helper

pytestmark = pytest.mark.skipif(not forked.POSSIBLE, reason="this system can't fork a kernel")
LONG_S = 60

CHILD = """
import json, os, sys
from reportlib.refreshing import nursery

def work(line, seed):
    print(json.dumps({"stage": os.getpid(), "seed": seed.pid}), flush=True)
    if line == "dies":
        os.kill(os.getpid(), 9)
    if line == "waits":
        import threading
        threading.Event().wait()
    seed.end()
    print(json.dumps({"kind": line, "left": "left" in sys.modules}), flush=True)
    sys.modules["left"] = sys

print("ready", flush=True)
sys.exit(nursery.serve(work))
"""
KERNELS = """
import contextlib, pathlib, sys
from functools import partial
from reportlib import forked, kernel

kernel.prepare()
seeds = [forked.seed(), forked.seed()]
for number, seed in enumerate(seeds):
    with forked.started(pathlib.Path(sys.argv[1]), seed=seed) as handed_out:
        client = handed_out().blocking_client()
        client.start_channels()
        client.wait_for_ready(timeout=60)
        for code in ("print('numpy' in __import__('sys').modules, 'mine' in dir())",
                     "import os, numpy; print(os.getcwd()); print(numpy.random.random())",
                     "import builtins; mine = builtins.mine = 1; print(hasattr(builtins, 'mine'))"):
            client.execute_interactive(code, output_hook=lambda message: print(
                message["content"].get("text", ""), end=""))
        client.stop_channels()
    print(seed.returncode)
"""


@pytest.fixture
def nursery():
    with subprocess.Popen(
        [sys.executable, "-c", CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        process.stdout.readline()
        yield process
        process.kill()


def given(process, line):
    process.stdin.write(f"{line}\n")
    process.stdin.flush()
    said = json.loads(process.stdout.readline())
    return said["stage"], said["seed"]


def test_each_line_has_a_child_of_its_own_and_none_is_left(nursery):
    children = []
    for line in ("first", "second"):
        child, seed = given(nursery, line)
        assert json.loads(nursery.stdout.readline()) == {"kind": line, "left": False}
        assert ended(child)
        children += [child, seed]
    nursery.stdin.close()
    assert nursery.wait(LONG_S) == 0
    assert len(set(children)) == 4
    assert not [pid for pid in children if psutil.pid_exists(pid)]


def test_a_killed_child_ends_its_nursery_so_that_the_work_is_handed_back(nursery):
    given(nursery, "dies")
    assert nursery.wait(LONG_S) == 1


@pytest.mark.parametrize("how", ["killed", "asked to end", "standard input closed"])
def test_a_child_does_not_outlive_its_nursery(nursery, how):
    child, seed = given(nursery, "waits")
    if how == "standard input closed":
        nursery.stdin.close()
    else:
        nursery.send_signal(signal.SIGKILL if how == "killed" else signal.SIGTERM)
    nursery.wait(LONG_S)
    assert ended(child)
    assert ended(seed)


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


def test_forked_kernels_share_imports_and_nothing_else(tmp_path):
    """The second begins as the first did, in the session's folder, with chance of its own."""
    done = subprocess.run(
        [sys.executable, "-c", KERNELS, str(tmp_path)], capture_output=True, text=True, check=True
    )
    lines = done.stdout.splitlines()
    first, second = lines[:5], lines[5:]
    assert first[0] == second[0] == "True False"
    assert first[1] == second[1] == os.fspath(tmp_path)
    assert first[2] != second[2]
    assert first[3:] == second[3:] == ["True", str(-signal.SIGKILL)]


def files_of(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_many_reports_are_byte_for_byte_those_of_single_runs(session, reported, tmp_path):
    """And one that is killed in its middle is as it was, and free."""
    killed = shutil.copytree(session, tmp_path / "killed")

    def kill(what):
        if what.startswith("measuring"):
            psutil.Process().children()[-1].children()[0].kill()

    helper = Helper()
    try:
        job = {"session": str(session), "all": False}
        assert helper.ask(job, say=lambda _: None)["kind"] == "made"
        assert helper.ask({**job, "session": str(killed)}, say=kill) is None
    finally:
        helper.end()
    made, alone = files_of(session), files_of(reported)
    assert sorted(made) == sorted(alone)
    assert [name for name in alone if made[name] != alone[name]] == []
    with lock.only_run(killed / ".upheld", what="nobody else"):
        assert not (killed / "report.ipynb").exists()
