"""A session folder from a stranger: no link in it leads a run outside, no pipe holds one up."""

import os
import shutil

import loop
import pytest
from commands import run, without_progress

from reportlib.errors import RenderError, ReportError
from reportlib.many import catalogue
from reportlib.many.index import read_index
from reportlib.publish import history, memory, results
from reportlib.session import lock

WORDS = b"somebody's own words"


@pytest.fixture
def outside(tmp_path):
    """A folder that is none of the session's, with files of names that the tool uses."""
    folder = tmp_path / "outside"
    (folder / "results").mkdir(parents=True)
    (folder / "history").mkdir()
    for name in (
        "file",
        "lock",
        "run.json",
        "results/run.json",
        "why.json",
        "written.json",
        "memory.json",
    ):
        (folder / name).write_bytes(WORDS)
    for number in range(1, history.MOST_KEPT + 3):
        (folder / f"{number:05}-report.ipynb").write_bytes(WORDS)
    return folder


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "marram-12"
    made.mkdir()
    return made


def listing(folder):
    return {path: path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


def one_line(*arguments):
    result = run(*arguments, code=2)
    (line,) = without_progress(result.stderr)
    return line


@pytest.mark.parametrize("name", [".upheld", ".upheld/lock"])
def test_the_lock_is_never_taken_through_a_link(folder, outside, name):
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).symlink_to(outside / "lock" if "lock" in name else outside)
    before = listing(outside)
    with pytest.raises(RenderError, match="this is a link"), lock.only_run(
        folder / ".upheld", what="upheld report"
    ):  # fmt: skip
        pass
    assert listing(outside) == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes here")
def test_a_pipe_in_the_locks_place_is_said_at_once(folder):
    (folder / ".upheld").mkdir()
    os.mkfifo(folder / ".upheld/lock")
    with pytest.raises(RenderError, match="not an ordinary file"), lock.only_run(
        folder / ".upheld", what="upheld report"
    ):  # fmt: skip
        pass


@pytest.mark.parametrize(
    "name", [".upheld", ".upheld/history", ".upheld/memory.json", "report.ipynb"]
)
def test_a_run_writes_and_prunes_nothing_through_a_link(folder, outside, name):
    loop.run(folder, 1)
    made = loop.saved(folder)
    made.cells[1].source += "\n\nMine."
    loop.save(folder, made)
    (folder / name).rename(folder / "aside")
    (folder / name).symlink_to(outside / "file" if "." in name[1:] else outside)
    before = listing(outside)
    with pytest.raises(ReportError, match=r"this is a link|a link that leaves"):
        loop.run(folder, 2)
    assert listing(outside) == before


def test_memory_and_records_are_not_written_through_a_link(folder, outside):
    (folder / ".upheld").symlink_to(outside)
    before = listing(outside)
    with pytest.raises(RenderError, match="this is a link"):
        memory.change(folder, paper="letter")
    with pytest.raises(RenderError, match="this is a link"):
        history.keep_rendered(folder, notebook=b"{}", results=b"", verdict="")
    assert results.last_parameters(folder) == {}
    assert listing(outside) == before


def test_results_are_not_kept_through_a_link(session, undrawn, outside):
    shutil.copy(undrawn / "report.ipynb", session)
    (session / ".upheld").mkdir()
    (session / ".upheld/results").symlink_to(outside)
    before = listing(outside)
    assert "results: this is a link" in one_line("report", session)
    assert listing(outside) == before


def test_a_catalogue_is_not_pruned_through_a_link(folder, outside, monkeypatch):
    (outside / "mine.svg").write_bytes(WORDS)
    (folder / "catalogue").mkdir()
    (folder / "catalogue/pictures").symlink_to(outside)
    monkeypatch.setattr(catalogue, "catalogue_html", lambda *_, **__: "")
    monkeypatch.setattr(catalogue, "_refuse_anothers", lambda _: None)
    with pytest.raises(RenderError, match="this is a link"):
        catalogue.write_catalogue(read_index(folder, say=[].append), archive=folder)
    assert (outside / "mine.svg").read_bytes() == WORDS


def blocked(place, *, how, outside):
    place.unlink(missing_ok=True)
    if how == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to({"device": "/dev/zero", "link": outside / "file"}[how])


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes here")
@pytest.mark.parametrize("how", ["pipe", "device", "link"])
@pytest.mark.parametrize("command", ["report", "check", "publish", "intake", "archive"])
def test_facts_that_are_no_ordinary_file_are_said_at_once(folder, outside, command, how):
    blocked(folder / "session.toml", how=how, outside=outside)
    words = {"intake": [outside]}.get(command, [])
    if command == "archive":
        listed = run("archive", folder, "--json").output
        assert "cannot be read" in listed
        assert WORDS.decode() not in listed
        return
    said = one_line(command, folder, *words)
    if command != "publish":
        assert "session.toml: cannot be read" in said
        assert "not an ordinary file" in said or "a link that leaves the folder" in said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes here")
@pytest.mark.parametrize("how", ["pipe", "device", "link"])
@pytest.mark.parametrize("command", ["publish", "run", "history", "archive"])
def test_a_notebook_that_is_no_ordinary_file_is_said_at_once(folder, outside, command, how):
    loop.run(folder, 1)
    blocked(folder / "report.ipynb", how=how, outside=outside)
    if command == "run":
        with pytest.raises(ReportError, match=r"this is a link|not an ordinary file"):
            loop.run(folder, 2)
    elif command == "publish":
        assert "report.ipynb cannot be read" in one_line("publish", folder)
    elif command == "history":
        said = one_line("history", folder, "--restore", 1)
        assert "report.ipynb: could not be read" in said or "this is a link" in said
    else:
        from reportlib.many.stale import pages_out_of_date

        assert pages_out_of_date(folder)
    assert (outside / "file").read_bytes() == WORDS


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes here")
def test_pipes_in_the_memory_count_as_damaged(folder):
    loop.run(folder, 1)
    for name in ("memory.json", "written.json", "history/00009-report.ipynb"):
        (folder / ".upheld" / name).unlink(missing_ok=True)
        os.mkfifo(folder / ".upheld" / name)
    (folder / ".upheld/history/00008-report.ipynb").symlink_to("nowhere")
    loop.run(folder, 2)
    assert [version.number for version in history.versions(folder)][:1] == [1]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such pipes here")
def test_a_pipe_among_the_recordings_is_said_at_once(session):
    facts = (session / "session.toml").read_text("utf-8")
    shutil.rmtree(session / "captures")
    (session / "recordings").mkdir()
    os.mkfifo(session / "recordings/a.wav")
    assert "a.wav: not an ordinary file" in one_line("intake", session, session / "recordings")
    assert (session / "session.toml").read_text("utf-8") == facts
