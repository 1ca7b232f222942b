"""A take that cannot be used is left out, said, and the day goes on; and how it is told."""

import json

import numpy as np
import pytest
from faults import ASKED, RATE, cut, day, notes, only, worse

from reportlib.check import kinds
from reportlib.errors import AnalysisError, CaptureError
from reportlib.judge.analysis import analyse
from reportlib.session.records import QualityNote

LATE = cut(first_s=0.8)


def silence(microphone, reference):
    return np.zeros_like(microphone), reference


def nothing_played(microphone, reference):
    hiss = 1e-5 * np.random.default_rng(8).standard_normal(microphone.size)
    return hiss, reference


def other_sweep(microphone, reference):
    return microphone[::-1].copy(), reference[::-1].copy()


@pytest.mark.parametrize(
    ("fault", "code"),
    [(silence, "silent"), (nothing_played, "no-sweep"), (other_sweep, "no-sweep")],
)
def test_one_take_is_refused_and_its_level_keeps_the_other(tmp_path, fault, code):
    session = day(tmp_path, seed=701, change=only(["84-b"], fault))
    analysis = analyse(session, parameters=ASKED)
    assert worse(analysis.quality) == [(code, "captures/84-b.wav")]
    assert str(tmp_path) not in analysis.quality[0].message
    by_level = {curve.level_db: curve for curve in analysis.short_term}
    assert by_level[84.0].takes == 1
    assert by_level[90.0].takes == 2


def test_a_damaged_file_is_refused_too(tmp_path):
    session = day(tmp_path, seed=701)
    path = tmp_path / "captures/84-a.wav"
    import soundfile

    samples, _ = soundfile.read(path)
    samples[1000] = np.nan
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    got = notes(session)
    assert worse(got) == [("not-readable", "captures/84-a.wav")]


def at_another_rate(path):
    import soundfile

    samples, _ = soundfile.read(path)
    soundfile.write(path, samples, 44100, subtype="FLOAT")


def with_a_cut_header(path):
    path.write_bytes(path.read_bytes()[:30])


def with_one_channel(path):
    import soundfile

    samples, rate = soundfile.read(path)
    soundfile.write(path, samples[:, 0], rate, subtype="FLOAT")


@pytest.mark.parametrize("damage", [at_another_rate, with_a_cut_header, with_one_channel])
@pytest.mark.parametrize("name", ["84-b", "72-a"])
def test_a_file_of_a_wrong_kind_is_refused_and_the_day_goes_on(tmp_path, damage, name):
    session = day(tmp_path, seed=701)
    damage(tmp_path / f"captures/{name}.wav")
    analysis = analyse(session, parameters=ASKED)
    refused = [note for note in analysis.quality if note.severity == "refused"]
    assert [note.capture for note in refused] == [f"captures/{name}.wav"]
    assert str(tmp_path) not in refused[0].message
    assert len(analysis.short_term) == 3


def test_where_no_recording_can_be_read_one_line_says_so(tmp_path):
    session = day(tmp_path, seed=701)
    for path in (tmp_path / "captures").iterdir():
        with_a_cut_header(path)
    with pytest.raises(CaptureError, match=r"72-a\.wav"):
        analyse(session, parameters=ASKED)


def test_a_level_without_takes_is_left_out_everywhere(tmp_path):
    session = day(tmp_path, seed=701, change=only(["84"], LATE))
    analysis = analyse(session, parameters=ASKED)
    assert [curve.level_db for curve in analysis.short_term] == [90.0, 99.0]
    assert [step.level_db for step in analysis.drive_steps] == [90.0, 99.0]
    assert 84.0 not in {band.level_db for band in analysis.bands}
    assert 84.0 not in {one.level_db for one in analysis.harmonics}
    assert 84.0 not in {entry.level_db for entry in analysis.session.short_term}
    (missing,) = [note for note in analysis.quality if note.code == "level-left-out"]
    assert "84 dB level" in missing.message
    assert missing.severity == "refused"


def test_a_cut_take_does_not_shorten_the_gate_of_the_others(tmp_path):
    whole = analyse(day(tmp_path / "whole", seed=701), parameters=ASKED)
    short = day(tmp_path / "short", seed=701, change=only(["90-a"], cut(last_s=0.65)))
    assert analyse(short, parameters=ASKED).gate_s == pytest.approx(whole.gate_s, abs=0.01)


@pytest.mark.parametrize("name", ["before", "after-1", "after-2", "again"])
def test_long_term_and_baseline_again(tmp_path, name):
    session = day(
        tmp_path, seed=701, takes=1, long_term=True, change=only([name], LATE)
    )  # fmt: skip
    if name != "again":
        session = day(
            tmp_path, seed=701, takes=1, long_term=True,
            change=lambda one, *both: LATE(*both) if one == name else both,
        )  # fmt: skip
    analysis = analyse(session, parameters=ASKED)
    kept = {"before": [], "after-1": [60.0], "after-2": [30.0], "again": [30.0, 60.0]}[name]
    assert [curve.elapsed_s for curve in analysis.long_term] == kept
    assert "level-left-out" in {code for code, _ in worse(analysis.quality)}


def test_without_a_baseline_there_is_one_line(tmp_path):
    with pytest.raises(AnalysisError) as caught:
        notes(day(tmp_path, seed=701, change=only(["72"], LATE)))
    line = str(caught.value)
    assert line.splitlines() == [line]
    assert line.startswith("the baseline has no take left. captures/72-a.wav")
    assert "record it again" in line


def test_with_the_baseline_alone_there_is_one_line(tmp_path):
    with pytest.raises(AnalysisError, match=r"nothing is left to compare .* captures/84-a.wav"):
        notes(day(tmp_path, seed=701, takes=1, change=only(["84", "90", "99"], LATE)))


def test_a_second_take_of_the_baseline_is_enough(tmp_path):
    got = notes(day(tmp_path, seed=701, change=only(["72-a"], LATE)))
    assert worse(got) == [("starts-late", "captures/72-a.wav")]


def note(code, severity):
    return QualityNote(code=code, severity=severity, capture="captures/a.wav", message="So it is.")


def test_told_the_worst_first_with_its_exit_code():
    mild, bad = note("drift", "note"), note("clipped", "warning")
    refused = note("silent", "refused")
    assert kinds.exit_code([mild]) == 0
    assert kinds.exit_code([mild, bad]) == 3
    assert kinds.exit_code([refused]) == 3
    lines = kinds.check_lines([mild, bad, refused, mild])
    assert lines[0] == "1 refused, 1 warning, 1 note."
    assert [line.split(":")[0] for line in lines[1:]] == ["refused", "warning", "note"]
    assert kinds.check_lines([]) == ("Nothing to note.",)


def test_told_as_json():
    document = json.loads(json.dumps(kinds.check_document([note("clipped", "warning")])))
    assert document["counts"] == {"refused": 0, "warning": 1, "note": 0}
    assert document["quality"][0]["code"] == "clipped"
    assert "Lower the input gain" in document["to_do"]["clipped"]


def test_the_table_is_whole():
    codes = [kind.code for kind in kinds.KINDS]
    assert len(codes) == len(set(codes))
    for kind in kinds.KINDS:
        assert kind.meaning.endswith(".")
        assert f"| `{kind.code}` |" in kinds.kinds_markdown()
        assert kind.to_do or kind.severities == ("note",)
