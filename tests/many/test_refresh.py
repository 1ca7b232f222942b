"""Making many reports again: only what is out of date, and nothing lost on the way."""

import json
import multiprocessing
import os
import shutil
import signal
import sys

import psutil
import pytest
from commands import run
from fake_sessions import fake

from reportlib.cli import archives
from reportlib.errors import ArchiveError, CaptureError
from reportlib.many import refresh as many_refresh
from reportlib.many.making import Outcome, take_up
from reportlib.many.refresh import Here, refresh
from reportlib.many.rows import differences
from reportlib.many.stale import measured, out_of_date
from reportlib.publish import kernels, memory
from reportlib.session import lock


def crew(archive, folders, *, jobs=2, **how):
    """Refresh by `fake_sessions`; return what was heard, by folder, and what is left."""
    found, stages = {}, []
    for folder in folders:
        (archive / folder).mkdir(parents=True, exist_ok=True)
    how = {
        "say": lambda *said: stages.append(said),
        "ending": lambda: stages.append("ending"),
        "done": lambda outcome: found.update({outcome.folder: outcome}),
        **how,
    }
    with Here(jobs, make=fake) as workers:
        left = refresh(archive, folders=folders, workers=workers, **how)
    return found, left, stages


def begun(folder):
    path = folder / "begun"
    return path.read_text().split() if path.exists() else []


def mark(folder, name):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).touch()


def test_every_session_is_made_once_in_a_process_of_its_own(tmp_path):
    folders = [f"s{number}" for number in range(5)]
    found, left, stages = crew(tmp_path, folders)
    assert {one.kind for one in found.values()} == {"made"}
    assert sorted(found) == folders
    assert left == ()
    assert ("s3", "measuring") in stages
    assert all(len(begun(tmp_path / folder)) == 1 for folder in folders)
    assert len({pid for folder in folders for pid in begun(tmp_path / folder)}) == len(folders)


def test_a_killed_workers_session_is_taken_up_again_by_another(tmp_path):
    mark(tmp_path / "s1", "dies once")
    found, left, _ = crew(tmp_path, ["s0", "s1", "s2"])
    assert {one.kind for one in found.values()} == {"made"}
    assert left == ()
    first, second = begun(tmp_path / "s1")
    assert first != second


def test_a_system_that_cannot_fork_starts_a_new_python_for_each(tmp_path, monkeypatch):
    monkeypatch.setattr(kernels, "POSSIBLE", False)
    monkeypatch.setattr(many_refresh, "_CONTEXT", multiprocessing.get_context("spawn"))
    mark(tmp_path / "s0", "dies once")
    found, left, stages = crew(tmp_path, ["s0"])
    assert (found["s0"].kind, left) == ("made", ())
    assert stages == [("s0", "measuring")] * 2


def test_a_session_that_ends_its_workers_is_kept_apart_and_the_rest_is_made(tmp_path):
    mark(tmp_path / "s1", "dies")
    mark(tmp_path / "s2", "fails")
    found, _, _ = crew(tmp_path, ["s0", "s1", "s2", "s3"], jobs=1)
    assert {folder: one.kind for folder, one in found.items()} == {
        "s0": "made", "s1": "failed", "s2": "failed", "s3": "made",
    }  # fmt: skip
    assert "its process ended 2 times" in found["s1"].line
    assert "\n" not in found["s1"].line


def test_ctrl_c_finishes_what_is_at_work_and_leaves_the_rest(tmp_path):
    def press(folder, _):
        if folder == "s1":
            os.kill(os.getpid(), signal.SIGINT)

    def let_on():
        said.append("ending")
        (tmp_path / "s1" / "gate").open("w").close()

    said = []
    folders = [f"s{number}" for number in range(5)]
    (tmp_path / "s1").mkdir()
    os.mkfifo(tmp_path / "s1" / "gate")  # where s1 stops until the press has been heard
    found, left, _ = crew(tmp_path, folders, jobs=1, say=press, ending=let_on)
    assert said == ["ending"]
    assert list(found) == ["s0", "s1"]
    assert list(left) == folders[2:]
    assert not begun(tmp_path / "s2")


