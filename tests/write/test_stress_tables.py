"""The stress in tables and data files: rows that facts link to, the contract's `thermal` list."""

import json
from dataclasses import replace

import jsonschema
import pytest
from builders import make_analysis
from stressed import REFUSAL, make_playing

from reportlib.draw import tables
from reportlib.write import data, facts

CONTRACT = {
    "level_db", "band", "low_hz", "high_hz", "time_constants_s", "losses_db", "identifiable",
    "projected_600_s_db", "u95_db",
}  # fmt: skip
DAYS = {
    "one part": make_analysis(playing=[make_playing(with_coil=True)]),
    "two parts": make_analysis(playing=[make_playing(terms=2)]),
    "no fit": make_analysis(playing=[make_playing(with_fit=False)]),
    "two levels": make_analysis(playing=[make_playing(level_db=82.0), make_playing()]),
    "none": make_analysis(),
}


def document(day):
    return json.loads(data.results_json(DAYS[day], tool_version="0.1.0"))


@pytest.mark.parametrize("day", DAYS)
def test_the_document_follows_its_schema(day):
    jsonschema.validate(document(day), data.results_schema())


@pytest.mark.parametrize("day", DAYS)
def test_thermal_has_one_entry_a_level_and_band_with_the_contracts_fields(day):
    found = document(day)["thermal"]
    assert len(found) == 5 * len(DAYS[day].playing)
    for entry in found:
        assert set(entry) == CONTRACT
        lists = [entry[name] for name in ("time_constants_s", "losses_db", "identifiable")]
        assert len({len(one) for one in lists}) == 1


def test_thermal_holds_the_fits_numbers():
    (entry,) = [one for one in document("one part")["thermal"] if one["band"] == "treble"]
    fit = DAYS["one part"].playing[0].group("treble").fit
    assert entry["time_constants_s"] == [fit.terms[0].time_constant_s]
    assert entry["losses_db"] == [pytest.approx(fit.terms[0].loss_db, abs=1e-6)]
    assert entry["identifiable"] == [True]
    assert entry["projected_600_s_db"] == pytest.approx(fit.projected_600_s_db, abs=1e-6)
    assert entry["u95_db"] == fit.projected_u95_db


def test_a_refused_projection_is_null_and_the_interval_is_the_ends():
    for entry in document("two parts")["thermal"]:
        assert entry["projected_600_s_db"] is None
        assert entry["identifiable"] == [True, False]
        assert entry["u95_db"] == 0.08
    assert REFUSAL in DAYS["two parts"].playing[0].group("bass").fit.refusal
    for entry in document("no fit")["thermal"]:
        assert entry["time_constants_s"] == []
        assert entry["u95_db"] is None


def test_recovery_and_coil_are_listed_beside():
    one = document("one part")
    assert len(one["recovery"]) == 10  # two stages, five bands
    assert {entry["elapsed_s"] for entry in one["recovery"]} == {30.0, 120.0}
    (coil,) = one["coil"]
    # copper: 46 K more make 3.2 Ω ×(1 + 46/254.45) = 3.778 Ω
    assert coil["hot_ohm"] == pytest.approx(3.778, abs=0.002)
    assert document("none")["coil"] == []


@pytest.mark.parametrize("day", DAYS)
def test_every_fact_about_the_stress_stands_in_a_row(day):
    known = facts.collect(DAYS[day])
    shown = [tables.thermal_table(DAYS[day]), tables.coil_table(DAYS[day])]
    anchors = " ".join(a for table in shown if table for a in table.anchors).split()
    mine = [name for name in known if name.startswith(("stress.", "coil."))]
    assert set(mine) <= {anchor.removeprefix("fact-") for anchor in anchors}
    assert len(anchors) == len(set(anchors))
    for name in mine:
        assert known[name].row in anchors
    assert bool(mine) == (day != "none")


def test_tables_say_what_can_not_be_told():
    assert tables.thermal_table(DAYS["none"]) is None
    assert tables.coil_table(DAYS["two parts"]) is None
    rows = tables.thermal_table(DAYS["two parts"]).rows
    assert rows[3][:4] == ("92 dB", "presence, 2 kHz to 6 kHz", "2 min", "−1.0 ± 0.1 dB")
    assert rows[3][4:6] == ("8 s; too slow to tell", "can’t tell")
    lost = make_analysis(playing=[make_playing(untold=("mids",))])
    assert "can’t tell" in tables.thermal_table(lost).rows[2]
    starred = tables.thermal_table(DAYS["no fit"]).rows[3]
    assert starred[3].endswith("dB*")
    assert starred[4:6] == ("", "")


def test_sweeps_that_could_not_tell_are_left_out():
    playing = make_playing()
    silent = tuple(replace(one, seen_db=float("nan")) for one in playing.recovery)
    analysis = make_analysis(playing=[replace(playing, recovery=silent)])
    assert not any(name.endswith(".swept") for name in facts.collect(analysis))
    assert tables.thermal_table(analysis).rows[3][6:] == ("", "", "")
