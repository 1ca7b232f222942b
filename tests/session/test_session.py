import datetime
import hashlib
import re
import tomllib
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from session_factory import FULL, LONG_TERM, MINIMAL, changed, said, write_session

from reportlib.errors import ReportError, SessionError
from reportlib.session.day import Session
from reportlib.session.reading import read_session, session_notes


@pytest.fixture
def folder(tmp_path):
    return write_session(tmp_path / "marram-12")


@pytest.fixture
def full(tmp_path):
    return write_session(tmp_path / "marram-12", FULL)


def test_every_key_of_the_format_arrives_where_it_belongs(full):
    session = read_session(full)
    assert session.folder == str(full)
    assert (session.date, session.notes) == ("2026-05-04", "")
    assert session.speaker.name == "Marram 12"
    assert session.speaker.drive == "passive"
    assert session.speaker.use == "living room"
    assert session.speaker.crossovers_hz == (450.0, 3200.0)
    assert (session.speaker.enclosure, session.speaker.tuning_hz) == ("vented", (38.0, 41.5))
    assert (session.speaker.serial, session.speaker.settings) == ("0007", "grille off")
    assert (session.speaker.rated_impedance_ohm, session.speaker.rated_power_w) == (8.0, 120.0)
    assert (session.speaker.maximum_level_db, session.speaker.sensitivity_db) == (108.0, 87.5)
    assert (session.rig.distance_m, session.rig.space, session.rig.gate_ms) == (
        1.0,
        "free field",
        6.0,
    )
    assert (session.rig.reference_at, session.rig.volume_at) == ("terminals", "before reference")
    assert session.rig.temperature_c == 21.5
    assert (session.rig.humidity_percent, session.rig.pressure_kpa) == (45.0, 101.3)
    assert session.rig.equipment == ("measuring microphone, class 1",)
    assert session.rig.microphone_correction == "calibration/mic.txt"
    assert session.rig.drive_tolerance_db == 0.1
    channels = session.channels
    assert (channels.microphone, channels.reference) == (1, 2)
    assert (channels.voltage, channels.current) == (3, 4)
    calibration = session.calibration
    assert calibration.recording == "calibration/calibrator.wav"
    assert (calibration.level_db, calibration.frequency_hz) == (94.0, 1000.0)
    assert (calibration.voltage_full_scale_v, calibration.current_full_scale_a) == (40.0, 10.0)
    sweep = session.sweep
    assert (sweep.start_hz, sweep.stop_hz, sweep.duration_s) == (20.0, 20000.0, 4.0)
    assert sweep.stimulus == "stimulus/sweep.wav"
    assert session.multitone.stimulus == "stimulus/multitone.wav"
    assert session.multitone.crest_factor_db == 12.0
    text = session.text
    assert (text.gate_ms, text.smoothing_octaves, text.snr_db) == (6.0, 0.1, 40.0)
    assert session.noise_captures == ("captures/silence.wav",)
    first, second = session.short_term
    assert session.baseline is first
    assert (first.level_db, first.drive_db, first.at) == (72.0, 0.0, "10:32:00")
    assert first.captures == ("captures/short-72-a.wav", "captures/short-72-b.wav")
    assert (first.temperature_c, second.input_gain_db) == (21.5, -6.0)
    (again,) = session.baseline_again
    assert (again.level_db, again.drive_db) == (72.0, 0.0)
    assert datetime.time.fromisoformat(again.at) == datetime.time(11, 2, 30, 500_000)
    (level,) = session.long_term
    assert (level.level_db, level.drive_db, level.sweep_drive_db) == (92.0, 20.0, 18.0)
    assert level.before == ("captures/long-92-before.wav",)
    one, two = level.stages
    assert (one.stress, one.stress_s) == ("captures/long-92-stress-1.wav", 90.0)
    assert (one.pause_s, one.pause_u_s, one.rest_s) == ((2.0,), 0.25, 8.0)
    assert one.after == ("captures/long-92-after-1.wav",)
    assert (two.stress, two.stress_s, two.pause_s) == (None, 30.0, (2.0, 8.0))
    assert level.elapsed_s(1) == 120.0
    assert session.reference_counts
    assert session_notes(session) == ()


def test_the_defaults_of_the_format_are_filled_in(tmp_path):
    session = read_session(write_session(tmp_path, MINIMAL + LONG_TERM))
    assert (session.date, session.notes, session.calibration, session.text) == (
        None,
        "",
        None,
        None,
    )
    assert session.channels.microphone == 1
    assert session.channels.reference is None
    assert session.rig.volume_at == "before reference"
    assert session.rig.drive_tolerance_db == 0.1
    (level,) = session.long_term
    assert level.sweep_drive_db == level.drive_db == 20.0
    assert (level.stages[0].pause_u_s, level.stages[0].rest_s) == (0.5, None)
    assert session.short_term[0].input_gain_db == 0.0
    assert session.baseline_again == ()


