"""Why, seat, care and how it was measured: what any day's words obey, and what single days say."""

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import judged, make_analysis
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from invented import bump
from one_text import broken
from stressed import make_playing

from reportlib.draw import tables
from reportlib.draw.wordings import narrative_templates
from reportlib.judge.analysis import listeners
from reportlib.judge.exposure import exposures
from reportlib.session.parameters import checked_parameters, merged_parameters
from reportlib.session.records import QualityNote
from reportlib.write import facts, report


def at(parameters=None, **day):
    """Return an analysis as `conclude` makes it for these parameters."""
    return seated(make_analysis(**day), checked_parameters(session=".", **(parameters or {})))


def drafts(analysis, parameters):
    return report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=parameters,
    )


def marked(drafts):
    """Return drafts whose quotes are bracketed, without what they link to."""
    return {slot: re.sub(r"\]\(#[^)]+\)", "]", text) for slot, text in drafts.items()}


def said(parameters=None, **day):
    return marked(drafts(*at(parameters, **day)))


def no_change(frequency_hz, rise_db):
    return np.zeros_like(frequency_hz)


def no_warming(frequency_hz, rise_db, elapsed_s):
    return np.zeros_like(frequency_hz)


def everything(frequency_hz, rise_db):
    return np.full_like(frequency_hz, -0.3 * rise_db)


HOLDS = {"change": no_change, "warming": no_warming}
NOISE = dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 150.0)


LAWS = (
    lambda f, x: np.zeros_like(f),
    lambda f, x: -5.0 * x**2 * bump(f, 60.0, octaves=0.6),
    lambda f, x: -4.0 * x**3 + 0.0 * f,
    lambda f, x: -np.maximum(0.0, 2.0 * np.sin(np.log2(f / 100.0)) + 27.0 * x - 24.0),
    lambda f, x: 3.0 * x**2 * bump(f, 400.0, octaves=0.2),
    lambda f, x: -3.0 * x**2 * bump(f, 1000.0, octaves=0.1),
    lambda f, x: 1.2 * (0.8 < x < 0.95) * np.sin(2.0 * np.pi * f * 1.5e-3) * (f < 5000.0),
    lambda f, x: -1.5 * (0.6 < x < 0.7) + 0.0 * f,
    lambda f, x: -2.0 * x**2 / (1.0 + (f / 60.0) ** 4),
    lambda f, x: -1.5 * (f < 200.0) * (1.0 - x / 2.0),
)  # fmt: skip
"""What a loudspeaker or its microphone may do, over frequency and the share of 27 dB."""


DAYS = st.fixed_dictionaries(
    {
        "laws": st.lists(st.integers(0, len(LAWS) - 1), min_size=1, max_size=3, unique=True),
        "size": st.floats(0.2, 2.0),
        "warm": st.sampled_from((0.0, 0.6, 1.5, 4.0)),
        "from_hz": st.sampled_from((0.0, 200.0, 2600.0)),
        "levels": st.sampled_from(((78.0, 84.0, 90.0, 96.0, 99.0), (84.0, 99.0), (90.0, 93.0))),
        "noise_hz": st.sampled_from((0.0, 0.0, 0.0, 150.0, 700.0, 20000.0)),
        "played": st.sampled_from(("not", "swept", "heard", "coil")),
        "notes": st.sets(st.sampled_from(("clipped", "microphone-moved", "noise-burst"))),
        "u95_db": st.sampled_from((0.05, 0.2, 0.6)),
        "steps_off_db": st.sampled_from((None, 0.0, 0.7)),
        "source": st.sampled_from(("sweep", "sweep", "text")),
        "reference_at": st.sampled_from(("terminals", "loop-back", None)),
        "space": st.sampled_from(("free field", "gated", "room")),
        "drive": st.sampled_from(("active", "passive")),
        "crossovers_hz": st.sampled_from(((), (2600.0,), (450.0, 3000.0))),
        "calibrated": st.booleans(),
        "drift_db": st.sampled_from((None, 0.4)),
        "room": st.sampled_from(("living room", "film night in a hall", "small stage")),
        "loudspeakers": st.sampled_from((None, 1, 4)),
    }
)
"""What changes, how surely, what was recorded, and where the reader sits."""


def day_of(drawn):
    laws = [LAWS[one] for one in drawn["laws"]]
    analysis = make_analysis(
        change=lambda f, rise: drawn["size"] * sum(law(f, rise / 27.0) for law in laws),
        warming=lambda f, rise, s: (
            -drawn["warm"] * 10.0 ** ((rise - 20.0) / 10.0) * (f > drawn["from_hz"])
        ),
        levels_db=drawn["levels"],
        long_term_levels_db=() if drawn["played"] == "not" else (82.0, 92.0),
        playing=[make_playing(with_coil=drawn["played"] == "coil")]
        if drawn["played"] in ("heard", "coil")
        else [],
        noise_below_hz=dict.fromkeys(drawn["levels"], drawn["noise_hz"]),
        band_u95_db=drawn["u95_db"],
        measured_steps=drawn["reference_at"] is not None and drawn["steps_off_db"] is not None,
        source=drawn["source"],
        quality=[
            QualityNote(code=code, severity="warning", capture="a", message="So it is.")
            for code in sorted(drawn["notes"])
        ],
    )
    session, place = analysis.session, drawn["reference_at"]
    rig = replace(session.rig, reference_at=place, space=drawn["space"])
    channels = session.channels if place else replace(session.channels, reference=None)
    speaker = replace(session.speaker, drive=drawn["drive"], crossovers_hz=drawn["crossovers_hz"])
    steps = [
        one
        if one.measured_db is None
        else replace(one, measured_db=one.asked_db - drawn["steps_off_db"])
        for one in analysis.drive_steps
    ]
    analysis = replace(
        analysis,
        session=replace(session, rig=rig, channels=channels, speaker=speaker),
        drive_steps=tuple(steps),
        baseline=replace(analysis.baseline, calibrated=drawn["calibrated"]),
        drift_db=drawn["drift_db"],
    )
    seat = {"seat_room": drawn["room"], "seat_loudspeakers": drawn["loudspeakers"]}
    return seated(judged(analysis), checked_parameters(session=".", **seat))


