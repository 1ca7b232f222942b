"""What claims are compared with: bands, curves and set-up, from an analysis or from kept files."""

import csv
import io
import json
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from reportlib.model import Analysis, BandResult, FloatArray, Test, frozen_array


@dataclass(frozen=True, eq=False, kw_only=True)
class Curve:
    """Usable points of one curve; arrays of shape (n,)."""

    test: Test
    level_db: float
    elapsed_s: float
    frequency_hz: FloatArray
    change_db: FloatArray
    u95_db: FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class ClaimData:
    """What a report knows, as far as a sentence can be compared with it.

    Attributes
    ----------
    baseline_db : quietest short-term level
    distance_m, sweep_s : of the measurement; None where not known
    """

    bands: tuple[BandResult, ...]
    curves: tuple[Curve, ...]
    baseline_db: float | None = None
    distance_m: float | None = None
    sweep_s: float | None = None
    levels_db: dict[Test, tuple[float, ...]] = field(default_factory=dict)

    def results(self, *, test: Test, band: str | None, level_db: float | None) -> list[BandResult]:
        """Return told results of a test, of the last stage of each level."""
        latest: dict[tuple[str, float], BandResult] = {}
        for one in self.bands:
            if one.test == test and one.mean_db is not None:
                latest[one.band, one.level_db] = one
        return [
            one
            for one in latest.values()
            if (band is None or one.band == band) and (level_db is None or one.level_db == level_db)
        ]

    def at(
        self, frequency_hz: float, *, test: Test, level_db: float | None
    ) -> list[tuple[float, float]]:
        """Return lowest and highest change, with their intervals, near a frequency, by curve.

        Near is 1/6 octave to either side: a person reads a figure no finer.
        """
        found = []
        for curve in self.curves:
            if curve.test != test or (level_db is not None and curve.level_db != level_db):
                continue
            octaves = np.abs(np.log2(curve.frequency_hz / frequency_hz))
            near = octaves <= 1.0 / 6.0
            if near.any():
                low = np.min((curve.change_db - curve.u95_db)[near])
                high = np.max((curve.change_db + curve.u95_db)[near])
                found.append((float(low), float(high)))
        return found


def data_from_analysis(analysis: Analysis) -> ClaimData:
    """Take what claims need out of an analysis."""
    curves = [
        Curve(
            test=curve.test,
            level_db=curve.level_db,
            elapsed_s=curve.elapsed_s,
            frequency_hz=curve.frequency_hz[curve.usable],
            change_db=curve.change_db[curve.usable],
            u95_db=curve.u95_db[curve.usable],
        )
        for curve in (*analysis.short_term, *analysis.long_term)
    ]
    sweep = analysis.session.sweep
    return _data(
        analysis.bands,
        curves,
        baseline_db=analysis.session.baseline.level_db,
        distance_m=analysis.session.rig.distance_m,
        sweep_s=None if sweep is None else sweep.duration_s,
    )


def data_from_files(*, results_json: str, compression_csv: str, facts_json: str) -> ClaimData:
    """Take what claims need out of a run's kept files.

    Raises
    ------
    ValueError, KeyError, TypeError
        A text is not what the tool wrote.
    """
    document = json.loads(results_json)
    facts = json.loads(facts_json)
    points: dict[tuple[Test, float, float], list[tuple[float, float, float]]] = defaultdict(list)
    for row in csv.DictReader(io.StringIO(compression_csv)):
        if row["usable"] == "true" and row["source"] != "multitone":
            test: Test = "short_term" if row["test"] == "short_term" else "long_term"
            key = (test, float(row["level_db"]), float(row["elapsed_s"]))
            points[key].append(
                (float(row["frequency_hz"]), float(row["change_db"]), float(row["u95_db"]))
            )
    curves = []
    for (kind, level_db, elapsed_s), rows in points.items():
        frequency, change, u95 = (frozen_array(column) for column in zip(*rows, strict=True))
        curves.append(
            Curve(
                test=kind,
                level_db=level_db,
                elapsed_s=elapsed_s,
                frequency_hz=frequency,
                change_db=change,
                u95_db=u95,
            )
        )
    return _data(
        [BandResult(**band) for band in document["bands"]],
        curves,
        **{
            name: facts[fact]["value"] if fact in facts else None
            for name, fact in (
                ("baseline_db", "test.baseline"),
                ("distance_m", "test.distance"),
                ("sweep_s", "test.sweep"),
            )
        },
    )


def _data(
    bands: "tuple[BandResult, ...] | list[BandResult]",
    curves: list[Curve],
    **about: float | None,
) -> ClaimData:
    tests: tuple[Test, ...] = ("short_term", "long_term")
    return ClaimData(
        bands=tuple(bands),
        curves=tuple(curves),
        levels_db={
            test: tuple(sorted({one.level_db for one in bands if one.test == test}))
            for test in tests
        },
        **about,
    )
