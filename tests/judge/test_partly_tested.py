"""Sessions that test only a part: no level above the baseline, or no more than one drive unit."""

import json

import numpy as np
import pytest
import soundfile
from builders import make_analysis
from commands import run
from scipy.signal import butter, sosfilt
from session_factory import MINIMAL, changed, write_session

from reportlib.draw import ladder, over_frequency, tables
from reportlib.errors import ReportError, SessionError
from reportlib.judge.analysis import analyse, check_session
from reportlib.many.comparison import compare
from reportlib.many.rows import from_results
from reportlib.measure.levels import BANDS
from reportlib.publish import results
from reportlib.session.day import SweepFacts
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate import sweep_signal
from reportlib.write.data import results_document
from reportlib.write.readings_sweeps import rungs

TEXT = MINIMAL.replace(".wav", ".txt")
TEXT = TEXT[: TEXT.index("[sweep]")] + TEXT[TEXT.index("[[short_term]]") :]
BASELINE = TEXT[: TEXT.rindex("[[short_term]]")]


def written(folder, text=TEXT, *, low_hz=20.0, high_hz=20e3):
    """Write a session of column text whose second level is 0.5 dB behind."""
    write_session(folder, text)
    frequency_hz = np.geomspace(low_hz, high_hz, 200)
    for number, path in enumerate(sorted((folder / "captures").iterdir())):
        level_db = np.full(200, 72.0 + 5.5 * number)
        np.savetxt(path, np.c_[frequency_hz, level_db], fmt="%.4f")
    return folder


def drafts_of(folder):
    parameters = checked_parameters(session=str(folder))
    report = analyse(read_session(folder), parameters=parameters)
    results.keep_results(report, parameters=parameters)
    run = json.loads((folder / ".upheld" / "results" / "run.json").read_text("utf-8"))
    return report, run["drafts"]


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "tested", "range_words"),
    [
        (20.0, 120.0, ["bass"], "up to 120 Hz, "),
        (25.0, 35.0, [], ""),
        (3000.0, 20e3, ["presence", "treble"], "from 3.1 kHz up, "),
        (500.0, 1900.0, ["mids"], "from 500 Hz to 1.9 kHz, "),
        (21e3, 39e3, [], ""),
    ],
)
def test_bands_beyond_what_was_measured_are_not_tested(
    tmp_path, low_hz, high_hz, tested, range_words
):
    report, drafts = drafts_of(written(tmp_path / "a", low_hz=low_hz, high_hz=high_hz))
    rows = tables.band_table(report).rows
    assert [row[3].split(",")[0] for row in rows if row[-1] != "not tested"] == tested
    assert ("the sweep did not reach there" in drafts["in-short"]) == (not tested)
    assert range_words in drafts["in-short"]
    assert "noise" not in drafts["in-short"]
    assert "too many answers" not in drafts["turned-up"]
    assert "not tested: what was measured covers" in drafts["turned-up"]
    for draw in (ladder.level_ladder, over_frequency.turned_up):
        assert "too uncertain" not in draw(report).caption
        assert not tested or "not tested" not in draw(report).caption


UNITS = {"sub": (20.0, 200.0, "bass"), "tweeter": (2000.0, 20e3, "presence range")}


def one_unit(folder, kind):
    """Write a recorded day of one drive unit, which loses at its lower end."""
    low_hz, high_hz, _ = UNITS[kind]
    facts = SweepFacts(start_hz=low_hz, stop_hz=high_hz, duration_s=1.0)
    drive = np.pad(0.1 * sweep_signal(facts, sample_rate_hz=48000), 24000)
    whole = butter(2, [1.2 * low_hz, 0.9 * high_hz], "bandpass", fs=48000, output="sos")
    lowest = butter(1, 4.0 * low_hz, fs=48000, output="sos")
    text = MINIMAL[: MINIMAL.index("[sweep]")]
    text += 'reference_at = "loop-back"\n[channels]\nreference = 2\n[sweep]\nduration_s = 1.0\n'
    text += f"start_hz = {low_hz}\nstop_hz = {high_hz}\n"
    folder.mkdir()
    for raised_db, lost in ((0, 0.0), (10, 0.05), (20, 0.25)):
        heard = sosfilt(whole, drive)
        heard = heard - lost * sosfilt(lowest, heard)
        noise = 1e-5 * np.random.default_rng(raised_db).standard_normal(heard.size)
        gain = 10.0 ** (raised_db / 20.0)
        made = np.column_stack([gain * heard + noise, gain * drive])
        soundfile.write(folder / f"{raised_db}.wav", made, 48000, subtype="FLOAT")
        text += f"[[short_term]]\nlevel_db = {72.0 + raised_db}\ndrive_db = {raised_db}.0\n"
        text += f'captures = ["{raised_db}.wav"]\n'
    (folder / "session.toml").write_text(text)
    return folder


