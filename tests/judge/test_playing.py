"""A session's stress recordings, from the files to rows, notes and the shelf."""

import csv
import dataclasses
import hashlib
import io
import shutil
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from soaking import multitone

from reportlib.judge import analysis, inputs
from reportlib.judge.shelf import Shelf
from reportlib.measure.stress import periods
from reportlib.measure.stress.stages import multitone_curves
from reportlib.session.day import SweepFacts
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate.demo import make_demo
from reportlib.write import data

PARAMETERS = checked_parameters(session=".")
STRESS_1 = "captures/long-92-stress-1.flac"


@pytest.fixture(scope="module")
def soaked(tmp_path_factory):
    """A simulated Samphire 3 with its stress recorded; only to be read or copied."""
    folder = tmp_path_factory.mktemp("soaked") / "samphire-3"
    return make_demo(folder, speaker="samphire-3", stages_s=(6.0, 6.0), takes=1)


@pytest.fixture(scope="module")
def found(soaked):
    return analysis.analyse(read_session(soaked), parameters=PARAMETERS, keep=False)


@pytest.fixture
def mine(soaked, tmp_path):
    return shutil.copytree(soaked, tmp_path / "samphire-3")


def read(folder, *, keep=False, sample_rate_hz=48000):
    session = read_session(folder)
    return inputs.read_stress(
        session, sample_rate_hz=sample_rate_hz, shelf=Shelf(session, write=keep)
    )


def codes(stress):
    return {(note.code, note.severity, note.capture) for note in stress.notes}


def test_every_level_has_its_record(found):
    assert [one.level_db for one in found.playing] == [82.0, 92.0]
    for one in found.playing:
        assert [(s.start_s, s.elapsed_s, s.recorded) for s in one.stages] == [
            (0.0, 6.0, True), (14.0, 12.0, True),
        ]  # fmt: skip
        assert one.period_s == 1.0
        assert one.elapsed_s.tolist() == [0.5 + n for n in range(12)]
        assert one.clock_s[5:7].tolist() == [5.5, 14.5]
        assert np.flatnonzero(~one.settled).tolist() == [0, 6]
        assert not one.usable[~one.settled].any()
        assert {group.kind for group in one.groups} == {"band", "third", "unit"}
        assert one.group("mids").tones > 10
        assert np.all(np.isfinite(one.group("mids").change_db[one.settled]))
    codes_ = {note.code for note in found.quality}
    assert not codes_ & {"no-multitone", "stress-cut", "stress-length"}


def test_the_louder_level_loses_more_and_the_second_stage_goes_on(found):
    quiet, loud = (one.group("mids") for one in found.playing)
    assert loud.change_db[-1] < quiet.change_db[-1] < 0.05
    assert loud.change_db[-1] < loud.change_db[5]


def test_bands_and_grades_stay_those_of_sweeps(found):
    assert {curve.source for curve in found.long_term} == {"sweep"}
    assert {one.elapsed_s for one in found.bands if one.test == "long_term"} == {6.0, 12.0}


# --- rows -------------------------------------------------------------------------------------


def test_rows_stand_at_the_contract_s_moments_and_are_unique(found):
    curves = multitone_curves(found.playing)
    loud = [one for one in curves if one.level_db == 92.0]
    # first period centres at or after 2, 5 and 10 s; the stages' ends at 6 and 12 s
    assert [one.elapsed_s for one in loud] == [2.5, 5.5, 6.0, 10.5, 12.0]
    text = data.compression_csv((*found.short_term, *found.long_term, *curves))
    rows = list(csv.DictReader(text.splitlines()))
    keys = [tuple(row[name] for name in data.CSV_COLUMNS[:5]) for row in rows]
    assert len(set(keys)) == len(keys)
    tones = [row for row in rows if row["source"] == "multitone"]
    assert len(tones) == len(curves) * found.playing[0].frequency_hz.size
    assert {row["test"] for row in tones} == {"long_term"}
    assert all((row["reason"] == "") == (row["usable"] == "true") for row in rows)
    last = [row for row in tones if row["level_db"] == "92.0000" and row["elapsed_s"] == "12.0000"]
    assert [float(row["change_db"]) for row in last] == pytest.approx(
        found.playing[1].change_db[-1], abs=1e-4
    )