def test_ctrl_c_twice_ends_the_workers_at_once(tmp_path):
    def press(folder="s1", _=None):
        if folder == "s1":
            os.kill(os.getpid(), signal.SIGINT)

    mark(tmp_path / "s1", "waits")
    before = signal.getsignal(signal.SIGINT)
    found, left, _ = crew(tmp_path, ["s0", "s1", "s2"], jobs=1, say=press, ending=press)
    assert list(found) == ["s0"]
    assert left == ("s1", "s2")
    assert not [pid for pid in begun(tmp_path / "s1") if psutil.pid_exists(int(pid))]
    assert signal.getsignal(signal.SIGINT) is before


@pytest.fixture
def mine(reported, tmp_path):
    return shutil.copytree(reported, tmp_path / "archive" / "trivet-6")


def replaced(path, old, new):
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


def test_a_report_is_up_to_date_when_it_has_been_made(mine):
    assert out_of_date(mine) == ()
    assert take_up(mine, whatever=False).kind == "up to date"


def test_a_cluster_without_dask_is_said_in_one_line(tmp_path, monkeypatch):
    for name in ("dask", "distributed"):
        monkeypatch.setitem(sys.modules, name, None)
    (tmp_path / "s0").mkdir()
    (tmp_path / "s0" / "session.toml").touch()
    command = ["archive", str(tmp_path), "--refresh", "--scheduler", "tcp://127.0.0.1:8786"]
    result = run(*command, code=2)
    assert result.stderr.splitlines()[-1].endswith(
        "--scheduler needs Dask, which is not installed: pip install 'upheld[cluster]', here and "
        "for the workers."
    )


@pytest.mark.parametrize("more", [["--refresh", "--jobs", "2"], []])
def test_a_cluster_says_itself_how_many_jobs_there_are(tmp_path, more):
    result = run("archive", tmp_path, "--scheduler", "tcp://h:1", *more, code=2)
    assert "--scheduler goes with --refresh, and without --jobs" in result.stderr


def test_what_was_made_before_a_cluster_was_lost_is_told(capsys):
    def lost(*, done, **_):
        done(Outcome(folder="s1", kind="made", why=("session.toml changed",), seconds=2.0))
        raise ArchiveError("tcp://there: the scheduler was lost on the way.")

    code = archives._refresh(lost, folders=["s0", "s1"], whatever=False, as_json=False)
    said = capsys.readouterr()
    assert code == archives.FAILED
    assert "s1: made again, since session.toml changed." in said.out
    assert said.err.splitlines()[-2:] == [
        "Interrupted: 1 left. The same command goes on.",
        "upheld: tcp://there: the scheduler was lost on the way.",
    ]


def test_facts_of_the_day_count(mine):
    replaced(mine / "session.toml", "format = 1", 'format = 1\nx_shelf = "B 2"')
    assert out_of_date(mine) == ("session.toml changed",)


def test_recordings_count_by_what_they_hold_not_by_their_dates(mine):
    capture = sorted((mine / "captures").iterdir())[0]
    data = bytearray(capture.read_bytes())
    capture.write_bytes(data)
    assert out_of_date(mine) == ()
    data[-1] ^= 1
    capture.write_bytes(data)
    assert out_of_date(mine) == (f"captures/{capture.name} changed",)


def test_words_count_and_what_jupyter_keeps_beside_them_does_not(mine):
    path = mine / "report.ipynb"
    notebook = json.loads(path.read_text("utf-8"))
    notebook["cells"][0]["metadata"]["scrolled"] = True
    path.write_text(json.dumps(notebook), "utf-8")
    assert out_of_date(mine) == ()
    notebook["cells"][0]["source"] = "In my own words."
    path.write_text(json.dumps(notebook), "utf-8")
    assert out_of_date(mine) == ("its words were edited since",)


def test_the_version_counts(mine):
    replaced(mine / ".upheld/results/results.json", '"tool_version": "', '"tool_version": "0.0.')
    assert any("made by version 0.0." in why for why in out_of_date(mine))


@pytest.mark.parametrize(
    ("gone", "why"),
    [
        ("out/report.html", "out/report.html is not there"),
        ("report.ipynb", "report.ipynb is not there"),
        (".upheld/memory.json", "it isn't known what its pages were made from"),
        (".upheld/results/run.json", "what was kept of it is damaged"),
    ],
)
def test_what_is_gone_is_made_again(mine, gone, why):
    (mine / gone).unlink()
    assert out_of_date(mine) == (why,)


