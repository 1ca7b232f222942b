"""Plan, play, record, take in, report: all of it by commands, nothing edited by hand."""

import csv
import json
import os
import shutil

import numpy as np
import pytest
from click.testing import CliRunner
from planned_day import Day, write

from reportlib import simulate
from reportlib.cli import main
from reportlib.session.reading import read_session
from reportlib.simulate.speakers import SPEAKERS

RATE = 16000
REFERENCES = {"marram-12": "terminals", "trivet-6": "none", "samphire-3": "loop-back"}


def run(*arguments):
    result = CliRunner().invoke(main, [str(one) for one in arguments])
    assert result.exit_code == 0, result.output
    return result


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
        "--level", 72, "--level", 84, "--level", 96, "--stress", 88, "--stage", 3, "--stage", 4,
        "--takes", 2, "--sweep-start", 40, "--sweep-stop", 6500, "--sweep-length", 1,
        "--sample-rate", RATE, "--date", "2026-05-04",
    )  # fmt: skip


@pytest.fixture(scope="module", params=sorted(REFERENCES))
def day(request, tmp_path_factory):
    """A session folder from plan to report, and its loudspeaker as it stood there."""
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
    run("report", folder)
    return folder, made.loudspeaker


def rows(folder):
    with (folder / "out/data/compression.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_report_finds_the_change_that_was_played_in(day):
    folder, loudspeaker = day
    session = read_session(folder)
    sweep = [
        row
        for row in rows(folder)
        if row["test"] == "short_term" and row["level_db"] == "96.0000" and row["usable"] == "true"
    ]
    frequency = np.array([float(row["frequency_hz"]) for row in sweep])
    inside = (frequency > 200.0) & (frequency < 5000.0)
    assert np.count_nonzero(inside) > 60
    truth = [
        np.abs(simulate.sweep_transfer(loudspeaker, frequency, sweep=session.sweep, drive_db=drive))
        for drive in (24.0, 0.0)
    ]
    change_db = np.array([float(row["change_db"]) for row in sweep])
    u95_db = np.array([float(row["u95_db"]) for row in sweep])
    off = np.abs(change_db - 20.0 * np.log10(truth[0] / truth[1]))[inside]
    assert np.mean(off <= u95_db[inside] + 0.05) > 0.9
    assert np.median(off) < 0.2


def test_nothing_is_refused_and_both_stages_are_there(day):
    folder, _ = day
    document = json.loads((folder / "out/data/results.json").read_text("utf-8"))
    assert [note for note in document["quality"] if note["severity"] != "note"] == []
    elapsed = {
        float(row["elapsed_s"])
        for row in rows(folder)
        if row["test"] == "long_term" and row["source"] == "sweep"
    }
    assert elapsed == {3.0, 7.0}
    assert any(row["source"] == "multitone" for row in rows(folder))
    assert (folder / "out/report.pdf").read_bytes().startswith(b"%PDF")
    steps = [step["measured_db"] for step in document["drive_steps"]]
    if read_session(folder).reference_counts:
        asked = [step["asked_db"] for step in document["drive_steps"]]
        np.testing.assert_allclose(steps, asked, atol=0.02)
