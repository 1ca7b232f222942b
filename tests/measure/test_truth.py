"""The whole measuring chain against simulated captures whose change is known."""

import numpy as np
import pytest
from days import GRID, QUIET, RATE, SWEEP, TWO_WAY, capture, responses, short_day, sound, truth_db

from reportlib import simulate
from reportlib.measure.levels import BANDS

LINEAR = simulate.Loudspeaker(units=TWO_WAY.units, resonances=TWO_WAY.resonances)


def test_without_noise_every_point_is_within_two_hundredths_of_a_decibel():
    curve = short_day(TWO_WAY, drives_db=(12.0,), seed=1, chain=simulate.Chain()).curves[0]
    error = curve.change_db - truth_db(TWO_WAY, drive_db=12.0)
    certain = curve.usable & (curve.budget.gate_db < 0.01)
    assert np.count_nonzero(certain) > 0.85 * GRID.size
    assert np.abs(error[certain]).max() < 0.02
    # and where the gate itself is in doubt, it says so
    assert np.all(np.abs(error[curve.usable]) < 0.02 + 3.0 * curve.budget.gate_db[curve.usable])


def test_a_linear_loudspeaker_changes_nothing():
    short = short_day(LINEAR, drives_db=(6.0, 27.0), seed=2)
    for curve in short.curves:
        assert curve.usable.mean() > 0.95
        assert np.abs(curve.change_db[curve.usable]).max() < 0.03
        for band in BANDS:
            inside = band.holds(GRID) & curve.usable
            assert abs(curve.change_db[inside].mean()) < 0.005


def test_the_same_capture_twice_is_no_change_at_all():
    played = sound(TWO_WAY, drive_db=0.0)
    one = capture("a", played, chain=QUIET, seed=3)
    _, (first, second) = responses([one, one])
    np.testing.assert_allclose(second.power, first.power, rtol=1e-9)


def test_harmonics_leave_the_fundamental_alone_and_are_found_beside_it():
    noisy = simulate.Loudspeaker(
        units=LINEAR.units,
        resonances=LINEAR.resonances,
        harmonics=tuple(
            simulate.Harmonic(order=order, level_db=level, at_drive_db=20.0)
            for order, level in ((2, -30.0), (3, -35.0), (4, -45.0), (5, -50.0))
        ),
    )
    played = [sound(noisy, drive_db=drive) for drive in (0.0, 20.0)]
    _, (quiet, loud) = responses(
        [capture(f"{i}", one, chain=QUIET, seed=(4, i)) for i, one in enumerate(played)]
    )
    middle = (GRID > 100.0) & (GRID < 8000.0)
    change = 10.0 * np.log10(loud.power / quiet.power)
    assert np.abs(change[middle]).max() < 0.03
    # The branch plays through the same loudspeaker: relative to the fundamental at f it is the
    # branch's level times the ratio of the responses at k·f and at f.
    for row, (order, level) in enumerate(((2, -30.0), (3, -35.0), (4, -45.0), (5, -50.0))):
        reach = middle & (order * GRID < 15000.0)
        at_order = np.abs(simulate.small_signal(LINEAR, order * GRID))
        expected = level + 20.0 * np.log10(at_order / np.abs(simulate.small_signal(LINEAR, GRID)))
        found = 10.0 * np.log10(loud.harmonic_power[row])
        assert np.abs((found - expected)[reach]).max() < 1.0
        assert np.abs(np.median((found - expected)[reach])) < 0.1


def test_noise_is_no_harmonic():
    told, looked = 0, 0
    for seed in range(4):
        played = sound(LINEAR, drive_db=0.0)
        _, (found,) = responses([capture("linear", played, chain=QUIET, seed=(6, seed))])
        told += np.count_nonzero(np.isfinite(found.harmonic_power))
        looked += np.count_nonzero(np.isfinite(found.harmonic_noise))
        floor_db = 10.0 * np.log10(found.harmonic_noise[:, (GRID > 100.0) & (GRID < 3000.0)])
        assert np.nanmax(floor_db) < -60.0
    assert looked > 2500
    assert told <= 1


def test_a_cubic_term_changes_the_fundamental_by_its_own_formula():
    # y = x + a·x³ on a sine of peak X: the fundamental grows by 1 + 3a·X²/4 (any textbook on
    # nonlinear circuits; here by sin³φ = (3·sin φ − sin 3φ)/4).
    a = -0.004
    bent = simulate.Loudspeaker(units=LINEAR.units, resonances=LINEAR.resonances, cubic=a)
    curve = short_day(bent, drives_db=(18.0,), seed=5, chain=simulate.Chain()).curves[0]
    peak = 10.0 ** (18.0 / 20.0)
    expected = 20.0 * np.log10((1 + 0.75 * a * peak**2) / (1 + 0.75 * a))
    inside = curve.usable & (GRID > 80.0) & (GRID < 16000.0)
    assert expected < -1.0
    np.testing.assert_allclose(curve.change_db[inside], expected, atol=0.02)


def test_a_short_volume_step_is_measured_and_does_not_look_like_compression():
    right = short_day(TWO_WAY, drives_db=(6.0, 12.0), seed=6)
    wrong = short_day(TWO_WAY, drives_db=(6.0, 12.0), seed=6, step_error_db=1.0)
    assert wrong.steps[1].asked_db == 12.0
    assert wrong.steps[1].measured_db == pytest.approx(11.0, abs=0.02)
    truth = truth_db(TWO_WAY, drive_db=11.0)
    usable = wrong.curves[1].usable & right.curves[1].usable
    assert np.abs(wrong.curves[1].change_db - truth)[usable].max() < 0.05


