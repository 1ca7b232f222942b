"""The thermal fit, against the equation itself, scipy's fits, a worked example, and faults."""

import numpy as np
import pytest
import thermal_days as days
from scipy.linalg import toeplitz
from scipy.optimize import curve_fit

from reportlib import simulate
from reportlib.measure.stress.grid import (
    History,
    period_products,
    period_states,
    products,
    stage_states,
    whitened,
)
from reportlib.measure.stress.heating import step_in, thermal_fit

TWO_STAGES = days.history_of(1.3, (31.2, 91.0), (12.0,))


def exponential(history, *pairs, kappa=1.25):
    return -sum(loss * days.average(history, tau_s, kappa) for tau_s, loss in pairs)


@pytest.mark.parametrize("tau_s", [0.9, 7.0, 400.0])
def test_states_solve_the_equation(tau_s):
    # scipy.integrate.solve_ivp on x' = (1 - x)/tau while it plays, -x/(kappa tau) in a pause.
    found = period_states(TWO_STAGES, time_constant_s=np.array([tau_s]), cooling=1.4)[:, 0]
    np.testing.assert_allclose(found, days.states(TWO_STAGES, tau_s, 1.4), atol=2e-8)
    np.testing.assert_allclose(found, days.average(TWO_STAGES, tau_s, 1.4), atol=1e-12)


def test_products_of_states_are_averages():
    fine = days.history_of(1.3 / 200.0, (31.2, 91.0), (12.0,))
    tau_s = np.array([3.0])
    state = period_states(fine, time_constant_s=tau_s, cooling=1.3)[:, 0]
    at = [np.abs(fine.centre_s - one) < 0.65 for one in TWO_STAGES.centre_s]
    found = period_products(TWO_STAGES, time_constant_s=tau_s, cooling=1.3)[:, 0]
    by_hand = [np.mean(state[one] * (1.0 - state[one])) for one in at]
    np.testing.assert_allclose(found, by_hand, atol=1e-5)


def test_pause_cools_more_slowly_than_it_heats():
    begin, end = stage_states(
        np.array([[0.0, 30.0], [40.0, 60.0]]), time_constant_s=np.array([10.0]), cooling=1.5
    )
    assert end[0, 0] == pytest.approx(1.0 - np.exp(-3.0))
    assert begin[1, 0] == pytest.approx(end[0, 0] * np.exp(-10.0 / 15.0))


@pytest.mark.parametrize("rho", [0.0, 0.7, -0.3])
def test_products_under_correlated_noise(rho):
    # scipy.linalg: the covariance of first-order autoregression, written out and inverted.
    generator = np.random.default_rng(1)
    columns = generator.normal(size=(12, 3))
    follows = np.ones(12, dtype=bool)
    follows[[0, 7]] = False
    covariance = np.zeros((12, 12))
    for run in (slice(0, 7), slice(7, 12)):
        size = run.stop - run.start
        covariance[run, run] = toeplitz(rho ** np.arange(size)) / (1.0 - rho**2)
    expected = columns.T @ np.linalg.inv(covariance) @ columns
    table = products(columns, follows=follows)
    np.testing.assert_allclose(table.at(rho), expected, atol=1e-12)
    assert table.log_scale(rho) == pytest.approx(-0.5 * np.linalg.slogdet(covariance)[1])
    white = whitened(columns, correlation=rho, follows=follows)
    np.testing.assert_allclose(white.T @ white, expected, atol=1e-12)


def two_stages(alpha_per_k):
    unit = simulate.DriveUnit(force_factor_tm=1e-6, heat=simulate.Heat(alpha_per_k=alpha_per_k))
    history = days.history_of(2.0, (3600.0,))
    return history, *days.losses_db(unit, 20.0, history)


