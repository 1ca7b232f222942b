"""What a plan plays: the sweep's law, its fades, gains, peaks, dither and the files read back."""

import math
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from scipy import signal
from test_planning import REQUEST

from reportlib.errors import PlanError, RenderError
from reportlib.measure.sweep import find_sweep
from reportlib.plan.day import make_plan
from reportlib.plan.stimuli import (
    day_files,
    file_blocks,
    law_of,
    make_waves,
    played_facts,
    played_sweep,
)
from reportlib.session.audio import check_stimulus, write_stimulus
from reportlib.session.day import SweepFacts

RATE = 48000
REPORTED = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=2.0)
BRIEF = replace(
    REQUEST,
    sweep=SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=1.0),
    stages_s=(3.0, 4.0),
)


@pytest.fixture(scope="module")
def plan():
    return make_plan(BRIEF)


@pytest.fixture(scope="module")
def waves(plan):
    return make_waves(plan)


@pytest.fixture(scope="module")
def files(plan, waves):
    return {file.path: file for file in day_files(plan, waves=waves)}


@pytest.fixture(scope="module")
def written(files, waves, tmp_path_factory):
    folder = tmp_path_factory.mktemp("played")
    for file in files.values():
        blocks = file_blocks(file, waves=waves)
        write_stimulus(folder / file.path, blocks, sample_rate_hz=RATE)
    return folder


def read(folder, path):
    samples, rate = soundfile.read(folder / path)
    assert rate == RATE
    return samples


def rms_db(samples):
    return 10.0 * math.log10(np.mean(np.square(samples)))


def sweep_of(reported, *, rate=RATE):
    facts = played_facts(reported, sample_rate_hz=rate)
    band = (reported.start_hz, reported.stop_hz)
    return facts, played_sweep(facts, reported_hz=band, sample_rate_hz=rate)


def test_the_sweep_is_scipys_logarithmic_chirp_by_another_phase():
    """scipy: cos(2π·f1·L·(e^(t/L) − 1) + φ); synchronized: sin(2π·f1·L·e^(t/L))."""
    facts, mine = sweep_of(REPORTED)
    law = law_of(facts)
    phase_deg = 360.0 * law.start_hz * law.rate_s - 90.0
    theirs = signal.chirp(
        np.arange(mine.size) / RATE,
        law.start_hz,
        law.duration_s,
        law.stop_hz,
        method="logarithmic",
        phi=phase_deg,
    )
    first, last = (round(law.time_s(hz) * RATE) for hz in (20.0, 20000.0))
    np.testing.assert_allclose(mine[first:last], theirs[first:last], atol=1e-7)
    # as fast through the reported band as was asked for
    assert law.time_s(20000.0) - law.time_s(20.0) == pytest.approx(2.0, abs=1e-3)


def test_a_harmonic_is_the_sweep_itself_some_time_earlier():
    """The synchronized form (Novak et al. 2015): sin(k·φ(t)) = x(t + L·ln k), phase and all."""
    facts = SweepFacts(start_hz=20.0, stop_hz=20.0 * 2**9, duration_s=1.8)  # L·ln 2 is 0.2 s
    sweep = played_sweep(facts, reported_hz=(20.0, 20.0 * 2**9), sample_rate_hz=RATE)
    law = law_of(facts)
    lead = round(law.lead_s(2) * RATE)
    assert lead == pytest.approx(law.lead_s(2) * RATE, abs=1e-6)
    # sin 2φ = 2·sin φ·cos φ, with cos φ from the quadrature of the same law
    turns = law.start_hz * law.rate_s * np.exp(np.arange(sweep.size) / RATE / law.rate_s)
    second = 2.0 * sweep * np.cos(2.0 * np.pi * turns)
    np.testing.assert_allclose(second[:-lead], sweep[lead:], atol=1e-8)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_fades_lie_outside_the_reported_band_and_the_sweep_is_found(rate):
    facts, sweep = sweep_of(REPORTED, rate=rate)
    assert facts.start_hz < 20.0 * 0.97
    assert 20000.0 * 1.03 < facts.stop_hz <= 0.49 * rate + 0.1
    assert np.max(np.abs(sweep)) <= 1.0
    assert abs(sweep[0]) < 1e-3
    assert abs(sweep[-1]) < 1e-3
    padded = np.pad(sweep, (rate, rate))
    start_s = find_sweep(padded, law=law_of(facts), sample_rate_hz=rate, source="a.wav")
    assert start_s == pytest.approx(1.0, abs=2e-3)


def test_the_reported_band_is_even():
    """|X|²·f by twelfths of an octave, as responses are smoothed later."""
    _, sweep = sweep_of(replace(REPORTED, duration_s=4.0))
    spectrum = np.abs(np.fft.rfft(sweep, 1 << 18)) ** 2
    frequency = np.fft.rfftfreq(1 << 18, 1.0 / RATE)
    levels = []
    for centre in 1000.0 * 10 ** (0.025 * np.arange(-67, 52)):
        cell = (frequency >= centre * 10**-0.0125) & (frequency < centre * 10**0.0125)
        levels.append(10.0 * np.log10(np.mean(spectrum[cell] * frequency[cell])))
    levels -= np.median(levels)
    assert np.max(np.abs(levels)) < 2.0  # the first cycles are few
    assert np.max(np.abs(levels[20:])) < 0.1  # from 40 Hz on


