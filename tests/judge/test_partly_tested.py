"""Sessions that test only a part: no level above the baseline, or no more than one drive unit."""

import json

import numpy as np
import pytest
from commands import run
from session_factory import MINIMAL, changed, write_session

from reportlib.draw import ladder, over_frequency, tables
from reportlib.errors import ReportError, SessionError
from reportlib.judge.analysis import analyse, check_session
from reportlib.publish import results
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session

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
    assert "the sweep did not reach there" in drafts["in-short"]
    assert range_words in drafts["in-short"]
    assert "noise" not in drafts["in-short"]
    assert "too many answers" not in drafts["turned-up"]
    assert "not tested: what was measured covers" in drafts["turned-up"]
    for draw in (ladder.level_ladder, over_frequency.turned_up):
        assert "too uncertain" not in draw(report).caption


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