def test_two_stages_constant_voltage():
    # Computed by scipy: the network's 14.9 and 1808 s show as 12.2 and 1654 s in the loss; losses
    # after 10 min (interpolated: 1.725 from its own network) and after an hour.
    history, loss_db, end_db = two_stages(0.00393)
    fit, fitted = thermal_fit(-loss_db, history=history)
    tau = [term.time_constant_s for term in fit.terms]
    np.testing.assert_allclose(tau, [12.2, 1654.0], rtol=0.01)  # 12.22 at periods of 0.5 s
    assert end_db == pytest.approx(2.057, abs=0.005)
    assert fit.end_loss_db == pytest.approx(2.057, abs=0.005)
    assert fit.cold_db == pytest.approx(0.0, abs=0.005)
    assert all(term.identifiable for term in fit.terms)
    at_600 = loss_db[np.searchsorted(history.centre_s, 600.0)]
    assert fit.projected_600_s_db == pytest.approx(at_600, abs=0.005)
    np.testing.assert_allclose(fitted, -loss_db, atol=0.001)


def test_two_stages_constant_power():
    # The other column: at constant power the rise is the network's own two exponentials, 14.94
    # and 1807.6 s, and 20·lg makes them a loss that a fit of the rise itself must show.
    unit = simulate.DriveUnit(force_factor_tm=1e-6, heat=simulate.Heat(alpha_per_k=1e-9))
    history = days.history_of(2.0, (3600.0,))
    rise_db, _ = days.losses_db(unit, 20.0, history)
    scaled = rise_db / (20.0 / np.log(10.0) * 1e-9) / 30.0  # K over 30, so that 90 K are 3 "dB"
    fit, _ = thermal_fit(-scaled, history=history)
    tau = [term.time_constant_s for term in fit.terms]
    np.testing.assert_allclose(tau, [14.94, 1807.6], rtol=0.002)
    assert sum(term.loss_db for term in fit.terms) == pytest.approx(90.0 / 30.0, rel=0.002)


@pytest.mark.parametrize("terms", [1, 2])
def test_scipy_finds_the_same(terms):
    # scipy.optimize.curve_fit on white noise: parameters within a tenth of its own error.
    history = days.history_of(1.3, (400.0,))
    generator = np.random.default_rng(5)
    pairs = ((9.0, 1.6), (90.0, 0.9))[:terms]
    track = exponential(history, *pairs) + generator.normal(0.0, 0.02, history.centre_s.size)

    def curve(_, cold_db, *given):
        pairs = zip(np.exp(given[:terms]), given[terms:], strict=True)
        return cold_db + exponential(history, *pairs)

    start = [0.0, *np.log([5.0, 60.0][:terms]), *[1.0] * terms]
    found, covariance = curve_fit(curve, history.centre_s, track, p0=start)
    error = np.sqrt(np.diag(covariance))
    fit, _ = thermal_fit(track, history=history)
    assert len(fit.terms) == terms
    for index, term in enumerate(fit.terms):
        # What falling power would do to the shape is looked for, and the noise's correlation
        # is estimated: neither moves a parameter by much of its error.
        assert np.log(term.time_constant_s) == pytest.approx(
            found[1 + index], abs=0.4 * error[1 + index]
        )
        half = 0.5 * np.log(term.time_constant_high_s / term.time_constant_low_s)
        assert half == pytest.approx(1.96 * error[1 + index], rel=0.3)
        assert term.loss_db == pytest.approx(
            found[1 + terms + index], abs=0.4 * error[1 + terms + index]
        )


def test_pauses_tell_the_cooling():
    history = days.history_of(1.0, (60.0, 60.0, 60.0), (12.0, 20.0))
    generator = np.random.default_rng(2)
    track = exponential(history, (10.0, 2.0), kappa=1.4)
    track = track + generator.normal(0.0, 0.01, track.size)
    fit, _ = thermal_fit(track, history=history)
    assert fit.cooling_ratio == pytest.approx(1.4, abs=0.1)
    (term,) = fit.terms
    assert term.time_constant_s == pytest.approx(10.0, rel=0.05)
    single, _ = thermal_fit(track[:59], history=days.history_of(1.0, (60.0,)))
    assert single.cooling_ratio is None


