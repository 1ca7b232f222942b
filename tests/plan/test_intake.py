"""`upheld intake` on simulated days: shuffled, renamed, in one piece, takes lost or doubled."""

import hashlib
import json
import os
import shutil
import signal
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from commands import run
from planned_day import Day, write

from reportlib.plan.heard import Heard, expected, find_stresses, find_sweeps
from reportlib.plan.matching import match
from reportlib.session.reading import read_planned_session, read_session
from reportlib.simulate.speakers import SPEAKERS

RATE = 16000
NOON = 1_780_000_000


def planned(folder, *, reference, space):
    run(
        "plan", folder, "--name", "Trivet 6", "--drive", "passive", "--distance", "1",
        "--space", space, "--reference", reference, "--full-scale", "122", "--baseline", "72",
        "--top", "96", "--stress", "84", "--stage", "3", "--stage", "4", "--sample-rate", RATE,
        "--sweep-start", "40", "--sweep-stop", "6500", "--sweep-length", "0.6", "--date",
        "2026-05-06",
    )  # fmt: skip
    return folder


def day_of(folder, *, seed, **chain):
    about = SPEAKERS["trivet-6"]
    chain = replace(about.chain, voltage_full_scale_v=None, current_full_scale_a=None, **chain)
    return Day(folder, loudspeaker=about.loudspeaker, chain=chain, seed=seed).all()


@pytest.fixture(scope="module")
def referenced(tmp_path_factory):
    """A plan with a reference channel, and its day; both only to be read or copied."""
    folder = planned(
        tmp_path_factory.mktemp("plan") / "day", reference="terminals", space="free field"
    )
    return folder, day_of(folder, seed=31)


@pytest.fixture(scope="module")
def by_ear(tmp_path_factory):
    """The same in a reverberant room, with the microphone alone."""
    folder = planned(tmp_path_factory.mktemp("plan") / "day", reference="none", space="room")
    return folder, day_of(folder, seed=32, reference=False)


def folder_for(kind, tmp_path):
    return shutil.copytree(kind[0], tmp_path / "day"), kind[1]


def heap(tmp_path, takes, *, names=None, times=True):
    """Write takes as a recorder does; `times` says whether the files keep the times of the day."""
    named = {
        (names[number] if names else take.name): take.channels for number, take in enumerate(takes)
    }
    shutil.rmtree(tmp_path / "heap", ignore_errors=True)
    paths = write(tmp_path / "heap", named, rate=RATE)
    for number, path in enumerate(paths):
        stamp = NOON + 60 * number if times else NOON
        os.utime(path, (stamp, stamp))
    return tmp_path / "heap"


def taken_in(folder, *recordings, code=0):
    return json.loads(run("intake", folder, *recordings, "--json", code=code).stdout)


def numbered(takes):
    """Names that say nothing, in no order."""
    chance = np.random.default_rng(5)
    return [f"REC{number:03d}" for number in chance.permutation(len(takes))]


def own_pieces(folder, filed, takes, *, recordings, names=None):
    """Whether each capture is a piece, bit for bit, of the very take that the plan meant."""
    names = names or [take.name for take in takes]
    meant = {f"{name}.wav": take.name for name, take in zip(names, takes, strict=True)}
    for capture, source in filed.items():
        stem = capture.rpartition("/")[2].removesuffix(".wav")
        stem = "-".join(stem.split("-")[:2]) if "-stress-" in stem or "-after-" in stem else stem
        assert meant[source] == stem
        piece, whole = (
            soundfile.read(path, dtype="int32", always_2d=True)[0]
            for path in (folder / capture, recordings / source)
        )
        starts = np.flatnonzero(whole[: len(whole) - len(piece) + 1, 0] == piece[0, 0])
        assert any(np.array_equal(whole[at : at + len(piece)], piece) for at in starts), capture


def all_planned(folder):
    session = read_planned_session(folder)
    found = [slot.capture for slot in expected(session)]
    for level in session.long_term:
        found += [path for stage in level.stages for path in stage.after]
    return {*found, "captures/silence.wav"}