def test_no_room_to_fade_is_one_line():
    with pytest.raises(PlanError, match="--sweep-stop 15200"):
        make_plan(replace(BRIEF, sample_rate_hz=32000))


def test_levels_differ_by_their_drives_and_nothing_reaches_full_scale(plan, files, waves, written):
    rms = {}
    for level in (*plan.sweeps, *plan.stresses):
        samples = read(written, f"stimulus/levels/sweep-{level.level_db:g}.wav")
        rms[level.level_db] = rms_db(samples)
    baseline = rms.pop(72.0)
    for level_db, value in rms.items():
        assert value - baseline == pytest.approx(level_db - 72.0, abs=2e-3)
    peaks = {}
    for path, file in files.items():
        blocks = file_blocks(file, waves=waves)
        peaks[path] = check_stimulus(written / path, blocks, sample_rate_hz=RATE)
    assert 20.0 * math.log10(max(peaks.values())) == pytest.approx(-1.0, abs=0.05)
    # a second opinion on one: its first seconds' spectrum, eight times interpolated
    stress = read(written, "stimulus/levels/stress-90.wav")[: 3 * RATE]
    between = signal.resample(stress, 8 * stress.size)
    found = peaks["stimulus/levels/stress-90.wav"]
    assert found == pytest.approx(np.max(np.abs(between)), rel=0.01)


def test_the_multitone_is_as_loud_as_its_sweep_and_crests_as_stated(plan, written):
    period = read(written, "stimulus/multitone.wav")
    between = signal.resample(period, 8 * period.size)
    crest_db = 20.0 * math.log10(np.max(np.abs(between))) - rms_db(period)
    assert crest_db == pytest.approx(plan.session.multitone.crest_factor_db, abs=0.1)
    sweep = read(written, "stimulus/sweep.wav")
    middle = sweep[sweep.size // 4 : -sweep.size // 4]
    assert rms_db(period) - rms_db(middle) == pytest.approx(0.0, abs=0.05)


def test_stages_stand_where_the_session_says(plan, waves, written):
    """Whole periods from their first sample on; the sweep's own start `pause_s` after the last."""
    stress = read(written, "stimulus/levels/stress-90.wav")
    period = waves.multitone.samples
    at = RATE  # a second of silence first
    entry = plan.session.long_term[0]
    for stage in entry.stages:
        for start in range(at, at + round(stage.stress_s) * RATE, RATE):
            piece = stress[start : start + RATE]
            gain = float(piece @ period) / float(period @ period)
            np.testing.assert_allclose(piece, gain * period, atol=2e-6)
        at += round(stage.stress_s * RATE)
        heard = stress[at + round(stage.pause_s[0] * RATE) :][: waves.sweep.size]
        np.testing.assert_allclose(heard, gain * waves.sweep, atol=2e-6)
        at += round((stage.rest_s or 0.0) * RATE)


def test_dither_is_triangular_and_the_same_again(waves, files, written, tmp_path):
    """Its error has a quarter of a step squared, whatever the signal (Lipshitz et al. 1992)."""
    file = files["stimulus/levels/sweep-72.wav"]
    meant = np.concatenate(list(file_blocks(file, waves=waves)))
    error = (read(written, file.path) - meant) * 2**23
    for part in (error[: RATE // 2], error[RATE : 2 * RATE]):  # silence, and sweep
        assert np.mean(part) == pytest.approx(0.0, abs=0.02)
        assert np.mean(np.square(part)) == pytest.approx(0.25, rel=0.05)
    write_stimulus(tmp_path / "b.wav", file_blocks(file, waves=waves), sample_rate_hz=RATE)
    assert (tmp_path / "b.wav").read_bytes() == (written / file.path).read_bytes()


def test_a_file_that_is_not_what_was_meant_is_found(waves, files, written, tmp_path):
    file = files["stimulus/sweep.wav"]
    samples, _ = soundfile.read(written / file.path, dtype="int32")
    samples[1000] += 256
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="PCM_24")
    with pytest.raises(RenderError, match="not what was written"):
        check_stimulus(tmp_path / "a.wav", file_blocks(file, waves=waves), sample_rate_hz=RATE)
    soundfile.write(tmp_path / "a.wav", samples[:-1], RATE, subtype="PCM_24")
    with pytest.raises(RenderError, match="not what was written"):
        check_stimulus(tmp_path / "a.wav", file_blocks(file, waves=waves), sample_rate_hz=RATE)


def test_a_peak_between_the_samples_is_seen(tmp_path):
    """Samples of a sine at a quarter of the rate, 45° off its peaks: √2 lies between them."""
    samples = 0.8 * np.tile([1.0, 1.0, -1.0, -1.0], 2000)
    write_stimulus(tmp_path / "a.wav", [samples], sample_rate_hz=RATE)
    with pytest.raises(RenderError, match="true peak"):
        check_stimulus(tmp_path / "a.wav", [samples], sample_rate_hz=RATE)
