"""`upheld plan`: the folder, the sheet, questions at a terminal and none in a pipe."""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pikepdf
import pytest
import soundfile
from click.testing import CliRunner

from reportlib.cli import main, plans
from reportlib.errors import CaptureError, RenderError
from reportlib.plan import folder
from reportlib.session.reading import read_planned_session, read_session

BRIEF = [
    "--sweep-length", "0.5", "--stage", "3", "--sample-rate", "16000", "--sweep-stop", "6000",
]  # fmt: skip
FULL = [
    "--name", "Marram 12", "--drive", "passive", "--impedance", "4", "--power", "150",
    "--sensitivity", "84", "--distance", "1", "--space", "free field", "--baseline", "72",
    "--top", "99", "--date", "2026-05-04", "--reference", "terminals", *BRIEF,
]  # fmt: skip


def run(*arguments, code=0, answers=None):
    given = [str(one) for one in arguments]
    result = CliRunner().invoke(main, ["plan", *given], input=answers)
    assert result.exit_code == code, result.output
    return result


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plan") / "marram-12"
    run(folder, *FULL)
    return folder


def files_in(folder):
    return sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    )


def test_the_folder_is_complete_but_for_the_takes(planned, tmp_path):
    levels = [72, 78, 84, 90, 96, 99]
    assert files_in(planned) == sorted(
        ["plan.md", "plan.pdf", "session.toml", "stimulus/multitone.wav", "stimulus/sweep.wav"]
        + ["stimulus/set-volume-72.wav"]
        + [f"stimulus/levels/sweep-{level}.wav" for level in levels]
        + ["stimulus/levels/stress-90.wav"]
    )
    with pytest.raises(CaptureError, match="is not there"):
        read_session(planned)
    folder = shutil.copytree(planned, tmp_path / "day")
    session = read_planned_session(folder)
    entries = (*session.short_term, *session.baseline_again)
    captures = [path for entry in entries for path in entry.captures]
    for entry in session.long_term:
        captures += entry.before
        for stage in entry.stages:
            captures += [stage.stress, *stage.after]
    for path in (*captures, *session.noise_captures):
        (folder / path).write_bytes(path.encode())
    read = read_session(folder)
    assert [entry.level_db for entry in read.short_term] == levels
    assert read.multitone.crest_factor_db == 12.0
    assert read.speaker.sensitivity_db == 84.0


def test_every_file_that_the_sheet_plays_is_there(planned):
    text = (planned / "plan.md").read_text("utf-8")
    played = set(re.findall(r"levels/[a-z0-9.-]+\.wav", text))
    assert {f"stimulus/{path}" for path in played} <= set(files_in(planned))
    assert len(played) == 7
    session = read_planned_session(planned)
    for entry in session.short_term:
        for capture in entry.captures:
            assert f"| {Path(capture).name} |" in text


def test_the_sheet_says_times_volts_watts_and_when_to_stop(planned):
    """84 dB for 2.83 V: 72 dB are 0.711 V and 0.126 W into 4 Ω, 99 dB 15.92 V and 63.3 W."""
    text = (planned / "plan.md").read_text("utf-8")
    rows = [line.split(" | ") for line in text.splitlines() if line.startswith("| ☐")]
    times = [row[1] for row in rows]
    assert times == sorted(times)
    assert times[0] == "09:30"
    assert "| 72 dB | baseline | levels/sweep-72.wav | 72 dB | 0.710 V | 1.1 V | 0.13 W |" in text
    assert "| 99 dB | +27 dB | levels/sweep-99.wav | 99 dB | 15.9 V | 23 V | 64 W |" in text
    assert "reads 72.0 dB(Z), 71.8 dB(C) or 71.3 dB(A)." in text
    assert "(good to 5 kHz) at the terminals then reads about 0.710 V" in text
    assert text.index("## When to stop") < text.index("## The day")
    assert "of NIOSH's working day" in text
    assert f"`upheld report {planned}`" in text


def test_the_printed_sheet_is_a_tagged_document(planned):
    with pikepdf.open(planned / "plan.pdf") as pdf:
        assert 2 <= len(pdf.pages) <= 4
        assert pdf.docinfo["/Title"] == "Measuring day: Marram 12"
        assert pdf.Root.MarkInfo.Marked


