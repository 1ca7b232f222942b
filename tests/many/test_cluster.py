"""The same refresh by a Dask cluster on this machine: two workers, of which one is killed."""

import os
import re
import shutil
import signal
import socket
from contextlib import nullcontext

import nbformat
import psutil
import pytest
from fake_sessions import fake, really
from test_refresh import begun, mark, replaced

from reportlib import __version__
from reportlib.errors import ArchiveError
from reportlib.many import cluster
from reportlib.many.making import Job
from reportlib.many.refresh import refresh
from reportlib.many.stale import out_of_date

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


def refreshed(workers, archive, folders, *, make=fake, **how):
    """Refresh by `fake_sessions`; return what was heard, and what is left."""
    found, stages = {}, []
    for folder in folders:
        (archive / folder).mkdir(parents=True, exist_ok=True)
    how = {
        "say": lambda *said: stages.append(said),
        "done": lambda outcome: found.update({outcome.folder: outcome}),
        "ending": lambda: stages.append("ending"),
        **how,
    }
    with cluster.connected(workers.scheduler_address) as client:
        crew = cluster.Cluster(client, scheduler=workers.scheduler_address, make=make)
        left = refresh(archive, folders=folders, workers=crew, **how)
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
    assert ("s5", "at work on the cluster") in stages
    assert len(set(begun(tmp_path / "s1"))) == 2
    assert "its process ended 2 times" in found["s4"].line
    pids = {int(pid) for folder in folders for pid in begun(tmp_path / folder)}
    assert not [pid for pid in pids if still_runs(pid)]  # none outlives the refresh


def test_ctrl_c_finishes_what_is_at_work_and_takes_the_rest_back(workers, tmp_path):
    def press(folder, _):
        heard.add(folder)
        if len(heard) == 2:
            os.kill(os.getpid(), signal.SIGINT)

    def let_on():
        for folder in heard:
            (tmp_path / folder / "gate").open("w").close()  # waits until it has begun

    heard = set()
    folders = [f"s{number}" for number in range(6)]
    for folder in folders:
        (tmp_path / folder).mkdir()
        os.mkfifo(tmp_path / folder / "gate")
    found, left, _ = refreshed(workers, tmp_path, folders, say=press, ending=let_on)
    assert set(found) == heard
    assert set(left) == set(folders) - heard
    assert not [folder for folder in left if begun(tmp_path / folder)]


def test_a_worker_that_sees_no_such_archive_says_so(tmp_path):
    shutil.rmtree(tmp_path)
    answer = cluster.make_one(Job(archive=str(tmp_path), folder="s0"), version=__version__)
    assert answer.kind == "failed"
    assert f"does not see {tmp_path}. Put the archive where all workers see it" in answer.line


def test_a_worker_of_another_version_says_so(tmp_path):
    answer = cluster.make_one(Job(archive=str(tmp_path), folder="s0"), version="0.0.1")
    assert answer.kind == "failed"
    assert "not 0.0.1. Install the same on both." in answer.line


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (ModuleNotFoundError("No module named 'reportlib'"), "Install upheld[cluster]"),
        (OSError("Timed out trying to connect"), ""),  # killed while it was asked
    ],
)
def test_only_workers_that_lack_upheld_are_to_install_it(workers, monkeypatch, answer, said):
    monkeypatch.setattr(distributed.Client, "run", lambda *_, **__: {"tcp://there": answer})
    expected = pytest.raises(ArchiveError, match=re.escape(said)) if said else nullcontext()
    with expected, cluster.connected(workers.scheduler_address):
        pass


@pytest.mark.slow
def test_a_real_session_of_a_killed_worker_is_made_with_its_words(workers, reported, tmp_path):
    mine = shutil.copytree(reported, tmp_path / "archive" / "trivet-6")
    replaced(mine / "session.toml", "format = 1", 'format = 1\nx_shelf = "B 2"')
    notebook = nbformat.read(mine / "report.ipynb", as_version=4)
    cell = next(one for one in notebook.cells if one.cell_type == "markdown")
    cell.source = WORDS
    nbformat.write(notebook, mine / "report.ipynb")
    mark(mine, "parent dies once")
    found, left, _ = refreshed(workers, mine.parent, ["trivet-6"], make=really, patience_s=60.0)
    assert left == ()
    assert found["trivet-6"].kind == "made"
    assert found["trivet-6"].why[0] == "session.toml changed"
    assert not (mine / "parent dies once").exists()
    assert out_of_date(mine) == ()
    after = nbformat.read(mine / "report.ipynb", as_version=4)
    assert any(one.source == WORDS for one in after.cells)


def test_a_scheduler_that_is_not_there_is_said_in_one_line(monkeypatch):
    monkeypatch.setattr(cluster, "_CONNECT_S", 0.3)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    for wrong, said in ((address, "no scheduler answers there"), ("there", "no scheduler answers")):
        with pytest.raises(ArchiveError, match=said) as caught, cluster.connected(wrong):
            pass
        assert len(str(caught.value).splitlines()) == 1


def test_a_scheduler_that_is_lost_on_the_way_is_said_in_one_line(tmp_path):
    mark(tmp_path / "s1", "waits")
    with of_two(processes=False) as workers:

        def lose(folder, _):
            if folder == "s1":
                workers.close()

        with pytest.raises(ArchiveError, match="was lost on the way"):
            refreshed(workers, tmp_path, ["s0", "s1", "s2"], say=lose)
