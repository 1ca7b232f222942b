"""The data files: ``compression.csv`` and ``results.json`` (session format, ``out/data``).

Texts only; whoever calls writes them. Fields that this version does not fill are there and
empty. ``reportlib/schema/results.schema.json`` describes the JSON.
"""

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import resources
from typing import Any, Literal

from reportlib.judged import Limit
from reportlib.model import Analysis, ChangeCurve, Fact
from reportlib.stress_results import coil_list, recovery_list, thermal_list

CSV_COLUMNS = (
    "test",
    "level_db",
    "elapsed_s",
    "source",
    "frequency_hz",
    "change_db",
    "u95_db",
    "usable",
    "reason",
)
_DECIMALS = 4


def compression_csv(curves: Sequence[ChangeCurve]) -> str:
    """Write curves as tidy text, one row a point: UTF-8, LF, decimal point, 4 decimals."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for curve in curves:
        head = (curve.test, number_text(curve.level_db), number_text(curve.elapsed_s), curve.source)
        for point, frequency_hz in enumerate(curve.frequency_hz.tolist()):
            writer.writerow(
                (
                    *head,
                    number_text(frequency_hz),
                    number_text(curve.change_db[point]),
                    number_text(curve.u95_db[point]),
                    "true" if curve.usable[point] else "false",
                    curve.reason[point],
                )
            )
    return buffer.getvalue()


def results_document(analysis: Analysis, *, tool_version: str) -> dict[str, Any]:
    """Return what ``results.json`` holds, as JSON types."""
    session = analysis.session
    document = {
        "format": 1,
        "tool_version": tool_version,
        "speaker": {"name": session.speaker.name, "drive": session.speaker.drive},
        "date": session.date,
        "measured": {
            "sample_rate_hz": analysis.sample_rate_hz or None,
            "gate_s": analysis.gate_s,
            "lowest_hz": analysis.lowest_hz,
            "sweep_range_hz": list(analysis.sweep_range_hz),
            "smoothing_fraction": analysis.smoothing_fraction,
            "calibrated": analysis.baseline.calibrated,
            "baseline_level_db": analysis.baseline.mean_level_db,
            "distance_m": session.rig.distance_m,
            "space": session.rig.space,
            "reference_at": session.rig.reference_at,
        },
        "digests": dict(sorted(session.digests.items())),
        "quality": [asdict(note) for note in analysis.quality],
        "drive_steps": [asdict(step) for step in analysis.drive_steps],
        "bands": [asdict(result) for result in analysis.bands],
        "limits": [_limit(limit) for limit in analysis.limits],
        "findings": [asdict(one) for one in analysis.findings],
        "thermal": thermal_list(analysis),
        "recovery": recovery_list(analysis),
        "coil": coil_list(analysis),
        "in_room": [asdict(seat) for seat in analysis.in_room],
        "exposure": _exposure(analysis),
        "needs": [asdict(answer) for answer in analysis.needs],
    }
    found = rounded(document)
    assert isinstance(found, dict)
    return found


def _limit(limit: Limit) -> dict[str, Any]:
    """A limit as the format lists it; which levels were skipped can be seen in `bands`."""
    return {name: value for name, value in asdict(limit).items() if name != "untold_db"}


def _exposure(analysis: Analysis) -> list[dict[str, Any]]:
    """Every level's allowances once, whichever seats it is heard at."""
    rows = [
        {name: value for name, value in asdict(one).items() if name not in ("heard", "asked_db")}
        for one in analysis.exposure
    ]
    return [row for index, row in enumerate(rows) if row not in rows[:index]]


def results_json(analysis: Analysis, *, tool_version: str) -> str:
    """Write ``results.json``: sorted as the format lists it, UTF-8, no NaN."""
    document = results_document(analysis, tool_version=tool_version)
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def facts_json(facts: Mapping[str, Fact]) -> str:
    """Write facts by name, for the tool's memory."""
    listed = {name: asdict(fact) for name, fact in sorted(facts.items())}
    return json.dumps(listed, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def facts_from_json(text: str) -> dict[str, Fact]:
    """Read what :func:`facts_json` wrote."""
    return {name: Fact(**fields) for name, fields in json.loads(text).items()}


def results_schema(kind: Literal["results", "comparison"] = "results") -> dict[str, Any]:
    """Return the JSON Schema of a report's ``results.json``, or of a comparison's."""
    file = resources.files("reportlib").joinpath(f"schema/{kind}.schema.json")
    schema: dict[str, Any] = json.loads(file.read_text("utf-8"))
    return schema


def number_text(value: float | None) -> str:
    """Write a number with 4 decimals, nothing where there is none or it is not finite."""
    if value is None or not math.isfinite(value):
        return ""
    text = f"{value:.{_DECIMALS}f}"
    return "0.0000" if float(text) == 0.0 else text


def rounded(value: object) -> object:
    """Round numbers to 6 decimals, so that files do not differ by the last bit."""
    if isinstance(value, float):
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return value
