import re

import pytest
from session_factory import changed, said, write_session


@pytest.fixture
def folder(tmp_path):
    return write_session(tmp_path / "marram-12")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "distance_m",
            "distance",
            r'"distance" in \[rig\] .*: the nearest is distance_m\.',
        ),
        ("distance_m", "Distance-M", r"the nearest is distance_m"),
        (
            "captures =",
            "capture =",
            r'"capture" in \[\[short_term\]\] entry 1 .*captures',
        ),
        ("[rig]", "[rigs]", r'"rigs" at the top of the file .*the nearest is rig\.'),
        (
            "[speaker]",
            "date = 2026-05-04\n[Speaker]",
            r'"Speaker" .*nearest is speaker',
        ),
        ("duration_s", "duration", r'"duration" in \[sweep\] .* duration_s'),
        (
            "drive_db = 6.0",
            "drive_dB = 6.0",
            r'"drive_dB" in \[\[short_term\]\] entry 2',
        ),
        (
            "space =",
            "gate_ms = 6.0\nsmoothing_octave = 0.1\nspace =",
            r"smoothing_octaves in \[text",
        ),
        (
            'drive = "p',
            'weight_kg = 31\ndrive = "p',
            r'"weight_kg" in \[speaker\] .*known there are name',
        ),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest(folder, old, new, words):
    assert re.search(words, said(folder, changed(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "start_hz",
            "distance_m = 1\nstart_hz",
            r'"distance_m" in \[sweep\].*in \[rig\]\.',
        ),
        ('name = "M', 'date = 2026-05-04\nname = "M', r"it belongs at the top of the file\. Move"),
        (
            "format = 1",
            "format = 1\nstress_s = 4",
            r".*belongs in \[\[long_term\.stage\]\]",
        ),
        ("start_hz", "gate_ms = 6\nstart_hz", r"belongs in \[rig\] or in \[text\]\. Move it there"),
    ],
)
def test_a_key_in_the_wrong_table_is_sent_home(folder, old, new, words):
    assert re.search(words, said(folder, changed(old, new)))


def test_a_strange_key_stays_one_line(folder):
    line = said(folder, changed("format = 1", 'format = 1\n"a\\nb\\u2028\\u202ec" = 1'))
    assert '"a\\nb\\u2028\\u202ec" at the top of the file is not a known key' in line


def test_the_unknown_key_comes_before_what_it_leaves_missing(folder):
    text = changed('space = "free field"', 'space = "gated"\ngate = 6.0')
    assert "the nearest is gate_ms" in said(folder, text)


def test_a_key_of_an_inline_table_is_named(folder):
    text = changed('[speaker]\nname = "Marram 12"\ndrive = "passive"\n', "")
    text = changed("format = 1", 'format = 1\nspeaker = {name = "Marram 12", drive = 5}', text=text)
    assert "drive in [speaker] is 5" in said(folder, text)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("distance_m = 1.0", "distance_m = 0", r"is 0, expected a number from 0\.001 to 100"),
        ("distance_m = 1.0", "distance_m = -1.5", r"is -1\.5, expected a number from 0\.001"),
        ("distance_m = 1.0", 'distance_m = "1 m"', r'is "1 m", expected a number without quotes'),
        ("distance_m = 1.0", "distance_m = true", r"is true, expected a number"),
        ("distance_m = 1.0", "distance_m = nan", r"is nan, expected a number, not nan or inf"),
        ("distance_m = 1.0", "distance_m = inf", r"is inf, expected a number, not nan or inf"),
        ("distance_m = 1.0", f"distance_m = {10**400}", r"is a huge number, expected a number"),
        ("level_db = 72.0", "level_db = 181", r"expected a number from −20 to 180"),
        ("level_db = 72.0", "level_db = -21", r"expected a number from −20 to 180"),
        ("start_hz = 20.0", "start_hz = 0.0", r"start_hz in \[sweep\] is 0\.0"),
        ("duration_s = 4.0", "duration_s = 0", r"duration_s in \[sweep\] is 0"),
        ('"passive"', '"Pasive"', r'one of "passive", "active" \(the nearest is "passive"\)'),
        ('"passive"', '"valve"', r'is "valve", expected one of "passive", "active"\.'),
        ('"free field"', '"free-field"', r'"room" \(the nearest is "free field"\)'),
        ('"free field"', "3", r'is 3, expected one of "free field", "half space", "gated"'),
        ('"Marram 12"', '"  "', r"expected one line of text, not empty"),
        ('"Marram 12"', '"a\\nb"', r'is "a\\nb", expected one line of text'),
        ('"Marram 12"', "12", r"is 12, expected text in quotes"),
        ("format = 1", 'format = 1\ndate = "2026-05-04"', r"expected a date without quotes"),
        ("format = 1", "format = 1\ndate = 10:00:00", r"is 10:00:00, expected a date"),
        ("drive_db = 6.0", 'drive_db = 6.0\nat = "10:32"', r"expected a time of day with seconds"),
        ("drive_db = 6.0", "drive_db = 6.0\nat = 2026-05-04", r"expected a time of day"),
        ('["captures/short-72.wav"]', '"captures/short-72.wav"', r"expected a list in \[ \]"),
        (
            '["captures/short-72.wav"]',
            "[]",
            r"captures in .*entry 1 is \[\], expected at least one",
        ),
        ('["captures/short-72.wav"]', "[1]", r"entry 1, value 1 is 1, expected text in quotes"),
        (
            "[sweep]",
            "[[sweep]]",
            r"\[sweep\] is a list of tables.*a table under \[sweep\]",
        ),
        ("[speaker]", "channels = 2\n[speaker]", r"\[channels\] is 2, expected a table under"),
        ("[sweep]", "[noise]\ncaptures = []\n[sweep]", r"captures in \[noise\] is \[\]"),
        ("[sweep]", "[channels]\nmicrophone = 0\n[sweep]", r"is 0, expected a whole number from 1"),
        ("[sweep]", "[channels]\nmicrophone = 1.0\n[sweep]", r"is 1\.0, expected a whole number"),
        ("[rig]", "tuning_hz = 38.0\n[rig]", r"is 38\.0, expected a list in \[ \]"),
        ("[rig]", 'enclosure = "ported"\n[rig]', r'expected one of "closed", "vented", "passive'),
        ("[sweep]", "crossovers_hz = []\n[sweep]", r"it belongs in \[speaker\]"),
        ("[sweep]", "pressure_kpa = 1013\n[sweep]", r"is 1013, expected a number from 30 to 120"),
        (
            "[sweep]",
            "equipment = 'mic'\n[sweep]",
            r'equipment in \[rig\] is "mic", expected a list',
        ),
    ],
)
def test_a_wrong_value_is_named_with_what_is_expected(folder, old, new, words):
    assert re.search(words, said(folder, changed(old, new)))
