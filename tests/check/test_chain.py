"""Faults of the recording chain act: what they touch is not used, and no limit or loss comes of it.

Every fault is done to simulated recordings; the same day without it is the truth that is left.
"""

import re
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
import soundfile
from faults import ASKED, RATE, clipped, day, everywhere, only, softened

from reportlib.draw import wordings
from reportlib.judge.analysis import analyse
from reportlib.session.day import Entry, Rig, Session, Speaker
from reportlib.write import facts, report

LEVELS_DB = (72.0, 84.0, 99.0)


def analysed(*, seed=4711, levels_db=LEVELS_DB, **of_day):
    with TemporaryDirectory() as folder:
        session = day(Path(folder), seed=seed, levels_db=levels_db, **of_day)
        return analyse(session, parameters=ASKED)


@cache
def clean(**of_day):
    return analysed(**of_day)


def alarms(analysis):
    return [(one.code, one.severity) for one in analysis.quality if one.severity != "note"]


def curve(analysis, level_db):
    return next(one for one in analysis.short_term if one.level_db == level_db)


def worst_beyond(analysis, level_db, *, than):
    """How far usable points lie from the clean day's, beyond both intervals, at most."""
    one, true = curve(analysis, level_db), curve(than, level_db)
    both = one.usable & true.usable
    off = np.abs(one.change_db - true.change_db) - np.hypot(one.u95_db, true.u95_db)
    return float(off[both].max(initial=-1.0))


def drafts(analysis):
    return report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=wordings.narrative_templates(),
        parameters=ASKED,
    )


def gain(factor):
    return lambda microphone, reference: (factor * microphone, reference)


def lost(count, *, at_s, channels=(True, True)):
    """Zero a run of samples so many seconds into the sweep, which starts after half a second."""

    def fault(microphone, reference):
        start = round((0.5 + at_s) * RATE)
        done = []
        for samples, hit in zip((microphone, reference), channels, strict=True):
            if samples is not None and hit:
                samples = samples.copy()
                samples[start : start + count] = 0.0
            done.append(samples)
        return tuple(done)

    return fault


@pytest.mark.parametrize("one_sided", [False, True])
def test_what_an_overloaded_microphone_touches_is_not_used(one_sided):
    levels_db = (72.0, 84.0, 93.0, 99.0)
    fault = softened(0.07, one_sided=one_sided)
    got = analysed(levels_db=levels_db, change=everywhere(fault))
    top = curve(got, 99.0)
    touched = np.array(top.reason) == "overload"
    assert touched.sum() > 200
    assert not top.usable[touched].any()
    whole = clean(levels_db=levels_db)
    for level_db in levels_db[1:]:
        assert worst_beyond(got, level_db, than=whole) < 0.1
    # one range for the warning and the cause, to half a frame of a sixth of an octave
    (finding,) = (one for one in got.findings if one.cause == "microphone-overload")
    assert finding.confidence in ("fair", "high")
    said = [one for one in got.quality if one.code == "overload"][-1]
    assert said.capture == "captures/99-a.wav"
    hz = top.frequency_hz[touched]
    low, high = (
        float(one) for one in re.match(r"From (\d+) Hz to (\d+) kHz", said.message).groups()
    )
    assert finding.low_hz == pytest.approx(low, rel=0.1)
    assert finding.high_hz == pytest.approx(1000.0 * high, rel=0.1)
    assert finding.low_hz == pytest.approx(hz.min(), rel=0.06)
    assert finding.high_hz == pytest.approx(hz.max(), rel=0.06)
    assert {one.cause for one in got.findings} <= {"microphone-overload", "none-shown"}
    # limits end below
    for limit in got.limits:
        assert not limit.reached
        assert limit.tested_to_db is None or limit.tested_to_db < 94.0
    words = drafts(got)
    assert re.search(r"preamplifier was overloaded at .*99 dB, so this speaks up to (84|93) dB\.",
                     words["in-short"])  # fmt: skip
    assert "up to 99 dB" not in words["in-short"]
    assert "lost in noise" not in " ".join(words.values())


def test_where_the_tops_are_cut_flat_nothing_is_used():
    got = analysed(change=everywhere(clipped(0.05)))
    top = curve(got, 99.0)
    touched = np.array(top.reason) == "clipped"
    assert touched.sum() > 100
    assert worst_beyond(got, 99.0, than=clean()) < 0.1
    assert not any(limit.reached for limit in got.limits)
    assert "he recording clipped" in drafts(got)["in-short"]


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda sound, drive: (np.clip(20.0 * sound, -1.0, 1.0), drive), "clipped"),
        (clipped(0.05), "flat-tops"),
        (lost(200, at_s=0.8), "dropout"),
        (gain(6.1), "takes-differ"),
        (gain(0.3), "takes-differ"),
    ],
)
def test_a_take_with_a_fault_that_its_sister_has_not_is_left_out(fault, code):
    got = analysed(change=only(["99-b"], fault))
    assert alarms(got) == [(code, "refused")]
    for level_db in LEVELS_DB[1:]:
        one = curve(got, level_db)
        assert one.usable.sum() == curve(clean(), level_db).usable.sum()
        assert worst_beyond(got, level_db, than=clean()) <= 0.0
    assert "lost in noise" not in " ".join(drafts(got).values())


def test_takes_that_lie_apart_hide_no_other_level():
    """One dB: too little to say which of them is right, more than a level can be told with."""
    got = analysed(change=only(["99-b"], gain(10.0 ** (1.0 / 20.0))))
    assert alarms(got) == [("takes-differ", "warning")]
    assert not curve(got, 99.0).usable.any()
    assert np.median(curve(got, 84.0).u95_db) < 1.5 * np.median(curve(clean(), 84.0).u95_db)


