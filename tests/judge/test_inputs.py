"""Every kind of input, from files on the disk to curves: one loudspeaker, one answer.

The truth is the simulation's own transfer, ungated, which shares no code with the
analysis.
"""

import csv
import io
import json
from functools import cache

import jsonschema
import numpy as np
import pytest
import soundfile
from commands import run
from days import GRID, TWO_WAY

from reportlib import simulate
from reportlib.draw.wordings import narrative_templates
from reportlib.errors import CaptureError
from reportlib.judge.analysis import analyse
from reportlib.judge.records import Analysis
from reportlib.numbers import number
from reportlib.session.day import SweepFacts
from reportlib.session.parameters import ReportParameters
from reportlib.session.reading import read_session
from reportlib.write.data import compression_csv, results_document, results_schema
from reportlib.write.facts import collect
from reportlib.write.report import draft

SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=1.0)
CHAIN = simulate.Chain(full_scale_db=120.0, reference_full_scale_v=80.0)
DRIVES_DB = (0.0, 24.0)
BASELINE_DB = 72.0

HEAD = """\
format = 1
[speaker]
name = "Marram 12"
drive = "passive"
[rig]
distance_m = {distance}
space = "free field"
{rig}
{tables}
"""
SWEEP_TABLE = """\
[sweep]
start_hz = 20.0
stop_hz = 20000.0
duration_s = 1.0
"""


def head(tables="", *, rig="", distance=1.0):
    return HEAD.format(tables=tables, rig=rig, distance=distance)


def levels(paths, *, drives_db=DRIVES_DB, test="short_term"):
    """Return one entry a level for the paths, or for lists of them."""
    entries = []
    for drive, path in zip(drives_db, paths, strict=True):
        names = [path] if isinstance(path, str) else path
        listed = ", ".join(f'"{name}"' for name in names)
        entries.append(
            f"[[{test}]]\nlevel_db = {BASELINE_DB + drive}\ndrive_db = {drive}\n"
            f"captures = [{listed}]\n"
        )
    return "".join(entries)


def write(folder, text):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def analysed(folder, **changes) -> Analysis:
    return analyse(
        read_session(folder), parameters=ReportParameters(session=str(folder), **changes)
    )


@cache
def play(drive_db, *, rate_hz=48000, chain=CHAIN, lead_in_s=0.3):
    return simulate.play_sweep(
        TWO_WAY, SWEEP, drive_db=drive_db, chain=chain, seed=7, sample_rate_hz=rate_hz,
        lead_in_s=lead_in_s, tail_s=0.45,
    )  # fmt: skip


def put_audio(path, channels, *, rate_hz=48000, subtype="FLOAT"):
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, np.stack(channels, axis=1), rate_hz, subtype=subtype)


def audio_day(folder, *, rate_hz=48000, ending="wav", subtype="FLOAT", stimulus_hz=None, **more):
    """Write a day of two levels; with `stimulus_hz` the drive is only known as what was played."""
    paths = [f"captures/{drive:g}.{ending}" for drive in DRIVES_DB]
    for drive, path in zip(DRIVES_DB, paths, strict=True):
        made = play(drive, rate_hz=rate_hz)
        channels = [made.microphone] + ([made.reference] if stimulus_hz is None else [])
        put_audio(folder / path, channels, rate_hz=rate_hz, subtype=subtype)
    if stimulus_hz is None:
        tables = f"{SWEEP_TABLE}[channels]\nreference = 2\n"
        more["rig"] = 'reference_at = "terminals"\n' + more.get("rig", "")
    else:
        tables = f'{SWEEP_TABLE}stimulus = "stimulus/sweep.wav"\n'
        signal = np.pad(
            0.5 * simulate.sweep_signal(SWEEP, sample_rate_hz=stimulus_hz), stimulus_hz // 5
        )
        put_audio(folder / "stimulus/sweep.wav", [signal], rate_hz=stimulus_hz, subtype="PCM_24")
    more["tables"] = tables + more.pop("tables", "")
    return write(folder, head(**more) + levels(paths))


