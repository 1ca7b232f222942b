"""One stress recording, from front to back: its start, its blocks, what may be wrong with it."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from soaking import COLD, PERIOD_S, RATE, multitone, played, read, recorded

from reportlib import simulate
from reportlib.check.setup import stress_notes
from reportlib.measure.stress.multitone import find_start
from reportlib.measure.stress.periods import ClocksDifferError, stress_tones
from reportlib.measure.stress.tones import Stream

PERIODS = 8
STRESS_S = PERIODS * PERIOD_S
SIZE = multitone().samples.size
QUIET = simulate.Noise(white_db=40.0)


def reference_only(*, lead=4321, periods=5, seed=1, sign=1.0, noise=1e-4):
    """Return a multitone as a wire hears it, `lead` samples after the recording's start."""
    rng = np.random.default_rng(seed)
    played_ = np.pad(np.tile(sign * 0.1 * multitone().samples, periods), (lead, 5000))
    return played_ + noise * rng.standard_normal(played_.size)


@cache
def taken(**changes):
    return recorded(COLD, periods=PERIODS, seed=41, noise=QUIET, **changes)


def with_reference(**changes):
    return taken(**changes).copy()


def notes_of(channels, *, stress_s=STRESS_S, **facts):
    tones = read(channels, stress_s=stress_s, clocks=False, **facts)
    return tones, {
        (note.code, note.severity)
        for note in stress_notes(tones, source="stress.wav", stress_s=stress_s)
    }


# --- the start --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "lead", [0, 1, 700, SIZE // 2 - 1, SIZE // 2, SIZE - 1, SIZE, 5 * SIZE + 3]
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_start_is_found_to_the_sample_in_either_polarity(lead, sign):
    stream = Stream([reference_only(lead=lead, sign=sign)[np.newaxis]])
    found = find_start(stream, played=played())
    assert found.sample == lead
    assert not found.playing_before


def test_with_a_reference_the_start_is_the_reference_s():
    found = read(with_reference(), stress_s=STRESS_S)
    assert found.start_s * RATE == pytest.approx(0.3 * RATE, abs=1e-9)
    assert found.centre_s[:2] == pytest.approx([0.5 * PERIOD_S, 1.5 * PERIOD_S])
    assert found.centre_s.size == PERIODS


@pytest.mark.parametrize("drift_ppm", [40.0, -150.0])
def test_without_one_it_is_the_sound_s_arrival(drift_ppm):
    """1 m: 2.9 ms, and what crossovers and bass delay."""
    found = read(with_reference(reference=False, drift_ppm=drift_ppm), stress_s=STRESS_S)
    assert 0.0025 < found.start_s - 0.3 < 0.012
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=0.1)
    assert found.centre_s.size == PERIODS


def test_noise_and_hum_before_the_multitone_are_not_its_start():
    rng = np.random.default_rng(12)
    lead = 4 * SIZE + 777
    hum = 0.3 * np.cos(2.0 * np.pi * 25.0 * np.arange(lead) / SIZE)
    samples = reference_only(lead=lead)
    samples[:lead] += hum + 0.05 * rng.standard_normal(lead)
    assert find_start(Stream([samples[np.newaxis]]), played=played()).sample == lead


def test_where_there_is_no_multitone_none_is_found():
    rng = np.random.default_rng(2)
    other = simulate.multitone_signal(
        seed=3, period_s=0.45, sample_rate_hz=RATE, range_hz=(40.0, 9000.0)
    ).samples
    for samples in (
        rng.standard_normal(6 * SIZE),
        np.zeros(6 * SIZE),
        np.tile(other, 8),
        multitone().samples,
    ):
        assert find_start(Stream([samples[np.newaxis]]), played=played()) is None
    assert stress_tones([], played=played(), stress_s=1.0, source="stress.wav") is None


# --- blocks -----------------------------------------------------------------------------------


@settings(max_examples=8)
@given(st.lists(st.integers(1, 9 * SIZE), max_size=6), st.booleans())
def test_how_a_recording_comes_in_blocks_changes_nothing(cuts, referenced):
    channels = with_reference(**({} if referenced else {"reference": False, "drift_ppm": 40.0}))
    facts = {
        "played": played(),
        "stress_s": STRESS_S,
        "source": "stress.wav",
        "drift_ppm": 0.0 if referenced else 40.0,
    }
    whole = stress_tones([channels], **facts)
    cut = stress_tones(np.split(channels, sorted(cuts), axis=1), **facts)
    for name in ("level_db", "noise", "beside", "centre_s"):
        assert np.array_equal(getattr(cut, name), getattr(whole, name)), name
    assert (cut.start_s, cut.ended) == (whole.start_s, whole.ended)