def test_a_run_that_was_cut_off_before_its_pages_is_made_again(mine):
    """As it is left by a kill between the results and the rendering."""
    replaced(mine / ".upheld/results/results.json", '"quality": [', '"quality":  [')
    assert out_of_date(mine) == ("its last run did not come to an end",)


def test_nothing_that_is_missing_is_made_up(mine, session):
    sorted((mine / "captures").iterdir())[0].unlink()
    with pytest.raises(CaptureError, match="is not there"):
        out_of_date(mine)
    assert take_up(mine, whatever=False).kind == "failed"
    assert out_of_date(session) == ("no report was made yet",)
    shutil.rmtree(session / "captures")
    assert not measured(session)
    answer = take_up(session, whatever=False)
    assert (answer.kind, "nothing recorded yet" in answer.line) == ("skipped", True)


def test_a_session_that_somebody_else_runs_is_skipped_and_said(mine):
    with lock.only_run(mine / ".upheld", what="upheld report"):
        answer = take_up(mine, whatever=True)
    assert answer.kind == "skipped"
    assert "upheld report (process" in answer.line


def test_a_session_that_is_deleted_while_it_runs_is_said_and_not_made_anew(mine, monkeypatch):
    def gone(*_, **__):
        shutil.rmtree(mine)
        raise FileNotFoundError(mine)

    monkeypatch.setattr("reportlib.publish.notebook.run_report", gone)
    answer = take_up(mine, whatever=True)
    assert answer.kind == "failed"
    assert "was deleted or moved away while it was worked on." in answer.line
    assert not mine.exists()


def test_what_was_rendered_may_be_damaged(mine):
    for text in ("", [], {}, {"tool_version": 1, "more": 2}):
        (mine / memory.FILE).write_text(json.dumps({"rendered": text}))
        assert memory.read(mine).rendered is None


def test_only_what_reads_otherwise_is_a_difference():
    then = {"grade_bass": "holds", "change_bass": -0.30, "limit_1db_bass": None, "digest": "a"}
    now = {"grade_bass": "slips", "change_bass": -0.33, "limit_1db_bass": 95.2, "digest": "b"}
    lines = [one.line() for one in differences(then, now)]
    assert lines == ["grade_bass: “holds” → “slips”", "limit_1db_bass: nothing → 95.2"]


def test_a_refresh_makes_what_is_out_of_date_and_only_that(mine):
    """The whole way, with two workers: one whose facts changed, a broken and a good one."""
    archive = mine.parent
    good = shutil.copytree(mine, archive / "good")
    replaced(mine / "session.toml", "format = 1", 'format = 1\nx_shelf = "B 2"')
    document = json.loads((mine / ".upheld/results/results.json").read_text("utf-8"))
    bass = next(one for one in document["bands"] if one["band"] == "bass")
    top = max(one["level_db"] for one in document["bands"] if one["test"] == "short_term")
    for one in document["bands"]:
        if (one["test"], one["level_db"], one["band"]) == ("short_term", top, bass["band"]):
            one["grade"], one["mean_db"] = "rises much", 9.0  # as if an older method had said so
    (mine / ".upheld/results/results.json").write_text(json.dumps(document), "utf-8")
    broken = archive / "broken"
    broken.mkdir()
    (broken / "session.toml").write_text("format = 1\n[speaker\n")
    untouched = {path: path.stat().st_mtime_ns for path in good.rglob("*") if path.is_file()}

    result = run("archive", archive, "--refresh", "--jobs", "2", code=3)

    assert "trivet-6: made again, since session.toml changed" in result.stdout
    assert "grade_bass: “rises much” → “" in result.stdout
    assert "change_bass: 9.0 → −" in result.stdout
    assert "3 sessions: 1 made again (1 of them say something else now), 1 up to date, " in (
        result.stdout
    )
    failed = [line for line in result.stderr.splitlines() if line.startswith("failed: ")]
    assert len(failed) == 1
    assert "broken/session.toml, line 2" in failed[0]
    assert out_of_date(mine) == ()
    now = {path: path.stat().st_mtime_ns for path in good.rglob("*") if path.is_file()}
    del untouched[good / ".upheld" / "lock"], now[good / ".upheld" / "lock"]
    assert now == untouched
    assert (archive / "catalogue" / "index.html").is_file()