def test_one_pause_counts_for_all_takes(tmp_path):
    text = MINIMAL + LONG_TERM.replace('"captures/after.wav"', '"captures/a.wav", "captures/b.wav"')
    (level,) = read_session(write_session(tmp_path, text)).long_term
    assert level.stages[0].pause_s == (2.0, 2.0)


def test_whole_numbers_may_stand_for_numbers_with_decimals(folder):
    (folder / "session.toml").write_text(changed("distance_m = 1.0", "distance_m = 2"))
    distance_m = read_session(folder).rig.distance_m
    assert (distance_m, type(distance_m)) == (2.0, float)


def test_digests_are_those_of_the_standard_tool(full):
    # against hashlib over the whole bytes; SHA-256 of "abc" is FIPS 180-2's own example
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea414140de5dae2223")
    (full / "calibration/mic.txt").write_bytes(b"abc")
    digests = read_session(full).digests
    assert digests["calibration/mic.txt"].startswith("ba7816bf8f01cfea414140de5dae2223")
    assert digests["session.toml"] == hashlib.sha256(FULL.encode()).hexdigest()
    files = {p.relative_to(full).as_posix() for p in full.rglob("*") if p.is_file()}
    assert set(digests) == files
    for path, digest in digests.items():
        assert digest == hashlib.sha256((full / path).read_bytes()).hexdigest()


def test_a_relative_folder_is_named_as_it_was_given(folder, monkeypatch):
    monkeypatch.chdir(folder.parent)
    assert read_session("marram-12").folder == "marram-12"
    (folder / "session.toml").write_text(changed("format = 1", "format = 0"))
    with pytest.raises(SessionError, match=r"^marram-12/session\.toml: format is 0, exp"):
        read_session("marram-12")


def test_windows_line_ends_and_names_beyond_ascii_are_fine(tmp_path):
    text = MINIMAL.replace("captures/short-72.wav", "captures/Düne 72 – früh.wav")
    session = read_session(write_session(tmp_path / "Strandgut №1", text.replace("\n", "\r\n")))
    assert session.baseline.captures == ("captures/Düne 72 – früh.wav",)
    (tmp_path / "Strandgut №1/session.toml").write_bytes(
        changed("distance_m = 1.0", "distance_m = 0", text=text).replace("\n", "\r\n").encode()
    )
    assert "session.toml: distance_m" in said(tmp_path / "Strandgut №1")


def test_needless_parts_of_a_path_are_dropped(folder):
    (folder / "session.toml").write_text(
        changed("captures/short-72.wav", "./captures//short-72.wav")
    )
    assert read_session(folder).baseline.captures == ("captures/short-72.wav",)


def test_a_link_that_stays_inside_is_followed(folder):
    (folder / "captures/short-72.wav").rename(folder / "captures/first.wav")
    (folder / "captures/short-72.wav").symlink_to("first.wav")
    assert read_session(folder).baseline.captures == ("captures/short-72.wav",)


def test_keys_that_start_with_x_are_kept_and_otherwise_ignored(folder):
    text = "x_borrowed = 2026-05-01\n" + MINIMAL
    text = changed("[rig]", "[rig]\nx_room = 'boat hall'", text=text)
    text = changed("drive_db = 6.0", "drive_db = 6.0\nx_who = [1, 10:00:00]", text=text)
    text += "[x_library]\nshelf = 4\n[x_library.more]\nformat = 'any'\n"
    (folder / "session.toml").write_text(text)
    session = read_session(folder)
    assert session.kept == {
        "x_borrowed": "2026-05-01",
        "x_library": {"shelf": 4, "more": {"format": "any"}},
        "rig": {"x_room": "boat hall"},
        "short_term.2": {"x_who": [1, "10:00:00"]},
    }


def test_crossovers_come_in_order(folder):
    (folder / "session.toml").write_text(changed("[rig]", "crossovers_hz = [3200, 450.0]\n[rig]"))
    assert read_session(folder).speaker.crossovers_hz == (450.0, 3200.0)


@pytest.mark.parametrize(
    "lines",
    [
        "full_scale_db = 131.0",
        "voltage_full_scale_v = 40.0",
        "full_scale_db = 131.0\nvoltage_full_scale_v = 40.0",
    ],
)
def test_calibration_may_be_by_full_scale(folder, lines):
    (folder / "session.toml").write_text(MINIMAL + f"[calibration]\n{lines}\n")
    calibration = read_session(folder).calibration
    for line in lines.split("\n"):
        key, value = line.split(" = ")
        assert getattr(calibration, key) == float(value)
    assert calibration.recording is None


