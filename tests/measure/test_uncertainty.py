"""Uncertainty: the GUM's own rules, errors by formula, and noise of known strength."""

import numpy as np
import pytest
from days import rules

from reportlib.measure import compression, uncertainty
from reportlib.measure.levels import grid_hz
from reportlib.measure.records import Response
from reportlib.measure.response import Gate

GRID = grid_hz(start_hz=100.0, stop_hz=10000.0)


def make_response(*, power=1.0, noise=1e-4, cells=1.0, dof=1e6, source="a", moved=(None, None)):
    """Return a response with the same signal and noise everywhere."""
    ones = np.ones(GRID.size)
    nothing = np.full((4, GRID.size), np.nan)
    power = power * ones
    return Response(
        source=source, frequency_hz=GRID, power=power,
        power_moved_gate=np.stack([power if one is None else one * ones for one in moved]),
        noise_power=noise * ones, noise_dof=dof * ones, cells=cells * ones,
        gate_noise_share=np.zeros((2, GRID.size)), drive_power=ones, drive_noise=0.0 * ones,
        harmonic_power=nothing, harmonic_noise=nothing, noise_excess_db=0.0 * ones,
        drive_amplitude=1.0, arrival_s=0.003, sweep_start_s=0.5, tail_s=0.5,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("snr_db", "sigma_db"), [(20, 0.614), (25, 0.345), (30, 0.194), (40, 0.061), (50, 0.019)]
)
def test_one_bins_error_is_that_of_a_noisy_magnitude(snr_db, sigma_db):
    # computed from the small-noise law of a Rician magnitude, 20/ln 10/√2 = 6.14 dB·10^(−SNR/20)
    one = make_response(noise=10 ** (-snr_db / 10))
    assert uncertainty.noise_db(one)[0] == pytest.approx(sigma_db, rel=0.03)


def test_bendat_and_piersols_error_of_a_transfer_function_agrees():
    # J. S. Bendat, A. G. Piersol, Random Data: ε = √((1 − γ²)/(2·n·γ²)); γ² = SNR/(1 + SNR).
    # γ² = 0.99 and n = 64 give 0.0089, that is 0.077 dB.
    snr = 0.99 / 0.01
    one = make_response(noise=1 / snr, cells=64.0)
    assert uncertainty.noise_db(one)[0] == pytest.approx(0.077, abs=0.001)


def test_what_is_drowned_is_infinitely_uncertain_not_clipped():
    assert np.isinf(uncertainty.noise_db(make_response(power=-0.1))).all()


@pytest.mark.parametrize(
    ("dof", "factor"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (50, 2.01), (1e9, 1.960)]
)
def test_students_factor_is_the_gums_table(dof, factor):
    # JCGM 100:2008, table G.2, column p = 95.00 %, printed to 0.01
    found = uncertainty.expanded(np.array([1.0]), dof=np.array([dof]))
    assert found[0] == pytest.approx(factor, abs=0.0051)


def test_effective_degrees_of_freedom_are_the_gums_worked_example():
    # JCGM 100:2008, G.4.1 example: relative u 0.25, 0.57, 0.82 % with n = 10, 5, 15 readings
    # give u_c = 1.03 % and ν_eff = 19.0
    parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
    assert float(uncertainty.effective_dof(parts)) == pytest.approx(19.0, abs=0.1)


def test_exactly_known_parts_leave_infinite_degrees_of_freedom():
    assert np.isinf(uncertainty.effective_dof([(0.1, np.inf), (0.2, np.inf)]))


def test_nothing_repeated_means_the_assumed_value():
    found = uncertainty.repeatability([[make_response()], [make_response()]], assumed_db=0.05)
    assert found.assumed
    assert found.broadband_db == 0.05
    assert np.all(found.local_db == 0.0)


