"""An archive's table: found, filled, filtered; and never the only copy of anything."""

import contextlib
import json
import os
import re
import shutil
import sqlite3

import pytest
from archived import kept_results, write_kept, write_many
from builders import make_analysis
from commands import run
from hostile import ATTACKS
from hypothesis import given, settings
from hypothesis import strategies as st
from session_factory import MINIMAL, write_session

from reportlib.errors import ArchiveError
from reportlib.judge.limits import kind_of
from reportlib.many.again import WITHIN, changed
from reportlib.many.columns import COLUMNS, compile_filter, limit_column
from reportlib.many.index import FILE, FOLDER, read_index
from reportlib.many.rows import first_behind, from_results, ladder_of, limit_said, row_of
from reportlib.write import data
from reportlib.write.readings_sweeps import rungs


def index_of(archive):
    said = []
    return read_index(archive, say=said.append), said


def names(archive, where=None):
    index, _ = index_of(archive)
    return [row["folder"] for row in index.rows(compile_filter(where) if where else None)]


def limits(**values):
    """Return the limits of a document, every one of them with these values."""
    return [{**one, **values} for one in kept_results()["limits"]]


NOT_REACHED = {"level_db": None, "low_db": None, "high_db": None, "reached": False}
CANT_TELL = {**NOT_REACHED, "reached": None, "tested_to_db": None}
AT = {"level_db": 95.5, "low_db": 95.0, "high_db": 96.0, "reached": True, "tested_to_db": 99.0}
BY = {**AT, "level_db": None, "low_db": None, "high_db": 78.0}
MAY_BE = {**NOT_REACHED, "low_db": 97.0, "tested_to_db": 99.0}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Five sessions whose limits are told in the five ways there are."""
    archive = tmp_path_factory.mktemp("told")
    for name, values in {
        "at": AT, "by": BY, "may be": MAY_BE, "cant": CANT_TELL,
        "not by 99": {**NOT_REACHED, "tested_to_db": 98.98},
        "not by 90": {**NOT_REACHED, "tested_to_db": 90.0},
    }.items():  # fmt: skip
        write_kept(archive / name, limits=limits(**values))
    return archive


def test_a_row_tells_what_the_results_tell():
    analysis = make_analysis()
    row = from_results(json.loads(data.results_json(analysis, tool_version="0.1.0")))
    assert set(row) <= set(COLUMNS)
    top = max(one.level_db for one in analysis.short_term)
    for one in analysis.bands:
        if (one.test, one.level_db) == ("short_term", top):
            slug = one.band.replace(" ", "_")
            assert row[f"grade_{slug}"] == one.grade
            assert row[f"change_{slug}"] == pytest.approx(one.mean_db, abs=6e-4)
    for limit in analysis.limits:
        column = limit_column(test=limit.test, threshold_db=limit.threshold_db, band=limit.band)
        if column in COLUMNS:
            assert row[f"{column}_state"] == kind_of(limit)
            assert row[column] == (limit.level_db and pytest.approx(limit.level_db, abs=6e-4))
    assert row["findings"].count("(") == len(analysis.findings)


def test_the_ladder_is_the_reports_own():
    analysis = make_analysis()
    document = json.loads(data.results_json(analysis, tool_version="0.1.0"))
    shares = json.loads(ladder_of(document))
    theirs = {(rung.band, rung.level_db): rung.share for rung in rungs(analysis)}
    assert [share for row in reversed(shares) for share in row] == pytest.approx(
        [*theirs.values()], abs=6e-4
    )


def test_sessions_are_found_at_every_depth_and_what_is_no_session_is_not(tmp_path):
    write_kept(tmp_path / "a" / "b" / "deep")
    write_kept(tmp_path / "a")
    write_kept(tmp_path / ".hidden")
    write_kept(tmp_path / "a" / "out" / "no session of its own")
    write_kept(tmp_path / "catalogue" / "no session")
    write_kept(tmp_path / "a" / "catalogue")
    (tmp_path / "empty").mkdir()
    (tmp_path / "round").symlink_to(tmp_path, target_is_directory=True)
    assert sorted(names(tmp_path)) == ["a", "a/b/deep", "a/catalogue"]


def test_two_sessions_of_one_name_are_both_listed_and_said(tmp_path):
    write_kept(tmp_path / "one")
    write_kept(tmp_path / "two")
    write_kept(tmp_path / "other", date="2026-05-05")
    result = run("archive", tmp_path)
    assert "2 sessions are called Trivet 6, 2026-05-04; their folders tell them apart." in (
        result.stderr
    )
    assert all(folder in result.stdout for folder in ("one", "two", "other", "3 sessions."))


def measured_on(folder, date, *, serial="LIB-0107", space="room", **about):
    """Write a session of one loudspeaker of several, as a run leaves it."""
    write_kept(folder, date=date, **about)
    text = MINIMAL.replace("[rig]", f'use = "stage"\nserial = "{serial}"\n\n[rig]')
    (folder / "session.toml").write_text(text.replace("Marram 12", about.get("name", "Trivet 6")))
    made = kept_results(date=date, **about)
    made["measured"]["space"] = space
    (folder / ".upheld/results/results.json").write_text(json.dumps(made))


def lost(amount_db, *, left_playing_db=0.0):
    """Return the bands of a document, the bass of its loudest levels by so much lower."""
    bands = kept_results()["bands"]
    for one in bands:
        top, amount = (99.0, amount_db) if one["test"] == "short_term" else (92.0, left_playing_db)
        if one["band"] == "bass" and one["level_db"] == top:
            one["mean_db"] -= amount
    return bands


def test_a_loudspeaker_measured_again_tells_what_changed(tmp_path):
    measured_on(tmp_path / "first", "2026-05-04")
    measured_on(tmp_path / "repeated", "2026-06-04", bands=lost(0.05))
    measured_on(tmp_path / "worn", "2026-07-04", bands=lost(1.5, left_playing_db=2.0))
    measured_on(tmp_path / "moved", "2026-08-04", space="gated", bands=lost(9.0))
    measured_on(tmp_path / "another", "2026-06-05", serial="LIB-0108", bands=lost(9.0))
    write_kept(tmp_path / "of no serial", date="2026-06-06")
    rows = {row["folder"]: row for row in index_of(tmp_path)[0].rows()}
    told = {folder: (row["measured"], row["before"]) for folder, row in rows.items()}
    assert told == {
        "first": (4, None), "repeated": (4, "2026-05-04"), "worn": (4, "2026-06-04"),
        "moved": (4, "2026-07-04"), "another": (1, None), "of no serial": (None, None),
    }  # fmt: skip
    assert rows["repeated"]["changed"] == "within the interval"
    assert rows["moved"]["changed"] == "can't tell (other space)"
    turned_up, left_playing = rows["worn"]["changed"].split("; ")
    assert re.fullmatch(r"bass \S+ → \S+ dB at 99 dB", turned_up)
    assert re.fullmatch(r"bass, left playing, \S+ → \S+ dB at 92 dB", left_playing)
    assert names(tmp_path, "measured > 1 and changed != within the interval") == ["moved", "worn"]
    assert "since 2026-05-04: within the interval" in run("archive", tmp_path).stdout
    shutil.rmtree(tmp_path / "first")
    assert next(index_of(tmp_path)[0].rows(compile_filter("folder = repeated")))["before"] is None


def test_days_of_other_levels_are_told_apart_by_their_limits():
    limit = {"limit_1db_bass_low": 93.0, "limit_1db_bass_high": 95.0, "limit_1db_bass": 94.0,
             "limit_1db_bass_state": "at", "top_db": 96.0}  # fmt: skip
    beyond = {"limit_1db_bass_state": "not reached", "limit_1db_bass_tested": 99.0, "top_db": 99.0}
    assert changed(limit, beyond) == "bass 1 dB behind 94.0 → not by 99 dB"
    assert changed(limit, {**beyond, "limit_1db_bass_tested": 94.0}) == WITHIN
    assert changed(limit, {"top_db": 99.0}) == "can't tell"


def test_a_library_asks_for_what_it_lends_to(tmp_path):
    needs = [
        {"need": need, "setup": "your seat", "answer": answer}
        for need, answer in (("relaxed music", "just"), ("film at reference level", "yes"))
    ]
    measured_on(tmp_path / "stage", "2026-05-04", needs=needs)
    run_of = tmp_path / "stage/.upheld/results/run.json"
    run_of.write_text(json.dumps({"parameters": {"seat_room": "small stage"}}))
    write_kept(tmp_path / "other", needs=needs)
    asked = "seat_film_at_reference_level = yes and use = stage and serial = lib-0107"
    asked += " and seat_room = small stage"
    assert names(tmp_path, asked) == ["stage"]
    run("archive", tmp_path)
    page = (tmp_path / "catalogue/index.html").read_text("utf-8")
    told = "oud enough for film at reference level; just loud enough for relaxed music."
    assert f"Small stage: l{told}" in page
    assert f"<p>L{told}" in page


def test_loudspeakers_come_by_name_the_newest_day_first_and_damaged_sessions_last(tmp_path):
    write_kept(tmp_path / "b old", name="B", date="2025-05-04")
    write_kept(tmp_path / "b new", name="b", date="2026-05-04")
    write_kept(tmp_path / "c", name="C")
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "session.toml").write_text("format = [")
    assert names(tmp_path) == ["b new", "b old", "c", "a"]


def test_what_is_wrong_with_a_session_is_one_line_and_loses_nothing(tmp_path):
    write_kept(tmp_path / "good")
    (write_kept(tmp_path / "cut") / ".upheld/results/results.json").write_text('{"bands": [')
    (write_kept(tmp_path / "moved") / "session.toml").unlink()
    write_kept(tmp_path / "no page", page=False)
    (write_kept(tmp_path / "half") / "captures" / "short-72-a.wav").unlink()
    write_session(tmp_path / "new")
    shutil.rmtree(write_session(tmp_path / "planned") / "captures")
    (write_session(tmp_path / "left out") / "captures" / "short-78.wav").unlink()
    (tmp_path / "torn").mkdir()
    (tmp_path / "torn" / "session.toml").write_text("format = [")
    index, _ = index_of(tmp_path)
    rows = {row["folder"]: row for row in index.rows()}
    assert {folder: row["state"] for folder, row in rows.items()} == {
        "good": "reported", "cut": "damaged", "moved": "reported", "no page": "reported",
        "half": "reported", "new": "no report", "planned": "planned", "left out": "damaged",
        "torn": "damaged",
    }  # fmt: skip
    for folder, words in {
        "cut": "damaged or half copied", "moved": "session.toml is not there",
        "no page": "out/report.html is not there", "half": "captures/short-72-a.wav is not there",
        "left out": "1 of 2 short-term recordings", "torn": "not valid TOML",
    }.items():  # fmt: skip
        assert words in rows[folder]["problem"]
        assert "\n" not in rows[folder]["problem"]
    assert rows["new"]["name"] == "Marram 12"
    assert rows["half"]["change_bass"] == rows["good"]["change_bass"]


@pytest.mark.parametrize(
    "text",
    ["[]", "null", "{}", '{"measured": 3}', "1e999", "[" * 100_000, '{"measured": {"space": []}}'],
)
def test_whatever_stands_in_place_of_results_makes_a_row(tmp_path, text):
    folder = write_kept(tmp_path / "s")
    (folder / ".upheld/results/results.json").write_text(text)
    row = row_of(folder, folder="s")
    assert row["state"] == "damaged"


@given(st.data())
@settings(max_examples=40)
def test_any_field_of_results_may_be_anything(tmp_path_factory, data):
    document = kept_results()
    key = data.draw(st.sampled_from(sorted(document)))
    junk = st.none() | st.integers() | st.floats() | st.text(max_size=5) | st.just([{}, []])
    document[key] = data.draw(junk | st.dictionaries(st.sampled_from(["name", "space"]), junk))
    folder = tmp_path_factory.mktemp("junk")
    (folder / "out" / "data").mkdir(parents=True)
    (folder / "out" / "data" / "results.json").write_text(json.dumps(document))
    row = row_of(folder, folder="s")
    kinds = {"text": str, "number": float | int, "limit": float | int}
    for name, column in COLUMNS.items():
        assert row[name] is None or isinstance(row[name], kinds[column.kind]), name


def test_names_from_outside_bend_no_line(tmp_path):
    for number, attack in enumerate(ATTACKS):
        write_kept(tmp_path / str(number), name=attack, verdict=attack.replace("\ud800", ""))
    folder = os.fsdecode(b"no text \xff\n \x1b[31m")
    write_kept(tmp_path / folder)
    index, _ = index_of(tmp_path)
    said = [str(row[name]) for row in index.rows() for name in ("name", "verdict", "folder")]
    assert not any(set(text) & {"\n", "\r", "\x00", "\x1b", "\ud800"} for text in said)
    assert folder in set(index.folders())
    for more in ([], ["--json"]):
        result = run("archive", tmp_path, *more)
        assert "\x1b" not in result.output


def test_only_sessions_that_changed_are_read_again(tmp_path, monkeypatch):
    write_many(tmp_path, 5)
    index_of(tmp_path)
    read = []
    row = row_of
    monkeypatch.setattr(
        "reportlib.many.index.row_of",
        lambda path, *, folder: (read.append(folder), row(path, folder=folder))[1],
    )
    before = (tmp_path / FOLDER / FILE).stat().st_mtime_ns
    first = names(tmp_path)
    assert not read
    assert (tmp_path / FOLDER / FILE).stat().st_mtime_ns == before
    shutil.rmtree(tmp_path / first[0])
    (tmp_path / first[1] / "out" / "report.html").unlink()
    write_kept(tmp_path / "new")
    assert set(names(tmp_path)) == {*first[1:], "new"}
    assert set(read) == {first[1], "new"}


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: path.write_bytes(b""), "damaged"),
        (lambda path: path.write_bytes(b"SQLite format 3\x00" + bytes(5000)), "damaged"),
        (lambda path: path.write_bytes(path.read_bytes()[:-9000]), "damaged"),
        (lambda path: spoilt(path, "UPDATE about SET layout = 'older'"), "of another version"),
        (lambda path: spoilt(path, "ALTER TABLE sessions ADD more"), "damaged"),
        (
            lambda path: spoilt(
                path,
                "CREATE TRIGGER t AFTER INSERT ON sessions BEGIN DELETE FROM sessions; END",
            ),
            "damaged",
        ),
    ],
    ids=["empty", "zeros", "cut", "version", "columns", "trigger"],
)
def test_an_index_that_can_t_be_believed_is_made_anew_with_a_line(tmp_path, spoil, words):
    write_many(tmp_path, 3)
    wanted = list(index_of(tmp_path)[0].rows())
    spoil(tmp_path / FOLDER / FILE)
    index, said = index_of(tmp_path)
    assert list(index.rows()) == wanted
    assert [words in line and line.endswith("made anew from the sessions.") for line in said] == [
        True
    ]
    assert index_of(tmp_path)[1] == []


def spoilt(path, sql):
    with sqlite3.connect(path) as connection:
        connection.execute(sql)
    connection.close()


def test_an_index_that_can_t_be_kept_is_said_and_the_list_is_there(tmp_path):
    write_many(tmp_path, 2)
    (tmp_path / FOLDER).symlink_to(tmp_path.parent)
    index, said = index_of(tmp_path)
    assert len(index) == 2
    assert len(said) == 1
    assert said[0].startswith("The index could not be kept")
    assert not (tmp_path.parent / FILE).exists()


@pytest.mark.parametrize(
    ("where", "found", "untold"),
    [
        ("limit_1db_mids > 95", {"at", "may be", "not by 99"}, 2),
        ("limit_1db_mids > 99", {"not by 99"}, 3),
        ("limit_1db_mids >= 95.5", {"at", "may be", "not by 99"}, 2),
        ("limit_1db_mids < 80", {"by"}, 1),
        ("limit_1db_mids < 96", {"at", "by"}, 2),
        ("limit_1db_mids = 95.5", {"at"}, 5),
        ("limit_1db_mids_state = not reached", {"not by 99", "not by 90"}, 1),
        ("limit_1db_mids_state = can't tell", {"cant"}, 0),
        ("limit_1db_mids_tested >= 99 dB", {"at", "by", "may be", "not by 99"}, 1),
    ],
)
def test_a_limit_that_is_no_level_still_answers(told, where, found, untold):
    """Worked by hand: beyond what was tested where not reached, below its high end where "by"."""
    index, _ = index_of(told)
    chosen = compile_filter(where)
    assert {row["folder"] for row in index.rows(chosen)} == found
    assert index.untold(chosen) == untold


def test_limits_are_said_as_reports_say_them(told):
    index, _ = index_of(told)
    said = {row["folder"]: limit_said(row, "limit_1db_mids") for row in index.rows()}
    assert said == {
        "at": "95.5", "by": "by 78", "may be": "perhaps by 99", "cant": "can’t tell",
        "not by 99": "not by 99", "not by 90": "not by 90",
    }  # fmt: skip
    assert (
        limit_said({"a_state": "between", "a_low": 93.2, "a_high": 99.3, "a_tested": 99.4}, "a")
        == "93–99.4"
    )  # never past what was tested
    first = {row["folder"]: first_behind(row, test="short_term") for row in index.rows()}
    assert first["at"] == "bass 95.5 dB"
    assert first["not by 99"] == "not by 99 dB"
    assert first["cant"] == "can’t tell"


# A second opinion on the filter: three-valued logic over Python values (Kleene's tables).
NUMBERS = ("distance_m", "warnings", "top_db")
WORDS = ("name", "space", "verdict")
SAMPLES = [
    {"distance_m": 1.0, "warnings": 0, "top_db": None, "name": "Marram 12", "space": None},
    {"distance_m": None, "warnings": 3, "top_db": 99.0, "name": "b", "verdict": "Holds."},
    {"distance_m": 2.5, "warnings": 1, "top_db": 90.0, "name": "B", "space": "room"},
]


def comparison():
    number = st.tuples(
        st.sampled_from(NUMBERS),
        st.sampled_from(["=", "!=", "<", "<=", ">", ">="]),
        st.sampled_from([0.0, 1.0, 2.5, 90.0, 99.0, -1.0]),
    )
    word = st.tuples(
        st.sampled_from(WORDS),
        st.sampled_from(["=", "!=", "has"]),
        st.sampled_from(["Marram 12", "b", "room", "or", "a (b", "and"]),
    )
    return number | word


FILTERS = st.recursive(
    comparison(),
    lambda part: st.tuples(st.sampled_from(["and", "or"]), st.lists(part, min_size=2, max_size=3)),
    max_leaves=6,
)


def written(part):
    if part[0] in ("and", "or"):
        return "(" + f" {part[0]} ".join(written(one) for one in part[1]) + ")"
    column, sign, value = part
    return f'{column} {sign} "{value}"' if isinstance(value, str) else f"{column} {sign} {value}"


def answer(part, row):
    if part[0] in ("and", "or"):
        found = [answer(one, row) for one in part[1]]
        decisive = part[0] == "or"
        if decisive in found:
            return decisive
        return None if None in found else not decisive
    column, sign, value = part
    held = row.get(column)
    if held is None:
        return None
    if isinstance(value, str):
        held, value = held.lower(), value.lower()
    return {
        "=": held == value, "!=": held != value, "has": isinstance(value, str) and value in held,
        "<": isinstance(value, float) and held < value,
        "<=": isinstance(value, float) and held <= value,
        ">": isinstance(value, float) and held > value,
        ">=": isinstance(value, float) and held >= value,
    }[sign]  # fmt: skip


@given(FILTERS)
def test_filters_answer_as_three_valued_logic_does(part):
    chosen = compile_filter(written(part))
    connection = sqlite3.connect(":memory:")
    columns = (*NUMBERS, *WORDS)
    connection.execute(f"CREATE TABLE sessions ({', '.join(columns)})")
    for row in SAMPLES:
        marks = ", ".join("?" * len(columns))
        connection.execute(
            f"INSERT INTO sessions VALUES ({marks})", [row.get(one) for one in columns]
        )
    found = connection.execute(f"SELECT {chosen.sql} FROM sessions", chosen.values).fetchall()
    connection.close()
    told = [None if one is None else bool(one) for (one,) in found]
    assert told == [answer(part, row) for row in SAMPLES]


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("limit_1db_mid > 95", "no column 'limit_1db_mid'; the nearest is limit_1db_mids"),
        ("limit_1db_mids > loud", "is a number, and 'loud' is none; for words ask .*_state"),
        ("distance_m = nan", "is a number, and 'nan' is none"),
        ("grade_bass = hold", "is one of holds, slips, falls short"),
        ("grade_bass > holds", "compare it by = or !="),
        ("name", "behind name stands no ="),
        ("name =", "name is compared with nothing"),
        ("name = a and", "a column is expected"),
        ("(name = a", "a parenthesis is not closed"),
        ("name = a)", r"'\)' is not expected there"),
        ("", "a column is expected"),
        ("(" * 60 + "name = a" + ")" * 60, "parentheses"),
        ("name = a or " * 400 + "name = b", "longer than 4000 characters"),
        ("name = 'x'; DROP TABLE sessions", "can't be read"),
        ('name = "x', "can't be read"),
    ],
)
def test_a_filter_that_is_none_is_one_line(where, words):
    with pytest.raises(ArchiveError, match=words) as found:
        compile_filter(where)
    assert "\n" not in str(found.value)


@given(st.text(max_size=60) | st.sampled_from(ATTACKS))
def test_no_value_ever_becomes_sql(text):
    """Whatever is asked for stands among the parameters; the expression holds known names only."""
    quoted = text.replace('"', "")
    chosen = compile_filter(f'name has "{quoted}" and distance_m < 2')
    assert chosen.values == (quoted.lower(), 2.0)
    assert chosen.sql == compile_filter('name has "x" and distance_m < 2').sql
    with contextlib.suppress(ArchiveError):
        assert set(compile_filter(text).columns) <= set(COLUMNS)


def test_the_list_shows_the_columns_asked_for_and_what_can_t_be_told(told):
    result = run("archive", told, "--where", "limit_1db_mids > 95")
    assert result.stdout.splitlines()[0].split()[-1] == "limit_1db_mids"
    assert result.stdout.splitlines()[-1] == "3 of 6 sessions. Of 2 more it can’t be told."
    assert not (told / "catalogue").exists()


def test_the_list_as_json_holds_every_column(told):
    result = run("archive", told, "--json", "--no-catalogue")
    document = json.loads(result.stdout)
    assert (document["all"], document["cant_tell"]) == (6, 0)
    assert all(list(row) == list(COLUMNS) for row in document["sessions"])


def test_a_folder_that_is_none_is_one_line_and_nothing_is_made(tmp_path):
    result = run("archive", tmp_path / "nowhere", code=2)
    assert "there is no such folder" in result.stderr
    assert run("archive", tmp_path).stdout == "0 sessions.\n"
    assert list(tmp_path.iterdir()) == []


def test_the_columns_are_listed_without_a_folder():
    result = run("archive", "--columns")
    assert [line.split()[0] for line in result.stdout.splitlines()] == list(COLUMNS)
