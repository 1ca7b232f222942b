"""One period's tones against known ones and second opinions; groups against their standards."""

import numpy as np
import pytest
from scipy.linalg import solve
from soaking import RATE, multitone, played, tracks_of
from truth_tables import truth_rows

from reportlib import simulate
from reportlib.errors import CaptureError
from reportlib.measure.stress.records import StageSpan
from reportlib.measure.stress.stages import Joined
from reportlib.measure.stress.tones import PeriodReader, lines_at_tones, played_tones
from reportlib.measure.stress.tracks import group_level, group_u_db, nominal_hz, tone_groups
from reportlib.measure.uncertainty import DB_PER_NOISE_RATIO
from reportlib.session.day import SweepFacts

TONES = multitone()


def periods(count=3, *, drift=0.0, extra=()):
    """Return a multitone on a clock that runs fast by `drift`, by its formula, and its amplitudes.

    `extra`: bins and amplitudes of further tones.
    """
    length = TONES.samples.size * (1.0 + drift)
    place = np.arange(round(count * length)) + 0.37
    amplitude = np.sqrt(2.0) * TONES.shares * (1.0 + 0.2 * np.sin(np.arange(TONES.bins.size)))
    found = np.zeros(place.size)
    for bin_, size in [*zip(TONES.bins, amplitude, strict=True), *extra]:
        found += size * np.cos(2.0 * np.pi * bin_ * place / length + bin_**2)
    return found, amplitude


def heard(samples, *, drift=0.0, reference=None):
    reader = PeriodReader(played(), drift=drift)
    other = None if reference is None else reader.spectrum(reference[: reader.samples])
    return reader.heard(reader.spectrum(samples[: reader.samples]), reference=other)


def test_the_tones_are_those_that_were_put_in():
    assert np.array_equal(played().bins, TONES.bins)
    assert np.all(played().empty % 2 == 1)
    assert not set(played().empty) & set(TONES.bins)


@pytest.mark.parametrize("drift_ppm", [0.0, 2.0, 40.0, -150.0, 500.0])
def test_amplitudes_are_right_and_leak_less_than_100_db(drift_ppm):
    samples, amplitude = periods(drift=1e-6 * drift_ppm)
    found = heard(samples, drift=1e-6 * drift_ppm)
    size = TONES.samples.size
    assert np.allclose(np.sqrt(found.power), 0.5 * size * amplitude, rtol=1e-6)
    assert 10.0 * np.log10(found.noise.max()) < -100.0
    assert 10.0 * np.log10(found.beside.sum() / found.power.sum()) < -100.0


def test_a_tone_off_its_bin_would_leak_without_the_correction():
    samples, _ = periods(drift=40e-6)
    assert 10.0 * np.log10(heard(samples).noise.max()) > -50.0


@pytest.mark.parametrize("drift_ppm", [0.0, -40.0])
def test_a_least_squares_fit_of_sines_agrees_on_one_period(drift_ppm):
    """Second opinion: scipy.linalg on all tones' sines and cosines at once, among noise."""
    drift = 1e-6 * drift_ppm
    samples, _ = periods(drift=drift)
    samples = samples + 0.01 * np.random.default_rng(8).standard_normal(samples.size)
    reader = PeriodReader(played(), drift=drift)
    piece = samples[: reader.samples]
    turn = 2.0 * np.pi * np.outer(np.arange(piece.size), TONES.bins) / reader.length
    waves = np.hstack((np.cos(turn), np.sin(turn)))
    solved = solve(waves.T @ waves, waves.T @ piece, assume_a="pos")
    fitted = np.hypot(*solved.reshape(2, -1))
    found = np.sqrt(reader.heard(reader.spectrum(piece), reference=None).power)
    apart_db = 20.0 * np.log10(found / (0.5 * TONES.samples.size * fitted))
    # each tone stands 40 dB and more above the noise; the edges differ under drift
    assert np.max(np.abs(apart_db)) < (0.02 if drift else 1e-6)


def test_the_reference_s_tones_are_divided_out():
    samples, amplitude = periods()
    level = heard(samples, reference=np.tile(TONES.samples, 3)).level_db
    assert np.allclose(level, 20.0 * np.log10(amplitude / (np.sqrt(2.0) * TONES.shares)), atol=1e-6)


