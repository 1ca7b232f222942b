"""What is remembered of a session: one file, what earlier versions had in its place, damage."""

import json

import pytest

from reportlib.publish import history, memory

WRITTEN = {"tool_version": "0.1.0", "cells": ["care", "read"], "drafts": {"care": "Mind."}}
EARLIER = {
    "written.json": {**WRITTEN, "about": {}, "judged": {"short.mids.94": "holds"}},
    "publication.json": {"paper": "letter"},
    "published.json": [
        {
            "when": "2026-05-06T10:00:00",
            "tool_version": "0.1.0",
            "captures": "a",
            "narrative": {},
            "judged": {},
            "numbers": {"short.mids.94.mean": "−1.5 dB"},
        }
    ],
    "rendered.json": {
        name: name for name in ("tool_version", "notebook", "words", "results", "verdict")
    },
    "history/why.json": {"3": "as a run left it"},
}  # fmt: skip


@pytest.fixture
def earlier(tmp_path):
    """A session's memory as it lay in five files."""
    (tmp_path / ".upheld/history").mkdir(parents=True)
    for name, content in EARLIER.items():
        (tmp_path / ".upheld" / name).write_text(json.dumps(content), encoding="utf-8")
    return tmp_path


def test_what_earlier_versions_remembered_is_taken_over_and_their_files_go(earlier):
    before = memory.read(earlier)
    assert before.written.cells == {"care", "read"}
    assert before.written.drafts == {"care": "Mind."}
    assert before.written.judged == {"short.mids.94": "holds"}
    assert (before.paper, before.why_kept) == ("letter", {3: "as a run left it"})
    assert before.published[0].numbers == {"short.mids.94.mean": "−1.5 dB"}
    assert before.rendered.verdict == "verdict"
    memory.change(earlier, paper="a4")
    after = memory.read(earlier)
    assert after.paper == "a4"
    assert (after.written, after.published) == (before.written, before.published)
    assert (after.rendered, after.why_kept) == (before.rendered, before.why_kept)
    left = {path.name for path in (earlier / ".upheld").rglob("*") if path.is_file()}
    assert left == {"memory.json"}


@pytest.mark.parametrize("name", EARLIER)
def test_of_earlier_files_a_damaged_one_alone_is_lost(earlier, name):
    whole = memory.read(earlier)
    (earlier / ".upheld" / name).write_text("{ half", encoding="utf-8")
    found = memory.read(earlier)
    same = [getattr(found, part) == getattr(whole, part) for part in vars(whole)]
    assert same.count(False) == 1


@pytest.mark.parametrize("text", ["", "[]", '{"paper": "a9"}', '{"written": 7}', "[" * 100_000])
def test_a_damaged_memory_is_an_empty_one_and_kept_before_it_is_written_over(tmp_path, text):
    (tmp_path / ".upheld").mkdir()
    (tmp_path / memory.FILE).write_text(text, encoding="utf-8")
    assert memory.read(tmp_path) == memory.Memory()
    memory.change(tmp_path, paper="letter")
    assert memory.read(tmp_path) == memory.Memory(paper="letter")
    (aside,) = history.history_folder(tmp_path).iterdir()
    assert aside.read_text("utf-8") == text
    memory.change(tmp_path, paper="a4")
    assert list(history.history_folder(tmp_path).iterdir()) == [aside]