@pytest.mark.parametrize("kind", ["referenced", "by_ear"])
def test_a_day_named_as_planned(kind, request, tmp_path):
    folder, takes = folder_for(request.getfixturevalue(kind), tmp_path)
    recordings = heap(tmp_path, takes, times=False)
    before = {path: hashlib.sha256(path.read_bytes()).digest() for path in recordings.iterdir()}
    planned_facts = read_planned_session(folder)
    done = taken_in(folder, recordings)
    assert set(done["filed"]) == all_planned(folder)
    assert done["missing"] == done["doubtful"] == []
    own_pieces(folder, done["filed"], takes, recordings=recordings)
    session = read_session(folder)
    assert session.speaker == planned_facts.speaker
    for stage, meant in zip(
        session.long_term[0].stages, planned_facts.long_term[0].stages, strict=True
    ):
        assert stage.stress_s == meant.stress_s
        assert stage.pause_s[0] == pytest.approx(meant.pause_s[0], abs=2 * stage.pause_u_s)
    assert session.long_term[0].stages[0].rest_s == pytest.approx(
        planned_facts.long_term[0].stages[0].rest_s, abs=0.02
    )
    after = {path: hashlib.sha256(path.read_bytes()).digest() for path in recordings.iterdir()}
    assert after == before


@pytest.mark.parametrize("kind", ["referenced", "by_ear"])
def test_renamed_and_shuffled_files_are_told_by_level_and_time(kind, request, tmp_path):
    folder, takes = folder_for(request.getfixturevalue(kind), tmp_path)
    names = numbered(takes)
    recordings = heap(tmp_path, takes, names=names)
    done = taken_in(folder, recordings)
    assert set(done["filed"]) == all_planned(folder)
    assert done["doubtful"] == []
    own_pieces(folder, done["filed"], takes, recordings=recordings, names=names)