@pytest.fixture(scope="module")
def true_change():
    half = 10.0 ** (0.3 / 24.0)
    part = (np.arange(400) + 0.5) / 400.0
    cells = GRID[:, np.newaxis] * (1 / half + (half - 1 / half) * part)

    def power(drive):
        h = simulate.sweep_transfer(TWO_WAY, cells.ravel(), sweep=SWEEP, drive_db=drive)
        return np.mean(np.abs(h.reshape(cells.shape)) ** 2, axis=1)

    return 10.0 * np.log10(power(DRIVES_DB[1]) / power(0.0))


# Widths, rates, with and without a reference

KINDS = [
    {"ending": "wav", "subtype": "PCM_16"},
    {"ending": "wav", "subtype": "PCM_24"},
    {"ending": "wav", "subtype": "PCM_32"},
    {"ending": "wav", "subtype": "FLOAT"},
    {"ending": "wav", "subtype": "DOUBLE"},
    {"ending": "flac", "subtype": "PCM_16"},
    {"ending": "flac", "subtype": "PCM_24"},
    {"rate_hz": 44100},
    {"rate_hz": 96000},
    {"rate_hz": 192000, "ending": "flac", "subtype": "PCM_24"},
    {"stimulus_hz": 48000},
    {"stimulus_hz": 44100},
    {"rate_hz": 96000, "stimulus_hz": 48000},
    {"rate_hz": 44100, "stimulus_hz": 96000},
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: "-".join(map(str, kind.values())))
def test_every_kind_of_recording_gives_the_same_change(tmp_path, true_change, kind):
    (curve,) = analysed(audio_day(tmp_path, **kind)).short_term
    assert curve.source == "sweep"
    clear = (GRID >= 60.0) & (GRID <= 16000.0)
    assert curve.usable[clear].all()
    error = (curve.change_db - true_change)[clear]
    assert np.abs(error).max() < 0.02


# Column text


def text_rows(drive_db, *, frequency_hz, mark=".", separator=" "):
    h = simulate.sweep_transfer(TWO_WAY, frequency_hz, sweep=SWEEP, drive_db=drive_db)
    level = 90.0 + 20.0 * np.log10(np.abs(h)) + drive_db
    rows = [
        f"{hz:.5f}{separator}{db:.5f}".replace(".", mark)
        for hz, db in zip(frequency_hz, level, strict=True)
    ]
    return "* a curve by somebody else\n" + "\n".join(rows) + "\n"


def text_day(folder, *, frequency_hz=None, facts="", ending="txt", drives_db=DRIVES_DB, **more):
    more = {"tables": "", **more}
    written = {key: more.pop(key) for key in ("mark", "separator") if key in more}
    hz = np.geomspace(18.0, 22000.0, 4000) if frequency_hz is None else frequency_hz
    paths = [f"captures/{drive:g}.{ending}" for drive in drives_db]
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    for drive, path in zip(drives_db, paths, strict=True):
        (folder / path).write_text(text_rows(drive, frequency_hz=hz, **written), encoding="utf-8")
    tables = more.pop("tables") + (f"[text]\n{facts}\n" if facts else "")
    return write(folder, head(tables, **more) + levels(paths, drives_db=drives_db))


def test_column_text_gives_the_change_too(tmp_path, true_change):
    folder = text_day(tmp_path, ending="any", mark=",", separator=" ; ")
    report = analysed(folder)
    (curve,) = report.short_term
    assert curve.source == "text"
    here = np.searchsorted(curve.frequency_hz, GRID * 0.999)
    np.testing.assert_allclose(curve.frequency_hz[here], GRID)
    assert curve.usable.all()
    assert np.abs(curve.change_db[here] - true_change).max() < 0.01
    assert report.harmonics == ()
    assert report.drive_steps[0].measured_db is None
    # the volume step's 0.1 dB at the baseline and the level, and nothing repeated: 0.05 dB twice
    np.testing.assert_allclose(curve.u95_db, 1.96 * np.hypot(0.1, 0.05 * np.sqrt(2)), rtol=1e-3)


