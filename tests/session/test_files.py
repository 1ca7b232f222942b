import errno
import os
import re
import shutil
import stat
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reportlib.errors import RenderError
from reportlib.session.files import (
    clear_leftovers,
    keep_copy,
    read_bytes,
    write_bytes_safely,
    write_new,
    write_text_safely,
)
from reportlib.session.lock import fresh_folder, own_folder

AS_ADMIN = hasattr(os, "geteuid") and os.geteuid() == 0
not_as_admin = pytest.mark.skipif(AS_ADMIN, reason="the administrator may write everywhere")


def said(act, *args, **more):
    with pytest.raises(RenderError) as caught:
        act(*args, **more)
    line = str(caught.value)
    assert line.splitlines() == [line]
    return line


def fails(number):
    def fail(*_, **__):
        raise OSError(number, os.strerror(number))

    return fail


def listing(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


# Writing a file


def test_a_new_file_and_the_folders_on_the_way(tmp_path):
    write_bytes_safely(tmp_path / "out/data/table.csv", b"a,b\r\n\0", inside=tmp_path)
    assert (tmp_path / "out/data/table.csv").read_bytes() == b"a,b\r\n\0"
    assert listing(tmp_path) == ["out", "out/data", "out/data/table.csv"]


def test_a_file_of_a_folder_under_way_is_written_once(tmp_path, monkeypatch):
    path = tmp_path / "new/data/table.csv"
    write_new(path, b"a,b\r\n\0")
    assert path.read_bytes() == b"a,b\r\n\0"
    assert "could not be written" in said(write_new, path, b"else")
    assert path.read_bytes() == b"a,b\r\n\0"
    monkeypatch.setattr("os.fsync", fails(errno.ENOSPC))
    assert "the disk is full" in said(write_new, tmp_path / "new/b", b"1")


def test_a_folder_put_in_place_is_on_the_disk_with_all_its_entries(tmp_path, monkeypatch):
    synced = []
    with fresh_folder(tmp_path / "out", inside=tmp_path) as new:
        write_new(new / "data/table.csv", b"1")
        inodes = {path.stat().st_ino for path in (new, new / "data")}
        monkeypatch.setattr("os.fsync", lambda number: synced.append(os.fstat(number).st_ino))
    assert inodes <= set(synced)
    assert listing(tmp_path) == ["out", "out/data", "out/data/table.csv"]


def test_text_is_utf_8_with_its_own_line_ends(tmp_path):
    write_text_safely(tmp_path / "a.txt", "−1.5 dB\nat 50 Hz\r\n", inside=tmp_path)
    assert (tmp_path / "a.txt").read_bytes() == b"\xe2\x88\x921.5 dB\nat 50 Hz\r\n"


@settings(max_examples=30)
@given(old=st.none() | st.binary(max_size=50), new=st.binary(max_size=50))
def test_what_was_written_is_what_is_read(tmp_path_factory, old, new):
    path = tmp_path_factory.getbasetemp() / "any.bin"
    path.unlink(missing_ok=True)
    if old is not None:
        path.write_bytes(old)
    write_bytes_safely(path, new, inside=path.parent)
    assert path.read_bytes() == new
    assert [p for p in path.parent.iterdir() if p.name.startswith(".any")] == []


def test_half_a_character_is_refused(tmp_path):
    assert re.search(
        r"a\.txt: could not be written: .*surrogates",
        said(write_text_safely, tmp_path / "a.txt", "\ud800", inside=tmp_path),
    )
    assert listing(tmp_path) == []


def test_a_reader_of_the_old_file_keeps_it_whole(tmp_path):
    path = tmp_path / "report.html"
    path.write_bytes(b"old" * 1000)
    with path.open("rb") as reader:
        first = reader.read(10)
        write_bytes_safely(path, b"new", inside=path.parent)
        assert first + reader.read() == b"old" * 1000
    assert path.read_bytes() == b"new"


def test_permissions_are_kept_and_new_ones_ordinary(tmp_path):
    write_bytes_safely(tmp_path / "a", b"1", inside=tmp_path)
    (tmp_path / "b").write_bytes(b"1")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "b").stat().st_mode
    (tmp_path / "a").chmod(0o640)
    write_bytes_safely(tmp_path / "a", b"2", inside=tmp_path)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640