def test_without_names_and_times_the_order_is_doubtful(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    done = taken_in(folder, heap(tmp_path, takes, names=numbered(takes), times=False), code=3)
    assert set(done["filed"]) == all_planned(folder)
    assert any("Neither names nor times" in said for said in done["doubtful"])
    session = read_session(folder)
    reference = {
        entry.level_db: np.std(soundfile.read(folder / entry.captures[0])[0][:, 1])
        for entry in session.short_term
    }
    for level_db, rms in reference.items():
        assert 20.0 * np.log10(rms / reference[72.0]) == pytest.approx(level_db - 72.0, abs=0.3)


def talk(seconds, *, chance):
    """Something like speech: noise in syllables, louder than the baseline's sweep."""
    count = round(seconds * RATE)
    syllables = np.maximum(np.sin(2.0 * np.pi * 2.1 * np.arange(count) / RATE), 0.0)
    noise = np.convolve(chance.standard_normal(count), np.ones(12) / 12.0, "same")
    return 2e-3 * syllables * noise


@pytest.mark.parametrize("kind", ["referenced", "by_ear"])
def test_one_recording_of_the_whole_day_with_talk_between(kind, request, tmp_path):
    folder, takes = folder_for(request.getfixturevalue(kind), tmp_path)
    chance = np.random.default_rng(9)
    quiet = takes[0].channels
    setting, _ = soundfile.read(folder / "stimulus/set-volume-72.wav")
    loudness = np.std(takes[1].channels, axis=1) / np.std(setting)
    parts = [quiet, np.outer(loudness, setting)]  # the volume was set while it ran
    for number, take in enumerate(takes):
        pause = np.tile(quiet, (1, 1))[:, : round((2.0 + 2.0 * chance.random()) * RATE)].copy()
        if number % 2:
            pause[0] += talk(pause.shape[1] / RATE, chance=chance)
        parts += [take.channels, pause]
    recordings = write(tmp_path / "heap", {"sunday": np.concatenate(parts, axis=1)}, rate=RATE)
    done = taken_in(folder, *recordings)
    assert set(done["filed"]) == all_planned(folder)
    assert done["doubtful"] == []
    silence, _ = soundfile.read(folder / "captures/silence.wav", always_2d=True)
    assert np.std(silence[:, 0]) < 1.2 * np.std(quiet[0])
    session = read_session(folder)
    steps = [np.std(soundfile.read(folder / e.captures[0], always_2d=True)[0][:, 0]) for e in
             session.short_term]  # fmt: skip
    assert np.all(np.diff(20.0 * np.log10(steps[1:])) > 4.0)


def test_a_missing_level_is_listed_and_left_out(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    kept = [take for take in takes if not take.name.startswith("short-84")]
    done = taken_in(folder, heap(tmp_path, kept, names=numbered(kept)), code=3)
    assert [said.split(" (")[0] for said in done["missing"]] == ["short-84-a", "short-84-b"]
    session = read_session(folder)
    assert [entry.level_db for entry in session.short_term] == [72.0, 78.0, 90.0, 96.0]
    assert len(session.long_term[0].before) == 2
    # recorded later: the plan is still there, and all of it is taken in again
    shutil.rmtree(folder / "captures")
    done = taken_in(folder, heap(tmp_path, takes))
    assert set(done["filed"]) == all_planned(folder)
    # what was heard and could not be used is told of, too
    shutil.rmtree(folder / "captures")
    done = taken_in(folder, heap(tmp_path, [one for one in takes if one.name != "long-84"]), code=3)
    assert done["left_out"] == [
        f"long-84-before-{take}.wav: none of what is heard in it was filed." for take in "ab"
    ]


def test_a_doubled_take_is_kept_as_one_more(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    third = next(number for number, take in enumerate(takes) if take.name == "short-90-b")
    again = replace(takes[third], channels=np.roll(takes[third].channels, 200, axis=1))
    more = [*takes[: third + 1], again, *takes[third + 1 :]]
    done = taken_in(folder, heap(tmp_path, more, names=numbered(more)), code=3)
    assert any("one more take of 90 dB" in said for said in done["doubtful"])
    assert done["missing"] == []
    (entry,) = [entry for entry in read_session(folder).short_term if entry.level_db == 90.0]
    assert len(entry.captures) == 3


def test_a_wrong_order_is_told_by_level(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    order = [0, 1, 2, 7, 8, 3, 4, 5, 6, *range(9, len(takes))]  # 90 dB before 78
    moved = [takes[index] for index in order]
    names = numbered(moved)
    recordings = heap(tmp_path, moved, names=names)
    done = taken_in(folder, recordings, code=3)
    assert set(done["filed"]) == all_planned(folder)
    assert any("out of the planned order" in said for said in done["doubtful"])
    own_pieces(folder, done["filed"], moved, recordings=recordings, names=names)


def test_names_that_the_levels_contradict_do_not_count(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    names = [take.name for take in takes]
    one, other = names.index("short-78-a"), names.index("short-96-a")
    names[one], names[other] = names[other], names[one]
    recordings = heap(tmp_path, takes, names=names)
    done = taken_in(folder, recordings, code=3)
    assert any(
        "named as another take than its level or its time" in said for said in done["doubtful"]
    )
    own_pieces(folder, done["filed"], takes, recordings=recordings, names=names)


def test_a_stress_that_was_stopped_counts_as_it_was(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    stress = next(take for take in takes if take.name == "long-84")
    stopped = stress.channels.copy()
    second = round((1.0 + 3.0 + 2.0 + 0.7 + 2.0 + 2.0) * RATE)
    stopped[:, second : second + round(2.2 * RATE)] = takes[0].channels[:, : round(2.2 * RATE)]
    heard = [replace(take, channels=stopped) if take is stress else take for take in takes]
    done = taken_in(folder, heap(tmp_path, heard), code=3)
    stages = read_session(folder).long_term[0].stages
    assert stages[0].stress_s == 3.0
    assert (len(stages) == 1) or stages[1].stress_s < 4.0
    assert done["doubtful"] or done["missing"]


def killed_before_rename(number, *arguments):
    """Run in a child that is killed before its so-manieth rename of a file or folder."""
    child = os.fork()
    if child == 0:
        done = []

        def counted(rename):
            def renamed(*paths):
                done.append(paths)
                if len(done) == number:
                    os.kill(os.getpid(), signal.SIGKILL)
                return rename(*paths)

            return renamed

        os.replace, os.rename = counted(os.replace), counted(os.rename)
        run(*arguments)
        os._exit(0)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
@pytest.mark.parametrize("number", [2, 4])
def test_an_intake_that_was_killed_late_is_done_by_the_next_one(referenced, tmp_path, number):
    folder, takes = folder_for(referenced, tmp_path)
    recordings = heap(tmp_path, takes)
    assert killed_before_rename(number, "intake", folder, recordings)
    # no half: the facts of the day never name captures of which only some are there
    assert not any((folder / "captures").glob("*")) or read_session(folder)
    done = taken_in(folder, recordings)
    assert set(done["filed"]) == all_planned(folder)
    assert read_session(folder).long_term[0].stages
    hidden = [path.name for path in folder.rglob(".*")]
    assert hidden == [".upheld"]
    assert (folder / "plan.toml").read_bytes() == (referenced[0] / "session.toml").read_bytes()


def test_without_a_baseline_nothing_is_written(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    loud = [take for take in takes if "72" not in take.name]
    before = (folder / "session.toml").read_bytes()
    said = run("intake", folder, heap(tmp_path, loud), code=2).stderr
    assert "no take of the baseline, 72 dB, was found" in said
    assert said.count("\n") == 1
    assert (folder / "session.toml").read_bytes() == before
    assert not any((folder / "captures").iterdir())


def test_the_calibrators_recording_is_filed_or_missed(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    calibrator = 'recording = "calibration/calibrator.wav"\nlevel_db = 94.0\nfrequency_hz = 1000.0'
    text = (folder / "session.toml").read_text("utf-8")
    (folder / "session.toml").write_text(text.replace("full_scale_db = 122.0", calibrator), "utf-8")
    recordings = heap(tmp_path, takes)
    done = taken_in(folder, recordings, code=3)
    assert any("calibrator.wav was not found" in said for said in done["missing"])
    assert read_session(folder).calibration is None
    shutil.rmtree(folder / "captures")
    write(recordings, {"calibrator": takes[0].channels}, rate=RATE)
    assert taken_in(folder, recordings)["missing"] == []
    assert read_session(folder).calibration.level_db == 94.0
    assert (folder / "calibration/calibrator.wav").stat().st_size > 1000
    assert len(list((folder / ".upheld/sessions").iterdir())) == 2


def test_captures_elsewhere_are_refused(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    text = (folder / "session.toml").read_text("utf-8").replace("captures/long-", "mine/long-")
    (folder / "session.toml").write_text(text, "utf-8")
    said = run("intake", folder, heap(tmp_path, takes), code=2).stderr
    assert "mine/long-84-before-a.wav is not in captures/" in said


def test_what_cannot_be_used_is_said(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    recordings = heap(tmp_path, takes)
    soundfile.write(recordings / "mono.wav", takes[0].channels[0], RATE, subtype="PCM_16")
    soundfile.write(recordings / "other.wav", takes[0].channels.T, 48000, subtype="PCM_16")
    (recordings / "cut.wav").write_bytes(b"RIFF")
    (recordings / "notes.txt").write_text("It rained.")
    (recordings / "._short-72-a.wav").write_bytes(b"Mac")
    (recordings / "older").mkdir()
    write(recordings, {"hall": takes[0].channels[:, : 2 * RATE]}, rate=RATE)
    shutil.copy(recordings / "short-84-a.wav", recordings / "short-84-a (1).wav")
    done = taken_in(folder, recordings)
    assert set(done["filed"]) == all_planned(folder)
    assert done["missing"] == done["doubtful"] == []
    for line in (
        "mono.wav: 1 channel where 2", "other.wav: 48000 samples", "cut.wav: no WAV or FLAC",
        "notes.txt: neither WAV nor FLAC", "._short-72-a.wav: hidden", "older: a folder",
        "hall.wav: nothing played is heard", "short-84-a (1).wav: the same as short-84-a.wav",
    ):  # fmt: skip
        assert sum(line in said for said in done["left_out"]) == 1, line
    named = set(done["filed"].values())
    assert len(done["left_out"]) == len([*recordings.iterdir()]) - len(named)
    said = run("intake", folder, recordings, code=2).stderr
    assert "holds captures already" in said
    shutil.rmtree(folder / "captures")
    (recordings / "short-72-a.wav").write_bytes(b"RIFF")
    done = taken_in(folder, recordings, code=3)
    assert [said.split(" (")[0] for said in done["missing"]] == ["short-72-a"]
    shutil.rmtree(folder / "captures")
    assert "neither WAV nor FLAC" in run("intake", folder, folder / "plan.pdf", code=2).stderr
    assert "no such file" in run("intake", folder, folder / "nowhere", code=2).stderr


def test_files_without_a_sound_take_no_times_away(referenced, tmp_path):
    folder, takes = folder_for(referenced, tmp_path)
    names = numbered(takes)
    recordings = heap(tmp_path, takes, names=names)
    for name in ("slate", "test"):
        write(recordings, {name: takes[0].channels[:, : 3 * RATE + len(name)]}, rate=RATE)
        os.utime(recordings / f"{name}.wav", (NOON, NOON))
    done = taken_in(folder, recordings)
    assert done["doubtful"] == []
    own_pieces(folder, done["filed"], takes, recordings=recordings, names=names)


@pytest.mark.parametrize("copied", ["at once", "last first"])
def test_a_recorders_numbers_tell_the_order_that_copies_lost(referenced, tmp_path, copied):
    folder, takes = folder_for(referenced, tmp_path)
    names = [f"take {number}" for number in range(1, len(takes) + 1)]  # 10 comes after 9
    recordings = heap(tmp_path, takes, names=names, times=False)
    if copied == "last first":
        for number, name in enumerate(reversed(names)):
            os.utime(recordings / f"{name}.wav", (NOON + 60 * number,) * 2)
    done = taken_in(folder, recordings)
    assert done["doubtful"] == []
    own_pieces(folder, done["filed"], takes, recordings=recordings, names=names)


def test_a_name_that_the_clock_contradicts_is_told(referenced, tmp_path):
    """Takes of the same level: only a day that lies along the plan by its clock tells them."""
    folder, takes = folder_for(referenced, tmp_path)
    names = [take.name for take in takes]
    one, other = names.index("short-84-a"), names.index("long-84-before-a")
    names[one], names[other] = names[other], names[one]
    recordings = heap(tmp_path, takes, names=names)
    done = taken_in(folder, recordings, code=3)
    assert {said.split(" is named")[0] for said in done["doubtful"]} == {names[one], names[other]}
    own_pieces(folder, done["filed"], takes, recordings=recordings, names=names)
    shutil.rmtree(folder / "captures")
    shuffled = heap(tmp_path, takes[::-1])  # a clock that tells no measuring day counts less
    assert taken_in(folder, shuffled)["doubtful"] == []


@pytest.mark.parametrize("ratio", [1.0, 1.0 + 1e-4, 1.0 - 1e-4])
def test_a_clock_of_its_own_hides_nothing(referenced, ratio):
    """A stress and a sweep, sampled by a clock 100 ppm off: whole periods all the same."""
    samples, _ = soundfile.read(referenced[0] / "stimulus/levels/stress-84.wav")
    period, _ = soundfile.read(referenced[0] / "stimulus/multitone.wav")
    sweep, _ = soundfile.read(referenced[0] / "stimulus/sweep.wav")
    place = np.arange(samples.size) / ratio
    drifted = np.interp(place, np.arange(samples.size), samples)
    drifted += 1e-4 * np.random.default_rng(3).standard_normal(drifted.size)

    def listen(first, count):
        whole = np.pad(drifted, (count, count))
        return whole[first + count : first + 2 * count]

    stresses = find_stresses(listen, samples=drifted.size, period=period, sample_rate_hz=RATE)
    assert [one.samples for one in stresses] == [3 * RATE, 4 * RATE]
    assert stresses[0].start == pytest.approx(RATE * ratio, abs=5)
    sweeps = find_sweeps(listen, samples=drifted.size, sweep=sweep)
    assert [one.start - RATE for one in sweeps] == pytest.approx(
        [5.0 * RATE * ratio, (5.0 + sweep.size / RATE + 2.0 + 4.0 + 2.0) * RATE * ratio], abs=40
    )


def slots_and_sounds(referenced):
    slots = expected(read_planned_session(referenced[0]))
    return slots, [
        Heard(
            kind=slot.kind,
            recording=number,
            start=0,
            samples=1,
            level_db=-31.0 + slot.drive_db,
            likeness=1.0,
        )
        for number, slot in enumerate(slots)
    ]


@pytest.mark.parametrize("seed", range(6))
def test_missing_and_doubled_sounds_move_no_other(referenced, seed):
    """Any one level lost (but the baseline) and any one take doubled: all others stay in place."""
    slots, sounds = slots_and_sounds(referenced)
    chance = np.random.default_rng(100 + seed)
    lost = slots[chance.integers(2, len(slots))].group
    left = [number for number, slot in enumerate(slots) if slot.group != lost]
    heard = [
        replace(sounds[number], level_db=sounds[number].level_db + chance.normal(0.0, 0.2))
        for number in left
    ]
    found = match(heard, slots=slots, names=["x"] * len(slots))
    assert found.offset_db == pytest.approx(-31.0, abs=0.6)
    for sound, place in found.filled.items():
        assert slots[place].drive_db == pytest.approx(heard[sound].level_db + 31.0, abs=1.0)
        assert slots[place].kind == heard[sound].kind
    assert len(found.filled) == len(left)