def test_the_same_day_makes_the_same_bytes(planned, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    run("one", *FULL)
    for name in files_in(planned):
        if name not in ("plan.md", "plan.pdf"):  # they name the folder
            assert (tmp_path / "one" / name).read_bytes() == (planned / name).read_bytes(), name


def test_a_used_folder_is_refused_in_one_line(planned, tmp_path):
    before = files_in(planned)
    said = run(planned, *FULL, code=2).stderr
    assert "is not empty" in said
    assert said.count("\n") == 1
    assert files_in(planned) == before
    (tmp_path / "a.txt").write_text("mine")
    assert "is a file" in run(tmp_path / "a.txt", *FULL, code=2).stderr


def test_in_a_pipe_nothing_is_asked(tmp_path):
    said = run(tmp_path / "new", "--name", "Trivet 6", code=2, answers="passive\n1\nroom\n").stderr
    assert said == "upheld: still needed: --drive, --distance, --space. Give them as options.\n"
    assert list(tmp_path.iterdir()) == []


def test_at_a_terminal_what_is_missing_is_asked(tmp_path, monkeypatch):
    monkeypatch.setattr(plans, "_somebody_answers", lambda: True)
    answers = "Trivet 6\npassive\n1\nroom\n4\n\n85\n\n2400\n\n41\n92\n3\n"
    made = run(tmp_path / "new", *BRIEF[:2], *BRIEF[4:], answers=answers)
    assert "What a level meter reads" in made.output
    session = read_planned_session(tmp_path / "new")
    assert session.speaker.name == "Trivet 6"
    assert session.speaker.crossovers_hz == (2400.0,)
    assert session.speaker.rated_power_w is None
    assert session.baseline.level_db == 71.0
    assert session.short_term[-1].level_db == 92.0
    assert [stage.stress_s for stage in session.long_term[0].stages] == [3.0]


def test_beyond_the_rating_needs_a_reason_which_the_session_keeps(tmp_path):
    asked = [*FULL, "--power", "20"]
    said = run(tmp_path / "new", *asked, code=2).stderr
    assert "99 dB lies 5.0 dB beyond the maker's rating" in said
    assert "--beyond-rating" in said
    assert not (tmp_path / "new").exists()
    made = run(tmp_path / "new", *asked, "--beyond-rating", "the *maker* asks | for it")
    assert "Reason given" in made.output
    assert "the *maker* asks | for it" in read_planned_session(tmp_path / "new").notes
    assert r"the \*maker\* asks \| for it" in (tmp_path / "new/plan.md").read_text("utf-8")


def test_names_that_look_like_code_stay_text(tmp_path):
    name = 'A #eval("1") $x$ `b` | [c](d) \\ "q" 音'
    folder = tmp_path / "new"
    run(folder, *FULL[2:], "--name", name, "--no-level-files", "--no-stress")
    assert read_planned_session(folder).speaker.name == name
    with pikepdf.open(folder / "plan.pdf") as pdf:
        assert name in str(pdf.docinfo["/Title"])
    assert files_in(folder) == [
        "plan.md", "plan.pdf", "session.toml", "stimulus/multitone.wav",
        "stimulus/set-volume-72.wav", "stimulus/sweep.wav",
    ]  # fmt: skip
    assert "+6 dB" in (folder / "plan.md").read_text("utf-8")


def test_a_disk_that_fails_leaves_nothing(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder, "plan_markdown", full)
    said = run(tmp_path / "new", *FULL, code=2).stderr
    assert "could not be written (No space left on device)" in said
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    monkeypatch.setattr(
        folder, "check_stimulus", lambda *_, **__: (_ for _ in ()).throw(RenderError("x: y."))
    )
    run(tmp_path / "new", *FULL, code=2)
    assert list(tmp_path.iterdir()) == []


def test_the_box_is_kept_and_its_tuning_stands_for_the_lowest_bass(tmp_path):
    asked = [*FULL[: FULL.index("--top")], *FULL[FULL.index("--top") + 2 :]]
    cone = ["--cone-cm", "13", "--excursion-mm", "4"]
    said = run(tmp_path / "a", *asked, *cone, code=2).stderr
    assert "--bass-from (or --tuning)" in said
    vented = [*cone, "--enclosure", "vented", "--tuning", "50"]
    made = run(tmp_path / "new", *asked, *vented)
    assert "The cone bounds the top at 84 dB" in made.output
    assert "start it at 50 Hz (--sweep-start)" in made.output
    session = read_planned_session(tmp_path / "new")
    assert (session.speaker.enclosure, session.speaker.tuning_hz) == ("vented", (50.0,))
    assert session.short_term[-1].level_db == 84.0


def test_a_silent_recording_sets_the_baseline(tmp_path):
    """White noise of 1e-5 rms at 118 dB full scale is 21 dB, 13.6 in its third at 6.3 kHz."""
    hiss = 1e-5 * np.random.default_rng(4).standard_normal((32000, 2))
    soundfile.write(tmp_path / "silence.wav", hiss, 16000, subtype="FLOAT")
    asked = [one for one in FULL if one not in ("--baseline", "72")]
    said = run(tmp_path / "new", *asked, "--silence", tmp_path / "silence.wav", code=2).stderr
    assert "only with --full-scale" in said
    heard = ["--silence", tmp_path / "silence.wav", "--full-scale", "118"]
    run(tmp_path / "new", *asked, *heard)
    baseline_db = read_planned_session(tmp_path / "new").baseline.level_db
    assert 44.0 <= baseline_db <= 45.0
    assert "third of an octave" in (tmp_path / "new/plan.md").read_text("utf-8")
    missing = run(tmp_path / "b", *asked, "--silence", "none.wav", "--full-scale", "118", code=2)
    assert "none.wav" in missing.stderr


def test_json_for_a_script(tmp_path):
    made = json.loads(
        run(tmp_path / "new", *FULL, "--level", "70", "--level", "80", "--json").output
    )
    assert made["levels_db"] == [70.0, 80.0]
    assert made["departures"] == ["The levels are the reviewer's own, not steps of 6 dB."]