@pytest.mark.parametrize("kind", UNITS)
@pytest.mark.parametrize("recorded", [True, False])
def test_a_drive_unit_alone_says_nothing_of_the_rest(tmp_path, kind, recorded):
    low_hz, high_hz, spoken = UNITS[kind]
    folder = tmp_path / kind
    folder = one_unit(folder, kind) if recorded else written(folder, low_hz=low_hz, high_hz=high_hz)
    report, drafts = drafts_of(folder)
    assert not {note.code for note in report.quality} & {"microphone-moved", "low-signal"}
    assert f"its {spoken}" in drafts["in-short"]
    measured = {one.band for one in report.bands if one.grade != "can't tell"}
    for slot in ("in-short", "left-playing", "why", "at-your-seat"):
        told = drafts[slot].replace(spoken, "")
        for band in {"bass", "mids", "presence", "treble"} - measured:
            assert band not in told, (slot, told)
        assert "did not reach" not in told
    assert "were not tested: what was measured covers" in drafts["turned-up"]
    assert "can't be told: " not in drafts["turned-up"]
    assert {rung.band for rung in rungs(report)} == measured
    row = from_results(results_document(report, tool_version=""))
    for band in BANDS:
        assert (row[f"grade_{band.slug}".replace("-", "_")] == "not tested") == (
            band.name not in measured
        )


@pytest.mark.parametrize(("kind", "recorded"), [("sub", True), ("tweeter", False)])
def test_a_drive_unit_alone_is_reported_whole(tmp_path, kind, recorded):
    low_hz, high_hz, _ = UNITS[kind]
    folder = tmp_path / kind
    folder = one_unit(folder, kind) if recorded else written(folder, low_hz=low_hz, high_hz=high_hz)
    run("report", folder)
    assert "not tested: what was measured covers" in (folder / "out/report.html").read_text("utf-8")


def test_a_drive_unit_alone_beside_a_whole_loudspeaker(tmp_path):
    sub = drafts_of(one_unit(tmp_path / "sub", "sub"))[0]
    comparison = compare([sub, make_analysis(name="Trivet 6")], names=["a", "b"])
    assert not comparison.rankings
    words = [one.words for one in comparison.hindrances]
    assert any("free field, over 20–200 Hz" in one for one in words)
    assert any("was not measured in the low mids, mids, presence" in one for one in words)
    assert not any("too little can be told" in one for one in words)


def test_a_baseline_alone_was_never_turned_up(tmp_path):
    folder = written(tmp_path / "a", BASELINE)
    _, drafts = drafts_of(folder)
    assert drafts["in-short"].split("\n\n")[1].startswith("Only the baseline was measured, so how")
    assert "noise" not in drafts["in-short"]
    result = run("check", folder, code=3)
    assert "warning: baseline-alone: session.toml: no level above the baseline" in result.output


@pytest.mark.parametrize(
    ("distance_m", "asked"), [(100, True), (30, True), (10, False), (1, False)]
)
def test_a_microphone_that_far_off_is_asked_about(tmp_path, distance_m, asked):
    text = changed("distance_m = 1.0", f"distance_m = {distance_m}", text=TEXT)
    session = read_session(written(tmp_path / "a", text))
    notes = check_session(session, parameters=checked_parameters(session=session.folder))
    found = [note for note in notes if note.code == "distance-unlikely"]
    assert bool(found) == asked
    assert all(note.severity == "warning" and "is it metres?" in note.message for note in found)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("distance_m = 1.0", "distance_m = 5e-324"),
        ("distance_m = 1.0", "distance_m = 0.0009"),
        ("start_hz = 20.0", "start_hz = 5e-324"),
        ("duration_s = 4.0", "duration_s = 1e-310"),
        ('"free field"', '"free field"\ngate_ms = 5e-324'),
        ('"passive"', '"passive"\nrated_power_w = 5e-324'),
        ('"passive"', '"passive"\ncrossovers_hz = [5e-324]'),
        ('"passive"', '"passive"\nrated_impedance_ohm = 1e-7'),
    ],
)
def test_a_number_too_small_to_be_one_is_one_line(tmp_path, old, new):
    with pytest.raises(SessionError, match=r"expected a number (above 0\.000001|from 0\.001)"):
        read_session(write_session(tmp_path / "a", changed(old, new)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("stop_hz = 20000.0", "stop_hz = 30000.0"),
        ("duration_s = 4.0", "duration_s = 5.0"),
        ("start_hz = 20.0", "start_hz = 19.0"),
    ],
)
def test_what_is_refused_about_the_sweep_names_the_file(tmp_path, old, new):
    session = read_session(write_session(tmp_path / "a", changed(old, new)))
    with pytest.raises(ReportError) as caught:
        check_session(session, parameters=checked_parameters(session=session.folder))
    line = str(caught.value)
    assert str(tmp_path / "a") in line
    assert "session.toml" in line
    assert "[sweep]" in line
