"""A stranger's session, changed at random: one line or a report, never a traceback."""

import json

import pytest
from mutated_sessions import made, put, run, whole


def outcomes(verb, seeds, folder):
    return {
        seed: line for seed in seeds if (line := run(verb, put(made(seed), folder / str(seed)))[0])
    }


def test_any_change_to_a_session_is_checked_or_said_in_one_line(tmp_path):
    assert outcomes("check", range(1, 21), tmp_path) == {}


def test_any_change_to_a_session_is_reported_or_said_in_one_line(tmp_path):
    assert outcomes("report", range(101, 104), tmp_path) == {}


def kept(name, change):
    """Return what a run kept, with one thing of it changed."""
    found = json.loads(whole("text")[name])
    change(found)
    return json.dumps(found).encode()


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("run", lambda found: found["drafts"].update(care=7)),
        ("results", lambda found: found.update(bands=[{}])),
    ],
)
def test_damaged_results_are_said_in_one_line(tmp_path, name, change):
    path = f".upheld/results/{name}.json"
    folder = put({**whole("text"), path: kept(path, change)}, tmp_path)
    assert run("check", folder) == ("", 2)


@pytest.mark.parametrize(
    ("name", "verb", "code"),
    [
        ("report.ipynb", "check", 2),
        (".upheld/results/run.json", "publish", 2),
        (".upheld/memory.json", "history", 0),
        (".upheld/memory.json", "report", 0),
    ],
)
def test_a_file_nested_without_end_is(tmp_path, name, verb, code):
    folder = put({**whole("text"), name: b"[" * 100_000}, tmp_path)
    if verb == "history":
        earlier = folder / ".upheld" / "history"
        earlier.mkdir()
        (earlier / "00001-report.ipynb").write_text("{}")
    assert run(verb, folder) == ("", code)


@pytest.mark.slow
@pytest.mark.parametrize(("verb", "count"), [("check", 3000), ("report", 500)])
def test_thousands_are(tmp_path, verb, count):
    wrong = {}
    for seed in range(10_000, 10_000 + count):
        wrong |= outcomes(verb, [seed], tmp_path)
    assert wrong == {}