def seated(analysis, parameters):
    found = listeners(
        analysis.session,
        baseline=analysis.baseline,
        curves=analysis.short_term,
        steps=analysis.drive_steps,
        bands=analysis.bands,
        parameters=parameters,
    )
    return replace(analysis, **{name: getattr(found, name) for name in vars(found)}), parameters


@given(DAYS)
@settings(max_examples=30, phases=[Phase.generate])
def test_what_the_words_of_any_day_obey(drawn):
    analysis, parameters = day_of(drawn)
    found = drafts(analysis, parameters)
    assert not broken(analysis, found), found
    off = drawn["steps_off_db"] if drawn["reference_at"] else 0.0
    assert ("The step to" in found["how-measured"]) == bool(off)
    assert ("moved by up to [0.4 dB]" in marked(found)["how-measured"]) == bool(drawn["drift_db"])


@pytest.mark.parametrize(
    ("day", "slot", "words"),
    [
        (HOLDS, "at-your-seat", "Loud music needs peaks of up to [104 dB] from each loudspeaker;"
         " the sweeps ended at [99 dB]."),
        (HOLDS, "at-your-seat", "arrives 3 m from a pair in a living room."),
        ({"change": everything}, "at-your-seat", "peaks of up to [82 dB] from each loudspeaker; the"
         " mids may then be up to ["),
        ({"noise_below_hz": NOISE | {99.0: 150.0}, **HOLDS}, "at-your-seat", "in the bass can't be"
         " told: noise covers too much."),
        ({"noise_below_hz": dict.fromkeys(NOISE, 20000.0)}, "at-your-seat", "What arrives at a seat"
         " can't be told: noise covers too much."),
        ({"levels_db": (), **HOLDS}, "at-your-seat", "only the baseline was measured"),
        (HOLDS, "how-sure", "[92 dB] to [95 dB], 6 dB less with every doubling, 3 dB more for"),
        ({"playing": [make_playing(with_coil=True)]}, "why", "By its resistance the coil (from 2.6"
         " kHz) warmed by [46 °C] (± [4 °C]). That alone costs [1.4 dB]; [1.4 dB] was heard at"),
        (HOLDS, "how-sure", "in 60 m³ with a reverberation time of 0.4 s"),
        (HOLDS, "how-sure", "Beside the microphone the test came to ["),
        (HOLDS, "how-sure", "hearing protection"),
        (HOLDS, "how-sure", "extinguisher"),
    ],
)  # fmt: skip
def test_single_days_are_told_so(day, slot, words):
    assert words in said(**day)[slot]


@pytest.mark.parametrize(
    ("level_dba", "words"),
    [
        (60.0, "stays within NIOSH’s daily limit for work and the WHO–ITU weekly allowance. Stop"),
        (80.0, "uses up the WHO–ITU weekly allowance in [40 h]. Treat these as upper limits"),
        (97.0, "daily limit for work in [30 min], the WHO–ITU weekly allowance in [47 min]"),
    ],
)
def test_care_fits_the_level_at_the_seat(level_dba, words):
    analysis, parameters = at(**HOLDS)
    own = exposures(level_dba, basis="assumed", heard="your seat", asked_db=99.0)
    others = [one for one in analysis.exposure if one.heard != "your seat"]
    assert words in marked(drafts(replace(analysis, exposure=(*own, *others)), parameters))["care"]


@pytest.mark.parametrize("percent", [230.0, float("inf")])
def test_a_test_that_is_too_much_beside_the_microphone_is_said_to_be(percent):
    analysis, parameters = at(**HOLDS)
    dose = replace(analysis.day_dose, niosh_percent=percent, weekly_percent=percent)
    text = drafts(replace(analysis, day_dose=dose), parameters)["care"]
    assert "nobody should stay there" in text


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


def test_both_methods_stand_in_the_table_and_span_what_is_quoted():
    analysis, _ = at(**HOLDS)
    known = facts.collect(analysis)
    sum_low, room_high = known["seat.99.sum-low"], known["seat.99.room-high"]
    assert known["seat.99.low"].value == min(sum_low.value, known["seat.99.room-low"].value)
    assert known["seat.99.high"].value == max(room_high.value, known["seat.99.sum-high"].value)
    rows = tables.seat_table(analysis).rows
    assert [row[1] for row in rows[:2]] == ["distance", "Hopkins–Stryker"]
    assert len(rows) == 8


def test_every_quoted_fact_of_the_slots_has_its_row():
    analysis, parameters = at(**HOLDS)
    made = drafts(analysis, parameters)
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
