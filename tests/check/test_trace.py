"""What the quality gate keeps of a recording, against plain transforms and known signals."""

import itertools
import math

import numpy as np
import pytest
from days import LAW, RATE

from reportlib.check import trace
from reportlib.check.trace import BLOCK_S, OCTAVES_HZ
from reportlib.session.records import Capture

START_S = 1.0
LENGTH = round((START_S + LAW.duration_s + 1.0) * RATE)


def heard(sound, *, reference=None):
    capture = Capture(source="a", sample_rate_hz=RATE, microphone=sound, reference=reference)
    return trace.listen(capture, law=LAW, sweep_start_s=START_S)


def noise(seed, *, rms):
    return rms * np.random.default_rng(seed).standard_normal(LENGTH)


def plain_blocks(sound):
    """Octave powers block by block in double precision, by numpy and without anything shared."""
    size = 2 ** round(math.log2(BLOCK_S * RATE))
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    bins = np.arange(size // 2 + 1) * RATE / size
    rows = []
    for start in range(round(START_S * RATE), round((START_S + LAW.duration_s) * RATE), size // 2):
        power = np.abs(np.fft.rfft(sound[start : start + size] * window)) ** 2
        rows.append(
            [
                power[(bins >= low) & (bins < high)].mean()
                for low, high in itertools.pairwise(OCTAVES_HZ)
            ]
        )
    return np.array(rows)


@pytest.mark.parametrize("full_scale", [1.0, 1e-6, 3e7])  # a float file may count in any unit
def test_single_precision_harms_no_block(full_scale):
    # 110 dB between a tone in one octave and the noise in the others: more than a recorder has
    tone = np.sin(2 * np.pi * 700.0 * np.arange(LENGTH) / RATE)
    sound = full_scale * (tone + noise(1, rms=10 ** (-110 / 20)))
    found, expected = heard(sound).blocks, plain_blocks(sound)
    assert found.shape == expected.shape
    # a burst is told from some dB on
    np.testing.assert_allclose(10 * np.log10(found / expected), 0.0, atol=0.05)


def test_silence_is_known_by_its_power_between_200_and_8000_hz():
    trace = heard(noise(2, rms=0.01))
    expected_db = -40.0 + 10 * math.log10(7800.0 / (RATE / 2))
    assert trace.silence_db == pytest.approx(expected_db, abs=0.25)
    assert trace.after_db == pytest.approx(expected_db, abs=0.25)


def test_hum_has_the_power_of_its_lines():
    lines = [0.003, 0.0, 0.001]  # peak amplitudes at 50, 100 and 150 Hz
    time_s = np.arange(LENGTH) / RATE
    hum = sum(
        size * np.sin(2 * np.pi * 50.0 * order * time_s + order)
        for order, size in enumerate(lines, 1)
    )
    trace = heard(hum + noise(3, rms=1e-5))
    of_50, of_60 = 10 * np.log10(trace.hum_power)
    assert of_50[0] == pytest.approx(10 * math.log10(0.003**2 / 2), abs=0.1)
    assert of_50[2] == pytest.approx(10 * math.log10(0.001**2 / 2), abs=0.1)
    assert of_50[1] < -80.0
    assert of_60[1] < -80.0


def test_tops_of_a_sine_and_of_one_cut_flat():
    # arithmetic: a sine spends acos(0.999)/acos(0.9) of its time above 0.9 within 0.1 % of its top
    sine = 0.7 * np.sin(2 * np.pi * 997.0 * np.arange(LENGTH) / RATE)
    cut = np.clip(sine, -0.7 * 10 ** (-0.3 / 20), 0.7)
    trace = heard(sine, reference=cut)
    assert trace.microphone_tops == pytest.approx(math.acos(0.999) / math.acos(0.9), abs=0.005)
    assert 0.4 < trace.reference_tops < 0.6
    assert trace.peak == pytest.approx(0.7, rel=1e-4)


def test_tops_of_a_coarse_recording_say_nothing():
    coarse = np.round(100 * np.sin(2 * np.pi * 997.0 * np.arange(LENGTH) / RATE)) / 128
    assert math.isnan(heard(coarse).microphone_tops)