def test_a_stream_looks_drops_and_counts():
    blocks = [np.arange(float(n), n + 3.0)[np.newaxis] for n in (0, 3, 6)]
    stream = Stream(blocks, before=2)
    assert stream.look(4).tolist() == [[0.0, 0.0, 0.0, 1.0]]
    stream.drop(3)
    assert stream.dropped == 1
    assert stream.look(5).tolist() == [[1.0, 2.0, 3.0, 4.0, 5.0]]
    assert stream.look(9) is None
    stream.drop(1)
    assert stream.up_to(9).tolist() == [[2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]]
    stream.drop(8)
    assert stream.look(1) is None
    assert stream.up_to(1).size == 0


# --- what may be wrong ------------------------------------------------------------------------


def test_a_sound_recording_has_no_notes():
    tones, notes = notes_of(with_reference())
    assert notes == set()
    assert tones.ended
    assert tones.missed_s == 0.0
    assert not tones.clipped.any()
    assert not tones.gap.any()


def test_another_stimulus_is_refused():
    channels = np.random.default_rng(4).standard_normal((2, 4 * RATE)) * 0.1
    tones, notes = notes_of(channels)
    assert tones is None
    assert notes == {("no-multitone", "refused")}


def test_a_recording_that_ends_early_is_used_as_far_as_it_goes():
    tones, notes = notes_of(with_reference()[:, : round((0.3 + 4.4 * PERIOD_S) * RATE)])
    assert notes == {("stress-cut", "warning")}
    assert tones.centre_s.size == 4
    assert not tones.ended
    assert notes_of(with_reference()[:, : round((0.3 + 2.4 * PERIOD_S) * RATE)])[1] == {
        ("stress-cut", "refused")
    }


def test_one_that_starts_late_is_placed_by_its_end():
    late = with_reference()[:, round((0.3 + 2.3 * PERIOD_S) * RATE) :]
    tones, notes = notes_of(late)
    assert notes == {("stress-cut", "warning")}
    assert tones.missed_s == pytest.approx(3 * PERIOD_S)
    assert tones.centre_s[0] == pytest.approx(3.5 * PERIOD_S)
    assert tones.centre_s[-1] == pytest.approx(7.5 * PERIOD_S)
    without_end = late[:, : round(4.4 * PERIOD_S * RATE)]
    assert notes_of(without_end)[1] == {("stress-cut", "refused")}


@pytest.mark.parametrize("said_s", [0.5 * STRESS_S, 2.0 * STRESS_S])
def test_a_stress_of_another_length_than_said_is_named(said_s):
    tones, notes = notes_of(with_reference(), stress_s=said_s)
    assert notes == {("stress-length", "warning")}
    assert tones.centre_s[-1] < min(said_s, STRESS_S)


def test_a_last_period_that_is_not_whole_is_left_out():
    channels = with_reference()
    channels[:, round((0.3 + 5.9 * PERIOD_S) * RATE) :] *= 1e-3
    tones, _ = notes_of(channels)
    assert tones.centre_s.size == 5


def test_clipped_periods_and_a_pause_are_found():
    channels = with_reference()
    channels = channels / np.abs(channels).max(axis=1, keepdims=True) * 0.9
    begin = round(0.3 * RATE)
    channels[0, begin + 3 * SIZE + 50 : begin + 3 * SIZE + 54] = 1.0
    channels[:, begin + 5 * SIZE : begin + 6 * SIZE] *= 1e-4
    tones, notes = notes_of(channels, full_scale=1.0)
    assert notes == {("clipped", "warning"), ("stress-cut", "warning")}
    assert np.flatnonzero(tones.clipped).tolist() == [3]
    assert np.flatnonzero(tones.gap).tolist() == [5]


def test_two_samples_at_full_scale_are_not_clipped():
    channels = with_reference()
    channels = channels / np.abs(channels).max(axis=1, keepdims=True) * 0.9
    channels[0, 50_000:50_002] = 1.0
    assert not read(channels, stress_s=STRESS_S, full_scale=1.0).clipped.any()


@pytest.mark.parametrize("drift_ppm", [0.5, -60.0])
def test_a_reference_with_a_clock_of_its_own_says_so(drift_ppm):
    """By formula: what a wire hears of a player whose clock is not the recorder's."""
    tones = multitone()
    turns = np.arange(4 * SIZE) / (SIZE * (1.0 + 1e-6 * drift_ppm))
    drive = sum(
        share * np.cos(2.0 * np.pi * bin_ * turns + phase)
        for bin_, share, phase in zip(
            tones.bins, tones.shares, np.angle(played().drive), strict=True
        )
    )
    drive = np.pad(drive, (1000, 1000))
    channels = np.array([0.5 * drive, drive])
    with pytest.raises(ClocksDifferError):
        read(channels, stress_s=4 * PERIOD_S)
    found = read(channels, stress_s=4 * PERIOD_S, drift_ppm=drift_ppm)
    assert np.allclose(found.level_db[1:3], 20.0 * np.log10(0.5), atol=1e-6)
    assert 10.0 * np.log10(found.noise[1:3].max()) < -100.0
