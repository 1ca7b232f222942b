"""The data files, exactly as the session format says."""

import csv
import io
import json

import jsonschema
import numpy as np
import pytest
from builders import make_analysis

from reportlib.judge.records import Analysis
from reportlib.write import data


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return make_analysis()


def _rows(analysis):
    text = data.compression_csv((*analysis.short_term, *analysis.long_term))
    return text, list(csv.DictReader(io.StringIO(text)))


def test_the_header_is_the_contracts(analysis):
    text, _ = _rows(analysis)
    assert text.startswith(
        "test,level_db,elapsed_s,source,frequency_hz,change_db,u95_db,usable,reason\n"
    )
    assert "\r" not in text


def test_rows_are_unique_by_their_key_and_as_many_as_points(analysis):
    _, rows = _rows(analysis)
    keys = {
        tuple(row[name] for name in ("test", "level_db", "elapsed_s", "source", "frequency_hz"))
        for row in rows
    }
    points = sum(one.frequency_hz.size for one in (*analysis.short_term, *analysis.long_term))
    assert len(keys) == len(rows) == points


def test_values_come_back_to_four_decimals(analysis):
    _, rows = _rows(analysis)
    curve = analysis.short_term[0]
    mine = rows[: curve.frequency_hz.size]
    for name, expected in (("frequency_hz", curve.frequency_hz), ("change_db", curve.change_db)):
        found = np.array([float(row[name]) if row[name] else np.nan for row in mine])
        np.testing.assert_allclose(found, expected, atol=5.1e-5)
    assert [row["usable"] for row in mine] == ["true" if one else "false" for one in curve.usable]
    assert all((row["usable"] == "true") == (row["reason"] == "") for row in rows)


def test_numbers_that_are_not_finite_are_empty_and_zero_has_no_sign(analysis):
    from dataclasses import replace

    curve = analysis.short_term[0]
    change = curve.change_db.copy()
    change[:3] = [np.nan, np.inf, -1e-9]
    usable = curve.usable.copy()
    usable[:2] = False
    text = data.compression_csv([replace(curve, change_db=change, usable=usable)])
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["change_db"] for row in rows[:3]] == ["", "", "0.0000"]


def test_the_document_follows_its_schema_and_holds_all_that_the_contract_lists(analysis):
    schema = data.results_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    document = json.loads(data.results_json(analysis, tool_version="0.1.0"))
    jsonschema.validate(document, schema)
    for name in (
        "quality", "drive_steps", "bands", "limits", "findings", "thermal", "in_room", "exposure",
    ):  # fmt: skip
        assert isinstance(document[name], list)


def test_the_schema_refuses_an_unknown_grade(analysis):
    document = json.loads(data.results_json(analysis, tool_version="0.1.0"))
    document["bands"][0]["grade"] = "splendid"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, data.results_schema())


def test_rows_about_listeners_have_the_contracts_fields_and_are_unique(analysis):
    document = json.loads(data.results_json(analysis, tool_version="0.1.0"))
    for name, fields in (
        ("in_room", "setup listeners_distance_m level_db low_db high_db loudest_db method"),
        ("exposure", "level_dba allowed_s period source basis"),
    ):
        rows = document[name]
        assert rows
        assert all(list(row) == fields.split() for row in rows)
        assert len({json.dumps(row) for row in rows}) == len(rows)
    assert {row["basis"] for row in document["exposure"]} == {"assumed"}
    assert {row["answer"] for row in document["needs"]} >= {"yes", "not tested"}
