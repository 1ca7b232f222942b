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

from reportlib.draw.wordings import narrative_templates, said
from reportlib.many import tables as many_tables
from reportlib.many.drawing import caption_at_equal_output, caption_beside_limits
from reportlib.many.facts import band_verdicts, comparison_facts
from reportlib.many.records import Parting, Ranking, Standing
from reportlib.many.tables import CSV_COLUMNS, comparison_csv, comparison_json
from reportlib.many.tracks import needs_of
from reportlib.many.words import SLOTS, draft_comparison
from reportlib.measure.levels import BANDS
from reportlib.write import quotes
from reportlib.write.data import results_schema

TABLES = (
    "standing_table",
    "equal_output_table",
    "limits_table",
    "needs_table",
    "abilities_table",
    "seats_table",
    "not_comparable_table",
    "measured_table",
)
_QUOTE = re.compile(r"\[([^\]]+)\]\(#fact-([^)]+)\)")


@cache
def drafts(case):
    report = comparison(case)
    return draft_comparison(report, facts=comparison_facts(report), templates=narrative_templates())


@cache
def known_of(case):
    return comparison_facts(comparison(case))


@cache
def tables(case):
    found = [getattr(many_tables, name)(comparison(case)) for name in TABLES]
    return [table for table in found if table is not None]


@pytest.mark.parametrize("case", CASES)
def test_every_company_gets_a_draft_for_every_slot(case):
    found = drafts(case)
    assert tuple(found) == SLOTS
    for text in found.values():
        assert text.startswith("## ")
        body = text.split("\n", 1)[1].strip()
        assert len(body.split()) >= 5
        assert "{{" not in text
        assert "None" not in text
        assert not re.search(r"\b(nan|inf)\b", text.lower())
        assert not re.search(r"(?<![\w(-])-\d", text.replace("](#fact-", "]"))
        assert "  " not in body
        assert ". ." not in body
        assert ".." not in body


@pytest.mark.parametrize("case", CASES)
def test_every_quoted_fact_exists_is_written_as_it_is_and_stands_in_a_row(case):
    known = known_of(case)
    anchors = {one for table in tables(case) for row in table.anchors for one in row.split()}
    for text in drafts(case).values():
        for written, name in _QUOTE.findall(text):
            assert written == quotes.written(known[name])
            assert f"fact-{name}" in anchors, name


@pytest.mark.parametrize("case", CASES)
def test_measured_numbers_are_quoted_never_typed(case):
    for text in drafts(case).values():
        bare = _QUOTE.sub("", text)
        assert set(re.findall(r"(\d+\.\d+) dB", bare)) <= {"0.5", "72.5", "96.5", "95.5"}


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


def ranked(*, apart_db, half_db, loss_db=2.0, loss_half_db=0.1):
    """Return what a comparison says of one pair in the bass: B is behind A by so much."""
    low, high = -loss_db - loss_half_db, -loss_db + loss_half_db
    places = ("A", apart_db - loss_db, None, None), ("B", -loss_db, low, high)
    least = apart_db - half_db
    ranking = Ranking(
        question="equal output", band="bass", low_hz=40.0, high_hz=160.0, at_db=96.0,
        standings=tuple(
            Standing(name=name, value_db=value, low_db=low, high_db=high, best_place=1,
                     worst_place=2)
            for name, value, low, high in places
        ),
        partings=(Parting(better="A", worse="B", apart_db=apart_db, least_db=least),)
        if least > 0.0 else (),
    )  # fmt: skip
    return band_verdicts(replace(comparison("two"), rankings=(ranking,)), "equal output")[0]


def test_across_an_edge_a_comparison_says_may():
    surely = ranked(apart_db=0.9, half_db=0.3999)
    hardly = ranked(apart_db=0.9, half_db=0.4001)
    assert (surely.kind, surely.sure) == ("gives in", True)
    assert (hardly.kind, hardly.sure) == ("gives in", False)
    assert (surely.worst, surely.better) == (hardly.worst, hardly.better)
    # by how much they part, and what the worse one loses, may both be too little to name
    assert ranked(apart_db=0.3, half_db=0.2001).kind == "gives in"
    assert ranked(apart_db=0.3, half_db=0.1999).kind == "small"
    assert not ranked(apart_db=0.3, half_db=0.2001).sure
    lost = [
        ranked(apart_db=2.0, half_db=0.1, loss_db=loss) for loss in (0.399, 0.401, 0.599, 0.601)
    ]
    assert [one.kind for one in lost] == ["differs", "gives in", "gives in", "gives in"]
    assert [one.sure for one in lost] == [True, False, False, True]


def test_no_band_comes_first_whose_interval_overlaps():
    near = ranked(apart_db=1.0, half_db=0.2)
    assert ranked(apart_db=1.5, half_db=0.2).most_of([near])
    assert not ranked(apart_db=1.3, half_db=0.2).most_of([near])
    said = {
        case: drafts(case)["in-short"] for case in ("gives out", "bass and treble part otherwise")
    }
    assert "first, for example in the mids: at" in said["gives out"]
    assert (
        "in the bass and treble first, too close to call between them; in the bass: "
        in (said["bass and treble part otherwise"])
    )