@pytest.mark.parametrize("factor", [0.3, 3.0, 10.0])
def test_a_level_that_stands_off_from_those_below_and_above_is_left_out(factor):
    got = analysed(takes=1, again=0, change=only(["84"], gain(factor)))
    assert alarms(got) == [("gain-touched", "refused"), ("level-left-out", "refused")]
    assert [one.level_db for one in got.short_term] == [99.0]
    assert not any(limit.reached for limit in got.limits)


@pytest.mark.parametrize("levels_db", [LEVELS_DB, (72.0, 90.0)])
@pytest.mark.parametrize("factor", [0.3, 3.0, 10.0])
def test_a_touched_input_gain_is_a_warning(levels_db, factor):
    name = f"{levels_db[-1]:g}"
    got = analysed(levels_db=levels_db, takes=1, again=0, change=only([name], gain(factor)))
    assert alarms(got) == [("gain-touched", "warning")]
    said = next(one.message for one in got.quality if one.code == "gain-touched")
    size = abs(20.0 * np.log10(factor))
    numbers = [float(word) for word in said.replace(",", " ").split() if _is_number(word)]
    assert min(abs(one - size) for one in numbers) < 0.3


def _is_number(word):
    return word.replace(".", "", 1).isdigit()


@pytest.mark.parametrize("factor", [0.3, 3.0])
def test_a_touched_baseline_is_a_warning(factor):
    got = analysed(takes=1, again=0, change=only(["72"], gain(factor)))
    assert alarms(got) == [("gain-touched", "warning")]


def text_day(folder, levels_db, *, off_db=None, swapped=()):
    """Write column text that holds a loudspeaker with a little loss in the bass; return the day."""
    (folder / "captures").mkdir()
    hz = 1000.0 * 10.0 ** (0.3 * np.arange(-120, 104) / 24.0)
    hz = hz[(hz >= 20.0) & (hz <= 20000.0)]
    for level_db in levels_db:
        loss = 0.4 * ((level_db - 72.0) / 24.0) ** 2 * np.exp(-((np.log2(hz / 50.0)) ** 2))
        shown = level_db + 2.0 * np.sin(np.log(hz)) - loss + (off_db or {}).get(level_db, 0.0)
        place = dict([swapped, swapped[::-1]]).get(level_db, level_db) if swapped else level_db
        rows = [f"{f:.4f} {level:.3f}" for f, level in zip(hz, shown, strict=True)]
        (folder / f"captures/{place:g}.txt").write_text("\n".join(rows))
    return Session(
        folder=str(folder),
        speaker=Speaker(name="Marram 12", drive="passive"),
        rig=Rig(distance_m=1.0, space="free field"),
        short_term=tuple(
            Entry(
                level_db=level_db,
                drive_db=level_db - levels_db[0],
                captures=(f"captures/{level_db:g}.txt",),
            )
            for level_db in levels_db
        ),
    )


@pytest.mark.parametrize(
    "fault",
    [
        {"swapped": (84.0, 90.0)},
        {"swapped": (90.0, 96.0)},
        {"off_db": {84.0: -3.0}},
        {"off_db": {90.0: 3.0}},
        {"off_db": {96.0: -3.0}},
    ],
)
def test_text_files_that_are_swapped_or_off_are_a_warning(tmp_path, fault):
    got = analyse(text_day(tmp_path, (72.0, 84.0, 90.0, 96.0), **fault), parameters=ASKED)
    assert alarms(got) == [("gain-touched", "warning")]


def test_text_files_that_fit_each_other_give_no_warning(tmp_path):
    got = analyse(text_day(tmp_path, (72.0, 84.0, 90.0, 96.0)), parameters=ASKED)
    assert alarms(got) == []


@pytest.mark.parametrize(
    ("count", "at_s", "channels"),
    [
        (50, 0.65, (True, True)),
        (200, 0.31, (True, False)),
        (200, 1.02, (False, True)),
        (1000, 0.47, (True, True)),
        (1000, 1.31, (True, False)),
    ],
)
def test_lost_samples_are_found_and_what_they_touch_is_not_used(count, at_s, channels):
    got = analysed(takes=1, change=only(["84"], lost(count, at_s=at_s, channels=channels)))
    assert alarms(got) == [("dropout", "warning")]
    touched = np.array(curve(got, 84.0).reason) == "dropout"
    hz = curve(got, 84.0).frequency_hz
    passed_hz = 20.0 * 1000.0 ** (at_s / 1.5)
    assert touched[int(np.argmin(np.abs(hz - passed_hz)))]
    assert worst_beyond(got, 84.0, than=clean(takes=1)) <= 0.0
    assert worst_beyond(got, 99.0, than=clean(takes=1)) <= 0.0
    assert re.search("lost samples|samples were lost", drafts(got)["in-short"])


def test_lost_samples_are_found_without_a_reference():
    got = analysed(takes=1, reference=False, change=only(["99"], lost(300, at_s=0.7)))
    assert [code for code, _ in alarms(got)] == ["dropout"]
    assert worst_beyond(got, 99.0, than=clean(takes=1, reference=False)) <= 0.0


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_a_quiet_recording_of_16_bits_lost_nothing(tmp_path, subtype):
    """At its tops and in its fades a slow sine of a few steps stands still; so does silence."""
    session = day(tmp_path, seed=4712, levels_db=LEVELS_DB, takes=1)
    for entry in (*session.short_term, *session.baseline_again):
        path = tmp_path / entry.captures[0]
        samples, rate = soundfile.read(path)
        samples[: round(0.3 * rate)] = 0.0
        soundfile.write(path, np.round(samples * 2**15) / 2**15, rate, subtype=subtype)
    got = analyse(session, parameters=ASKED)
    assert "dropout" not in {one.code for one in got.quality}
