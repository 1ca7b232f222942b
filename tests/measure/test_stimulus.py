"""The sweep's law against its published form, and finding it in a recording."""

import numpy as np
import pytest
from scipy import signal

from reportlib.errors import CaptureError
from reportlib.measure.sweep import SweepLaw, find_sweep

LAW = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
RATE = 48000


def test_rate_times_and_harmonic_leads_are_farinas():
    # A. Farina, AES 108 (2000), as worked out for 20 Hz–20 kHz in 10 s
    assert LAW.rate_s == pytest.approx(1.44765, abs=1e-5)
    assert [LAW.time_s(hz) for hz in (100.0, 1000.0, 10000.0)] == pytest.approx(
        [2.330, 5.663, 8.997], abs=1e-3
    )
    assert [LAW.lead_s(k) for k in (2, 3, 4, 5)] == pytest.approx(
        [1.0034, 1.5904, 2.0069, 2.3299], abs=1e-4
    )
    assert LAW.frequency_hz(LAW.time_s(440.0)) == pytest.approx(440.0)


def test_dwell_in_a_third_octave_is_the_same_everywhere():
    # L·ln(10^0.1) = 0.3333 s (maths on Farina's law)
    for hz in (50.0, 500.0, 5000.0):
        assert LAW.time_s(hz * 10**0.1) - LAW.time_s(hz) == pytest.approx(0.3333, abs=1e-4)


@pytest.mark.parametrize(("lead_s", "tail_s"), [(0.0, 0.0), (0.7, 0.4), (2.0, 3.0)])
def test_a_sweep_made_by_scipy_is_found_where_it_stands(lead_s, tail_s):
    law = SweepLaw(start_hz=30.0, stop_hz=15000.0, duration_s=3.0)
    time_s = np.arange(3 * RATE) / RATE
    sweep = signal.chirp(time_s, 30.0, 3.0, 15000.0, method="logarithmic")
    drive = np.pad(0.2 * sweep, (round(lead_s * RATE), round(tail_s * RATE)))
    found = find_sweep(drive, law=law, sample_rate_hz=RATE, source="x.wav")
    assert found == pytest.approx(lead_s, abs=0.01)
    # by numpy's running sum over every sample
    energy = np.cumsum(drive**2)
    passed = np.searchsorted(energy, energy[-1] * np.array([0.25, 0.75]))
    assert found == pytest.approx(passed.mean() / RATE - 1.5, abs=0.6 / RATE)


def _tone(hz, seconds=3.0):
    return np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE)


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (np.zeros(RATE), r"x\.wav is silent"),
        (_tone(1000.0), r"x\.wav holds no sweep of 3 s from 30 to 15000 Hz: it passes"),
        (
            np.pad(_tone(1000.0, 0.5), (RATE, RATE)),
            r"half of its energy passes in 0\.25 s, not in 1\.50 s",
        ),
    ],
)
def test_what_is_no_such_sweep_is_refused_in_words(drive, words):
    law = SweepLaw(start_hz=30.0, stop_hz=15000.0, duration_s=3.0)
    with pytest.raises(CaptureError, match=words):
        find_sweep(drive, law=law, sample_rate_hz=RATE, source="x.wav")


def test_a_linear_sweep_is_not_taken_for_an_exponential_one():
    law = SweepLaw(start_hz=30.0, stop_hz=15000.0, duration_s=3.0)
    drive = signal.chirp(np.arange(3 * RATE) / RATE, 30.0, 3.0, 15000.0, method="linear")
    with pytest.raises(CaptureError, match="holds no sweep"):
        find_sweep(drive, law=law, sample_rate_hz=RATE, source="x.wav")