def test_a_reference_channel_means_nothing_to_text(tmp_path):
    folder = text_day(
        tmp_path, rig='reference_at = "terminals"', tables="[channels]\nreference = 2\n"
    )
    report = analysed(folder)
    assert report.drive_steps[0].measured_db is None
    said = draft(
        report,
        facts=collect(report),
        templates=narrative_templates(),
        parameters=ReportParameters(session=str(folder)),
    )
    assert "terminals" not in said["how-measured"]


def test_what_text_leaves_unknown_is_said(tmp_path):
    notes = {note.code: note for note in analysed(text_day(tmp_path / "a")).quality}
    assert "lower bound" in notes["uncertainty-lower-bound"].message
    assert "noise stood in them is not known" in notes["uncertainty-lower-bound"].message
    assert {"gate-unknown", "smoothing-unknown", "steps-not-measured"} <= notes.keys()
    facts = "gate_ms = 8.0\nsmoothing_octaves = 0.3333\nsnr_db = 30.0"
    report = analysed(text_day(tmp_path / "b", facts=facts))
    notes = {note.code: note for note in report.quality}
    assert "30 dB of signal over noise" in notes["uncertainty-lower-bound"].message
    assert "smoothed over 0.333 octave" in notes["smoothing-coarse"].message
    assert "gate-unknown" not in notes


def test_the_stated_noise_and_gate_count(tmp_path):
    report = analysed(text_day(tmp_path, facts="gate_ms = 8.0\nsnr_db = 40.0"))
    (curve,) = report.short_term
    assert report.lowest_hz == pytest.approx(250.0)
    assert not curve.usable[curve.frequency_hz < 250.0].any()
    assert {*np.array(curve.reason)[curve.frequency_hz < 250.0]} == {"gate"}
    assert curve.usable[curve.frequency_hz > 250.0].all()
    # 6.14 dB·10^(−40/20) for each of two levels
    np.testing.assert_allclose(curve.budget.noise_db, 6.142 * 10**-2.0 * np.sqrt(2), rtol=1e-3)


def test_the_gate_of_the_rig_counts_where_text_has_none(tmp_path):
    assert analysed(text_day(tmp_path, rig="gate_ms = 10.0")).lowest_hz == pytest.approx(200.0)


def test_gaps_stay_open_and_are_named(tmp_path):
    hz = np.concatenate((np.geomspace(50.0, 400.0, 900), np.geomspace(900.0, 9000.0, 900)))
    report = analysed(text_day(tmp_path, frequency_hz=hz))
    (curve,) = report.short_term
    inside = (curve.frequency_hz > 400.0) & (curve.frequency_hz < 900.0)
    assert np.array_equal(np.array(curve.reason) == "gap", inside)
    assert np.array_equal(~curve.usable, inside)
    notes = [note for note in report.quality if note.code == "text-gaps"]
    assert [note.capture for note in notes] == ["captures/0.txt", "captures/24.txt"]
    assert "410 Hz to 890 Hz" in notes[0].message
    assert np.isfinite(report.baseline.mean_level_db)
    rows = list(csv.DictReader(io.StringIO(compression_csv(report.short_term))))
    assert {row["source"] for row in rows} == {"text"}
    assert {row["change_db"] for row in rows if row["reason"] == "gap"} == {""}


def test_each_file_tells_its_part(tmp_path):
    folder = text_day(tmp_path)
    short = text_rows(24.0, frequency_hz=np.geomspace(100.0, 5000.0, 1000))
    (folder / "captures/24.txt").write_text(short)
    (curve,) = analysed(folder).short_term
    outside = (curve.frequency_hz < 100.0) | (curve.frequency_hz > 5000.0)
    assert np.array_equal(np.array(curve.reason) == "range", outside)
    assert curve.usable[~outside].all()


def test_levels_of_text_are_those_asked_for(tmp_path):
    baseline = analysed(text_day(tmp_path)).baseline
    assert not baseline.calibrated
    assert baseline.mean_level_db == pytest.approx(BASELINE_DB)