def test_minutes_and_hours_follow_the_seconds(found):
    from dataclasses import replace

    one = found.playing[1]
    times = np.arange(4000) * 2.0 + 1.0
    shape = (times.size, one.frequency_hz.size)
    made = replace(
        one,
        period_s=2.0,
        stages=(replace(one.stages[0], stress_s=8000.0, elapsed_s=8000.0),),
        elapsed_s=times,
        clock_s=times,
        stage=np.zeros(times.size),
        settled=times > 2.0,
        change_db=np.zeros(shape),
        u95_db=np.full(shape, 0.1),
        usable=np.ones(shape, dtype=bool),
        distortion_db=np.zeros(times.size),
        reason=("clipped",) * times.size,
    )
    moments = [curve.elapsed_s for curve in multitone_curves([made])]
    assert moments == [
        3.0, 5.0, 11.0, 21.0, 31.0, 61.0, 121.0, 301.0, 601.0, 1201.0, 1801.0, 3601.0, 7201.0,
        8000.0,
    ]  # fmt: skip
    unusable = replace(made, usable=np.zeros(shape, dtype=bool))
    assert set(multitone_curves([unusable])[0].reason) == {"clipped"}


# --- what may be wrong: a note, and the day goes on -------------------------------------------


def rewritten(folder, path, change):
    samples, rate = soundfile.read(folder / path)
    soundfile.write(folder / path, change(samples), rate, subtype="PCM_24")


def test_a_faulty_recording_leaves_its_stage_out_and_the_day_goes_on(mine):
    """One holds noise alone, in another a period clipped."""
    quiet = STRESS_1.replace("92", "82")

    def clip(samples):
        samples = samples.copy()
        samples[24000 + 4 * 48000 + 100 : 24000 + 4 * 48000 + 200, 0] = 1.0
        return samples

    rng = np.random.default_rng(1)
    rewritten(mine, quiet, lambda samples: 0.01 * rng.standard_normal(samples.shape))
    rewritten(mine, STRESS_1, clip)
    report = analysis.analyse(read_session(mine), parameters=PARAMETERS, keep=False)
    notes = {(note.code, note.capture) for note in report.quality}
    assert {("no-multitone", quiet), ("clipped", STRESS_1)} <= notes
    assert len(report.long_term) == 4
    faulty, clipped = report.playing
    assert [span.recorded for span in faulty.stages] == [False, True]
    assert faulty.elapsed_s[0] == 6.5
    assert clipped.reason[4] == "clipped"
    assert not clipped.usable[4].any()
    assert clipped.usable[3].all()


def test_a_stimulus_that_is_no_period_is_said_once(mine):
    stimulus = "stimulus/multitone.flac"
    rewritten(mine, stimulus, lambda samples: samples[:-91])
    stress = read(mine)
    assert codes(stress) == {("no-multitone", "refused", stimulus)}
    assert stress.tones == {}


def test_a_recording_that_cannot_be_read_is_left_out(mine):
    """Cut short behind its header: found only on the way."""
    path = mine / STRESS_1
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    stress = read(mine)
    assert codes(stress) == {("not-readable", "refused", STRESS_1)}
    assert len(stress.tones) == 3
    (note,) = stress.notes
    assert str(mine) not in note.message


