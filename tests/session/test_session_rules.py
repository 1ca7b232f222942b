import re

import pytest
from session_factory import FULL, LONG_TERM, MINIMAL, changed, said, write_named, write_session

from reportlib.session.reading import read_session


@pytest.fixture
def folder(tmp_path):
    return write_session(tmp_path / "marram-12")


@pytest.fixture
def full(tmp_path):
    return write_session(tmp_path / "marram-12", FULL)


def test_a_single_table_where_a_list_of_them_is_due(folder):
    text = MINIMAL.replace("[[short_term]]", "[short_term]", 1)
    text = text[: text.index("[[short_term]]")]
    line = said(folder, text)
    assert "[[short_term]] is a table, expected a list of tables" in line
    assert "with two brackets" in line


def test_no_short_term_at_all(folder):
    text = MINIMAL[: MINIMAL.index("[[short_term]]")]
    assert "[[short_term]] is missing (one entry a level, the baseline first)" in said(folder, text)
    assert "[[short_term]] is [], expected at least one [[short_term]], the baseline" in said(
        folder, "short_term = []\n" + text
    )


def test_a_long_term_entry_without_a_stage(folder):
    text = MINIMAL + LONG_TERM[: LONG_TERM.index("[[long_term.stage]]")]
    write_named(folder / "stimulus/multitone.wav")
    line = said(folder, text)
    assert "[[long_term.stage]] is missing in [[long_term]] entry 1" in line


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (
            'name = "Marram 12"',
            r'name is missing in \[speaker\] .*such as name = "Marram 12"',
        ),
        ('drive = "passive"', r"drive is missing in \[speaker\]"),
        (
            "distance_m = 1.0",
            r"distance_m is missing in \[rig\] \(metres from the micro",
        ),
        ('space = "free field"', r"space is missing in \[rig\]"),
        ("start_hz = 20.0", r"start_hz is missing in \[sweep\]"),
        ("stop_hz = 20000.0", r"stop_hz is missing in \[sweep\]"),
        ("duration_s = 4.0", r"duration_s is missing in \[sweep\]"),
        ("level_db = 78.0", r"level_db is missing in \[\[short_term\]\] entry 2"),
        ("drive_db = 6.0", r"drive_db is missing in \[\[short_term\]\] entry 2"),
        (
            'captures = ["captures/short-72.wav"]',
            r"captures is missing in .* entry 1",
        ),
        (
            '[speaker]\nname = "Marram 12"\ndrive = "passive"',
            r"\[speaker\] is missing.*Add a table",
        ),
        ('[rig]\ndistance_m = 1.0\nspace = "free field"', r"\[rig\] is missing \(where and with"),
    ],
)
def test_what_is_required_is_asked_for(folder, row, words):
    assert re.search(words, said(folder, changed(row + "\n", "")))


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("level_db = 92.0", r"level_db is missing in \[\[long_term\]\] entry 1"),
        ("drive_db = 20.0", r"drive_db is missing in \[\[long_term\]\] entry 1"),
        ('before = ["captures/before.wav"]', r"before is missing in \[\[long_term\]\] entry 1"),
        (
            "stress_s = 90.0",
            r"stress_s is missing in .*\[\[long_term\.stage\]\] entry 1",
        ),
        ("pause_s = 2.0", r"pause_s is missing in .*stage\]\] entry 1"),
        ('after = ["captures/after.wav"]', r"after is missing in .*stage\]\] entry 1"),
        ("crest_factor_db = 12.0", r"crest_factor_db is missing in \[multitone\]"),
        ('stimulus = "stimulus/multitone.wav"', r"stimulus is missing in \[multitone\]"),
    ],
)
def test_what_the_long_term_test_requires_is_asked_for(tmp_path, row, words):
    folder = write_session(tmp_path, MINIMAL + LONG_TERM)
    assert re.search(words, said(folder, changed(row + "\n", "", text=MINIMAL + LONG_TERM)))


def test_calibration_is_one_thing_or_the_other(full):
    text = changed("frequency_hz = 1000.0", "frequency_hz = 1000.0\nfull_scale_db = 131", text=FULL)
    line = said(full, text)
    assert re.search(r"\[calibration\] holds both recording and full_scale_db", line)


