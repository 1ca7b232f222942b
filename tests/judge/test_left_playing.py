"""How far a band had changed when the stress ended is graded, and stands in the data."""

import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from builders import make_analysis
from stressed import make_playing

from reportlib.judge.grades import played_results
from reportlib.publish.history import judged
from reportlib.write import data

LOSSES = {"bass": 0.1, "low mids": 0.7, "mids": 1.5, "presence": 3.6, "treble": -2.0}
GRADES = ["holds", "slips", "falls short", "gives out", "rises"]


def grades(playing):
    return [one.grade for one in played_results([playing])]


def with_ends(playing, ends, *, u95=0.05):
    groups = tuple(
        replace(track, fit=replace(track.fit, end_loss_db=ends[track.name], end_loss_u95_db=u95))
        if track.kind == "band" else track
        for track in playing.groups
    )  # fmt: skip
    return replace(playing, groups=groups)


def test_the_end_of_the_stress_is_graded_by_the_thresholds_of_a_bands_mean():
    playing = with_ends(make_playing(), LOSSES)
    assert grades(playing) == GRADES
    (slipping,) = [one for one in played_results([playing]) if one.grade == "slips"]
    assert (slipping.source, slipping.test, slipping.elapsed_s) == ("multitone", "long_term", 120.0)
    assert slipping.mean_db == pytest.approx(-0.7)
    unsure = played_results([with_ends(make_playing(), dict.fromkeys(LOSSES, 0.48))])[0]
    assert (unsure.grade, unsure.grade_may_be) == ("holds", "slips")


def test_where_the_fit_found_nothing_the_tones_mean_is_graded():
    playing = make_playing(losses=dict.fromkeys(LOSSES, 0.0))
    groups = []
    for track in playing.groups:
        fit = track.fit and replace(track.fit, terms=(), end_loss_db=0.0, end_loss_u95_db=0.0)
        change = np.where(np.isfinite(track.change_db), -0.8, np.nan)
        groups.append(replace(track, fit=fit, change_db=change))
    results = played_results([replace(playing, groups=tuple(groups))])
    assert {one.grade for one in results} == {"slips"}
    assert all(one.u95_db > 0.0 for one in results)


@pytest.mark.parametrize("unknown", [{"cold_known": False}, {"with_fit": False}])
def test_what_is_not_known_since_cold_cant_be_told(unknown):
    assert grades(make_playing(**unknown)) == ["can't tell"] * 5


def test_the_data_carry_the_grade_and_its_source():
    analysis = make_analysis(playing=[with_ends(make_playing(), LOSSES)])
    document = json.loads(data.results_json(analysis, tool_version="1"))
    jsonschema.validate(document, data.results_schema())
    heard = [one for one in document["bands"] if one["source"] == "multitone"]
    assert [one["grade"] for one in heard] == GRADES
    assert len(document["bands"]) == len(analysis.bands) + 5
    # and a word that stands on it is read again when it changes
    assert judged(document)["stress.mids.92"] == "falls short"
    older = {**document, "bands": [
        {key: value for key, value in one.items() if key != "source"}
        for one in document["bands"] if one not in heard
    ]}  # fmt: skip
    jsonschema.validate(older, data.results_schema())
    assert "stress.mids.92" not in judged(older)