def test_ends_hold_what_no_fit_of_two_terms_shows():
    # Two drive units in one band, coil and magnet of each, a box that warms, a room that drifts.
    inside = 0
    for seed in range(20):
        generator = np.random.default_rng((13, seed))
        history = days.history_of(1.3, (generator.uniform(80.0, 500.0),))
        tau_s = np.exp(
            generator.uniform(np.log([4, 4, 100, 100, 1500]), np.log([30, 30, 900, 900, 5000]))
        )
        loss_db = generator.uniform(0.1, [1.2, 1.2, 0.4, 0.4, 0.2])
        end_db = float(loss_db @ -np.expm1(-history.spans_s[-1, 1] / tau_s))
        room_db = 0.01 * np.sin(history.centre_s / 150.0 + generator.uniform(0.0, 6.0))
        track = exponential(history, *zip(tau_s, loss_db, strict=True)) + room_db
        fit, _ = thermal_fit(track + generator.normal(0.0, 0.005, track.size), history=history)
        assert fit.end_loss_u95_db < 0.5 * fit.end_loss_db
        inside += abs(fit.end_loss_db - end_db) <= fit.end_loss_u95_db
    assert inside >= 18


@pytest.mark.parametrize("unseen_db", [0.06, -0.06])
def test_null_has_an_interval(unseen_db):
    # A slow change, too small beside the noise to be a term, either way.
    history = days.history_of(1.37, (60.0,))
    inside, widths = 0, []
    for seed in range(20):
        generator = np.random.default_rng((14, seed))
        track = exponential(history, (1500.0, unseen_db * 25.5))
        fit, _ = thermal_fit(track + generator.normal(0.0, 0.08, track.size), history=history)
        assert fit.terms == ()
        inside += abs(fit.end_loss_db - unseen_db) <= fit.end_loss_u95_db
        widths.append(fit.end_loss_u95_db)
    assert inside >= 18
    assert np.median(widths) < 0.2


def test_flat_track_has_no_terms_and_a_known_cold_level():
    history = days.history_of(1.37, (60.0,))
    for seed in range(20):
        generator = np.random.default_rng((8, seed))
        noise = days.noise(
            generator, count=history.centre_s.size, correlation=0.3, deviation_db=0.02
        )
        fit, fitted = thermal_fit(-31.0 + noise, history=history)
        assert fit.terms == ()
        assert fit.cold_known
        assert fit.cold_db == pytest.approx(-31.0, abs=0.03)
        assert fit.end_loss_db == 0.0
        assert 0.005 < fit.end_loss_u95_db < 0.15
        np.testing.assert_allclose(fitted, fit.cold_db)


def test_scale_and_offset_of_the_track_do_not_matter():
    history = days.history_of(1.3, (60.0,))
    generator = np.random.default_rng(3)
    track = exponential(history, (8.0, 1.5)) + generator.normal(0.0, 0.02, history.centre_s.size)
    one, _ = thermal_fit(track, history=history)
    other, _ = thermal_fit(track - 40.0, history=history)
    assert other.cold_db + 40.0 == pytest.approx(one.cold_db, abs=1e-6)
    assert other.terms[0].time_constant_s == pytest.approx(one.terms[0].time_constant_s, rel=1e-6)


@pytest.mark.parametrize("at", [12, 30, 90])
def test_step_is_no_time_constant(at):
    # A resettable fuse: a step of several dB in a band after seconds (common practice, no source).
    history = days.history_of(1.37, (180.0,))
    generator = np.random.default_rng(4)
    track = generator.normal(0.0, 0.02, history.centre_s.size)
    track += exponential(history, (10.0, 0.8))
    track[at:] -= 4.0
    fit, _ = thermal_fit(track, history=history)
    assert fit.terms == ()
    assert not fit.cold_known
    assert fit.residual_db > 0.5
    assert fit.end_loss_db > 3.0
    assert "step" in fit.refusal
    assert fit.projected_600_s_db is None


