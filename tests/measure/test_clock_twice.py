"""A stimulus that holds its sweep twice tells the drift of each recording of it.

The truth is the simulation's own: the drift that a recording was made with, and the same day with
one sweep a recording and one clock.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import soundfile
from three_way import LEAD_IN_S, LIMITED, THREE_WAY, chain, three_way

from reportlib import simulate
from reportlib.errors import CaptureError
from reportlib.judge.analysis import analyse
from reportlib.measure.clock_between import resampled
from reportlib.measure.clock_within import first_of_two, two_sweeps
from reportlib.measure.deconvolution import deconvolve
from reportlib.measure.levels import db, grid_hz
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import Channels, Entry, Rig, Session, Speaker, SweepFacts
from reportlib.session.parameters import ReportParameters
from reportlib.session.records import Capture

RATE = 24000  # keeps the simulation short
SWEEP = SweepFacts(start_hz=20.0, stop_hz=10000.0, duration_s=2.0)
LAW = SweepLaw(start_hz=20.0, stop_hz=10000.0, duration_s=2.0)
GAP_S, APART_S = 0.7, 2.7
HOT = three_way(heat=True)


def silence(seconds):
    return np.zeros(round(seconds * RATE))


@cache
def sweep():
    return simulate.sweep_signal(SWEEP, sample_rate_hz=RATE)


def played(*heights, gap_s=GAP_S):
    """Return a stimulus of sweeps of these heights, with silence before, between and after."""
    parts = [silence(LEAD_IN_S)]
    for height in heights:
        parts += [height * sweep(), silence(gap_s)]
    return np.concatenate(parts)


def found_in(stimulus):
    return two_sweeps(stimulus, law=LAW, sample_rate_hz=RATE, source="stimulus/sweep.wav")


@cache
def both():
    """What is known of the stimulus with the sweep twice."""
    return found_in(played(1.0, 1.0))


@cache
def twice(loudspeaker, *, drive_db):
    """Return the sound of both sweeps; the second finds the coils as the first has left them."""
    facts = {"drive_db": drive_db, "sample_rate_hz": RATE}
    first = simulate.sweep_sound(loudspeaker, SWEEP, lead_in_s=LEAD_IN_S, tail_s=GAP_S, **facts)
    second = simulate.sweep_sound(
        loudspeaker, SWEEP, lead_in_s=0.0, tail_s=0.8, temperatures=first.temperatures, **facts
    )
    return replace(
        second,
        pressure=np.concatenate((first.pressure, second.pressure)),
        volt=np.concatenate((first.volt, second.volt)),
    )


def heard(loudspeaker, *, seed, drive_db=20.0, **clock):
    sound = twice(loudspeaker, drive_db=drive_db)
    return simulate.record(sound, chain=chain(**clock), seed=seed).microphone


# --- the stimulus -----------------------------------------------------------------------------


def test_a_stimulus_with_the_sweep_twice_is_known():
    two = both()
    assert two.apart_s == pytest.approx(APART_S, abs=1e-10)
    assert two.start_s == pytest.approx(LEAD_IN_S, abs=0.01)
    assert two.played.size == pytest.approx(
        (LEAD_IN_S + APART_S - GAP_S / 2) * RATE, abs=0.01 * RATE
    )


def test_the_distance_is_known_to_a_part_of_a_sample():
    """As a file of another rate has it; the sign is that of a clock that ran fast."""
    for ppm in (7.7, 37.0):  # half a sample and 2.4
        two = found_in(resampled(played(0.5, 0.5), ppm=ppm))
        assert two.apart_s == pytest.approx(APART_S / (1.0 + 1e-6 * ppm), abs=1e-9)


@pytest.mark.parametrize(
    "stimulus",
    [
        played(1.0),
        np.concatenate((played(1.0), silence(5.0))),
        played(1.0, 1.0, 1.0),
        played(1.0, 0.5),
        played(1.0, 0.9),
        played(1.0, -1.0),
        played(1.0, 1.0, gap_s=0.0),
        np.zeros(10 * RATE),
    ],
    ids=[
        "one",
        "one and silence",
        "three",
        "of two heights",
        "of nearly one height",
        "turned round",
        "without silence",
        "silence",
    ],
)
def test_what_is_not_one_sweep_twice_is_not_taken_for_it(stimulus):
    assert found_in(stimulus) is None


def test_another_sweep_twice_is_an_error_in_one_line():
    other = simulate.sweep_signal(replace(SWEEP, start_hz=100.0), sample_rate_hz=RATE)
    stimulus = np.concatenate((other, silence(GAP_S), other, silence(GAP_S)))
    with pytest.raises(CaptureError, match=r"stimulus/sweep\.wav holds no sweep of 2 s from 20"):
        found_in(stimulus)


# --- its recording ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("loudspeaker", "ppm"),
    [
        (THREE_WAY, 5.0),
        (HOT, 40.0),
        (LIMITED, 150.0),
        (HOT, -150.0),
        (HOT, 0.0),
    ],
    ids=lambda value: f"{value:g}" if isinstance(value, float) else "",
)
def test_two_sweeps_tell_drift_to_a_twentieth_of_a_ppm(loudspeaker, ppm):
    """Among noise, with coils that warm meanwhile, port and limiter at work, a cable reversed."""
    samples = -heard(
        loudspeaker, seed=[811, int(ppm) + 200], drift_ppm=ppm, latency_s=0.0217, noise_db=45.0
    )
    first, drift = first_of_two(samples, two=both(), source="a")
    assert drift.ppm == pytest.approx(ppm, abs=0.05)
    assert drift.u_ppm < 0.05
    assert abs(drift.ppm - ppm) < 4.0 * drift.u_ppm
    assert drift.to_correct == (abs(ppm) > 20.0)
    assert first.size == pytest.approx(
        (LEAD_IN_S + 0.0246 + APART_S - 0.02) * RATE, abs=0.01 * RATE
    )


def test_its_uncertainty_is_what_repeats_scatter_by():
    found = [
        first_of_two(heard(THREE_WAY, seed=[823, n], noise_db=60.0), two=both(), source="a")[1]
        for n in range(20)
    ]
    z = np.array([one.ppm / one.u_ppm for one in found])
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.5


def test_the_first_of_two_measures_what_one_sweep_measures():
    first, _ = first_of_two(heard(LIMITED, seed=1), two=both(), source="a")
    alone = simulate.sweep_sound(
        LIMITED, SWEEP, drive_db=20.0, sample_rate_hz=RATE, lead_in_s=LEAD_IN_S, tail_s=0.8
    )
    power = []
    for samples, stimulus in (
        (first, both().played),
        (simulate.record(alone, chain=chain(), seed=1).microphone, played(1.0)),
    ):
        one = deconvolve(
            Capture(source="a", sample_rate_hz=RATE, microphone=samples),
            law=LAW,
            frequency_hz=grid_hz(start_hz=20.0, stop_hz=10000.0),
            fraction=12,
            stimulus=stimulus,
        )
        place = one.peak_lag - one.first_lag
        impulse = one.impulse[place - RATE // 100 : place + RATE // 2]
        power.append(np.abs(np.fft.rfft(impulse, 4 * RATE)[100:38000]) ** 2)
    assert np.max(np.abs(db(power[0] / power[1]))) < 0.01


@pytest.mark.parametrize(
    "cut",
    [
        lambda both: both[: round((LEAD_IN_S + 2.2) * RATE)],
        lambda both: both[: round((LEAD_IN_S + APART_S + 1.8) * RATE)],
        lambda both: both[round((LEAD_IN_S + 0.3) * RATE) :],
        lambda both: both[round((LEAD_IN_S + 2.2) * RATE) :],
    ],
    ids=["first alone", "second cut", "first cut", "second alone"],
)
def test_a_recording_that_lacks_one_of_them_is_refused(cut):
    samples = heard(THREE_WAY, seed=9, noise_db=30.0)
    with pytest.raises(CaptureError, match=r"captures/a\.wav does not hold both sweeps"):
        first_of_two(cut(samples), two=both(), source="captures/a.wav")


def test_two_sweeps_in_noise_tell_nothing():
    samples = heard(THREE_WAY, seed=10, drive_db=0.0, noise_db=78.0)
    _, drift = first_of_two(samples, two=both(), source="a")
    assert drift is None or not drift.to_correct


# --- a day ------------------------------------------------------------------------------------


def day(folder, *, clocks_ppm, both):
    """Write a day of three levels, each recording with its own clock, behind a gate of 6 ms."""
    for name in ("captures", "stimulus"):
        (folder / name).mkdir(parents=True)
    facts = replace(SWEEP, stimulus="stimulus/sweep.wav")
    heights = (0.5, 0.5) if both else (0.5,)
    soundfile.write(folder / facts.stimulus, played(*heights), RATE, subtype="FLOAT")
    entries = []
    for index, (drive, ppm) in enumerate(zip((0.0, 10.0, 20.0), clocks_ppm, strict=True)):
        sound = twice(THREE_WAY, drive_db=drive)
        if not both:
            last = round((LEAD_IN_S + APART_S - 0.02) * RATE)
            sound = replace(sound, pressure=sound.pressure[:last], volt=sound.volt[:last])
        made = simulate.record(sound, chain=chain(drift_ppm=ppm, noise_db=15.0), seed=[907, index])
        path = f"captures/{72 + drive:g}.wav"
        soundfile.write(folder / path, made.microphone, RATE, subtype="FLOAT")
        entries.append(Entry(level_db=72.0 + drive, drive_db=drive, captures=(path,)))
    return Session(
        folder=str(folder),
        speaker=Speaker(name="Marram 12", drive="passive"),
        rig=Rig(distance_m=1.0, space="gated", gate_ms=6.0),
        channels=Channels(microphone=1),
        sweep=facts,
        short_term=tuple(entries),
    )


def about_clocks(analysis):
    return {
        (one.code, one.capture): one.message
        for one in analysis.quality
        if one.code.startswith("clock")
    }


def test_a_day_of_drifting_clocks_gives_the_curves_of_one_without(tmp_path):
    asked = ReportParameters(session=".")
    drifting = day(tmp_path / "twice", clocks_ppm=(150.0, 150.0, 60.0), both=True)
    true = day(tmp_path / "once", clocks_ppm=(0.0, 0.0, 0.0), both=False)
    analysis, truth = (analyse(one, parameters=asked) for one in (drifting, true))
    for curve, other in zip(analysis.short_term, truth.short_term, strict=True):
        assert np.count_nonzero(curve.usable) > 80
        both = curve.usable & other.usable
        assert np.count_nonzero(both) >= np.count_nonzero(other.usable) - 2
        assert np.max(np.abs(curve.change_db - other.change_db)[both]) < 0.01
    said = about_clocks(analysis)
    assert set(said) == {("clock-drift", "captures/72.wav"), ("clock-differs", "captures/92.wav")}
    assert "150.00 ± 0.01 ppm fast" in said["clock-drift", "captures/72.wav"]
    assert "taken off every sweep" in said["clock-drift", "captures/72.wav"]
    assert "−90 ± 1 ppm" in said["clock-differs", "captures/92.wav"]
    assert set(about_clocks(truth)) == {("clock-unknown", "")}


def test_a_take_that_lacks_one_sweep_is_left_out_and_the_day_goes_on(tmp_path):
    session = day(tmp_path, clocks_ppm=(0.0, 0.0, 0.0), both=True)
    path = tmp_path / "captures/82.wav"
    samples, _ = soundfile.read(path)
    soundfile.write(path, samples[: 3 * RATE], RATE, subtype="FLOAT")
    analysis = analyse(session, parameters=ReportParameters(session="."))
    refused = [one.message for one in analysis.quality if one.severity == "refused"]
    assert "captures/82.wav does not hold both sweeps" in refused[0]
    assert [curve.level_db for curve in analysis.short_term] == [92.0]
