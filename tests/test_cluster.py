"""The same refresh by a Dask cluster on this machine: two workers, of which one is killed."""

import os
import shutil
import signal
import socket

import nbformat
import psutil
import pytest
from click.testing import CliRunner
from test_refresh import COMMAND, begun, mark, replaced

from reportlib.archive.stale import out_of_date
from reportlib.cli import main
from reportlib.errors import ArchiveError
from reportlib.refreshing import cluster

distributed = pytest.importorskip("distributed", reason="needs Dask: pip install 'upheld[cluster]'")
WORDS = "In my own words: it stays clean."


def of_two(**how):
    return distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0",
        silence_logs="CRITICAL", host="127.0.0.1", protocol="tcp://", **how,
    )  # fmt: skip


@pytest.fixture(scope="module")
def workers():
    """A scheduler in this process, and two workers that are processes with a thread each."""
    with of_two(processes=True) as made:
        yield made


def refreshed(workers, archive, folders, **how):
    """Refresh with the workers of `test_refresh`; return what was heard, and what is left."""
    found, stages = {}, []
    for folder in folders:
        (archive / folder).mkdir(parents=True, exist_ok=True)
    how = {
        "command": COMMAND,
        "say": lambda *said: stages.append(said),
        "done": lambda outcome: found.update({outcome.folder: outcome}),
        "ending": lambda: stages.append("ending"),
        **how,
    }
    address = workers.scheduler_address
    left = cluster.refresh(archive, folders=folders, scheduler=address, **how)
    return found, left, stages


def still_runs(pid):
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_a_killed_workers_session_is_taken_up_again_and_what_fails_is_kept_apart(workers, tmp_path):
    folders = [f"s{number}" for number in range(6)]
    mark(tmp_path / "s1", "parent dies once")
    mark(tmp_path / "s3", "fails")
    mark(tmp_path / "s4", "dies")
    found, left, stages = refreshed(workers, tmp_path, folders)
    assert left == ()
    assert {folder: one.kind for folder, one in sorted(found.items())} == {
        "s0": "made", "s1": "made", "s2": "made", "s3": "failed", "s4": "failed", "s5": "made",
    }  # fmt: skip
    assert ("s5", "measuring") in stages
    assert len(set(begun(tmp_path / "s1"))) == 2
    assert "its worker process ended 2 times" in found["s4"].line
    pids = {int(pid) for folder in folders for pid in begun(tmp_path / folder)}
    assert not [pid for pid in pids if still_runs(pid)]  # none outlives the refresh


def test_ctrl_c_finishes_what_is_at_work_and_takes_the_rest_back(workers, tmp_path):
    def press(folder, _):
        heard.add(folder)
        if len(heard) == 2:
            os.kill(os.getpid(), signal.SIGINT)

    def let_on():
        for folder in heard:
            (tmp_path / folder / "gate").open("w").close()

    heard = set()
    folders = [f"s{number}" for number in range(6)]
    for folder in folders:
        (tmp_path / folder).mkdir()
        os.mkfifo(tmp_path / folder / "gate")
    found, left, _ = refreshed(workers, tmp_path, folders, say=press, ending=let_on)
    assert set(found) == heard
    assert set(left) == set(folders) - heard
    assert not [folder for folder in left if begun(tmp_path / folder)]


def test_a_worker_that_sees_no_such_archive_says_so(workers, tmp_path):
    shutil.rmtree(tmp_path)
    heard = []
    cluster.refresh(
        tmp_path,
        folders=["s0"],
        scheduler=workers.scheduler_address,
        say=print,
        done=heard.append,
        ending=print,
    )
    assert heard[0].kind == "failed"
    assert f"does not see {tmp_path}. Put the archive where all workers see it" in heard[0].line


def test_a_worker_of_another_version_says_so(tmp_path):
    from reportlib.refreshing.on_a_worker import make_one

    job = {"archive": str(tmp_path), "session": f"{tmp_path}/s0", "all": False}
    answer = make_one(job, refresh="one", version="0.0.1")
    assert answer["kind"] == "failed"
    assert "not 0.0.1. Install the same on both." in answer["line"]


def test_a_real_session_of_a_killed_worker_is_made_with_its_words(
    workers, reported, tmp_path, monkeypatch
):
    mine = shutil.copytree(reported, tmp_path / "archive" / "trivet-6")
    replaced(mine / "session.toml", "format = 1", 'format = 1\nx_shelf = "B 2"')
    notebook = nbformat.read(mine / "report.ipynb", as_version=4)
    cell = next(one for one in notebook.cells if one.cell_type == "markdown")
    cell.source = WORDS
    nbformat.write(notebook, mine / "report.ipynb")
    killed = []
    hear = cluster._Handed.begun

    def ours(process):
        return "reportlib.refreshing.worker" in process.cmdline()

    def kill(self, said):
        if said["stage"].startswith("measuring") and not killed:
            made = psutil.Process().children(recursive=True)
            killed.extend(one for one in made if not ours(one) and any(map(ours, one.children())))
            killed[0].kill()
        return hear(self, said)

    monkeypatch.setattr(cluster._Handed, "begun", kill)
    result = CliRunner().invoke(
        main,
        ["archive", str(mine.parent), "--refresh", "--scheduler", workers.scheduler_address],
    )
    assert result.exit_code == 0, result.output
    assert "trivet-6: made again, since session.toml changed" in result.stdout
    assert len(killed) == 1
    assert out_of_date(mine) == ()
    after = nbformat.read(mine / "report.ipynb", as_version=4)
    assert any(one.source == WORDS for one in after.cells)


def test_a_scheduler_that_is_not_there_is_said_in_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "_CONNECT_S", 0.3)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    for wrong, said in ((address, "no scheduler answers there"), ("there", "no scheduler answers")):
        with pytest.raises(ArchiveError, match=said) as caught:
            cluster.refresh(
                tmp_path, folders=["s0"], scheduler=wrong,
                say=print, done=print, ending=print,
            )  # fmt: skip
        assert len(str(caught.value).splitlines()) == 1


def test_a_scheduler_that_is_lost_on_the_way_is_said_in_one_line(tmp_path):
    mark(tmp_path / "s1", "waits")
    with of_two(processes=False) as workers:

        def lose(folder, _):
            if folder == "s1":
                workers.close()

        with pytest.raises(ArchiveError, match="was lost on the way"):
            refreshed(workers, tmp_path, ["s0", "s1", "s2"], say=lose)