def test_without_a_reference_the_stimulus_serves_and_the_asked_step_is_subtracted():
    stimulus = np.pad(simulate.sweep_signal(SWEEP, sample_rate_hz=RATE), (RATE // 4, RATE // 10))
    chain = simulate.Chain(reference=False, latency_s=0.1234567)
    curve = short_day(
        TWO_WAY,
        drives_db=(12.0,),
        seed=7,
        chain=chain,
        stimulus=stimulus,
        reference_counts=False,
    ).curves[0]
    error = curve.change_db - truth_db(TWO_WAY, drive_db=12.0)
    assert np.abs(error[curve.usable]).max() < 0.03
    assert curve.budget.step_db == pytest.approx(0.1)


def test_turning_the_volume_behind_the_reference_takes_the_asked_step():
    chain = simulate.Chain(reference_noise_db=-110.0, reference_sees_volume=False)
    short = short_day(TWO_WAY, drives_db=(12.0,), seed=8, chain=chain, reference_counts=False)
    assert short.steps[0].measured_db is None
    error = short.curves[0].change_db - truth_db(TWO_WAY, drive_db=12.0)
    assert np.abs(error[short.curves[0].usable]).max() < 0.05


def _noise_for(snr_db):
    """Shape white noise so that K·|H|²/σ² is the same in every 1/12 octave of the baseline.

    Found from one noisy capture: the simulation's white noise is given a spectrum, so that the
    measured signal-to-noise ratio lies at `snr_db` all over.
    """
    played = sound(TWO_WAY, drive_db=0.0)
    white = simulate.Chain(reference_noise_db=-110.0, noise=simulate.Noise(white_db=30.0))
    _, found = responses([capture("n", played, chain=white, seed=(9, take)) for take in range(8)])
    snr = np.mean([one.snr_db for one in found], axis=0)
    return 10.0 ** ((snr - snr_db) / 20.0), 10.0 ** ((30.0 - QUIET.full_scale_db) / 20.0)


def _with_noise(played, *, shape, rms, seed):
    """Record a sound and add noise of the given spectrum (full scale 1 is √2 times the rms)."""
    clean = capture("s", played, chain=QUIET, seed=seed)
    generator = np.random.default_rng(seed)
    count = clean.microphone.size
    spectrum = np.fft.rfft(generator.standard_normal(count) * rms / np.sqrt(2.0))
    hz = np.fft.rfftfreq(count, 1.0 / RATE)
    gain = np.exp(np.interp(np.log(np.maximum(hz, 1.0)), np.log(GRID), np.log(shape)))
    noisy = clean.microphone + np.fft.irfft(spectrum * gain, count)
    return type(clean)(
        source=clean.source, sample_rate_hz=RATE, microphone=noisy, reference=clean.reference
    )


def _noisy_errors(snr_db, *, seeds, drive_db=6.0):
    """Errors, half-widths and usable points of many days with one signal-to-noise ratio."""
    from days import rules

    from reportlib.measure import compression

    shape, rms = _noise_for(snr_db)
    truth = truth_db(TWO_WAY, drive_db=drive_db)
    # The louder level gets the noise of its own gain, so that both have the same ratio.
    louder = np.exp(np.log(shape)) * 10.0 ** ((drive_db + truth) / 20.0)
    rows = []
    for seed in seeds:
        takes = [
            _with_noise(sound(TWO_WAY, drive_db=0.0), shape=shape, rms=rms, seed=(seed, 0)),
            _with_noise(sound(TWO_WAY, drive_db=drive_db), shape=louder, rms=rms, seed=(seed, 1)),
        ]
        gate, (base, level) = responses(takes)
        day = compression.short_term(
            compression.Setting(level_db=72.0, drive_db=0.0, takes=(base,)),
            [compression.Setting(level_db=78.0, drive_db=drive_db, takes=(level,))],
            again=[],
            rules=rules(gate),
        ).curves[0]
        rows.append((day.change_db - truth, day.u95_db, day.usable))
    return (np.array(one) for one in zip(*rows, strict=True))


@pytest.mark.parametrize("days", [40, pytest.param(105, marks=pytest.mark.slow)])
def test_at_40_db_the_interval_covers_what_it_claims(days):
    error, u95, usable = _noisy_errors(40.0, seeds=range(7000, 7000 + days))
    assert usable.mean() > 0.9
    assert np.sqrt(np.mean(error[usable] ** 2)) < 0.09
    assert np.abs(error[usable]).max() < 0.4
    # a day's share of points inside is one draw, since its points are not independent
    inside = np.mean((np.abs(error) <= u95) & usable, axis=1) / np.mean(usable, axis=1)
    half = 1.96 * np.std(inside, ddof=1) / np.sqrt(days)
    assert abs(inside.mean() - 0.95) < half + 0.01
    assert half < 0.02


def test_at_55_db_every_usable_point_is_within_a_tenth_of_a_decibel():
    error, _, usable = _noisy_errors(55.0, seeds=range(2000, 2006))
    assert usable.mean() > 0.95
    assert np.abs(error[usable]).max() < 0.1


def test_noise_does_not_read_as_compression():
    # Power averaging adds the noise's own power to a quiet baseline (arithmetic: at 15 dB per bin a
    # false loss of 10·lg(1 + 10^-1.5) = 0.135 dB); with it taken off no bias is left.
    error, _, usable = _noisy_errors(35.0, seeds=range(3000, 3020))
    wide = usable.mean(axis=0) > 0.9
    assert np.count_nonzero(wide) > 100
    bias = np.median(error[:, wide].mean(axis=0))
    assert abs(bias) < 0.02
