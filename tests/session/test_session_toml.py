import errno
import os
import re

import pytest
from session_factory import changed, said, write_session

from reportlib.errors import SessionError
from reportlib.session.reading import read_session

AS_ADMIN = hasattr(os, "geteuid") and os.geteuid() == 0


@pytest.fixture
def folder(tmp_path):
    return write_session(tmp_path / "marram-12")


def test_no_such_folder(tmp_path):
    line = said(tmp_path / "away")
    assert re.search(r"there is no folder .*away\. Give the folder that holds session\.toml", line)


def test_a_file_in_place_of_the_folder(folder):
    with pytest.raises(SessionError, match=r"is a file, expected the folder.*Give .*marram-12\.$"):
        read_session(folder / "session.toml")


def test_no_session_toml(tmp_path):
    assert "there is no such file. Give another folder, or write it" in said(tmp_path)


def test_a_session_one_folder_below_is_named(folder):
    line = said(folder.parent)
    assert line.endswith(f"There is one in {folder}: give that folder.")


def test_of_a_folder_in_a_session_the_session_is_named(folder):
    line = said(folder / "captures")
    assert line.endswith(f"There is one in {folder}: give that folder.")


def test_a_session_file_under_a_like_name_is_named(folder):
    (folder / "session.toml").rename(folder / "session.toml.txt")
    assert "There is session.toml.txt: rename it to session.toml." in said(folder)


def test_a_folder_of_that_name_is_no_session(tmp_path):
    (tmp_path / "session.toml").mkdir()
    assert "not an ordinary file" in said(tmp_path)


def test_a_pipe_of_that_name_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "session.toml")
    assert "not an ordinary file" in said(tmp_path)


@pytest.mark.parametrize("name", ["a\0b", "n" * 300, "a\nb"])
def test_names_that_no_disk_takes_stay_one_line(tmp_path, name):
    with pytest.raises(SessionError) as caught:
        read_session(tmp_path / name)
    assert len(str(caught.value).splitlines()) == 1
    assert "\0" not in str(caught.value)


@pytest.mark.skipif(AS_ADMIN, reason="the administrator may read everything")
def test_a_file_without_permission(folder):
    (folder / "session.toml").chmod(0)
    assert "cannot be read (Permission denied)" in said(folder)


def test_a_disk_error_on_session_toml(folder, monkeypatch):
    def broken(*_, **__):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr("pathlib.Path.open", broken)
    assert "cannot be read (Input/output error)" in said(folder)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xef\xbb\xbfformat = 1\n", r"starts with a byte-order mark.*Save it as UTF-8 without"),
        ("format = 1\n".encode("utf-16"), r"saved as UTF-16, expected plain UTF-8 text"),
        (b"format = 1\nnotes = '\xfc'\n", r"line 2: the byte 0xFC is not UTF-8"),
        (b"format = 1\n\0", r"line 2: not valid TOML 1\.0 at column 1"),
        (b"format = 1\rdate = 1\r", r"line 1: not valid TOML"),
    ],
)
def test_text_that_is_not_plain_utf_8(folder, data, words):
    (folder / "session.toml").write_bytes(data)
    assert re.search(words, said(folder))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[speaker]", "[speaker", r"line 3: not valid TOML 1\.0 at column 9: expected ']'"),
        ('"passive"', "passive", r"line 5: .*at column 9: invalid value\. Write text in quotes"),
        ("distance_m = 1.0", "distance_m = 1,0", r"line 8: .*Write numbers with a decimal point"),
        ("drive_db = 6.0", "drive_db = 6.0\nat = 9:05", r"Write a time of day with seconds"),
        (
            "drive_db = 6.0",
            "drive_db = 6.0\ndrive_db = 6.0",
            r"line 25: .*cannot overwrite a value",
        ),
        ("format = 1", 'format = 1\nnotes = """', r"line 26: not valid TOML 1\.0: unterminated"),
        ("format = 1", "format = 1\nnotes = 'a\x07'", r"line 2: not valid TOML 1\.0 at column 11"),
    ],
)
def test_wrong_toml_names_line_and_column(folder, old, new, words):
    assert re.search(words, said(folder, changed(old, new)))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x_deep = " + "[" * 50_000, "brackets nested too deep"),
        ("x_deep = " + "{a = " * 50_000, "brackets nested too deep"),
        ("format = 1\nx_deep = " + "[" * 100 + "]" * 100, '"x_deep" is nested too deep'),
        ("format = 1\nrig = " + "[" * 100 + "]" * 100, '"rig" is nested too deep'),
        (
            "format = 1\n" + ".".join(["a"] * 100_000) + " = 1",
            "line 2: a line with more than 1000 dots",
        ),
        ("[" + " . ".join(["'a b'"] * 100_000) + "]", "line 1: a line with more than 1000 dots"),
        ("format = 1\nx_big = " + "9" * 5000, "a number of thousands of digits"),
        ("format = 0x" + "f" * 5000, "format is a huge number: written for a newer upheld"),
        ("#" * 2_000_000, "larger than 1 MB, expected the facts of one day"),
        ("a" * 900_000, "not valid TOML"),
    ],
    ids=["arrays", "tables", "kept", "known", "dotted", "header", "digits", "hex", "size", "word"],
)
def test_absurd_files_end_soon_and_in_one_line(folder, text, words):
    assert words in said(folder, text)


@pytest.mark.parametrize("number", ["2", "17"])
def test_a_newer_format_is_named_before_its_unknown_keys(folder, number):
    line = said(folder, changed("format = 1", f"format = {number}\nnew_key = 1"))
    assert f"session.toml: format is {number}: written for a newer upheld" in line


@pytest.mark.parametrize("wrong", ['"1"', "1.0", "true", "0", "-1"])
def test_any_other_format_is_refused(folder, wrong):
    assert f"session.toml: format is {wrong}, expected 1" in said(
        folder, changed("= 1", f"= {wrong}")
    )


def test_a_missing_format(folder):
    assert "format is missing. Add format = 1 as the first line" in said(
        folder, changed("format = 1\n", "")
    )