@pytest.mark.parametrize("key", ["recording", "level_db = 94", "frequency_hz"])
def test_a_calibrator_needs_all_three_of_its_facts(full, key):
    text = "\n".join(row for row in FULL.split("\n") if not row.startswith(key))
    line = said(full, text)
    name = key.split()[0]
    assert f"{name} is missing in [calibration]" in line
    assert f"Add a line such as {name} = " in line


def test_an_empty_calibration_says_nothing(folder):
    assert "[calibration] is empty" in said(folder, MINIMAL + "[calibration]\n")


@pytest.mark.parametrize(
    ("enclosure", "words"),
    [
        ("", "but no enclosure is given"),
        ('enclosure = "closed"', 'but enclosure is "closed"'),
        ('enclosure = "open"', 'but enclosure is "open"'),
    ],
)
def test_only_what_resonates_has_a_tuning(folder, enclosure, words):
    line = said(folder, changed("[rig]", f"{enclosure}\ntuning_hz = [38.0]\n[rig]"))
    assert f"[speaker] holds tuning_hz, {words}, expected enclosure" in line
    assert '= "vented" or "passive radiator" with it' in line


def test_a_passive_radiator_has_a_tuning(folder):
    rows = 'enclosure = "passive radiator"\ntuning_hz = [38.0]\n[rig]'
    (folder / "session.toml").write_text(changed("[rig]", rows))
    assert read_session(folder).speaker.tuning_hz == (38.0,)


def test_gated_needs_its_gate(folder):
    line = said(folder, changed("free field", "gated"))
    assert "gate_ms is missing in [rig]" in line
    assert 'needed where space is "gated". Add a line such as gate_ms = 6.0' in line


def test_a_reference_says_where_it_was_taken(folder):
    line = said(folder, MINIMAL + "[channels]\nreference = 2\n")
    assert "reference_at is missing in [rig]" in line
    assert "needed where [channels] names a reference" in line


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("reference = 1", r"\[channels\] reference is 1 and microphone is 1 too"),
        ("microphone = 2\nreference = 2", r"reference is 2 and microphone is 2 too"),
        (
            "reference = 2\nvoltage = 3\ncurrent = 3",
            r"\[channels\] current is 3 and volt",
        ),
    ],
)
def test_a_channel_has_one_role(folder, lines, words):
    text = changed("[sweep]", 'reference_at = "terminals"\n[sweep]')
    assert re.search(words, said(folder, text + f"[channels]\n{lines}\n"))


def test_audio_needs_the_sweep(folder):
    text = MINIMAL.replace(MINIMAL[MINIMAL.index("[sweep]") : MINIMAL.index("[[short")], "")
    line = said(folder, text)
    assert "[sweep] is missing" in line
    assert "needed where a capture is audio, as captures/short-72.wav is" in line


def test_column_text_needs_no_sweep(tmp_path):
    text = MINIMAL.replace(MINIMAL[MINIMAL.index("[sweep]") : MINIMAL.index("[[short")], "")
    text = text.replace("short-72.wav", "short-72.txt").replace("short-78.wav", "short-78.CSV")
    write_named(tmp_path / "captures/short-78.CSV")
    session = read_session(write_session(tmp_path, text))
    assert session.sweep is None
    assert session.baseline.captures == ("captures/short-72.txt",)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("captures/short-78.wav", "captures/short-78.txt", "short-78.txt, which is column text, "
         "but captures/short-72.wav is audio"),
        ("captures/short-72.wav", "captures/short-72.csv", "short-78.wav, which is audio, but "
         "captures/short-72.csv is column text"),
    ],
)  # fmt: skip
def test_sweeps_are_of_one_kind(tmp_path, old, new, words):
    folder = write_session(tmp_path, changed(old, new))
    line = said(folder)
    assert "captures in [[short_term]] entry 2, value 1 names captures/" in line
    assert words in line
    assert "Put them into two sessions" in line


