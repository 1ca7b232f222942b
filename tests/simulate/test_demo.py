"""The demo's session folders: whole, true to their levels, the same again by seed."""

import hashlib
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from simulated import db, level_db

from reportlib import simulate
from reportlib.errors import ReportError
from reportlib.session.reading import read_session
from reportlib.simulate import demo, speakers

SHIPPED = Path(__file__).parents[2] / "demo_inputs"
RATE = 48000
BAND_S = {
    band: tuple(0.5 + 4.0 / np.log(1000.0) * np.log(hz / 20.0) for hz in edges)
    for band, edges in {"level": (200.0, 5000.0), "middle": (500.0, 2000.0)}.items()
}
"""When a capture's sweep passes a range, seconds from the recording's start (Farina 2000)."""


def brief_demo(folder, **options):
    return demo.make_demo(
        folder, **{"speaker": "marram-12", "takes": 1, "stages_s": (1.0, 2.0), **options}
    )


@pytest.fixture(scope="module")
def marram(tmp_path_factory):
    return brief_demo(tmp_path_factory.mktemp("demo") / "marram-12")


@pytest.fixture(scope="module")
def unrecorded(tmp_path_factory):
    """Another seed, the stress not recorded, into an empty folder that was there."""
    folder = tmp_path_factory.mktemp("demo")
    return brief_demo(folder, seed=2, stages_s=(16.0,), record_stress=False)


@pytest.fixture(scope="module", params=["marram-12", "trivet-6", "samphire-3"])
def made(request, tmp_path_factory):
    if request.param == "marram-12":
        return request.getfixturevalue("marram")
    folder = tmp_path_factory.mktemp("demo") / request.param
    return brief_demo(folder, speaker=request.param)


def session_of(folder):
    return tomllib.loads((folder / "session.toml").read_text(encoding="utf-8"))


def named_files(session):
    levels = session["short_term"] + session["baseline_again"]
    captures = [path for entry in levels for path in entry["captures"]]
    for entry in session["long_term"]:
        captures += entry["before"]
        for stage in entry["stage"]:
            captures += [*([stage["stress"]] if "stress" in stage else []), *stage["after"]]
    stimuli = [session["sweep"]["stimulus"], session["multitone"]["stimulus"]]
    return captures + session["noise"]["captures"], stimuli


def digests(folder):
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def stretch_db(folder, capture, *, band, channel=0):
    samples, _ = soundfile.read(folder / capture)
    first, last = (round(seconds * RATE) for seconds in BAND_S[band])
    return level_db(samples[first:last, channel])


def test_the_session_keeps_the_contract(made):
    session = session_of(made)
    assert session["format"] == 1
    assert {"name", "drive"} <= session["speaker"].keys()
    assert {"distance_m", "space", "reference_at"} <= session["rig"].keys()
    assert {"start_hz", "stop_hz", "duration_s"} <= session["sweep"].keys()
    assert session["multitone"]["crest_factor_db"] == pytest.approx(12.0, abs=0.1)
    levels = session["short_term"]
    assert [entry["level_db"] for entry in levels] == [72.0, 78.0, 84.0, 90.0, 96.0, 99.0]
    assert [entry["drive_db"] for entry in levels] == [0.0, 6.0, 12.0, 18.0, 24.0, 27.0]
    assert [entry["level_db"] for entry in session["long_term"]] == [82.0, 92.0]
    assert [entry["drive_db"] for entry in session["long_term"]] == [10.0, 20.0]
    times = [entry["at"] for entry in levels + session["baseline_again"]]
    assert times == sorted(set(times))


def test_the_strict_reader_takes_it(made):
    read = read_session(made)
    assert read.speaker.name.lower().replace(" ", "-") == made.name
    assert read.baseline.drive_db == 0.0


def test_every_named_file_is_there_and_nothing_else(made):
    captures, stimuli = named_files(session_of(made))
    correction = session_of(made)["rig"].get("microphone_correction")
    named = {*captures, *stimuli, "session.toml"} | ({correction} if correction else set())
    assert digests(made).keys() == named


