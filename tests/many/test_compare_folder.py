"""What may be compared, where a comparison lives, and what its sessions are called."""

import json
import shutil
from dataclasses import replace

import pytest
from builders import make_analysis
from session_factory import LONG_TERM, MINIMAL, write_session

from reportlib.errors import CaptureError, NotebookError, ReportError, SessionError
from reportlib.many.comparison import compare, folder_names, read_compared
from reportlib.many.folder import as_seen_from, chosen_folder, chosen_sessions, remembered_sessions
from reportlib.many.index import session_folders
from reportlib.publish.kinds import COMPARISON, REPORT, kind_of
from reportlib.session.parameters import checked_comparison, known_parameters


@pytest.fixture
def shelf(tmp_path):
    """Three small sessions beside each other."""
    for name in ("marram-12", "trivet-6", "samphire-3"):
        write_session(tmp_path / name)
    return tmp_path


def remember(folder, *sessions):
    """Make `folder` look as a comparison leaves it."""
    results = folder / ".upheld" / "results"
    results.mkdir(parents=True)
    (results / "comparison.csv").write_text("session\n")
    run = {"parameters": {"sessions": list(sessions)}}
    (results / "run.json").write_text(json.dumps(run))


def refused(kind, *, match, call):
    with pytest.raises(kind, match=match) as caught:
        call()
    line = str(caught.value)
    assert line.splitlines() == [line]


@pytest.mark.parametrize("count", [1, 9])
def test_two_to_eight_sessions(shelf, count):
    named = [shelf / f"{number}" for number in range(count)]
    refused(
        SessionError, match="takes 2 to 8 sessions", call=lambda: chosen_sessions(named, into=None)
    )


def test_a_session_is_named_once_even_through_a_link(shelf):
    (shelf / "latest").symlink_to("marram-12")
    for twin in (shelf / "marram-12", shelf / "marram-12" / ".." / "marram-12", shelf / "latest"):
        refused(
            SessionError,
            match="is named twice",
            call=lambda twin=twin: chosen_sessions((shelf / "marram-12", twin), into=None),
        )


def test_what_is_no_session_is_named(shelf):
    (shelf / "empty").mkdir()
    refused(SessionError, match="empty/session.toml", call=lambda: read_compared(shelf / "empty"))
    refused(SessionError, match="gone/session.toml", call=lambda: read_compared(shelf / "gone"))
    remember(shelf / "compared")
    refused(
        SessionError, match="holds a comparison", call=lambda: read_compared(shelf / "compared")
    )


def test_a_planned_session_and_a_half_copied_one_are_told_apart(shelf):
    long_term = write_session(shelf / "long", MINIMAL + LONG_TERM)
    (long_term / "captures" / "after.wav").unlink()
    refused(
        CaptureError, match=r"after\.wav, which is not there", call=lambda: read_compared(long_term)
    )
    shutil.rmtree(shelf / "trivet-6" / "captures")
    refused(SessionError, match="planned, nothing", call=lambda: read_compared(shelf / "trivet-6"))


def test_the_folder_lies_beside_the_sessions_unless_it_is_named(shelf):
    two = (shelf / "marram-12", shelf / "trivet-6")
    assert chosen_folder(two, into=None) == shelf / "comparison"
    assert chosen_folder(two, into=shelf / "mine") == shelf / "mine"
    deeper = write_session(shelf / "2026" / "may" / "one")
    assert chosen_folder((two[0], deeper), into=None) == shelf / "comparison"


@pytest.mark.parametrize(
    ("into", "match"),
    [
        ("marram-12", "is a session. A comparison has a folder of its own"),
        ("marram-12/out", "lies in a session's folder"),
        ("samphire-3", "is a session"),
        ("samphire-3/out/mine", r"lies in a session's folder \(samphire-3\)"),
        ("compared/out/mine", r"lies in a comparison's folder \(compared\)"),
        ("notes", r"holds other files \(shopping\.txt\)"),
        ("notes/shopping.txt", "is a file"),
        ("no/where", "there is no folder"),
    ],
)
def test_no_folder_of_anybody_else_is_written_into(shelf, into, match):
    (shelf / "notes").mkdir()
    (shelf / "notes" / "shopping.txt").touch()
    (shelf / "samphire-3" / "out").mkdir(exist_ok=True)
    (shelf / "compared" / "out").mkdir(parents=True)
    (shelf / "compared" / "comparison.ipynb").touch()
    two = (shelf / "marram-12", shelf / "trivet-6")
    before = sorted(shelf.rglob("*"))
    refused(NotebookError, match=match, call=lambda: chosen_folder(two, into=shelf / into))
    assert sorted(shelf.rglob("*")) == before


def test_sessions_are_remembered_through_a_link_to_the_comparison(shelf):
    """From where the link lies, another session would stand at the same relative path."""
    remember(shelf / "comparison", "../marram-12", "../trivet-6")
    elsewhere = shelf / "elsewhere"
    write_session(elsewhere / "marram-12")
    (elsewhere / "latest").symlink_to(shelf / "comparison")
    found = remembered_sessions(elsewhere / "latest")
    assert [one.resolve() for one in found] == [
        (shelf / name).resolve() for name in ("marram-12", "trivet-6")
    ]