def notes_of(folder, text):
    write_session(folder, text)
    return {note.code: note for note in session_notes(read_session(folder))}


@pytest.mark.parametrize(
    ("drive_db", "noted"), [(5.5, False), (6.5, False), (5.4, True), (6.6, True)]
)
def test_level_and_drive_agree_within_half_a_decibel(tmp_path, drive_db, noted):
    notes = notes_of(tmp_path, changed("drive_db = 6.0", f"drive_db = {drive_db}"))
    assert ("level-and-drive-differ" in notes) is noted
    if noted:
        note = notes["level-and-drive-differ"]
        assert (note.severity, note.capture) == ("warning", "")
        assert (
            f"78 dB lies 6 dB above the baseline, but drive_db says {drive_db} dB" in note.message
        )


def test_the_same_bytes_under_two_names_are_noted(folder):
    (folder / "captures/short-78.wav").write_bytes((folder / "captures/short-72.wav").read_bytes())
    (note,) = session_notes(read_session(folder))
    assert (note.code, note.severity) == ("same-recording", "warning")
    assert note.capture == "captures/short-78.wav"
    assert "holds the very same bytes as captures/short-72.wav" in note.message


def test_a_reference_that_no_channel_carries_is_noted(tmp_path):
    notes = notes_of(tmp_path, changed("[sweep]", 'reference_at = "terminals"\n[sweep]'))
    assert "[channels] names no reference" in notes["reference-not-mapped"].message


def test_a_rest_within_the_pause_is_noted(tmp_path):
    text = MINIMAL + LONG_TERM.replace("pause_s = 2.0", "pause_s = 2.0\nrest_s = 1.0")
    notes = notes_of(tmp_path, text)
    assert "stage 1 of the long-term test at 92 dB" in notes["rest-shorter-than-pause"].message


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory):
    return write_session(tmp_path_factory.mktemp("fuzz") / "session", FULL)


def read_or_say(folder, data):
    """Read what may be anything: None where a session comes out, else the one line."""
    (folder / "session.toml").write_bytes(data)
    line = None
    try:
        session = read_session(folder)
    except ReportError as error:
        line = str(error)
    if line is None:
        assert isinstance(session, Session)
        session_notes(session)
    else:
        assert len(line.splitlines()) == 1
        # nothing that bends a line: controls, direction marks, halves of characters
        assert not {"Cc", "Cf", "Cs", "Zl", "Zp"} & {unicodedata.category(c) for c in line}
    return line


ODD_VALUES = [
    *("nan", "-inf", "1e308", "-0.0", "true", "[]", "{}", "[[]]", "[{}]", "0x_f", "9" * 30),
    *('""', '"\\u202e"', "'''a\nb'''", "{x_a = 1}", '[1, "a"]', '["../a.wav"]'),
    *("07:32:00", "1979-05-27", "1979-05-27T07:32:00", "1979-05-27T07:32:00Z"),
]


@given(data=st.binary(max_size=200))
def test_any_bytes_give_a_session_or_one_line(fuzzed, data):
    read_or_say(fuzzed, b"format = 1\n" + data)


@given(position=st.integers(0, len(FULL) - 1), cut=st.integers(0, 30), text=st.text(max_size=8))
def test_any_change_of_the_text_gives_a_session_or_one_line(fuzzed, position, cut, text):
    spliced = FULL[:position] + text + FULL[position + cut :]
    read_or_say(fuzzed, spliced.encode("utf-8", errors="surrogatepass"))


ROWS = [row for row in FULL.split("\n") if re.match(r"\s*\w+ = ", row)]


@given(row=st.sampled_from(ROWS), value=st.sampled_from(ODD_VALUES))
def test_any_value_at_any_key_gives_a_session_or_one_line_that_names_it(fuzzed, row, value):
    key = row.split("=")[0].strip()
    text = FULL.replace(row, f"{key} = {value}", 1)
    line = read_or_say(fuzzed, text.encode())
    if line and "not valid TOML" not in line:
        assert key in line


@given(rows=st.lists(st.sampled_from(FULL.split("\n")), max_size=30))
def test_lines_in_any_order_give_a_session_or_one_line(fuzzed, rows):
    read_or_say(fuzzed, "\n".join(["format = 1", *rows]).encode())


def test_the_fuzzed_text_is_a_good_one(fuzzed):
    assert read_or_say(fuzzed, FULL.encode()) is None
    assert tomllib.loads(FULL)["speaker"]["name"] == "Marram 12"