def test_a_stimulus_of_another_rate_is_resampled_as_a_period(mine):
    from scipy.signal import resample

    expected = read(mine).tones[STRESS_1]
    rewritten_rate = 96000
    samples, rate = soundfile.read(mine / "stimulus/multitone.flac")
    soundfile.write(
        mine / "stimulus/multitone.flac",
        resample(samples, samples.size * rewritten_rate // rate),
        rewritten_rate,
        subtype="PCM_24",
    )
    found = read(mine).tones[STRESS_1]
    assert np.allclose(found.level_db, expected.level_db, atol=1e-6)


# --- the shelf --------------------------------------------------------------------------------


def kept(folder):
    return sorted((folder / ".upheld" / "kept").glob("*.npz"))


def test_one_new_recording_costs_one_recording(mine, monkeypatch):
    first = read(mine, keep=True)
    assert len(kept(mine)) == 4
    made = []
    whole = periods.stress_tones
    monkeypatch.setattr(
        inputs,
        "stress_tones",
        lambda *args, **facts: made.append(facts["source"]) or whole(*args, **facts),
    )
    again = read(mine, keep=True)
    assert made == []
    for path, tones in first.tones.items():
        for field in dataclasses.fields(tones):
            one, other = (getattr(each.tones[path], field.name) for each in (first, again))
            assert np.array_equal(one, other, equal_nan=field.type is float), field.name
            assert getattr(one, "dtype", None) == getattr(other, "dtype", None)
    rewritten(mine, STRESS_1, lambda samples: 0.999 * samples)
    read(mine, keep=True)
    assert made == [STRESS_1]


@pytest.mark.parametrize("damage", ["cut", "flip", "no number", "other"])
def test_what_is_damaged_is_not_believed(mine, damage):
    first = read(mine, keep=True)
    for index, path in enumerate(kept(mine)):
        data = path.read_bytes()
        if damage == "cut":
            path.write_bytes(data[:-100])
        elif damage == "flip":
            path.write_bytes(data[:200] + bytes([data[200] ^ 1]) + data[201:])
        elif damage == "no number":  # a digest that holds over what can't be
            with np.load(io.BytesIO(data)) as held:
                values = {**held, "centre_s": np.full(held["centre_s"].size, np.nan)}
            buffer = io.BytesIO()
            np.savez(buffer, **values)
            path.write_bytes(buffer.getvalue() + hashlib.sha256(buffer.getvalue()).digest())
        else:
            path.write_bytes(kept(mine)[index - 1].read_bytes())
    again = read(mine)
    for path, tones in first.tones.items():
        assert again.tones[path].centre_s.tobytes() == tones.centre_s.tobytes()
        assert again.tones[path].level_db.tobytes() == tones.level_db.tobytes()


# --- benchmarks -------------------------------------------------------------------------------

MEASURE = """
import sys, time
from pathlib import Path
from reportlib.judge.inputs import read_stress
from reportlib.judge.shelf import Shelf
from reportlib.session.reading import read_session

session = read_session(Path(sys.argv[1]))
start = time.process_time()
stress = read_stress(session, sample_rate_hz=48000, shelf=Shelf(session, write=False))
(tones,) = stress.tones.values()
print(time.process_time() - start, tones.centre_s.size)
lines = Path("/proc/self/status").read_text().splitlines()
print(next(int(line.split()[1]) // 1024 for line in lines if line.startswith("VmHWM")))
"""


@pytest.mark.benchmarks
@pytest.mark.parametrize("referenced", [True, False])
def test_memory_and_time_of_two_hours(tmp_path, referenced):
    """Peak resident memory of a program that reads 2 h of 48 kHz stereo; the aim is 300 MB."""
    tones = multitone(period_s=1.0, rate=48000)
    folder = tmp_path / "long"
    (folder / "captures").mkdir(parents=True)
    period = 0.05 * tones.samples
    soundfile.write(folder / "multitone.wav", period, 48000, subtype="PCM_24")
    block = np.column_stack((0.5 * np.tile(period, 60), np.tile(period, 60)))
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(
        folder / "stress.wav", "w", samplerate=48000, channels=2, subtype="PCM_24"
    ) as file:
        file.write(np.zeros((24000, 2)))
        for _ in range(120):
            file.write(block + 1e-5 * rng.standard_normal(block.shape))
        file.write(np.zeros((24000, 2)))
    sweep = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=2.0)
    for name in ("a", "b", "before", "after", "sweep"):
        soundfile.write(folder / f"{name}.wav", np.zeros((4800, 2)) + rng.random(), 48000)
    reference = "reference = 2\n" if referenced else ""
    (folder / "session.toml").write_text(
        'format = 1\n[speaker]\nname = "Marram 12"\ndrive = "passive"\n[rig]\ndistance_m = 1.0\n'
        f'space = "free field"\nreference_at = "terminals"\n[channels]\nmicrophone = 1\n{reference}'
        f'[sweep]\nstimulus = "sweep.wav"\nstart_hz = {sweep.start_hz}\nstop_hz = {sweep.stop_hz}\n'
        f'duration_s = {sweep.duration_s}\n[multitone]\nstimulus = "multitone.wav"\n'
        "crest_factor_db = 12.0\n[[short_term]]\nlevel_db = 72.0\ndrive_db = 0.0\n"
        'captures = ["a.wav"]\n[[short_term]]\nlevel_db = 78.0\ndrive_db = 6.0\n'
        'captures = ["b.wav"]\n[[long_term]]\nlevel_db = 92.0\ndrive_db = 20.0\n'
        'before = ["before.wav"]\n[[long_term.stage]]\nstress = "stress.wav"\nstress_s = 7200.0\n'
        'pause_s = 2.0\nafter = ["after.wav"]\n'
    )
    start = time.perf_counter()
    command = [sys.executable, "-c", MEASURE, str(folder)]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    print(
        f"\n2 h of 48 kHz stereo, {'with' if referenced else 'without'} a reference: "
        f"{float(told[0]):.0f} s of CPU, {time.perf_counter() - start:.0f} s in all, "
        f"{told[1]} periods, peak {told[2]} MB"
    )


@pytest.mark.benchmarks
def test_time_of_the_demo_s_stress():
    from test_benchmarks import DEMO

    session, nothing = read_session(DEMO), DEMO / "nothing"
    shelf = Shelf(dataclasses.replace(session, folder=str(nothing)), write=False)
    inputs.read_stress(session, sample_rate_hz=48000, shelf=shelf)
    start = time.process_time()
    stress = inputs.read_stress(session, sample_rate_hz=48000, shelf=shelf)
    heard_s = sum(one.heard_s for one in stress.tones.values())
    print(f"\n{heard_s:.0f} s of stress: {time.process_time() - start:.2f} s of CPU")
