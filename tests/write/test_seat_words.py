"""The seat and the ear in words and tables: what is said is what was answered."""

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis

from reportlib.draw import tables
from reportlib.draw.wordings import narrative_templates
from reportlib.judge.analysis import listeners
from reportlib.judge.exposure import exposures
from reportlib.session.parameters import checked_parameters, merged_parameters
from reportlib.write import facts, report


def at(parameters=None, **day):
    """Return an analysis as `conclude` makes it for these parameters."""
    chosen = checked_parameters(session=".", **(parameters or {}))
    analysis = make_analysis(**day)
    found = listeners(
        analysis.session,
        baseline=analysis.baseline,
        curves=analysis.short_term,
        steps=analysis.drive_steps,
        bands=analysis.bands,
        parameters=chosen,
    )
    return replace(analysis, **{name: getattr(found, name) for name in vars(found)}), chosen


def drafts(analysis, parameters):
    made = report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=parameters,
    )
    return {slot: re.sub(r"\]\(#[^)]+\)", "]", text) for slot, text in made.items()}


def said(parameters=None, **day):
    return drafts(*at(parameters, **day))


def no_change(frequency_hz, rise_db):
    return np.zeros_like(frequency_hz)


def no_warming(frequency_hz, rise_db, elapsed_s):
    return np.zeros_like(frequency_hz)


def everything(frequency_hz, rise_db):
    return np.full_like(frequency_hz, -0.3 * rise_db)


HOLDS = {"change": no_change, "warming": no_warming}


def test_the_answer_comes_first_and_stands_in_the_opening_too():
    text = said(**HOLDS)
    answer = text["at-your-seat"].split("\n\n")[1]
    assert answer == (
        "At your seat, 3 m from a pair of them in a living room, Trivet 6 is loud enough for "
        "speech and television and for relaxed music; for loud music and film at reference level "
        "it was not tested loud enough."
    )
    assert "pair: loud enough for speech and television and for relaxed music" in text["in-short"]


def test_the_words_are_those_of_the_answers():
    analysis, _ = at(**HOLDS)
    own = {one.need: one.answer for one in analysis.needs if one.setup == "your seat"}
    assert own == {
        "speech and television": "yes", "relaxed music": "yes", "loud music": "not tested",
        "film at reference level": "not tested",
    }  # fmt: skip
    table = tables.need_table(analysis)
    assert [dict(zip(table.columns, row, strict=True))["your seat"] for row in table.rows] == list(
        own.values()
    )


def test_what_is_not_loud_enough_is_said_with_the_band_and_the_least_of_it():
    """3 dB lost every 10 dB: what relaxed music asks for is missing by more than 3 dB."""
    text = said({"seat_room": "film night in a hall"}, change=everything)["at-your-seat"]
    assert "not loud enough for relaxed music" in text
    least = float(re.search(r"would come out at least \[([\d.]+) dB\] short in peaks", text)[1])
    assert least > 3.0


def test_a_seat_that_cannot_be_told_names_the_band():
    text = said(noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 150.0), **HOLDS)
    assert "whether Trivet 6 is loud enough for speech" in text["at-your-seat"]
    assert "What the bass loses at such levels can't be told" in text["at-your-seat"]
    assert "the rest would do" in text["at-your-seat"]


def test_without_a_long_term_test_only_the_peaks_are_answered():
    text = said(long_term_levels_db=(), change=no_change)["at-your-seat"]
    assert "reaches the peaks of speech and television and of relaxed music" in text
    assert "is loud enough" not in text


def test_where_nothing_arrives_that_can_be_told_no_level_is_named():
    text = said(noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 20000.0))
    assert "What arrives at a seat can't be told" in text["at-your-seat"]
    assert "Played without a pause" not in text["care"]


def test_the_method_lists_its_inputs():
    own = {"seat_room": "small stage", "seat_volume_m3": 250.0, "seat_reverberation_s": 1.1}
    text = said(own | {"seat_loudspeakers": 3}, **HOLDS)["at-your-seat"]
    for part in (
        "6 m from three of them in front of a small stage", "250 m³", "1.1 s", "give or take 2 dB",
        "10·lg 3 dB more for 3 loudspeakers",
    ):  # fmt: skip
        assert part in text
    assert "Below about 270 Hz" in text  # 2·2000·√(1.1/250) = 265 Hz, to two digits


