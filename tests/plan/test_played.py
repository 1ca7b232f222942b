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


def iec_61672(letter):
    """Analogue poles of IEC 61672-1:2013, Annex E, zeros at 0, 0 dB at 1 kHz: by scipy."""
    poles = {"A": [20.598997] * 2 + [107.65265, 737.86223] + [12194.217] * 2,
             "C": [20.598997] * 2 + [12194.217] * 2}[letter]  # fmt: skip
    zeros = np.zeros(len(poles) - 2)
    radians = -2.0 * np.pi * np.array(poles)

    def weigh(frequency_hz):
        at_hz = np.append(frequency_hz, 1000.0)
        _, heard = signal.freqs_zpk(zeros, radians, 1.0, 2.0 * np.pi * at_hz)
        return np.abs(heard[:-1] / heard[-1]) ** 2

    return weigh


def set_volume(request):
    plan = make_plan(request)
    waves = make_waves(plan)
    (file,) = [one for one in day_files(plan, waves=waves) if one.path == plan.volume.file]
    return plan, waves, np.concatenate(list(file_blocks(file, waves=waves)))


SUB = replace(BRIEF, sweep=SweepFacts(start_hz=15.0, stop_hz=300.0, duration_s=4.0))


@pytest.mark.parametrize("request_", [BRIEF, SUB, replace(BRIEF, sample_rate_hz=44100)])
def test_meters_read_what_the_sheet_says_of_the_volume(request_):
    """The file's own spectrum, weighted by scipy; its rms is that of the baseline's sweep."""
    plan, waves, samples = set_volume(request_)
    share = np.abs(np.fft.rfft(samples)) ** 2
    share /= np.sum(share)
    frequency = np.fft.rfftfreq(samples.size, 1.0 / waves.sample_rate_hz)
    for letter, read_db in (("A", plan.volume.a_db), ("C", plan.volume.c_db)):
        weighted_db = 10.0 * math.log10(share @ iec_61672(letter)(frequency))
        assert read_db - plan.volume.z_db == pytest.approx(weighted_db, abs=0.02)
    assert plan.volume.z_db == plan.sweeps[0].at_microphone_db
    (sweep,) = [one for one in day_files(plan, waves=waves) if one.path == plan.sweeps[0].file]
    (part,) = [one for one in sweep.parts if one.kind == "sweep"]
    assert rms_db(samples) == pytest.approx(20.0 * math.log10(part.rms), abs=1e-6)


def test_an_unweighted_meter_reads_the_level_by_its_definition():
    """Mean of the power over 200–5000 Hz by octaves, of a loudspeaker that is anything but even."""

    def power(frequency_hz):
        octaves = np.log2(np.maximum(frequency_hz, 1.0) / 1000.0)
        return 10.0 ** (0.1 * (6.0 * np.sin(2.0 * octaves) - 20.0 * (frequency_hz < 150.0)))

    level_db = 10.0 * math.log10(np.mean(power(np.geomspace(200.0, 5000.0, 4000))))
    _, waves, samples = set_volume(BRIEF)
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    frequency = np.fft.rfftfreq(samples.size, 1.0 / waves.sample_rate_hz)
    read_db = 10.0 * math.log10(spectrum @ power(frequency) / np.sum(spectrum))
    assert read_db == pytest.approx(level_db, abs=0.2)


@pytest.mark.parametrize("request_", [BRIEF, SUB])
def test_the_volumes_signal_loops_and_reads_steadily_on_slow(request_):
    _, waves, samples = set_volume(request_)
    period = waves.volume.samples.size
    turns = samples.reshape(-1, period)  # whole periods, nothing left over
    assert len(turns) * period == 10 * RATE
    np.testing.assert_array_equal(turns, np.broadcast_to(turns[0], turns.shape))
    keep = math.exp(-1.0 / RATE)  # Slow: a time constant of 1 s
    slow = signal.lfilter([1.0 - keep], [1.0, -keep], np.square(samples))[-period:]
    assert np.ptp(10.0 * np.log10(slow)) < 0.3
    # nothing of it stands where the multitone's tones do: intake tells them apart
    on_tones = np.abs(np.fft.rfft(samples[-RATE:]))[waves.multitone.bins]
    assert np.max(on_tones) < 1e-6 * np.sqrt(np.mean(np.square(samples))) * RATE


def test_the_multitone_stays_within_the_sweep():
    """What the sweep spares, a woofer below its port's tuning or a tweeter, the stress does too."""
    above = make_waves(make_plan(replace(BRIEF, sweep=replace(BRIEF.sweep, start_hz=50.0))))
    assert above.multitone.frequency_hz.min() >= 49.0
    assert make_waves(make_plan(SUB)).multitone.frequency_hz.max() <= 301.0


def test_a_narrow_ladder_does_not_clip_what_the_volume_is_set_with():
    narrow = replace(BRIEF, levels_db=(72.0, 73.0), stress_db=())
    _, _, samples = set_volume(narrow)
    assert np.max(np.abs(signal.resample(samples[: RATE // 2], 4 * RATE))) < 10.0 ** (-0.9 / 20.0)


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
