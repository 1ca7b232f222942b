import errno
import os
import re

import pytest
from session_factory import changed, said, write_named, write_session

from reportlib.errors import CaptureError
from reportlib.session.reading import read_session


@pytest.fixture
def folder(tmp_path):
    return write_session(tmp_path / "marram-12")


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/captures/short-72.wav", "expected a path relative to the session folder"),
        ("C:/captures/short-72.wav", "expected a path relative to the session folder"),
        ("../short-72.wav", 'expected a path without "..", inside the session folder'),
        ("captures/../../short-72.wav", 'expected a path without "..", inside the session folder'),
        (r"captures\\short-72.wav", r"expected a path with / instead of \ between its parts"),
        ("captures/", "expected the path of a file, not of a folder"),
        (".", "expected the path of a file, not of a folder"),
        ("", "expected a path in the session folder"),
        (r"captures/a\u0000.wav", "expected a path in the session folder"),
        *(
            (f"captures/short-72{ending}", "or column text: convert it first")
            for ending in (".mp3", ".OGG", ".aiff", ".xlsx")
        ),
    ],
)
def test_a_path_that_is_not_allowed(folder, path, words):
    line = said(folder, changed("captures/short-72.wav", path))
    assert "captures in [[short_term]] entry 1, value 1 is" in line
    assert words in line


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('stimulus = "stimulus/sweep.wav"', 'stimulus = "stimulus/sweep.txt"'),
        ("[sweep]", '[noise]\ncaptures = ["captures/silence.csv"]\n[sweep]'),
    ],
)
def test_what_has_to_be_audio(folder, old, new):
    assert "expected a file whose name ends in .wav or .flac" in said(folder, changed(old, new))


def test_a_missing_capture_is_named_with_what_is_there(folder):
    text = changed("short-78.wav", "short-87.wav")
    line = said(folder, text, error=CaptureError)
    assert "captures in [[short_term]] entry 2, value 1 names captures/short-87.wav" in line
    assert "which is not there; nearest present: captures/short-7" in line
    assert "Correct the name, or add the file" in line


def test_a_missing_file_with_nothing_like_it(folder):
    text = changed("[sweep]", 'microphone_correction = "zzz"\n[sweep]')
    line = said(folder, text, error=CaptureError)
    assert "names zzz, which is not there; no file of a like name is there" in line


def test_files_of_the_tool_are_not_suggested(folder):
    (folder / "captures/short-78.wav").unlink()
    write_named(folder / "out/captures/short-78.wav")
    write_named(folder / ".upheld/captures/short-78.wav")
    assert ".upheld/" not in said(folder, error=CaptureError)
    assert "out/" not in said(folder, error=CaptureError)


def test_an_empty_file(folder):
    (folder / "captures/short-78.wav").write_bytes(b"")
    line = said(folder, error=CaptureError)
    assert "names captures/short-78.wav, which is empty (0 bytes). Record or copy it again" in line


def test_a_folder_in_place_of_a_file(folder):
    (folder / "captures/short-78.wav").unlink()
    (folder / "captures/short-78.wav").mkdir()
    assert "which is a folder. Name a file" in said(folder, error=CaptureError)


def test_a_pipe_in_place_of_a_file_does_not_hang(folder):
    (folder / "captures/short-78.wav").unlink()
    os.mkfifo(folder / "captures/short-78.wav")
    assert "which is not an ordinary file" in said(folder, error=CaptureError)


def test_a_disk_error_on_a_capture(folder, monkeypatch):
    def broken(*_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("hashlib.file_digest", broken)
    assert "cannot be read (Input/output error)" in said(folder, error=CaptureError)


@pytest.mark.parametrize("folder_too", [False, True])
def test_a_link_out_of_the_folder_is_refused(folder, folder_too):
    outside = folder.parent / "elsewhere"
    write_named(outside / "short-78.wav")
    (folder / "captures/short-78.wav").unlink()
    if folder_too:
        (folder / "captures").rename(folder / "inside")
        write_named(outside / "short-72.wav")
        (folder / "captures").symlink_to(outside)
    else:
        (folder / "captures/short-78.wav").symlink_to(outside / "short-78.wav")
    assert re.search(r"names captures/short-7\d\.wav, a link that leaves the session", said(folder))


def test_a_link_to_nowhere_and_one_to_itself(folder):
    capture = folder / "captures/short-78.wav"
    capture.unlink()
    capture.symlink_to("gone.wav")
    assert "names captures/short-78.wav, which is not there" in said(folder, error=CaptureError)
    capture.unlink()
    capture.symlink_to("short-78.wav")
    assert "names captures/short-78.wav, which " in said(folder, error=CaptureError)


def test_the_session_folder_itself_may_be_reached_by_a_link(folder):
    (folder.parent / "today").symlink_to(folder)
    assert read_session(folder.parent / "today").speaker.name == "Marram 12"


@pytest.mark.parametrize(
    "again", ["captures/short-72.wav", "./captures/short-72.wav", "link", "hard"]
)
def test_a_recording_counts_once(folder, again):
    if again == "link":
        (folder / "captures/again.wav").symlink_to("short-72.wav")
    elif again == "hard":
        (folder / "captures/again.wav").hardlink_to(folder / "captures/short-72.wav")
    path = again if "/" in again else "captures/again.wav"
    line = said(folder, changed("captures/short-78.wav", path))
    assert "the file that captures in [[short_term]] entry 1, value 1 names already" in line
    assert "a recording counts once" in line
