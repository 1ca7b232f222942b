"""What a comparison says: drafts, facts, tables and data files, for every kind of company."""

import csv
import io
import json
import re
from dataclasses import replace
from functools import cache

import jsonschema
import pytest
from builders import make_analysis
from side_by_side import CASES, comparison
from stressed import make_playing

from reportlib.draw.wordings import said
from reportlib.many import tables as many_tables
from reportlib.many.drawing import caption_beside_limits
from reportlib.many.facts import comparison_facts
from reportlib.many.tables import CSV_COLUMNS, comparison_csv, comparison_json
from reportlib.many.tracks import needs_of
from reportlib.write.data import results_schema

TABLES = (
    "standing_table",
    "equal_output_table",
    "limits_table",
    "needs_table",
    "abilities_table",
    "seats_table",
    "measured_table",
)
_QUOTE = re.compile(r"\[([^\]]+)\]\(#fact-([^)]+)\)")


@cache
def known_of(case):
    return comparison_facts(comparison(case))


@cache
def tables(case):
    found = [getattr(many_tables, name)(comparison(case)) for name in TABLES]
    return [table for table in found if table is not None]


@pytest.mark.parametrize("case", CASES)
def test_tables_are_even_and_their_anchors_unique(case):
    seen = []
    for table in tables(case):
        assert all(len(row) == len(table.columns) for row in table.rows)
        assert not table.anchors or len(table.anchors) == len(table.rows)
        assert not table.numeric or len(table.numeric) == len(table.columns)
        assert all(isinstance(cell, str) and "None" not in cell for r in table.rows for cell in r)
        assert not any(re.search(r"\b(nan|inf)\b", cell) for row in table.rows for cell in row)
        seen += [one for row in table.anchors for one in row.split()]
    assert len(seen) == len(set(seen))


@pytest.mark.parametrize("case", CASES)
def test_every_fact_in_a_row_stands_in_one_that_is_there(case):
    anchors = {one for table in tables(case) for row in table.anchors for one in row.split()}
    for name, fact in known_of(case).items():
        assert re.fullmatch(r"[\w.-]+", name)  # as quotes are found in prose
        if fact.row:
            assert {fact.row, f"fact-{name}"} <= anchors, name


def test_the_csv_is_tidy_and_holds_every_session_at_every_output():
    report = comparison("three")
    rows = list(csv.reader(io.StringIO(comparison_csv(report))))
    assert tuple(rows[0]) == CSV_COLUMNS
    keys = [(row[0], row[3], row[4]) for row in rows[1:]]
    assert len(set(keys)) == len(keys) == len(report.points)
    assert {row[4] for row in rows[1:]} == set(report.names)
    for row in rows[1:]:
        assert all(re.fullmatch(r"-?\d+\.\d{4}|", cell) for cell in (*row[1:4], *row[6:10]))
        assert row[5] == "given" or not row[6]


@pytest.mark.parametrize(
    ("name", "written"),
    [
        *((f"{sign}1+1", f"'{sign}1+1") for sign in "=+-@＝"),
        (' =HYPERLINK("//a.example")', '\' =HYPERLINK("//a.example")'),
        ("Marram;=1+1", "Marram;'=1+1"),
        ("Marram =12 -6 dB", "Marram =12 -6 dB"),
    ],
)
def test_no_name_is_a_formula_in_a_spreadsheet(name, written):
    report = comparison("three")
    report = replace(report, points=tuple(replace(one, name=name) for one in report.points))
    rows = list(csv.DictReader(io.StringIO(comparison_csv(report))))
    assert {row["session"] for row in rows} == {written}
    assert json.loads(comparison_json(report, tool_version=""))["equal_output"][0]["name"] == name


@pytest.mark.parametrize("case", CASES)
def test_the_json_is_strict_and_repeats(case):
    report = comparison(case)
    text = comparison_json(report, tool_version="1.2")
    found = json.loads(text, parse_constant=lambda name: pytest.fail(name))
    assert text == comparison_json(report, tool_version="1.2")
    assert [one["name"] for one in found["sessions"]] == list(report.names)
    assert len(found["rankings"]) == len(report.rankings)
    for one in found["equal_output"]:
        if one["change_db"] is not None:
            assert one["driven_db"] + one["change_db"] == pytest.approx(one["output_db"], abs=2e-6)


@pytest.mark.parametrize("case", CASES)
def test_need_stands_against_ability_with_the_same_answers_as_at_every_seat(case):
    report = comparison(case)
    by_seat, own = (
        getattr(many_tables, name)(report) for name in ("needs_table", "abilities_table")
    )
    if own is None or by_seat is None:
        assert by_seat is None or all(row[0] != "your seat" for row in by_seat.rows)
        return
    answers = {
        (what, name): answer
        for where, what, *cells in by_seat.rows
        if where == "your seat"
        for name, answer in zip(by_seat.columns[2:], cells, strict=True)
        if answer
    }
    answered = {(what, name): enough for what, name, enough, *_ in own.rows}
    assert {key: enough for key, enough in answered.items() if key in answers} == answers
    left_out = {what for what, _ in answered.keys() - answers.keys()}
    assert {answered[key] for key in answered if key[0] in left_out} <= {"not tested"}
    assert [what for what, *_ in own.rows] == sorted(
        (what for what, *_ in own.rows),
        key=list(dict.fromkeys(what for what, *_ in own.rows)).index,
    )


def test_the_band_that_loses_the_most_is_the_one_with_the_highest_end_of_all():
    analysis = make_analysis(playing=(make_playing(),))
    found = needs_of(analysis, name="Trivet 6")
    assert len(found) == len(analysis.needs) > 0
    for beside, need in zip(found, analysis.needs, strict=True):
        highs = {
            band.band: max(
                (
                    loss
                    for loss in (band.peak_loss_high_db, band.average_loss_high_db)
                    if loss is not None
                ),
                default=None,
            )
            for band in need.bands
        }
        known = {band: high for band, high in highs.items() if high is not None}
        if not known:
            assert beside.weakest_band is None
            continue
        assert beside.loss_high_db == max(known.values())
        assert known[beside.weakest_band] == beside.loss_high_db


def test_the_schema_is_one_and_describes_all_that_a_comparison_may_say():
    schema = results_schema("comparison")
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for case in CASES:
        validator.validate(json.loads(comparison_json(comparison(case), tool_version="1.2")))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("needs", 0, "answer"), "perhaps"),
        (("rankings", 0, "question"), "by price"),
        (("sessions", 0, "space"), None),
        (("limits", 0, "shelf"), "B 2"),
        (("kind",), "report"),
    ],
)
def test_the_schema_refuses_what_no_comparison_says(place, value):
    document = json.loads(comparison_json(comparison(next(iter(CASES))), tool_version="1.2"))
    *way, last = place
    inner = document
    for step in way:
        inner = inner[step]
    inner[last] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, results_schema("comparison"))


def test_a_session_stands_in_one_ranking_of_a_band_whatever_its_stages_heard():
    ranked = comparison("one stage heard otherwise").ranked("left playing")
    bands = [ranking.band for ranking in ranked]
    assert bands
    assert len(bands) == len(set(bands))


@pytest.mark.parametrize(
    ("case", "own"), [("two", False), ("one in a room", True), ("all in rooms", True)]
)
def test_limits_on_scales_of_their_own_are_said_to_be(case, own):
    assert ("own scale of level" in caption_beside_limits(comparison(case), said=said)) == own