def test_a_comparison_of_others_is_not_overwritten_unasked(shelf):
    remember(shelf / "comparison", "../marram-12", "../trivet-6")
    two = (shelf / "trivet-6", shelf / "marram-12")  # in another order
    assert chosen_folder(two, into=None) == shelf / "comparison"
    others = (shelf / "marram-12", shelf / "samphire-3")
    refused(
        NotebookError,
        match=r"compares other sessions \(marram-12, trivet-6\)",
        call=lambda: chosen_folder(others, into=None),
    )
    assert chosen_folder(others, into=shelf / "comparison") == shelf / "comparison"


def test_the_folder_remembers_its_sessions_wherever_all_of_it_is_moved(shelf, tmp_path):
    sessions = [shelf / "marram-12", shelf / "trivet-6"]
    named = as_seen_from(shelf / "comparison", sessions=sessions)
    assert named == ["../marram-12", "../trivet-6"]
    remember(shelf / "comparison", *named)
    assert chosen_sessions((), into=shelf / "comparison") == tuple(sessions)
    moved = shutil.copytree(shelf, tmp_path / "moved" / "shelf")
    assert remembered_sessions(moved / "comparison")[0] == moved / "marram-12"


def test_sessions_are_found_in_the_notebook_where_the_memory_is_lost(shelf):
    folder = shelf / "comparison"
    folder.mkdir()
    refused(
        SessionError, match="no comparison was made", call=lambda: chosen_sessions((), into=folder)
    )
    cells = [
        {"metadata": {"tags": [tag]}, "source": [source]}
        for tag, source in (
            ("parameters", 'sessions: "list[str]" = ["../a", "../b"]  # folders\n'),
            ("injected-parameters", 'sessions = ["../marram-12", "../trivet-6"]\n'),
            ("narrative", 'sessions = ["../c"]'),
        )
    ]
    (folder / "comparison.ipynb").write_text(json.dumps({"cells": cells}))
    assert remembered_sessions(folder) == (shelf / "marram-12", shelf / "trivet-6")
    (folder / "comparison.ipynb").write_text('{"cells": [{"metadata": {"tags": ["parameters"]}}]}')
    assert remembered_sessions(folder) == ()


def test_which_kind_a_folder_is_of(shelf):
    assert kind_of(shelf / "marram-12") is REPORT
    assert kind_of(shelf / "nowhere") is REPORT
    remember(shelf / "comparison")
    assert kind_of(shelf / "comparison") is COMPARISON
    (shelf / "marram-12" / "comparison.ipynb").touch()
    assert kind_of(shelf / "marram-12") is REPORT


def test_an_archive_takes_no_comparison_for_a_session(shelf):
    remember(shelf / "comparison")
    (shelf / "comparison" / ".upheld" / "results" / "results.json").write_text("{}")
    found = list(session_folders(shelf, say=lambda _: None))
    assert found == ["marram-12", "samphire-3", "trivet-6"]


def test_parameters_are_checked_and_remembered_like_a_reports():
    asked = checked_comparison(sessions=["../a", "../b"], smoothing_fraction=6)
    assert asked.of_session("x").smoothing_fraction == 6
    assert asked.of_session("x").session == "x"
    with pytest.raises(ReportError, match="comparison parameter 'sessions'"):
        checked_comparison(sessions=["../a"])
    with pytest.raises(ReportError, match="comparison parameter 'sessions'"):
        checked_comparison(sessions="../a")
    dumped = {**asked.model_dump(), "seat_room": "cellar"}
    kept = known_parameters(dumped, model=type(asked))
    assert kept["smoothing_fraction"] == 6
    assert not {"sessions", "seat_room"} & kept.keys()


def called(*sessions):
    """Return what sessions of these names, dates and folders are called."""
    reports = []
    for name, date, folder in sessions:
        report = make_analysis()
        speaker = replace(report.session.speaker, name=name)
        session = replace(report.session, speaker=speaker, date=date, folder=folder)
        reports.append(replace(report, session=session))
    return compare(reports, names=folder_names(reports)).names


def test_sessions_of_one_loudspeaker_get_their_date_of_one_date_their_folder():
    assert called(("Marram 12", None, "a"), ("Trivet 6", None, "b")) == ("Marram 12", "Trivet 6")
    assert called(
        ("Marram 12", "2026-05-04", "a"),
        ("Marram 12", "2026-08-09", "b"),
        ("Trivet 6", "2026-05-04", "c"),
    ) == ("Marram 12 of 4 May 2026", "Marram 12 of 9 August 2026", "Trivet 6")
    assert called(
        ("Marram 12", "2026-05-04", "shelf/before"), ("marram 12", "2026-05-04", "shelf/after")
    ) == ("Marram 12 “before”", "marram 12 “after”")
    assert called(("Marram 12", None, "a"), ("Marram 12", "2026-05-04", "b")) == (
        "Marram 12 “a”",
        "Marram 12 of 4 May 2026",
    )
    alike = called(("Marram 12", None, "shelf/x"), ("Marram 12", None, "loft/x"))
    assert alike == ("Marram 12 “shelf/x”", "Marram 12 “loft/x”")