def test_captures_are_whole_and_do_not_clip(made):
    captures, _ = named_files(session_of(made))
    for capture in captures:
        found = soundfile.info(made / capture)
        stress = "stress" in capture
        assert (found.format, found.subtype) == ("FLAC", "PCM_16" if stress else "PCM_24")
        electrical = stress and "voltage" in session_of(made)["channels"]
        assert (found.samplerate, found.channels) == (RATE, 4 if electrical else 2)
        samples, _ = soundfile.read(made / capture)
        assert np.max(np.abs(samples)) < 0.9
        if "silence" not in capture:
            assert np.max(np.abs(samples[: RATE // 2, 0])) < 0.05 * np.max(np.abs(samples[:, 0]))
            assert found.frames / RATE in {5.1, 2.1, 3.1}


def test_levels_are_true(made):
    session = session_of(made)
    distance_m = session["rig"]["distance_m"]
    baseline = session["short_term"][0]["captures"][0]
    full_scale_db = session["calibration"]["full_scale_db"]
    # full scale is a sine's peak, 3.01 dB over its rms
    heard_db = stretch_db(made, baseline, band="level") + 3.0103 + full_scale_db
    correction_db = 0.1 if "microphone_correction" in session["rig"] else 0.0
    room_db = 10.0 * np.log10(1.0 + 10.0**-0.8) if session["rig"]["space"] == "room" else 0.0
    expected_db = 72.0 - 20.0 * np.log10(distance_m) + room_db
    assert heard_db == pytest.approx(expected_db, abs=0.15 + correction_db)


def test_the_reference_shows_the_steps(made):
    entries = session_of(made)["short_term"]
    steps = [
        stretch_db(made, entry["captures"][0], band="level", channel=1)
        - stretch_db(made, entries[0]["captures"][0], band="level", channel=1)
        for entry in entries
    ]
    np.testing.assert_allclose(steps, [entry["drive_db"] for entry in entries], atol=0.005)


def test_the_stimuli_are_what_the_reference_heard(made):
    session = session_of(made)
    for stimulus, capture in (
        (session["sweep"]["stimulus"], session["short_term"][-1]["captures"][0]),
        (session["multitone"]["stimulus"], session["long_term"][-1]["stage"][0]["stress"]),
    ):
        played, _ = soundfile.read(made / stimulus)
        heard = soundfile.read(made / capture)[0][RATE // 2 :][: played.size, 1]
        cosine = played @ heard / np.sqrt((played @ played) * (heard @ heard))
        assert cosine > 0.99999


def test_microphone_correction_is_column_text(tmp_path):
    about = speakers.SPEAKERS["marram-12"]
    path = tmp_path / "mic.txt"
    demo._write_microphone(path, about=about)
    hz, too_high_db = np.loadtxt(path).T
    assert hz[0] == 20.0
    assert hz[-1] == 20000.0
    assert np.all(np.diff(hz) > 0.0)
    np.testing.assert_allclose(too_high_db, db(about.chain.microphone(hz)), atol=0.001)


def test_same_seed_same_bytes(marram, tmp_path):
    seen = []
    again = brief_demo(tmp_path / "marram-12", progress=lambda *step: seen.append(step))
    assert digests(again) == digests(marram)
    assert [done for done, _, _ in seen] == list(range(1, seen[0][1] + 1))
    assert {total for _, total, _ in seen} == {1 + 7 + 2 * (1 + 2 * 2)}
    assert seen[0][2] == "captures/silence.flac"


def test_another_seed_is_another_day(marram, unrecorded):
    ours, theirs = digests(marram), digests(unrecorded)
    assert ours["stimulus/sweep.flac"] == theirs["stimulus/sweep.flac"]
    captures = [path for path in theirs if path.startswith("captures/")]
    assert len(captures) == 1 + 7 + 2 * 2
    assert all(ours[path] != theirs[path] for path in captures)


def test_unrecorded_stress_warms_all_the_same(unrecorded):
    session = session_of(unrecorded)
    stage = session["long_term"][1]["stage"][0]
    assert "stress" not in stage
    before = stretch_db(unrecorded, session["long_term"][1]["before"][0], band="middle")
    assert stretch_db(unrecorded, stage["after"][0], band="middle") - before < -0.25


# --- refusals


def test_unknown_loudspeaker_is_named_with_those_there_are(tmp_path):
    with pytest.raises(ReportError, match=r"no demo loudspeaker 'marram'.*marram-12, trivet-6"):
        brief_demo(tmp_path / "day", speaker="marram")


def test_a_folder_in_use_is_left_alone(tmp_path):
    (tmp_path / "session.toml").write_text("mine")
    with pytest.raises(ReportError, match=r"is not empty\. Give the name of a new folder"):
        brief_demo(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["session.toml"]


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "day").write_text("mine")
    with pytest.raises(ReportError, match=r"is a file\. Give the name of a new folder"):
        brief_demo(tmp_path / "day")


@pytest.mark.parametrize("stages_s", [(), (1.5,), (0.0,)])
def test_stages_are_whole_seconds(tmp_path, stages_s):
    with pytest.raises(ReportError, match=r"Give each stage in whole seconds"):
        brief_demo(tmp_path / "day", stages_s=stages_s)


@pytest.mark.parametrize("takes", [0, 27])
def test_takes_are_within_reason(tmp_path, takes):
    with pytest.raises(ReportError, match=rf"{takes} takes of each level: give a number from 1"):
        brief_demo(tmp_path / "day", takes=takes)


def test_stress_is_recorded_at_levels_that_there_are(tmp_path):
    with pytest.raises(ReportError, match=r"at 90 dB: the demo's long-term levels are 82 and 92"):
        brief_demo(tmp_path / "day", record_stress=[90.0])


def test_a_day_cut_short_leaves_nothing_behind(tmp_path):
    def stop(done, total, path):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        brief_demo(tmp_path / "day", progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_cannot_be_written_is_one_line(tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(ReportError, match=r"the demo could not be written \(Not a directory\)"):
        brief_demo(tmp_path / "file" / "deeper" / "day")


# --- what the loudspeakers do: the scenario's magnitudes, from the transfer


def change_db(speaker, *, level, low_hz, high_hz):
    loudspeaker = replace(speakers.SPEAKERS[speaker].loudspeaker, room=None)
    frequency = np.geomspace(low_hz, high_hz, 120)
    quiet, loud = (
        simulate.sweep_transfer(loudspeaker, frequency, sweep=demo.SWEEP, drive_db=asked_db - 72.0)
        for asked_db in (72.0, level)
    )
    return db(loud / quiet)


def test_marram_12_holds_to_96_and_warms_a_little_at_99():
    assert np.max(np.abs(change_db("marram-12", level=96.0, low_hz=40.0, high_hz=16000.0))) < 0.4
    low_mids = np.min(change_db("marram-12", level=99.0, low_hz=160.0, high_hz=500.0))
    assert -0.8 < low_mids < -0.4


def test_trivet_6_loses_its_port_first():
    port = [
        np.min(change_db("trivet-6", level=level, low_hz=40.0, high_hz=63.0))
        for level in (84.0, 90.0, 96.0, 99.0)
    ]
    np.testing.assert_allclose(port, [-0.6, -1.5, -3.1, -4.2], atol=0.4)
    assert np.min(change_db("trivet-6", level=90.0, low_hz=160.0, high_hz=16000.0)) > -0.2


def test_samphire_3_limits_and_rings():
    at_420 = [
        np.max(change_db("samphire-3", level=level, low_hz=410.0, high_hz=430.0))
        for level in (84.0, 90.0)
    ]
    assert at_420[0] > 0.8
    assert 1.5 < at_420[1] < 2.5
    strongest = [
        np.min(change_db("samphire-3", level=level, low_hz=160.0, high_hz=300.0))
        for level in (90.0, 96.0, 99.0)
    ]
    assert strongest[0] > -0.1
    assert -1.9 < strongest[1] < -0.9
    assert strongest[2] < -3.0


@pytest.mark.parametrize(
    ("speaker", "least_db", "most_db"),
    [("marram-12", -1.1, -0.7), ("trivet-6", -1.5, -0.9), ("samphire-3", -0.25, -0.05)],
)
def test_long_term_loss_in_the_middle(speaker, least_db, most_db):
    loss_db = stress_loss_db(speaker, seconds=(120.0,), low_hz=700.0, high_hz=1400.0)
    assert least_db < loss_db[0] < most_db


def stress_loss_db(speaker, *, seconds, low_hz, high_hz):
    loudspeaker = replace(speakers.SPEAKERS[speaker].loudspeaker, room=None)
    multitone = simulate.multitone_signal(seed=[1, 0])
    heating = simulate.multitone_heating(
        loudspeaker, multitone, drive_db=20.0, duration_s=120.0, step_s=0.5
    )
    inside = (multitone.frequency_hz > low_hz) & (multitone.frequency_hz < high_hz)
    cold, *hot = (
        simulate.transfer(
            loudspeaker,
            multitone.frequency_hz,
            drive_db=20.0,
            temperatures=coil_k,
            shares=multitone.shares,
        )[inside]
        for coil_k in heating.coil_at([0.0, *seconds]).T
    )
    return [np.mean(db(one / cold)) for one in hot]


def test_trivet_6_has_a_fast_coil_and_a_slower_rest():
    early_db, later_db, end_db = stress_loss_db(
        "trivet-6", seconds=(8.4, 40.0, 120.0), low_hz=250.0, high_hz=1000.0
    )
    assert 0.5 < early_db / end_db < 0.7  # after a time constant of the coil
    assert 0.8 < later_db / end_db < 0.93  # the rest is the magnet, which goes on


def test_samphire_3_is_limited_under_stress_from_the_start():
    """Peaks of the multitone reach the limiter at 92 dB, not at 82; a sweep of 92 dB does not."""
    loudspeaker = speakers.SPEAKERS["samphire-3"].loudspeaker
    multitone = simulate.multitone_signal(seed=[1, 0])

    def response(drive_db, shares):
        return simulate.transfer(
            replace(loudspeaker, panels=()), multitone.frequency_hz, drive_db=drive_db,
            shares=shares,
        )  # fmt: skip

    for drive_db, low_db, high_db in ((10.0, -0.01, 0.01), (20.0, -4.0, -2.5)):
        change_db = db(response(drive_db, multitone.shares) / response(0.0, multitone.shares))
        assert low_db < np.mean(change_db) < high_db
        assert np.ptp(change_db) < 0.1
    quiet, swept = (response(drive_db, None) for drive_db in (0.0, 20.0))
    assert np.max(np.abs(db(swept / quiet))) < 0.05


@pytest.mark.parametrize("speaker", speakers.SPEAKERS)
def test_time_constants_are_those_of_their_kind(speaker):
    """Common practice, no source: tweeters 1-5 s, small woofers 5-20 s, magnets 10-60 min."""
    for unit in speakers.SPEAKERS[speaker].loudspeaker.units:
        coil_s = unit.heat.coil_k_per_w * unit.heat.coil_j_per_k
        least_s, most_s = (1.0, 5.0) if unit.name == "tweeter" else (5.0, 20.0)
        assert least_s <= coil_s <= most_s
        assert 600.0 <= unit.heat.magnet_k_per_w * unit.heat.magnet_j_per_k <= 3600.0


# --- the session that is shipped


def assert_alike(path, *, shipped, made):
    ours, theirs = (soundfile.read(folder / path)[0] for folder in (shipped, made))
    # another machine's FFT may round the last of 14 or 18 bits the other way
    last = 2.0 ** (1 - (14 if "stress" in path else 18))
    assert np.max(np.abs(ours - theirs)) <= last


def test_the_shipped_session_begins_as_the_command_makes_it(tmp_path):
    """Silence and the first takes, since noise is by a capture's place in the day."""
    seen = []

    def compared(done, total, path):
        (made,) = tmp_path.glob(f"**/{path}")
        assert_alike(path, shipped=SHIPPED / "trivet-6", made=made.parents[1])
        seen.append(path)
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        demo.make_demo(tmp_path / "trivet-6", speaker="trivet-6", seed=1, progress=compared)
    assert seen == ["captures/silence.flac", *named_files(session_of(SHIPPED / "trivet-6"))[0][:2]]


@pytest.mark.slow
def test_the_shipped_session_is_what_the_command_makes(tmp_path):
    made = demo.make_demo(
        tmp_path / "trivet-6", speaker="trivet-6", seed=1, takes=2, record_stress=[92.0]
    )
    shipped = SHIPPED / "trivet-6"
    text = (shipped / "session.toml").read_text(encoding="utf-8")
    assert text == (made / "session.toml").read_text(encoding="utf-8")
    captures, stimuli = named_files(session_of(shipped))
    for path in [*captures, *stimuli]:
        assert_alike(path, shipped=shipped, made=made)


def test_the_shipped_sessions_are_small():
    files = [
        path
        for path in SHIPPED.rglob("*")
        if path.is_file() and not {"out", ".upheld"} & set(path.parts)
    ]
    assert sum(path.stat().st_size for path in files) < 30e6