def test_left_playing_by_text(tmp_path):
    folder = text_day(tmp_path)
    for name, lost in (("before", 0.0), ("after", 0.7)):
        made = text_rows(24.0, frequency_hz=np.geomspace(18.0, 22000.0, 800)).splitlines()[1:]
        rows = [line.split() for line in made]
        text = "\n".join(f"{hz} {float(db) - lost:.5f}" for hz, db in rows)
        (folder / f"captures/{name}.txt").write_text(text)
    with (folder / "session.toml").open("a") as file:
        file.write(
            '[[long_term]]\nlevel_db = 92\ndrive_db = 20\nbefore = ["captures/before.txt"]\n'
            "[[long_term.stage]]\nstress_s = 60\npause_s = 2\nafter = "
            '["captures/after.txt"]\n'
        )
    (curve,) = analysed(folder).long_term
    assert curve.source == "text"
    np.testing.assert_allclose(curve.change_db, -0.7, atol=1e-3)


def flat_text_day(folder, loss_db):
    hz = np.geomspace(18.0, 22000.0, 800)
    folder = text_day(folder, frequency_hz=hz, rig="drive_tolerance_db = 0.0")
    for drive, lost in zip(DRIVES_DB, (0.0, loss_db), strict=True):
        rows = "\n".join(f"{one:.4f} {80.0 + drive - lost:.4f}" for one in hz)
        (folder / f"captures/{drive:g}.txt").write_text(rows)
    return analysed(folder, assumed_repeatability_db=0.01)


@pytest.mark.parametrize(
    ("loss_db", "grade", "may_be"),
    [
        (0.25, "holds", None),
        (0.35, "holds", "slips"),
        (0.65, "holds", "slips"),
        (0.75, "slips", None),
        (0.85, "slips", "falls short"),
        (1.5, "falls short", None),
        (2.85, "falls short", "gives out"),
    ],
)
def test_text_close_to_a_limit_names_the_neighbour(tmp_path, loss_db, grade, may_be):
    report = flat_text_day(tmp_path, loss_db)
    (mids,) = [one for one in report.bands if one.band == "mids"]
    assert mids.u95_db < 0.05
    assert (mids.grade, mids.grade_may_be) == (grade, may_be)


def test_a_session_of_text_is_reported_whole(tmp_path):
    folder = text_day(tmp_path / "marram-12", drives_db=(0.0, 12.0, 24.0), ending="csv")
    run("report", folder)
    document = json.loads((folder / "out/data/results.json").read_text("utf-8"))
    jsonschema.validate(document, results_schema())
    assert document["measured"]["gate_s"] is None
    assert document["measured"]["sample_rate_hz"] is None
    page = (folder / "out/report.html").read_text("utf-8")
    assert "text files" in page
    assert "lower bound" in page
    assert " sweep, compared" not in page
    assert (folder / "out/figures/turned-up.svg").exists()


# Calibration and the microphone's correction


def true_levels(frequency_hz, *, distance_m=1.0):
    """Return the baseline's level at 1 m from the simulation's own transfer, dB SPL rms."""
    h = simulate.sweep_transfer(TWO_WAY, frequency_hz, sweep=SWEEP, drive_db=0.0)
    pascal = np.abs(h) * TWO_WAY.voltage(0.0)
    return 20.0 * np.log10(pascal / 20e-6) + 20.0 * np.log10(distance_m)


def calibrator(folder, *, level_db=94.0, tone_hz=1000.0, rate_hz=48000, seconds=2.0, channel=1):
    """Write a calibrator's recording; `channel` is where the microphone stands of two."""
    amplitude = 10.0 ** ((level_db - CHAIN.full_scale_db) / 20.0)
    tone = amplitude * np.sin(2.0 * np.pi * tone_hz * np.arange(int(seconds * rate_hz)) / rate_hz)
    rng = np.random.default_rng(3)
    other = 0.5 * rng.standard_normal(tone.size)
    channels = [tone, other] if channel == 1 else [other, tone]
    put_audio(folder / "calibration/calibrator.wav", channels, rate_hz=rate_hz)


RECORDED = """\
[calibration]
recording = "calibration/calibrator.wav"
level_db = 94.0
frequency_hz = 1000.0
"""