def verdict(case):
    text = drafts(case)["in-short"].split("\n\n")[1]
    return _QUOTE.sub(r"\1", text)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("two", r"^In the bass, Trivet 6 may give in first: at 9\d dB it is \d\.\d dB behind, "
                r"Marram 12 \d\.\d dB; from the low mids up it is too close to call\.$"),
        ("three", r"^In the bass, Samphire 3 gives in first: .*Marram 12 .* and Trivet 6"),
        ("eight", r"^In the bass, Glasswort 15 on its tall stand .* the others \d.\d dB to"),
        ("twins", "^Between Trivet 6 “folder-0” and Trivet 6 “folder-1” it "
                  "is too close to call in every band"),
        ("too close to call", "^Between Marram 12, Trivet 6 and Samphire 3 it is too close"),
        ("small but sure", r"may give in first, for example .* 0.6 dB behind, Marram 12 0.2"),
        ("gains", r"In every band, Marram 12 gives more than Trivet 6 for the same volume, "
                  "for example in the treble 1.7 dB"),
        ("bass and treble part otherwise", r"In the bass, Marram 12 gives in first: .*"
                                           r"In the treble, Trivet 6 gives in first: "),
        ("one in a room", "Samphire 3 takes no place"),
        ("one from text", "Samphire 3 takes no place"),
        ("all in rooms", r"can’t be compared. A level does not mean the same"),
        ("baseline above another's top", r"can’t be compared. Trivet 6 gave no output as high"),
        ("one behind a short gate", "In the bass, Trivet 6 may give in first: "),
        ("all in noise", "can’t be compared. .* says nothing of the bass"),
        ("gives out", "^In every band, Trivet 6 gives in first, for example in the "),
        ("no levels", "can’t be compared. Marram 12 was not turned up above its baseline"),
    ],
)  # fmt: skip
def test_the_verdict_says_what_the_comparison_was(case, words):
    assert re.search(words, verdict(case)), verdict(case)


def test_the_verdict_names_nobody_whom_the_intervals_do_not_part():
    """One of three is told from neither: it is said, not ordered."""
    text = verdict("not transitive")
    first = next(one for one in band_verdicts(comparison("not transitive"), "equal output"))
    assert first.kind == "gives in"
    assert first.worst[0] == "Samphire 3"
    assert first.unsure == ("Trivet 6",)
    assert "where Trivet 6 would stand between them can’t be told" in text
    for name in first.better:
        pairs = {(p.better, p.worse) for p in first.ranking.partings}
        assert (name, "Samphire 3") in pairs


def test_what_gives_out_is_said_with_what_it_gave_and_was_asked_for():
    text = _QUOTE.sub(r"\1", drafts("gives out")["at-equal-output"])
    assert re.search(r"Trivet 6 9\d\.\d dB \(asked for 99 dB\)", text)
    assert text.count("asked for 99") == len(BANDS)


def test_counting_from_a_louder_baseline_is_said():
    text = _QUOTE.sub(r"\1", drafts("louder baseline")["at-equal-output"])
    assert "counted from 84 dB, the loudest baseline of these" in text
    assert "counted from" not in drafts("two")["at-equal-output"]


def test_stress_heard_while_it_played_is_compared_with_its_like():
    text = drafts("heard while playing")["left-playing"]
    assert "while it still played" in text
    assert "**Presence range**" in text


def test_without_stress_nothing_is_said_about_it():
    text = drafts("no stress")
    assert "Not one of these sessions was left playing" in text["left-playing"]
    assert "none of them was left playing" in text["in-short"]


def test_hostile_names_stay_text():
    for text in drafts("names of all kinds").values():
        assert "<b>" not in text.replace(r"\<b\>", "")
        assert "[Trivet](" not in text


def test_care_is_taken_as_in_every_report():
    text = drafts("two")["care"]
    for words in (
        "hearing protection",
        "Local rules and qualified people",
        "Never leave a loudspeaker playing",
    ):
        assert words in text


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
    if own is None:
        assert by_seat is None or all(row[0] != "your seat" for row in by_seat.rows)
        return
    answers = {
        (what, name): answer
        for where, what, *cells in by_seat.rows
        if where == "your seat"
        for name, answer in zip(by_seat.columns[2:], cells, strict=True)
        if answer
    }
    assert {(what, name): enough for what, name, enough, *_ in own.rows} == answers
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


def test_who_gains_where_another_loses_elsewhere_is_not_said_to_be_ahead_in_every_band():
    text = verdict("one gains, one loses")
    assert "In every band" not in text
    assert "Trivet 6 gives in first" in text
    assert "Marram 12 gives" in text


def test_a_caption_names_the_most_also_where_nobody_falls_behind():
    text = caption_at_equal_output(comparison("gains"), said=said)
    assert re.match("They part, (most|for example) in the ", text)
    assert "In no band" not in text


def test_levels_of_stress_keep_their_half_decibels():
    text = _QUOTE.sub(r"\1", drafts("stress at half decibels")["in-short"])
    assert "at 92.5 dB" in text
    assert "at 92 dB" not in text


@pytest.mark.parametrize(
    ("case", "own"), [("two", False), ("one in a room", True), ("all in rooms", True)]
)
def test_limits_on_scales_of_their_own_are_said_to_be(case, own):
    assert ("own scale of level" in caption_beside_limits(comparison(case), said=said)) == own
