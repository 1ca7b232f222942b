"""Two clocks: drift found, taken off, and never read out of a loudspeaker that has none.

The truth is the simulation's own: the drift that a recording was made with, and the same
recording made without it.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from days import LAW, RATE
from three_way import GRID, LIMITED, THREE_WAY, chain, divided, recorded, stimulus, three_way

from reportlib import simulate
from reportlib.measure import response
from reportlib.measure.clock_between import relative_drift, resampled
from reportlib.measure.clock_within import Drift, multitone_drift
from reportlib.measure.deconvolution import deconvolve
from reportlib.measure.levels import db
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import SweepFacts
from reportlib.session.records import Capture

DRIVES_DB = (0.0, 10.0, 20.0)
HOT = three_way(heat=True)


# --- time scale -------------------------------------------------------------------------------


@pytest.mark.parametrize("ppm", [5.0, -40.0, 150.0, -500.0])
@pytest.mark.parametrize("turns", [0.01, 0.25, 0.45])
def test_resampling_is_right_to_100_db(ppm, turns):
    """Against the formula of a tone that swells and fades, read off at both clocks."""
    count = 60_000

    def tone(place):
        swell = np.exp(-(((place - count / 2) / (count / 8)) ** 2))
        return swell * np.cos(2.0 * np.pi * turns * place + 0.3)

    heard = tone(np.arange(count) / (1.0 + 1e-6 * ppm))
    found = resampled(heard, ppm=ppm)
    assert abs(found.size - count / (1.0 + 1e-6 * ppm)) < 1.0
    assert np.max(np.abs(found - tone(np.arange(found.size)))) < 1e-5


def test_no_drift_resamples_to_the_same():
    signal = np.random.default_rng(31).standard_normal(5_000)
    assert np.allclose(resampled(signal, ppm=0.0), signal, rtol=0.0, atol=1e-12)


# --- from a multitone -------------------------------------------------------------------------


@cache
def stress(loudspeaker):
    """5 s of a multitone of half-second periods; 24 kHz keeps the simulation short."""
    multitone = simulate.multitone_signal(
        seed=17, period_s=0.5, sample_rate_hz=24000, range_hz=(25.0, 10000.0)
    )
    return multitone.samples, simulate.multitone_sound(
        loudspeaker, multitone, drive_db=20.0, periods=10, lead_in_s=0.2, tail_s=0.2
    )


def heard(loudspeaker, *, ppm, seed, noise_db=60.0, latency_s=0.0):
    period, played = stress(loudspeaker)
    clock = chain(drift_ppm=ppm, latency_s=latency_s, noise_db=noise_db)
    return period, simulate.record(played, chain=clock, seed=seed).microphone


@pytest.mark.parametrize(
    ("loudspeaker", "ppm"),
    [(HOT, ppm) for ppm in (5.0, -40.0)] + [(THREE_WAY, 300.0)],
    ids=lambda value: f"{value:g}" if isinstance(value, float) else "",
)
def test_a_multitone_tells_drift_to_a_twentieth_of_a_ppm(loudspeaker, ppm):
    """Among noise, and with the coils warming meanwhile."""
    period, samples = heard(loudspeaker, ppm=ppm, seed=[83, int(ppm) + 200], latency_s=0.0217)
    found = multitone_drift(np.array_split(samples, 7), period=period)
    assert found.ppm == pytest.approx(ppm, abs=0.05)
    assert found.u_ppm < 0.05
    assert abs(found.ppm - ppm) < 4.0 * found.u_ppm
    assert found.to_correct == (abs(ppm) > 20.0)


def test_the_uncertainty_of_a_multitone_s_drift_is_what_repeats_scatter_by():
    period, _ = stress(THREE_WAY)
    found = [
        multitone_drift([heard(THREE_WAY, ppm=0.0, seed=[91, n], noise_db=75.0)[1]], period=period)
        for n in range(20)
    ]
    z = np.array([one.ppm / one.u_ppm for one in found])
    assert 0.5 < np.sqrt(np.mean(z**2)) < 1.5


def test_what_is_no_repeated_multitone_tells_nothing():
    period, samples = heard(THREE_WAY, ppm=0.0, seed=12)
    noise = np.random.default_rng(5).standard_normal(samples.size)
    other = simulate.multitone_signal(
        seed=3, period_s=0.45, sample_rate_hz=24000, range_hz=(25.0, 9000.0)
    ).samples
    assert multitone_drift([noise], period=period) is None
    assert multitone_drift([np.zeros(samples.size)], period=period) is None
    assert multitone_drift([samples[: 4 * period.size]], period=period) is None
    assert multitone_drift([samples], period=other) is None
    assert multitone_drift([samples], period=np.ones(period.size)) is None


# --- between sweeps ---------------------------------------------------------------------------


@cache
def take(*, drive_db, ppm=0.0):
    return recorded(THREE_WAY, drive_db=drive_db, seed=1, drift_ppm=ppm)


@cache
def without_drift():
    return [divided(take(drive_db=drive)) for drive in DRIVES_DB]


def powers(captures, *, gate_ms):
    """Responses behind the gate, on the grid between its lowest frequency and the sweep's end."""
    gate = response.session_gate(captures, law=LAW, gate_ms=gate_ms)
    arrival_s = response.find_arrival_s(captures[0], law=LAW)
    smoothing = response.smoothing_cells(
        captures[0], law=LAW, gate=gate, arrival_s=arrival_s, fraction=12, spread=False
    )
    inside = (gate.lowest_hz <= GRID) & (GRID < 19000.0)
    return [
        response.measure_response(
            one,
            law=LAW,
            gate=gate,
            arrival_s=response.align_s(one, to=captures[0], arrival_s=arrival_s),
            fraction=12,
            smoothing=smoothing,
        ).power[inside]
        for one in captures
    ]