def test_what_lies_between_the_tones_is_counted_by_even_and_odd_bins():
    """One product on an even bin, and a third-order one of the same power on every odd bin."""
    power = 1e-4**2 / 2.0
    even = 2 * (int(TONES.bins[40]) // 2)
    samples, amplitude = periods(extra=[(even, 1e-4)])
    found = heard(samples)
    assert found.beside.sum() / found.power.sum() == pytest.approx(
        power / (0.5 * np.sum(amplitude**2)), rel=1e-3
    )
    low, high = 4001, 4999
    odd = [(bin_, 1e-4) for bin_ in range(low, high, 2) if bin_ not in set(TONES.bins)]
    samples, _ = periods(extra=odd)
    found = heard(samples)
    # the empty odd bins stand for the tones' own too
    each = (0.5 * TONES.samples.size * 1e-4) ** 2
    assert found.beside.sum() == pytest.approx(each * (high - low) / 2, rel=0.01)


def test_noise_of_a_tone_is_that_of_the_empty_odd_bins_around_it():
    samples, _ = periods()
    noisy = samples + 0.01 * np.random.default_rng(3).standard_normal(samples.size)
    found = heard(noisy)
    expected = TONES.samples.size * 0.01**2  # white noise: variance times length in every bin
    ratio = found.noise * found.power / expected
    assert np.all((ratio > 0.2) & (ratio < 2.6))
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.1)


