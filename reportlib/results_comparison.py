"""The data files of a comparison: ``comparison.csv`` and ``results.json``.

Texts only; whoever calls writes them. Numbers are rounded as in ``results``;
``reportlib/schema/comparison.schema.json`` describes the JSON.
"""

import csv
import io
import json
import re
from dataclasses import asdict
from typing import Any

from reportlib.compared import Comparison
from reportlib.results import number_text, rounded

CSV_COLUMNS = (
    "band",
    "low_hz",
    "high_hz",
    "output_db",
    "session",
    "given",
    "change_db",
    "low_db",
    "high_db",
    "driven_db",
    "unique",
)

_FORMULA = re.compile(r"(^|[;\t\r\n])(?=\s*[=+\-@＝＋－＠])")
"""Where a spreadsheet would begin a formula: in a cell, or after what some take for its end."""


def comparison_csv(comparison: Comparison) -> str:
    """Write changes at equal output as tidy text: UTF-8, LF, decimal point, 4 decimals.

    One row a band, whole decibel of output and session; `change_db` is from the session's own
    baseline, `low_db` and `high_db` its 95 % interval, `driven_db` the level that it takes.
    A name that a spreadsheet would run as a formula gets an apostrophe before it, which
    spreadsheets read as "this is text" (common practice); `results.json` has it as it is.
    """
    edges = {one.band: (one.low_hz, one.high_hz) for one in comparison.tracks}
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for one in comparison.points:
        numbers = (one.change_db, one.low_db, one.high_db, one.driven_db)
        writer.writerow(
            (
                one.band,
                *(number_text(edge) for edge in edges[one.band]),
                number_text(one.output_db),
                _FORMULA.sub(r"\1'", one.name),
                one.given,
                *(number_text(value) for value in numbers),
                "true" if one.unique else "false",
            )
        )
    return buffer.getvalue()


def comparison_document(comparison: Comparison, *, tool_version: str) -> dict[str, Any]:
    """Return what the ``results.json`` of a comparison holds, as JSON types."""
    document = {
        "format": 1,
        "kind": "comparison",
        "tool_version": tool_version,
        "sessions": [asdict(one) for one in comparison.sessions],
        "rankings": [asdict(one) for one in comparison.rankings],
        "equal_output": [asdict(one) for one in comparison.points],
        "limits": [{"name": one.name, **asdict(one.limit)} for one in comparison.limits],
        "left_playing": [asdict(one) for one in comparison.ends],
        "needs": [asdict(one) for one in comparison.needs],
        "at_the_seat": [asdict(one) for one in comparison.arrives],
        "hindrances": [asdict(one) for one in comparison.hindrances],
    }
    found = rounded(document)
    assert isinstance(found, dict)
    return found


def comparison_json(comparison: Comparison, *, tool_version: str) -> str:
    """Write the ``results.json`` of a comparison: UTF-8, no NaN."""
    document = comparison_document(comparison, tool_version=tool_version)
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
