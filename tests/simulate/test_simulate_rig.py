"""The simulated chain: noise, full scale, clock, converters."""

from dataclasses import replace

import numpy as np
import pytest
from simulated import BRIEF, RATE, db, level_db

from reportlib import simulate

CHAIN = simulate.Chain()


def test_full_scale_is_what_the_chain_says():
    time_s = np.arange(RATE) / RATE
    pressure = np.sqrt(2.0) * 20e-6 * 10.0 ** (114.0 / 20.0) * np.sin(2.0 * np.pi * 997.0 * time_s)
    sound = simulate.Sound(pressure=pressure, volt=0.02 * pressure, sample_rate_hz=RATE)
    recording = simulate.record(
        sound, chain=simulate.Chain(full_scale_db=114.0, reference_full_scale_v=0.5), seed=1
    )
    assert np.max(np.abs(recording.microphone)) == pytest.approx(1.0, abs=1e-3)
    np.testing.assert_allclose(recording.reference, 0.04 * pressure)


@pytest.mark.parametrize("kind", ["white_db", "pink_db", "hum_db"])
def test_noise_has_its_level(kind):
    recording = simulate.play_silence(
        duration_s=20.0,
        chain=simulate.Chain(full_scale_db=100.0, noise=simulate.Noise(**{kind: 40.0})),
        seed=7,
    )
    # a sine of 100 dB rms has a peak of 1, so 40 dB stand 60 dB and the sine's own 3 dB below
    assert level_db(recording.microphone) == pytest.approx(-63.01, abs=0.1)


def test_pink_noise_has_equal_power_in_each_octave():
    noise = simulate.play_silence(
        duration_s=30.0, chain=simulate.Chain(noise=simulate.Noise(pink_db=60.0)), seed=3
    )
    power = np.abs(np.fft.rfft(noise.microphone)) ** 2
    frequency = np.fft.rfftfreq(noise.microphone.size, 1.0 / RATE)
    octaves = [
        np.sum(power[(frequency >= low) & (frequency < 2 * low)])
        for low in (100.0, 400.0, 1600.0, 6400.0)
    ]
    assert np.ptp(10.0 * np.log10(octaves)) < 0.4
    assert np.sum(power[frequency < 19.0]) < 1e-12 * np.sum(power)


def test_reference_noise_has_its_level_and_leaves_the_microphone_alone():
    chain = simulate.Chain(reference_noise_db=-90.0, noise=simulate.Noise(white_db=30.0))
    with_it = simulate.play_silence(duration_s=2.0, chain=chain, seed=1)
    without = simulate.play_silence(duration_s=2.0, chain=replace(chain, reference=False), seed=1)
    assert level_db(with_it.reference) == pytest.approx(-90.0, abs=0.1)
    assert without.reference is None
    np.testing.assert_array_equal(with_it.microphone, without.microphone)


def test_takes_differ_by_the_jitter():
    sound = simulate.sweep_sound(simulate.Loudspeaker(), BRIEF, drive_db=0.0)
    chain = simulate.Chain(jitter_db=0.1)
    plain = simulate.record(sound, chain=CHAIN, seed=0).microphone
    takes = [
        db(np.dot(simulate.record(sound, chain=chain, seed=seed).microphone, plain))
        - db(np.dot(plain, plain))
        for seed in range(60)
    ]
    # 60 draws: the standard deviation of a standard deviation is 1/√118 of it, 9 %
    assert np.std(takes) == pytest.approx(0.1, rel=0.28)


def test_a_step_that_was_not_made_shows_in_the_reference():
    asked, less = (
        simulate.play_sweep(
            simulate.Loudspeaker(),
            BRIEF,
            drive_db=6.0,
            chain=CHAIN,
            seed=1,
            volume_step_error_db=error_db,
        )
        for error_db in (0.0, 1.0)
    )
    assert level_db(less.reference) - level_db(asked.reference) == pytest.approx(-1.0, abs=1e-9)
    assert level_db(less.microphone) - level_db(asked.microphone) == pytest.approx(-1.0, abs=1e-9)


def test_volume_behind_the_reference_is_not_seen_by_it():
    quiet, loud = (
        simulate.play_sweep(
            simulate.Loudspeaker(),
            BRIEF,
            drive_db=drive_db,
            chain=simulate.Chain(reference_sees_volume=False),
            seed=1,
        )
        for drive_db in (0.0, 20.0)
    )
    np.testing.assert_allclose(loud.reference, quiet.reference, atol=1e-15)
    assert level_db(loud.microphone) - level_db(quiet.microphone) == pytest.approx(20.0)


def test_converter_clips_and_rounds():
    sound = simulate.sweep_sound(simulate.Loudspeaker(), BRIEF, drive_db=0.0)
    chain = simulate.Chain(full_scale_db=66.0, converter_bits=12)
    microphone = simulate.record(sound, chain=chain, seed=1).microphone
    assert np.min(microphone) == -1.0
    assert np.max(microphone) == 1.0 - 2.0**-11
    np.testing.assert_array_equal(microphone * 2**11, np.round(microphone * 2**11))


@pytest.mark.parametrize("drift_ppm", [0.0, 150.0, -3000.0])
def test_late_and_fast_clock_samples_the_same_sound(drift_ppm):
    time_s = np.arange(RATE) / RATE
    tones = (51.0, 997.0, 15013.0, 19000.0)

    def wave(at_s):
        return sum(np.sin(2.0 * np.pi * hz * at_s + hz) for hz in tones) / 4.0

    sound = simulate.Sound(pressure=wave(time_s), volt=wave(time_s), sample_rate_hz=RATE)
    chain = simulate.Chain(latency_s=1.2345e-4, drift_ppm=drift_ppm, reference_full_scale_v=1.0)
    recorded = simulate.record(sound, chain=chain, seed=1).reference
    expected = wave(time_s / (1.0 + 1e-6 * drift_ppm) - 1.2345e-4)
    inside = slice(400, -400)
    np.testing.assert_allclose(recorded[inside], expected[inside], atol=2e-5)


def test_microphone_reads_too_high_by_its_shelf():
    found = db(simulate.Chain(microphone_shelf_db=2.0).microphone(np.array([20.0, 9000.0, 1e7])))
    np.testing.assert_allclose(found, [0.0, 1.0, 2.0], atol=0.001)
    sound = simulate.sweep_sound(simulate.Loudspeaker(), BRIEF, drive_db=0.0)
    plain, lifted = (
        simulate.record(sound, chain=simulate.Chain(microphone_shelf_db=shelf_db), seed=1)
        for shelf_db in (0.0, 2.0)
    )
    ratio = np.fft.rfft(lifted.microphone) / np.fft.rfft(plain.microphone)
    frequency = np.fft.rfftfreq(plain.microphone.size, 1.0 / RATE)
    at_9k = np.abs(frequency - 9000.0) < 20.0
    assert np.mean(db(ratio[at_9k])) == pytest.approx(1.0, abs=0.01)


def test_same_seed_same_take_and_another_seed_another():
    loudspeaker = simulate.Loudspeaker()
    chain = simulate.Chain(noise=simulate.Noise(pink_db=30.0), reference_noise_db=-100.0)
    first, again, other = (
        simulate.play_sweep(loudspeaker, BRIEF, drive_db=0.0, chain=chain, seed=seed)
        for seed in (5, 5, 6)
    )
    np.testing.assert_array_equal(first.microphone, again.microphone)
    np.testing.assert_array_equal(first.reference, again.reference)
    assert np.any(first.microphone != other.microphone)