def test_what_takes_differ_by_as_a_whole_is_pooled_over_the_day():
    # two takes d dB apart have the variance d²/2 of one take; pooled over two levels
    levels = [[make_response(power=10 ** (sign * d / 20)) for sign in (1, -1)] for d in (0.2, 0.4)]
    found = uncertainty.repeatability(levels, assumed_db=0.05)
    assert not found.assumed
    assert found.broadband_db == pytest.approx(np.sqrt((0.2**2 + 0.4**2) / 4), rel=1e-3)
    assert found.broadband_dof == 2.0
    assert found.local_db.max() < 0.02


def test_a_disturbed_stretch_widens_only_there():
    hit = (GRID > 900.0) & (GRID < 1300.0)
    quiet = [make_response(noise=1e-8) for _ in range(2)]
    loud = make_response(power=1.0, noise=1e-8)
    other = make_response(power=np.where(hit, 10**0.1, 1.0), noise=1e-8)
    found = uncertainty.repeatability([quiet, [loud, other]], assumed_db=0.05)
    assert found.local_db[1][hit].min() > 0.3
    far = (GRID < 700.0) | (GRID > 1700.0)
    assert found.local_db[1][far].max() < 0.2
    assert found.local_db[0].max() < 0.01


def test_takes_that_differ_by_their_noise_alone_get_nothing_added():
    generator = np.random.default_rng(2)
    u = 0.1
    ratio = 10 ** (generator.normal(0.0, u, (2, GRID.size)) / 10)
    noise = (u / uncertainty.DB_PER_NOISE_RATIO) ** 2
    takes = [make_response(power=one, noise=noise) for one in ratio]
    found = uncertainty.repeatability([takes], assumed_db=0.05)
    assert np.sqrt(np.mean(found.local_db**2)) < 0.6 * u


def test_averaging_takes_divides_noise_by_their_root():
    one = uncertainty.known_level([make_response()])
    four = uncertainty.known_level([make_response() for _ in range(4)])
    assert four.noise_db[0] == pytest.approx(one.noise_db[0] / 2.0)


def test_the_gate_counts_what_moving_its_edges_changes():
    lower = uncertainty.known_level([make_response(noise=0.0)])
    for moved, expected in (
        ((10**0.03, None), 0.3 / np.sqrt(3.0)),
        ((None, 10**-0.04), 0.4),
        ((10**0.03, 10**-0.04), np.hypot(0.3 / np.sqrt(3.0), 0.4)),
    ):
        upper = uncertainty.known_level([make_response(noise=0.0, moved=moved)])
        found = uncertainty.gate_db(upper, lower, frequency_hz=GRID)
        np.testing.assert_allclose(found, expected, rtol=1e-6)


def test_what_the_gate_alone_makes_too_wide_is_not_said_to_be_lost_in_noise():
    low = GRID < 300.0
    baseline = compression.Setting(level_db=72.0, drive_db=0.0, takes=(make_response(),))
    moved = (None, np.where(low, 10**0.1, 1.0))
    loud = make_response(source="b", moved=moved)
    level = compression.Setting(level_db=78.0, drive_db=6.0, takes=(loud,))
    known = rules(Gate(before_s=0.01, length_s=0.1), lowest_hz=0.0)
    (curve,) = compression.short_term(baseline, [level], again=[], rules=known).curves
    assert set(np.array(curve.reason)[GRID < 260.0]) == {"gate"}
    assert curve.usable[GRID > 350.0].all()
    noisy = make_response(source="b", noise=1.0, moved=moved)
    level = compression.Setting(level_db=78.0, drive_db=6.0, takes=(noisy,))
    (curve,) = compression.short_term(baseline, [level], again=[], rules=known).curves
    assert set(curve.reason) == {"noise"}


def test_lowest_spread_of_a_handbook_s_chi_squares():
    # NIST/SEMATECH e-Handbook, table of upper critical values of chi-square, 0.025:
    # 5.024 (1), 11.143 (4), 20.483 (10)
    for dof, critical in ((1, 5.024), (4, 11.143), (10, 20.483)):
        low = uncertainty.lowest_spread(0.3, dof=dof)
        assert low == pytest.approx(0.3 * np.sqrt(dof / critical), rel=2e-4)
    assert uncertainty.lowest_spread(0.3, dof=np.inf) == pytest.approx(0.3, rel=5e-3)
