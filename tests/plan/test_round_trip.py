"""Plan, play, record, take in, report: all of it by commands, nothing edited by hand."""

import csv
import os
import shutil

import numpy as np
import pytest
from commands import run
from planned_day import Day, write

from reportlib import simulate
from reportlib.judge.analysis import analyse
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate.speakers import SPEAKERS

RATE = 16000
REFERENCES = {"marram-12": "terminals", "trivet-6": "none", "samphire-3": "loop-back"}


def planned(folder, about, *, reference):
    own = ["--maximum-level", 100]
    if about.drive == "passive":
        own = ["--sensitivity", about.sensitivity_db, "--impedance", 4, "--power", 200]
    for crossover in about.crossovers_hz:
        own += ["--crossover", crossover]
    run(
        "plan", folder, "--name", about.name, "--drive", about.drive, *own,
        "--distance", about.loudspeaker.distance_m, "--space", about.space,
        "--reference", reference, "--full-scale", about.chain.full_scale_db,
        "--level", 72, "--level", 84, "--level", 96, "--stress", 88, "--stage", 3, "--stage", 3,
        "--takes", 2, "--sweep-start", 40, "--sweep-stop", 6500, "--sweep-length", 1,
        "--sample-rate", RATE, "--date", "2026-05-04",
    )  # fmt: skip


@pytest.fixture(scope="module", params=sorted(REFERENCES))
def day(request, tmp_path_factory):
    """A session folder from plan to intake, its loudspeaker as it stood there, and its analysis."""
    about = SPEAKERS[request.param]
    reference = REFERENCES[request.param]
    folder = tmp_path_factory.mktemp("trip") / request.param
    planned(folder, about, reference=reference)
    chain = simulate.Chain(**{**vars(about.chain), "reference": reference != "none"})
    made = Day(folder, loudspeaker=about.loudspeaker, chain=chain, seed=811)
    takes = made.all()
    names = [f"take {number}" for number in range(len(takes))]
    heap = dict(zip(names, (take.channels for take in takes), strict=True))
    for number, path in enumerate(write(folder / "recordings", heap, rate=RATE)):
        os.utime(path, (1_780_000_000 + 60 * number,) * 2)
    run("intake", folder, folder / "recordings")
    shutil.rmtree(folder / "recordings")  # all that the report needs has been filed
    return (
        folder,
        made.loudspeaker,
        analyse(read_session(folder), parameters=checked_parameters(session=str(folder))),
    )


def test_the_report_finds_the_change_that_was_played_in(day):
    folder, loudspeaker, report = day
    (curve,) = [one for one in report.short_term if one.level_db == 96.0]
    hz = curve.frequency_hz
    inside = (hz > 200.0) & (hz < 5000.0) & curve.usable
    assert np.count_nonzero(inside) > 60
    sweep = read_session(folder).sweep
    truth = [
        np.abs(simulate.sweep_transfer(loudspeaker, hz[inside], sweep=sweep, drive_db=drive))
        for drive in (24.0, 0.0)
    ]
    off = np.abs(curve.change_db[inside] - 20.0 * np.log10(truth[0] / truth[1]))
    assert np.mean(off <= curve.u95_db[inside] + 0.05) > 0.9
    assert np.median(off) < 0.2


def test_nothing_is_refused_and_both_stages_are_there(day):
    folder, _, report = day
    assert [note for note in report.quality if note.severity != "note"] == []
    assert {curve.elapsed_s for curve in report.long_term} == {3.0, 6.0}
    assert report.playing
    if read_session(folder).reference_counts:
        for step in report.drive_steps:
            assert step.measured_db == pytest.approx(step.asked_db, abs=0.02)


@pytest.mark.parametrize("day", ["trivet-6"], indirect=True)
def test_the_whole_way_ends_in_a_report(day):
    """One is enough: what lies beyond the analysis knows no reference."""
    folder, _, report = day
    run("report", folder)
    with (folder / "out/data/compression.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {"sweep", "multitone"} <= {row["source"] for row in rows}
    loudest = [row for row in rows if (row["test"], row["level_db"]) == ("short_term", "96.0000")]
    (curve,) = [one for one in report.short_term if one.level_db == 96.0]
    change_db = [float(row["change_db"]) for row in loudest if row["usable"] == "true"]
    np.testing.assert_allclose(change_db, curve.change_db[curve.usable], atol=1e-4)
    assert (folder / "out/report.pdf").read_bytes().startswith(b"%PDF")