def moved_db(captures, *, gate_ms):
    """Largest error of a level and of a change, against the same day without drift."""
    found, true = (powers(one, gate_ms=gate_ms) for one in (captures, without_drift()))
    levels = [db(a / b) for a, b in zip(found, true, strict=True)]
    return (
        max(np.max(np.abs(one)) for one in levels),
        max(np.max(np.abs(one - levels[0])) for one in levels[1:]),
    )


def taken_off(capture, *, ppm):
    return Capture(
        source=capture.source,
        sample_rate_hz=RATE,
        microphone=resampled(capture.microphone, ppm=ppm),
    )


def test_a_drift_that_all_captures_share_cancels():
    raw = [take(drive_db=drive, ppm=-150.0) for drive in DRIVES_DB]
    shared = [divided(one) for one in raw]
    for gate_ms in (None, 50.0):
        level_db, change_db = moved_db(shared, gate_ms=gate_ms)
        assert level_db < 0.07
        assert change_db < 0.01
    # Behind a short gate it does not wholly: there it pays to take a known drift off them all.
    assert 0.01 < moved_db(shared, gate_ms=6.0)[1] < 0.1
    mended = [divided(taken_off(one, ppm=-150.0)) for one in raw]
    level_db, change_db = moved_db(mended, gate_ms=6.0)
    assert max(level_db, change_db) < 0.01


@pytest.mark.parametrize("ppm", [5.0, 150.0])
def test_captures_whose_clocks_differ_give_the_same_change(ppm):
    """The baseline's as it should be, one level's fast, the other's slow."""
    raw = [
        take(drive_db=drive, ppm=own * ppm)
        for own, drive in zip((0, 1, -1), DRIVES_DB, strict=True)
    ]
    day = [divided(one) for one in raw]
    for index, own in ((1, 1), (2, -1)):
        found = relative_drift(day[index], to=day[0], law=LAW)
        assert found.ppm == pytest.approx(own * ppm, abs=2.0)
        assert found.to_correct == (abs(ppm) > 20.0)
        if found.to_correct:
            day[index] = divided(taken_off(raw[index], ppm=found.ppm))
            again = relative_drift(day[index], to=day[0], law=LAW)
            assert abs(again.ppm) < 0.1 * abs(ppm)
    for gate_ms in (None, 50.0, 6.0):
        assert moved_db(day, gate_ms=gate_ms)[1] < 0.01


@pytest.mark.parametrize("noises", [2, pytest.param(12, marks=pytest.mark.slow)])
def test_a_loudspeaker_without_drift_is_never_corrected(noises):
    """Three loudspeakers whose phase moves with level, at three drives, in several noises each."""
    true_ppm, found_ppm = [], []
    for index, loudspeaker in enumerate((THREE_WAY, LIMITED, HOT)):
        rng = np.random.default_rng([407, index])
        baseline = divided(recorded(loudspeaker, drive_db=0.0, seed=[5, index], noise_db=35.0))
        for drive in (10.0, 20.0, 26.0):
            for day in range(noises):
                noise_db = float(rng.uniform(20.0, 50.0))
                one = recorded(
                    loudspeaker, drive_db=drive, seed=[6, index, day, int(drive)], noise_db=noise_db
                )
                found = relative_drift(divided(one), to=baseline, law=LAW)
                assert found is not None
                assert not found.to_correct
                found_ppm.append(found.ppm)
        # so that "never" is not for want of seeing any
        late = recorded(loudspeaker, drive_db=20.0, seed=index, noise_db=40.0, drift_ppm=60.0)
        found = relative_drift(divided(late), to=baseline, law=LAW)
        assert found.to_correct
        true_ppm.append(found.ppm)
    assert len(found_ppm) == 9 * noises
    assert np.max(np.abs(found_ppm)) < 6.0
    assert np.array(true_ppm) == pytest.approx(60.0, abs=10.0)