def test_a_name_as_long_as_the_disk_takes(tmp_path):
    for name in ("n" * 255, "ü" * 127):
        write_bytes_safely(tmp_path / name, b"1", inside=tmp_path)
        assert (tmp_path / name).read_bytes() == b"1"
    assert "the name is too long" in said(
        write_bytes_safely, tmp_path / ("n" * 256), b"1", inside=tmp_path
    )


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full. Make room and run it again"),
        (errno.EDQUOT, "the disk quota is used up"),
        (errno.EROFS, "the disk is read-only. Choose another folder"),
        (errno.EACCES, "no permission to write there"),
        (errno.EPERM, "no permission to write there"),
        (errno.EIO, "Input/output error. Check the folder and its disk"),
    ],
)
@pytest.mark.parametrize("where", ["os.fsync", "os.open", "os.replace"])
def test_a_disk_that_fails_leaves_the_old_file_and_nothing_else(
    tmp_path, monkeypatch, number, words, where
):
    path = tmp_path / "report.ipynb"
    path.write_bytes(b"old")
    with monkeypatch.context() as patched:
        patched.setattr(where, fails(number))
        line = said(write_bytes_safely, path, b"new", inside=path.parent)
    assert line.startswith(f"{path}: could not be written: {words}")
    assert path.read_bytes() == b"old"
    assert listing(tmp_path) == ["report.ipynb"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's full device")
def test_the_words_for_a_full_disk_are_those_of_a_real_one():
    # /dev/full answers every write with "no space left" (Linux, full(4))
    with Path("/dev/full").open("wb", buffering=0) as full, pytest.raises(OSError) as caught:  # noqa: PT011
        full.write(b"1")
    assert caught.value.errno == errno.ENOSPC


def test_an_interruption_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    path = tmp_path / "report.ipynb"
    path.write_bytes(b"old")

    def interrupt(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("os.fsync", interrupt)
        with pytest.raises(KeyboardInterrupt):
            write_bytes_safely(path, b"new", inside=path.parent)
    assert path.read_bytes() == b"old"
    assert listing(tmp_path) == ["report.ipynb"]


@not_as_admin
def test_a_folder_without_permission(tmp_path):
    tmp_path.chmod(0o500)
    try:
        assert "no permission to write there" in said(
            write_bytes_safely, tmp_path / "a", b"1", inside=tmp_path
        )
    finally:
        tmp_path.chmod(0o700)


def test_a_write_protected_file_is_left_alone(tmp_path, monkeypatch):
    # asked of the system, whose answer for the administrator is always yes
    path = tmp_path / "a"
    path.write_bytes(b"old")
    monkeypatch.setattr("os.access", lambda *_: False)
    assert "no permission to write there" in said(
        write_bytes_safely, path, b"new", inside=path.parent
    )
    assert path.read_bytes() == b"old"


def test_a_folder_of_that_name(tmp_path):
    (tmp_path / "a").mkdir()
    assert "there is a folder of that name" in said(
        write_bytes_safely, tmp_path / "a", b"1", inside=tmp_path
    )


def test_a_file_on_the_way(tmp_path):
    (tmp_path / "out").write_bytes(b"1")
    line = said(write_bytes_safely, tmp_path / "out/a", b"1", inside=tmp_path)
    assert "a part of the path is a file, not a folder" in line
    line = said(write_bytes_safely, tmp_path / "out/data/a", b"1", inside=tmp_path)
    assert "a part of the path is a file, not a folder" in line


def test_a_name_with_a_zero_byte_or_a_line_break_stays_one_line(tmp_path):
    assert "could not be written" in said(
        write_bytes_safely, tmp_path / "a\0b", b"1", inside=tmp_path
    )
    (tmp_path / "a\nb").mkdir()
    assert "a\\nb: could not be written" in said(
        write_bytes_safely, tmp_path / "a\nb", b"1", inside=tmp_path
    )


# Links


def test_nothing_is_written_through_a_link(tmp_path):
    (tmp_path / "target").write_bytes(b"old")
    for name, target in (("link", "target"), ("dangling", "nowhere"), ("circle", "circle")):
        (tmp_path / name).symlink_to(target)
        assert "this is a link" in said(
            write_bytes_safely, tmp_path / name, b"new", inside=tmp_path
        )
        assert (tmp_path / name).is_symlink()
    assert (tmp_path / "target").read_bytes() == b"old"
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("link", ["out", "out/data"])
def test_nothing_is_written_where_a_part_of_the_way_is_a_link(tmp_path, link):
    session, outside = tmp_path / "marram-12", tmp_path / "outside"
    outside.mkdir()
    (outside / "data").mkdir()
    (session / link).parent.mkdir(parents=True)
    (session / link).symlink_to(outside)
    (session / "a").write_bytes(b"1")
    line = said(write_bytes_safely, session / "out/data/a", b"1", inside=session)
    assert line.startswith(f"{session / link}: this is a link")
    assert "this is a link" in said(write_text_safely, session / "out/data/a", "1", inside=session)
    assert "this is a link" in said(keep_copy, session / "a", session / "out/data", inside=session)
    assert "this is a link" in said(fill, session / "out/data", inside=session)
    assert listing(outside) == ["data"]


def test_nothing_is_written_outside(tmp_path):
    session = tmp_path / "marram-12"
    session.mkdir()
    for name in ("../a", "out/../../a"):
        assert "leads out of" in said(write_bytes_safely, session / name, b"1", inside=session)
    assert "leads out of" in said(write_bytes_safely, tmp_path / "a", b"1", inside=session)
    assert listing(tmp_path) == ["marram-12"]


def test_a_session_reached_by_a_link_is_written_to(tmp_path):
    (tmp_path / "marram-12").mkdir()
    (tmp_path / "today").symlink_to("marram-12")
    write_bytes_safely(tmp_path / "today/out/a", b"1", inside=tmp_path / "today")
    assert (tmp_path / "marram-12/out/a").read_bytes() == b"1"


# Folders


@pytest.fixture
def two(tmp_path):
    for name in ("out/data/a", "out/only-old"):
        write_bytes_safely(tmp_path / name, b"old", inside=tmp_path)
    return tmp_path


def fill(place, *, inside=None, error=None):
    with fresh_folder(place, inside=inside or place.parent) as new:
        write_new(new / "data/a", b"new")
        if error is not None:
            raise error


def test_a_filled_folder_takes_the_place_of_the_old(two):
    fill(two / "out")
    assert listing(two) == ["out", "out/data", "out/data/a"]
    assert (two / "out/data/a").read_text() == "new"
    (two / "plain").mkdir()
    assert (two / "out").stat().st_mode == (two / "plain").stat().st_mode


def test_a_filled_folder_where_there_was_none(tmp_path):
    fill(tmp_path / "out")
    assert listing(tmp_path) == ["out", "out/data", "out/data/a"]


@pytest.mark.parametrize("error", [RenderError("no"), KeyboardInterrupt()])
def test_a_folder_that_was_not_filled_leaves_the_old_one_alone(two, error):
    before = listing(two)
    with pytest.raises(type(error)):
        fill(two / "out", error=error)
    assert listing(two) == before


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("error", [OSError(errno.EACCES, "busy"), KeyboardInterrupt()])
def test_a_rename_that_fails_puts_the_old_folder_back(two, monkeypatch, which, error):
    before = listing(two)
    rename, calls = Path.rename, []

    def sometimes(self, target):
        calls.append(self)
        if len(calls) == which + 1:
            raise error
        return rename(self, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", sometimes)
        with pytest.raises(RenderError if isinstance(error, OSError) else KeyboardInterrupt):
            fill(two / "out")
    assert len(calls) == (1, 3)[which]
    assert listing(two) == before
    assert (two / "out/data/a").read_text() == "old"


def test_a_place_that_is_no_folder(two):
    before = listing(two)
    assert "is a file" in said(fill, two / "out/only-old")
    assert listing(two) == before
    (two / "link").symlink_to("out")
    assert "this is a link" in said(fill, two / "link")


def test_a_folder_of_ones_own_is_gone_afterwards(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with own_folder() as one, own_folder() as other:
        assert one != other
        assert one.parent == other.parent == tmp_path
        assert stat.S_IMODE(one.stat().st_mode) == 0o700
        (one / "a").write_text("1")
    assert listing(tmp_path) == []


@pytest.mark.parametrize("opens", [0, 1])
def test_a_folder_that_another_run_clears_away_at_once_is_made_again(tmp_path, monkeypatch, opens):
    """Between its making and its being held it looks as if a killed run had left it."""
    real = os.open
    calls = []

    def cleared(path, *given, **named):
        if ".out.new-" in str(path) and not calls:
            calls.append(path)
            if opens:
                held = real(path, *given, **named)
                fcntl.flock(real(path, *given, **named), fcntl.LOCK_EX)
                return held
            shutil.rmtree(path)
        return real(path, *given, **named)

    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(os, "open", cleared)
    with own_folder(tmp_path / "out") as own:
        assert own.is_dir()
        assert calls
        assert calls[0] != own
    assert list(tmp_path.iterdir()) == []


# What killed runs left


LEFT = (
    ".report.ipynb.0123456789abcdef", ".out.new-01234567/out/a", ".out.before-01234567/a",
    ".upheld.new-01234567/kernel.json",
)  # fmt: skip


def test_what_killed_runs_left_is_cleared(tmp_path):
    for name in (*LEFT, "out/a"):
        write_new(tmp_path / name, b"1")
    clear_leftovers(tmp_path, inside=tmp_path)
    assert listing(tmp_path) == ["out", "out/a"]


def test_of_one_name_only_where_that_is_asked(tmp_path):
    for name in LEFT:
        write_new(tmp_path / name, b"1")
    clear_leftovers(tmp_path, inside=tmp_path, name="upheld")
    assert listing(tmp_path)[-1].startswith(".report.ipynb")
    assert not list(tmp_path.glob(".upheld*"))


def test_what_was_set_aside_is_put_back_where_nothing_took_its_place(tmp_path):
    write_new(tmp_path / ".out.before-01234567/a", b"1")
    clear_leftovers(tmp_path, inside=tmp_path)
    assert listing(tmp_path) == ["out", "out/a"]


@pytest.mark.parametrize(
    "name",
    [
        ".ipynb_checkpoints", "report.ipynb", ".report.ipynb.0123", "x.0123456789abcdef",
        ".a.0123456789abcdeg", ".marram-12-my_notes", ".out.new-mine",
    ],
)  # fmt: skip
def test_what_is_not_ours_stays(tmp_path, name):
    for place in (tmp_path / name, tmp_path / "folder" / name / "a"):
        write_new(place, b"1")
    before = listing(tmp_path)
    for folder in (tmp_path, tmp_path / "folder", tmp_path / "away"):
        clear_leftovers(folder, inside=tmp_path)
    assert listing(tmp_path) == before


def test_a_kind_that_we_do_not_make_under_our_name_stays(tmp_path):
    write_new(tmp_path / ".notes.0123456789abcdef/mine", b"1")  # we make files of such names,
    write_new(tmp_path / ".notes.before-01234567", b"1")  # and folders of these
    write_new(tmp_path / ".notes.new-01234567", b"1")
    before = listing(tmp_path)
    clear_leftovers(tmp_path, inside=tmp_path)
    assert listing(tmp_path) == before


def test_nothing_is_cleared_through_a_link(tmp_path):
    session, outside = tmp_path / "marram-12", tmp_path / "outside"
    for name in LEFT:
        write_new(outside / name, b"1")
    session.mkdir()
    before = listing(outside)
    (session / "results").symlink_to(outside)
    (session / ".out.new-89abcdef").symlink_to(outside)
    (session / ".a.0123456789abcdef").symlink_to(outside / LEFT[0])
    for folder in (session, session / "results"):
        clear_leftovers(folder, inside=session)
    assert listing(outside) == before


@pytest.mark.skipif(os.name == "nt", reason="Windows holds an open file by itself")
def test_what_a_running_process_owns_stays(tmp_path, monkeypatch):
    seen = []

    def meanwhile(_):
        clear_leftovers(tmp_path, inside=tmp_path)
        seen.append(listing(tmp_path))

    with own_folder(tmp_path / "out") as own:
        (own / "a").write_text("1")
        with monkeypatch.context() as patched:
            patched.setattr("os.fsync", meanwhile)
            write_bytes_safely(tmp_path / "b", b"1", inside=tmp_path)
        assert (own / "a").exists()
    assert [name[:3] for name in seen[0]] == [".b.", ".ou", ".ou"]
    assert listing(tmp_path) == ["b"]


# Reading


def test_an_ordinary_file_is_read_through_a_link_that_stays_inside(tmp_path):
    (tmp_path / "a").write_bytes(b"12345")
    (tmp_path / "link").symlink_to("a")
    assert read_bytes(tmp_path / "a", inside=tmp_path) == b"12345"
    assert read_bytes(tmp_path / "link", inside=tmp_path, most=2) == b"12"


def test_nothing_else_is_read(tmp_path):
    session = tmp_path / "marram-12"
    session.mkdir()
    (tmp_path / "outside").write_bytes(b"1")
    (session / "link").symlink_to(tmp_path / "outside")
    (session / "away").symlink_to("/dev/zero")
    (session / "circle").symlink_to("circle")
    os.mkfifo(session / "pipe")
    (session / "folder").mkdir()
    for name in ("link", "away", "circle", "pipe", "folder", "missing", "../outside"):
        with pytest.raises(OSError):  # noqa: PT011
            read_bytes(session / name, inside=session)


# History


def test_copies_are_numbered_in_their_order(tmp_path):
    report, history = tmp_path / "report.ipynb", tmp_path / ".upheld/history"
    for number in range(1, 13):
        report.write_text(f"version {number}")
        assert keep_copy(report, history, inside=tmp_path) == history / f"{number:05}-report.ipynb"
    texts = [(history / name).read_text() for name in listing(history)]
    assert texts == [f"version {number}" for number in range(1, 13)]


def test_one_row_of_numbers_for_all_files_and_none_twice(tmp_path):
    history = tmp_path / "history"
    for name in ("b.txt", "a.txt"):
        (tmp_path / name).write_text(name)
    assert keep_copy(tmp_path / "b.txt", history, inside=tmp_path).name == "00001-b.txt"
    assert keep_copy(tmp_path / "a.txt", history, inside=tmp_path).name == "00002-a.txt"
    (history / "00001-b.txt").unlink()
    assert keep_copy(tmp_path / "b.txt", history, inside=tmp_path).name == "00003-b.txt"
    (history / "notes of my own.txt").write_text("kept")
    (history / "99999-a.txt").write_text("far")
    assert keep_copy(tmp_path / "b.txt", history, inside=tmp_path).name == "100000-b.txt"


def test_a_copy_keeps_the_time_of_its_file(tmp_path):
    (tmp_path / "a").write_text("1")
    os.utime(tmp_path / "a", (1_000_000_000, 1_100_000_000))
    assert (
        keep_copy(tmp_path / "a", tmp_path / "history", inside=tmp_path).stat().st_mtime
        == 1_100_000_000
    )


def test_a_copy_that_cannot_be_made(tmp_path, monkeypatch):
    line = said(keep_copy, tmp_path / "away", tmp_path / "history", inside=tmp_path)
    assert "away: could not be read: No such file or directory" in line
    (tmp_path / "a").write_text("1")
    monkeypatch.setattr("os.fsync", fails(errno.ENOSPC))
    assert "the disk is full" in said(
        keep_copy, tmp_path / "a", tmp_path / "history", inside=tmp_path
    )
    assert listing(tmp_path / "history") == []