def test_a_stress_recording_is_audio_whatever_the_sweeps_are(tmp_path):
    text = MINIMAL + LONG_TERM.replace("stress_s =", 'stress = "captures/stress.wav"\nstress_s =')
    for name in ("short-72", "short-78", "before", "after"):
        text = changed(f"{name}.wav", f"{name}.txt", text=text)
    assert read_session(write_session(tmp_path, text)).long_term[0].before[0].endswith(".txt")


def test_the_stimulus_may_only_lack_where_a_reference_was_recorded(folder):
    text = changed('stimulus = "stimulus/sweep.wav"\n', "")
    line = said(folder, text)
    assert "stimulus is missing in [sweep]" in line
    assert "needed where no reference channel was recorded" in line
    text = changed("[sweep]", 'reference_at = "loop-back"\n[sweep]', text=text)
    (folder / "session.toml").write_text(text + "[channels]\nreference = 2\n")
    assert read_session(folder).sweep.stimulus is None


def test_a_sweep_rises(folder):
    text = changed("stop_hz = 20000.0", "stop_hz = 20.0")
    assert "[sweep] start_hz is 20 and stop_hz 20, expected a sweep that rises" in said(
        folder, text
    )


def test_a_stress_recording_needs_its_multitone(tmp_path):
    text = LONG_TERM.replace("stress_s =", 'stress = "captures/stress.wav"\nstress_s =')
    folder = write_session(tmp_path, MINIMAL + text)
    assert read_session(folder).long_term[0].stages[0].stress == "captures/stress.wav"
    line = said(folder, MINIMAL + text[text.index("[[long_term]]") :])
    assert "[multitone] is missing" in line
    assert "where a stress recording is given, as captures/stress.wav is" in line


def test_without_a_stress_recording_the_multitone_may_be_left_out(tmp_path):
    text = MINIMAL + LONG_TERM[LONG_TERM.index("[[long_term]]") :]
    assert read_session(write_session(tmp_path, text)).multitone is None


def test_as_many_pauses_as_takes(tmp_path):
    text = MINIMAL + LONG_TERM
    folder = write_session(tmp_path, text)
    line = said(folder, changed("pause_s = 2.0", "pause_s = [2.0, 8.0]", text=text))
    assert "pause_s in [[long_term]] entry 1, [[long_term.stage]] entry 1 has 2" in line
    assert "expected one value for each or one for all" in line
    line = said(folder, changed("pause_s = 2.0", "pause_s = []", text=text))
    assert "pause_s in [[long_term]] entry 1, [[long_term.stage]] entry 1 has 0" in line


def test_the_baseline_comes_first(folder):
    head, first, second = (
        MINIMAL.partition("[[short_term]]")[0],
        *MINIMAL.split("[[short_term]]")[1:],
    )
    text = f"{head}[[short_term]]{second}[[short_term]]{first}"
    line = said(folder, text)
    assert "the first [[short_term]] has drive_db = 6, but entry 2 is the baseline" in line
    assert "Move it to the top" in line


def test_a_baseline_is_needed(folder):
    line = said(folder, changed("drive_db = 0.0", "drive_db = 3.0"))
    assert "has drive_db = 3, expected the baseline, drive_db = 0, first" in line


@pytest.mark.parametrize("level_db", ["72.0", "70.0"])
def test_levels_rise(folder, level_db):
    line = said(folder, changed("level_db = 78.0", f"level_db = {level_db}"))
    assert re.search(r"\[\[short_term\]\] entry 2 has level_db = 7\d after 72", line)


def test_the_baseline_has_no_gain_over_itself(folder):
    line = said(folder, changed("drive_db = 0.0", "drive_db = 0.0\ninput_gain_db = 3"))
    assert "the first [[short_term]], the baseline, has input_gain_db = 3" in line


def test_long_term_levels_differ(tmp_path):
    text = MINIMAL + LONG_TERM
    again = LONG_TERM[LONG_TERM.index("[[long_term]]") :].replace(".wav", "-2.wav")
    folder = write_session(tmp_path, text + again)
    line = said(folder)
    assert "[[long_term]] entry 2 has level_db = 92, as entry 1 has" in line