def test_a_long_sweep_is_found_wherever_its_clock_was():
    """Ten seconds turn the treble by more than a hundred periods."""
    ppm = 400.0
    law = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
    facts = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
    played = np.pad(simulate.sweep_signal(facts, sample_rate_hz=RATE), (RATE // 4, RATE))
    noise = 1e-3 * np.random.default_rng(66).standard_normal((2, played.size))
    fast = resampled(played, ppm=-ppm)
    fast = np.pad(fast, (0, max(0, played.size - fast.size)))[: played.size]
    true, other = (
        deconvolve(
            Capture(source="long", sample_rate_hz=RATE, microphone=samples),
            law=law,
            frequency_hz=GRID,
            fraction=12,
            stimulus=played,
        )
        for samples in (played + noise[0], fast + noise[1])
    )
    found = relative_drift(other, to=true, law=law)
    assert 1e6 / (1.0 - 1e-6 * ppm) - 1e6 == pytest.approx(found.ppm, abs=0.5)


def test_a_treble_that_rises_is_not_taken_for_a_clock():
    """6 dB more about 10 kHz turn the phase with them, as a clock would by 15 ppm."""
    panel = simulate.Panel(frequency_hz=10000.0, q=1.0, full_gain_db=6.0, half_level_db=84.0)
    loudspeaker = replace(THREE_WAY, panels=(panel,))
    low, high = (
        divided(recorded(loudspeaker, drive_db=drive, seed=int(drive), noise_db=40.0))
        for drive in (0.0, 24.0)
    )
    found = relative_drift(high, to=low, law=LAW)
    assert abs(found.ppm) < 5.0
    assert found.u_ppm < 5.0
    assert not found.to_correct


def test_a_sweep_in_noise_tells_nothing():
    """Half of the band below the noise: no number rather than a wild one."""
    quiet, loud = (
        divided(recorded(THREE_WAY, drive_db=0.0, seed=8, noise_db=level)) for level in (30.0, 60.0)
    )
    found = relative_drift(loud, to=quiet, law=LAW)
    assert found is None or not found.to_correct


def test_small_or_doubtful_drifts_are_left():
    assert Drift(ppm=-40.0, u_ppm=2.0).to_correct
    assert not Drift(ppm=19.0, u_ppm=0.1).to_correct
    assert not Drift(ppm=-60.0, u_ppm=20.0).to_correct


def test_a_long_sweep_behind_a_short_gate_is_brought_together_sooner():
    drift = Drift(ppm=12.0, u_ppm=0.5)  # 48 µs over 4 s, 24 µs over 2 s
    assert drift.to_correct_behind(gate_s=0.006, sweep_s=4.0)
    assert not drift.to_correct_behind(gate_s=0.006, sweep_s=2.0)
    assert not drift.to_correct_behind(gate_s=0.5, sweep_s=4.0)
    assert not Drift(ppm=12.0, u_ppm=4.0).to_correct_behind(gate_s=0.006, sweep_s=4.0)


# --- latency without a reference --------------------------------------------------------------


def test_any_latency_and_any_silence_in_either_file_is_found():
    """Latencies to 2 s, by parts of a sample; files cut short before the sweep, and padded."""
    rng = np.random.default_rng(2024)
    start = divided(take(drive_db=0.0))
    played = np.array(stimulus())
    padded, bare = np.pad(played, (3 * RATE, 4 * RATE)), played[round(0.3 * RATE) :]
    early = -round(0.29 * RATE)
    cases = [(int(whole), played, 0.0) for whole in rng.integers(0, 2 * RATE, 3)]
    cases += [(early, played, 0.0), (0, padded, 3.0), (early, padded, 3.0), (early, bare, -0.3)]
    part_s = 0.37 / RATE
    sound = recorded(THREE_WAY, drive_db=0.0, seed=1, latency_s=part_s).microphone
    for whole, file, more_s in cases:
        samples = np.pad(sound, (whole, 0)) if whole > 0 else sound[-whole:].copy()
        found = divided(
            Capture(source="late", sample_rate_hz=RATE, microphone=samples), played=file
        )
        later_s = whole / RATE + part_s
        arrival_s = response.align_s(found, to=start, arrival_s=0.0)
        assert arrival_s == pytest.approx(later_s - more_s, abs=1e-7)
        assert found.sweep_start_s == pytest.approx(start.sweep_start_s + later_s, abs=1e-3)
        same = powers([start, found], gate_ms=50.0)
        assert np.max(np.abs(db(same[1] / same[0]))) < 1e-3