def test_both_methods_stand_in_the_table_and_span_what_is_quoted():
    analysis, _ = at(**HOLDS)
    known = facts.collect(analysis)
    sum_low, room_high = known["seat.99.sum-low"], known["seat.99.room-high"]
    assert known["seat.99.low"].value == min(sum_low.value, known["seat.99.room-low"].value)
    assert known["seat.99.high"].value == max(room_high.value, known["seat.99.sum-high"].value)
    rows = tables.seat_table(analysis).rows
    assert [row[1] for row in rows[:2]] == ["trade’s sum", "Hopkins–Stryker"]
    assert len(rows) == 8


def test_every_quoted_fact_of_the_slots_has_its_row():
    analysis, parameters = at(**HOLDS)
    made = report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=parameters,
    )
    anchors = " ".join(
        anchor
        for table in (
            tables.need_table(analysis), tables.seat_table(analysis),
            tables.exposure_table(analysis), tables.band_table(analysis),
        )
        for anchor in table.anchors
    ).split()  # fmt: skip
    assert len(anchors) == len(set(anchors))
    quotes = re.findall(
        r"#(fact-(?:seat|exposure|need)\.[^)]+)", made["at-your-seat"] + made["care"]
    )
    assert quotes
    rowless = {"fact-need.tested-to", "fact-need.played-to"}
    assert set(quotes) - rowless <= set(anchors)


def test_care_names_the_three_rules_and_what_they_are_for():
    text = said(**HOLDS)["care"]
    for part in ("NIOSH’s limit for work", "written for personal players", "OSHA’s rule for work",
                 "not made for life outside work", "if the asked-for levels were met",
                 "hearing specialist", "Local rules"):  # fmt: skip
        assert part in text


def test_care_says_what_the_day_was_to_whoever_stayed():
    analysis, parameters = at(**HOLDS)
    text = drafts(analysis, parameters)["care"]
    assert "Whoever stayed beside the microphone during this test, 1 m from" in text
    loud = replace(analysis.day_dose, niosh_percent=230.0)
    text = drafts(replace(analysis, day_dose=loud), parameters)["care"]
    assert "more than a whole working day" in text
    endless = replace(analysis.day_dose, niosh_percent=float("inf"), weekly_percent=float("inf"))
    text = drafts(replace(analysis, day_dose=endless), parameters)["care"]
    assert "more than a whole working day" in text


@pytest.mark.parametrize(
    ("level_dba", "words"),
    [
        (60.0, "too quiet to use up NIOSH’s limit"),
        (80.0, "used up in [40 h] of it"),
        (97.0, "a day’s sound in [30 min]"),
        (116.0, "would allow no time at all a day"),
    ],
)
def test_care_fits_the_level_at_the_seat(level_dba, words):
    analysis, parameters = at(**HOLDS)
    own = exposures(level_dba, basis="assumed", heard="your seat", asked_db=99.0)
    others = [one for one in analysis.exposure if one.heard != "your seat"]
    assert words in drafts(replace(analysis, exposure=(*own, *others)), parameters)["care"]


def test_tables_write_times_as_they_are_read():
    analysis, _ = at(**HOLDS)
    rows = {row[0]: row[1:] for row in tables.exposure_table(analysis).rows}
    assert rows["loud music"] == ("85 dBA", "8 h", "12 h", "16 h")
    assert rows["relaxed music"] == ("75 dBA", "all day", "120 h", "all day")
    # 85 dBC of pink sound are 85 + 1.23 − 2.99 = 83.24 dBA, rounded up
    assert rows["film at reference level"][0] == "84 dBA"


def test_a_new_room_brings_its_own_values():
    remembered = {"seat_room": "small stage", "seat_volume_m3": 250.0, "smoothing_fraction": 6}
    assert merged_parameters(remembered, {"seat_room": "kitchen desk"}) == {
        "seat_room": "kitchen desk", "smoothing_fraction": 6,
    }  # fmt: skip
    assert merged_parameters(remembered, {"seat_distance_m": 2.0})["seat_volume_m3"] == 250.0
    assert merged_parameters(remembered, {"seat_room": "small stage"}) == remembered