def test_a_line_on_a_tone_s_own_bin_is_found_in_the_silence_before():
    rng = np.random.default_rng(5)
    size, bin_ = TONES.samples.size, int(TONES.bins[3])
    noise = 1e-3 * rng.standard_normal(size // 2)
    hum = 0.02 * np.cos(2.0 * np.pi * bin_ * np.arange(size // 2) / size)
    broad = np.full(TONES.bins.size, size * 1e-6)
    found = lines_at_tones(noise + hum, played=played(), noise=broad)
    assert found[3] == pytest.approx((0.5 * size * 0.02) ** 2, rel=0.05)
    assert np.all(found[20:] == 0.0)
    assert not lines_at_tones(noise, played=played(), noise=broad).any()
    assert not lines_at_tones(hum[: size // 10], played=played(), noise=broad).any()


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (TONES.samples[:-37], "not one whole period"),
        (TONES.samples[: TONES.samples.size // 3], "not one whole period"),
        (np.random.default_rng(1).standard_normal(8000), "not one whole period|empty"),
        (simulate.sweep_signal(SweepFacts(
            start_hz=20.0, stop_hz=15000.0, duration_s=0.5), sample_rate_hz=RATE),
         "not one whole period|empty"),
        (np.cos(2.0 * np.pi * 0.01 * np.arange(1000)), "not one whole period"),
    ],
)  # fmt: skip
def test_what_is_no_multitone_is_named_in_one_line(samples, words):
    with pytest.raises(CaptureError, match=words) as caught:
        played_tones(samples, sample_rate_hz=RATE, source="stimulus/multitone.wav")
    assert str(caught.value).startswith("stimulus/multitone.wav")
    assert "\n" not in str(caught.value)


def test_16_bits_do_not_hide_a_multitone():
    rounded = np.round(TONES.samples * 8000.0) / 32768.0
    found = played_tones(rounded, sample_rate_hz=RATE, source="multitone.wav")
    assert np.array_equal(found.bins, TONES.bins)


# --- groups -----------------------------------------------------------------------------------


def grouped(**changes):
    facts = {"noise": np.full(TONES.bins.size, 1e-6), "crossovers_hz": (350.0, 2800.0)}
    return tone_groups(TONES.frequency_hz, **{**facts, **changes})


def test_nominal_frequencies_are_those_of_iso_266():
    for row in truth_rows("third_octaves.csv"):
        assert nominal_hz(float(row["exact_hz"])) == float(row["nominal_hz"])


def test_every_band_third_and_unit_has_its_tones():
    groups = grouped()
    assert [one.name for one in groups if one.kind == "band"] == [
        "bass", "low mids", "mids", "presence", "treble",
    ]  # fmt: skip
    thirds = [one for one in groups if one.kind == "third"]
    assert [thirds[0].name, thirds[-1].name] == ["31.5 Hz", "12.5 kHz"]
    assert sum(one.tones for one in thirds) == TONES.bins.size
    units = {one.name: one for one in groups if one.kind == "unit"}
    assert list(units) == ["up to 350 Hz", "350 Hz to 2.8 kHz", "from 2.8 kHz"]
    # nothing within 1/3 octave of where two sound (base 10: a factor of 1.2589)
    f = TONES.frequency_hz
    beside = [(f > hz / 1.2589) & (f < hz * 1.2589) for hz in (350.0, 2800.0)]
    for one in units.values():
        assert not np.any(one.within[np.logical_or(*beside)])
    assert not [one for one in grouped(crossovers_hz=()) if one.kind == "unit"]


def test_a_group_averages_over_log_frequency():
    """A level that rises evenly with log f is met in the middle, however the tones crowd."""
    level = np.log2(TONES.frequency_hz)[np.newaxis]
    for one in grouped():
        if one.kind == "band":
            high = min(one.high_hz, TONES.frequency_hz[-1])
            middle = 0.5 * np.log2(one.low_hz * high)
            assert group_level(level, group=one)[0] == pytest.approx(middle, abs=0.06), one.name
        assert one.weight.sum() == pytest.approx(1.0)


def test_tones_in_noise_have_no_share_and_too_few_make_no_group():
    noise = np.full(TONES.bins.size, 1e-6)
    bass = TONES.frequency_hz < 80.0
    noise[bass] = 1.0
    found = {one.name: one for one in grouped(noise=noise)}
    assert found["bass"].tones == 0
    assert np.isnan(group_level(np.zeros((1, bass.size)), group=found["bass"]))
    assert found["low mids"].tones > 0


def test_the_mean_of_n_equal_tones_is_known_by_the_root_of_n_better():
    one = next(group for group in grouped() if group.name == "1 kHz")
    u_db = group_u_db(np.full((1, TONES.bins.size), 1e-4), group=one)
    assert u_db[0] == pytest.approx(6.14 * 1e-2 / np.sqrt(one.tones), rel=0.05)


def hot_day(seed):
    """Return tones that lose by mixes of two drive units' three terms each, and the truth."""
    generator = np.random.default_rng((31, seed))
    frequency_hz, count = np.geomspace(45.0, 15000.0, 60), 90
    at_s = np.arange(count) + 0.5
    fine_s = (np.arange(20 * count) + 0.5) / 20.0
    lower = 1.0 / (1.0 + (frequency_hz / 2400.0) ** 6)
    loss_db = np.zeros((count, frequency_hz.size))
    for share in (lower, 1.0 - lower):
        taus_s = generator.uniform([2.5, 10.0, 120.0], [6.0, 30.0, 900.0])
        for tau_s, most_db in zip(taus_s, generator.uniform(0.3, [1.5, 2.5, 1.0]), strict=True):
            state = -np.expm1(-fine_s / tau_s).reshape(count, 20).mean(axis=1)
            turn = generator.uniform(0.4, 1.2) * np.log2(frequency_hz / 1000.0)
            mix = np.exp(0.3 * np.sin(turn + generator.uniform(0.0, 6.3)))
            loss_db += most_db * np.outer(state, mix * share)
    noise_db = 0.008
    nothing = np.zeros(loss_db.shape)
    span = StageSpan(
        start_s=0.0, stress_s=float(count), elapsed_s=float(count), pause_s=2.0, recorded=True
    )
    level = Joined(
        period_s=1.0,
        spans=(span,),
        elapsed_s=at_s,
        clock_s=at_s,
        stage=np.zeros(count),
        settled=at_s > 1.0,
        reason=("",) * count,
        frequency_hz=frequency_hz,
        noise_dof=np.full(frequency_hz.size, 30.0),
        level_db=-30.0 - loss_db + generator.normal(0.0, noise_db, loss_db.shape),
        noise=nothing + (noise_db / DB_PER_NOISE_RATIO) ** 2,
        power=nothing + 1.0,
        beside=nothing + 1e-6,
        resistance_ohm=nothing,
        reactance_ohm=nothing,
    )
    return level, -loss_db


def test_a_tone_s_own_mix_of_quick_and_slow_heating_is_in_its_interval():
    inside, widths = [], []
    for seed in range(5):
        level, truth_db = hot_day(seed)
        _, tones = tracks_of(level, crossovers_hz=(2400.0,))
        error, u95 = np.abs(tones.change_db - truth_db)[[5, 30, -1]], tones.u95_db[[5, 30, -1]]
        told = np.isfinite(u95)
        inside.append(float(np.mean(error[told] <= u95[told])))
        widths.append(float(np.median(u95[told])))
    assert np.mean(inside) > 0.9
    assert min(inside) > 0.75
    assert np.median(widths) < 0.15