def mids(report):
    """Return baseline level, minus truth, over the middle of the range."""
    baseline = report.baseline
    inside = (baseline.frequency_hz > 100.0) & (baseline.frequency_hz < 10000.0)
    hz = baseline.frequency_hz[inside]
    distance = report.session.rig.distance_m
    return (baseline.level_db[inside] - true_levels(hz, distance_m=distance)), hz


@pytest.mark.parametrize("rate_hz", [48000, 44100, 96000])
@pytest.mark.parametrize("tone_hz", [1000.0, 1003.7])
def test_levels_by_a_calibrators_recording(tmp_path, rate_hz, tone_hz):
    folder = audio_day(tmp_path, tables=RECORDED)
    calibrator(folder, rate_hz=rate_hz, tone_hz=tone_hz)
    report = analysed(folder)
    assert report.baseline.calibrated
    by_recording = report.baseline.level_db
    folder = audio_day(tmp_path / "b", tables="[calibration]\nfull_scale_db = 120.0\n")
    by_full_scale = analysed(folder).baseline.level_db
    np.testing.assert_allclose(by_recording, by_full_scale, atol=0.01)
    assert np.abs(mids(report)[0]).max() < 0.2  # the truth here is not smoothed
    assert abs(np.mean(mids(report)[0])) < 0.02
    measured = results_document(report, tool_version="0")["measured"]
    assert measured["calibrated"] is True
    assert measured["baseline_level_db"] == pytest.approx(report.baseline.mean_level_db, abs=1e-5)


def test_levels_are_referred_to_one_metre(tmp_path):
    tables = "[calibration]\nfull_scale_db = 120.0\n"
    near = analysed(audio_day(tmp_path / "a", tables=tables)).baseline
    far = analysed(audio_day(tmp_path / "b", tables=tables, distance=2.0)).baseline
    np.testing.assert_allclose(far.level_db - near.level_db, 6.0206, atol=1e-4)


def test_the_microphone_may_be_channel_two(tmp_path):
    paths = ["captures/0.wav", "captures/24.wav"]
    for drive, path in zip(DRIVES_DB, paths, strict=True):
        made = play(drive)
        put_audio(tmp_path / path, [made.reference, made.microphone])
    tables = f"{SWEEP_TABLE}[channels]\nmicrophone = 2\nreference = 1\n{RECORDED}"
    rig = 'reference_at = "terminals"'
    calibrator(tmp_path, channel=2)
    report = analysed(write(tmp_path, head(tables, rig=rig) + levels(paths)))
    assert abs(np.mean(mids(report)[0])) < 0.02


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tone_hz": 250.0}, "holds no steady 1000 Hz tone"),
        ({"level_db": -200.0}, "holds no steady 1000 Hz tone"),
        ({"seconds": 0.1}, "0.10 s at 48000 Hz, expected 0.25 s or more of a 1000 Hz tone"),
        ({"level_db": 130.0}, "the calibrator's tone is clipped"),
    ],
)
def test_a_calibrator_that_cannot_be_used(tmp_path, change, words):
    folder = audio_day(tmp_path, tables=RECORDED)
    calibrator(folder, **change)
    if change.get("level_db") == -200.0:
        rng = np.random.default_rng(1)
        put_audio(folder / "calibration/calibrator.wav", 0.01 * rng.standard_normal((2, 48000)))
    if change.get("level_db") == 130.0:
        tone = np.clip(3.0 * np.sin(2.0 * np.pi * np.arange(48000) / 48.0), -1.0, 1.0)
        put_audio(folder / "calibration/calibrator.wav", [tone, tone])
    with pytest.raises(CaptureError) as caught:
        analysed(folder)
    assert words in str(caught.value)
    assert str(caught.value).startswith(f"{folder}/calibration/calibrator.wav: ")


def test_a_calibrator_switched_on_half_way_is_not_believed(tmp_path):
    folder = audio_day(tmp_path, tables=RECORDED)
    tone = 0.05 * np.sin(2.0 * np.pi * np.arange(96000) / 48.0)
    tone[:40000] *= 0.01
    put_audio(folder / "calibration/calibrator.wav", [tone, tone])
    with pytest.raises(CaptureError, match=r"its tone moves by \d+\.\d dB, expected a steady one"):
        analysed(folder)