def test_slam_of_a_door_is_no_step():
    residual = np.random.default_rng(5).normal(0.0, 0.02, 100)
    follows = np.ones(100, dtype=bool)
    follows[0] = False
    residual[40:42] += 2.0
    assert not step_in(residual, follows=follows)
    residual[70:] += 2.0
    assert step_in(residual, follows=follows)


def test_short_stress_is_refused_in_one_sentence():
    history = days.history_of(1.37, (30.0,))
    generator = np.random.default_rng(6)
    track = exponential(history, (60.0, 3.0)) + generator.normal(0.0, 0.02, history.centre_s.size)
    fit, _ = thermal_fit(track, history=history)
    assert not any(term.identifiable for term in fit.terms)
    assert fit.projected_600_s_db is None
    assert fit.projected_u95_db is None
    assert fit.refusal.startswith("29 s of stress are too short")
    assert fit.refusal.count(".") == 1 + fit.refusal.count("0.")


def test_projection_after_ten_minutes_is_given():
    history = days.history_of(1.37, (640.0,))
    generator = np.random.default_rng(7)
    track = exponential(history, (12.0, 1.5), (1500.0, 0.6))
    fit, _ = thermal_fit(track + generator.normal(0.0, 0.02, track.size), history=history)
    assert not fit.terms[-1].identifiable
    truth = 1.5 + 0.6 * (1.0 - np.exp(-600.0 / 1500.0))
    assert fit.projected_600_s_db == pytest.approx(truth, abs=fit.projected_u95_db)
    assert fit.projected_u95_db < 0.2
    assert fit.refusal == ""


def test_rise_has_no_terms():
    # A heated coil can't raise its own output (Thévenin): no term, and no false certainty.
    history = days.history_of(1.37, (90.0,))
    generator = np.random.default_rng(9)
    track = -exponential(history, (15.0, 1.0)) + generator.normal(0.0, 0.01, history.centre_s.size)
    fit, _ = thermal_fit(track, history=history)
    assert fit.terms == ()
    assert fit.residual_db > 0.1


@pytest.mark.parametrize("count", [0, 3, 5])
def test_too_few_periods(count):
    history = days.history_of(2.0, (40.0,))
    few = History(
        period_s=2.0,
        spans_s=history.spans_s,
        centre_s=history.centre_s[:count],
        stage=history.stage[:count],
    )
    assert thermal_fit(np.zeros(count), history=few) is None


@pytest.mark.parametrize("count", [6, 7, 8])
def test_hardly_enough_periods(count):
    history = days.history_of(2.0, (2.0 * (count + 1),))
    track = exponential(history, (4.0, 1.0))
    fit, fitted = thermal_fit(track, history=history)
    assert fitted.shape == track.shape
    assert np.all(np.isfinite(fitted))
    assert np.isfinite([fit.cold_u95_db, fit.end_loss_u95_db, fit.residual_db]).all()


def test_one_track_gives_one_answer():
    history = days.history_of(1.3, (60.0,))
    track = exponential(history, (8.0, 1.5)) + np.random.default_rng(3).normal(
        0.0, 0.02, history.centre_s.size
    )
    assert thermal_fit(track, history=history)[0] == thermal_fit(track, history=history)[0]


@pytest.mark.parametrize("first_s", [9.25, 20.0, 35.0])
@pytest.mark.parametrize("loss", ["settled", "none", "step"])
def test_a_record_that_starts_late_says_what_it_can(first_s, loss):
    """What had settled before the first period that was heard is no term, and no fault."""
    centre_s = np.arange(first_s, 39.5, 0.5)
    history = History(
        period_s=0.5,
        spans_s=np.array([[0.0, 40.0]]),
        centre_s=centre_s,
        stage=np.zeros(centre_s.size, dtype=int),
    )
    track = {
        "settled": -2.0 * (1.0 - np.exp(-centre_s / 2.0)),
        "none": 0.0 * centre_s,
        "step": -1.0 * (centre_s > 37.0),
    }[loss]
    found = thermal_fit(track, history=history)
    if found is not None:
        fit, fitted_db = found
        assert np.all(np.isfinite(fitted_db))
        assert len(fit.terms) <= 2