SHELF = simulate.Chain(full_scale_db=120.0, reference_full_scale_v=80.0, microphone_shelf_db=4.0)


def shelved_day(folder, *, tables="", correction=True, ends_hz=(20.0, 20000.0)):
    paths = ["captures/0.wav", "captures/24.wav"]
    for drive, path in zip(DRIVES_DB, paths, strict=True):
        made = play(drive, chain=SHELF)
        put_audio(folder / path, [made.microphone, made.reference])
    rig = 'reference_at = "terminals"\n'
    if correction:
        rig += 'microphone_correction = "calibration/mic.txt"\n'
        hz = np.geomspace(*ends_hz, 200)
        level = 20.0 * np.log10(np.abs(SHELF.microphone(hz)))
        (folder / "calibration").mkdir(parents=True, exist_ok=True)
        rows = [f"{one:.3f};{db:.4f}".replace(".", ",") for one, db in zip(hz, level, strict=True)]
        (folder / "calibration/mic.txt").write_text("Hz;dB\n" + "\n".join(rows))
    tables = f"{SWEEP_TABLE}[channels]\nreference = 2\n{tables}"
    return write(folder, head(tables, rig=rig) + levels(paths))


def test_the_microphones_correction_enters_the_level_and_cancels_in_the_change(tmp_path):
    tables = "[calibration]\nfull_scale_db = 120.0\n"
    plain = analysed(shelved_day(tmp_path / "a", tables=tables, correction=False))
    right = analysed(shelved_day(tmp_path / "b", tables=tables))
    apart, hz = mids(plain)
    assert apart[hz > 8000.0].mean() > 1.0  # so much too high it reads
    apart, hz = mids(right)
    assert abs(apart[hz > 8000.0].mean()) < 0.03
    assert abs(apart.mean()) < 0.02
    one, other = plain.short_term[0].change_db, right.short_term[0].change_db
    np.testing.assert_array_equal(one, other)
    codes = {note.code for note in right.quality}
    assert not codes & {"microphone-correction-unused", "microphone-correction-held"}


def test_a_calibrator_has_the_microphones_error_in_it_already(tmp_path):
    """The calibrator's tone is read too high too, by the correction at its frequency."""
    tone_hz = 8000.0
    error = 20.0 * np.log10(np.abs(SHELF.microphone(np.array([tone_hz]))))[0]
    assert error > 1.0
    tables = RECORDED.replace("1000.0", "8000.0")
    folder = shelved_day(tmp_path, tables=tables)
    calibrator(folder, tone_hz=tone_hz, level_db=94.0 + error)
    assert abs(mids(analysed(folder))[0].mean()) < 0.02


def test_beyond_the_corrections_ends_its_last_value_is_held_and_that_is_said(tmp_path):
    report = analysed(shelved_day(tmp_path, ends_hz=(100.0, 9000.0)))
    (note,) = [one for one in report.quality if one.code == "microphone-correction-held"]
    assert "covers 100 Hz to 9 kHz" in note.message
    assert note.capture == "calibration/mic.txt"


def test_without_calibration_the_mean_is_the_asked_for_level_whatever_the_microphone(tmp_path):
    baseline = analysed(shelved_day(tmp_path)).baseline
    assert not baseline.calibrated
    assert baseline.mean_level_db == pytest.approx(BASELINE_DB)


def test_the_report_says_its_levels_were_measured(tmp_path):
    folder = audio_day(tmp_path / "marram-12", tables=RECORDED, distance=2.0)
    calibrator(folder)
    analysis = analysed(folder)
    drafts = draft(
        analysis,
        facts=collect(analysis),
        templates=narrative_templates(),
        parameters=ReportParameters(session="."),
    )
    assert "Levels are calibrated." in "\n".join(drafts.values())
    measured_db = analysis.baseline.mean_level_db
    assert abs(measured_db - BASELINE_DB) > 1.0  # else nothing would be said about it
    said = "\n".join(note.message for note in analysis.quality)
    assert f"measured {number(measured_db, 1)} dB" in said
