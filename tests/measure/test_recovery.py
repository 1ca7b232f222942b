"""What the sweep after a stage saw, against the fit: by hand, and by a simulated loudspeaker."""

import numpy as np
import pytest
import thermal_days as days
from simulated import db

from reportlib import simulate
from reportlib.measure.levels import BANDS, grid_hz
from reportlib.measure.records import Budget, ChangeCurve
from reportlib.measure.stress.grid import History
from reportlib.measure.stress.heating import thermal_fit
from reportlib.measure.stress.records import GroupTrack, ThermalFit, ThermalTerm
from reportlib.measure.stress.stages import recoveries
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import Stage

LAW = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=10.0)
GRID = grid_hz(start_hz=20.0, stop_hz=20000.0)


def fit_of(*pairs, end_loss_db, spread=0.05, cold_known=True):
    return ThermalFit(
        terms=tuple(
            ThermalTerm(
                time_constant_s=tau_s,
                time_constant_low_s=tau_s * (1.0 - spread),
                time_constant_high_s=tau_s * (1.0 + spread),
                loss_db=loss_db,
                loss_low_db=loss_db - 0.05,
                loss_high_db=loss_db + 0.05,
                identifiable=True,
            )
            for tau_s, loss_db in pairs
        ),
        cold_db=0.0,
        cold_u95_db=0.05 if cold_known else 0.6,
        cold_known=cold_known,
        end_loss_db=end_loss_db,
        end_loss_u95_db=0.05,
        cooling_ratio=1.2,
        projected_600_s_db=None,
        projected_u95_db=None,
        refusal="",
        residual_db=0.02,
        effective_count=40.0,
    )


def track(band, fit):
    one = np.zeros(1)
    return GroupTrack(
        kind="band", name=band.name, low_hz=band.low_hz, high_hz=band.high_hz, tones=9, fit=fit,
        change_db=one, u95_db=one, distortion_db=one, fitted_db=one,
    )  # fmt: skip


def curve(change_db, *, elapsed_s, u95_db=0.08, usable=True):
    n = GRID.size
    return ChangeCurve(
        test="long_term", level_db=92.0, elapsed_s=elapsed_s, takes=1, frequency_hz=GRID,
        change_db=np.broadcast_to(change_db, n), u95_db=np.full(n, u95_db),
        usable=np.full(n, usable), reason=("" if usable else "noise",) * n,
        budget=Budget(
            noise_db=np.zeros(n), local_db=np.zeros(n), gate_db=np.zeros(n),
            drift_db=np.zeros(n), dof=np.full(n, 50.0), broadband_db=0.04,
            broadband_dof=50.0, step_db=0.0,
        ),
    )  # fmt: skip


HISTORY = days.history_of(1.0, (90.0, 90.0), (20.0,))
STAGES = [
    Stage(stress_s=90.0, after=("a.wav",), pause_s=(2.0,), pause_u_s=0.1, rest_s=20.0),
    Stage(stress_s=90.0, after=("b.wav",), pause_s=(2.0,), pause_u_s=0.1),
]


def cooled_db(tau_s, *, loss_db, pause_s=2.0, kappa=1.2):
    """By hand: the sweep passes f at L·ln(f/20) after its start, L = 10 s/ln 1000."""
    passed_s = 10.0 / np.log(1000.0) * np.log(GRID / 20.0)
    return -loss_db * np.exp(-(pause_s + passed_s) / (kappa * tau_s))


def test_bass_is_seen_first_and_treble_last():
    loss_db = 2.0 * (1.0 - np.exp(-9.0))
    fit = fit_of((10.0, 2.0), end_loss_db=loss_db)
    seen = cooled_db(10.0, loss_db=loss_db)
    found = recoveries(
        [track(band, fit) for band in BANDS],
        history=HISTORY,
        curves=[curve(seen, elapsed_s=180.0), curve(seen, elapsed_s=90.0)],
        law=LAW,
        stages=STAGES,
    )
    assert [(one.stage, one.name) for one in found] == [
        (stage, band.name) for stage in (0, 1) for band in BANDS
    ]
    for one, band in zip(found, BANDS, strict=False):
        inside = band.holds(GRID)
        assert one.expected_db == pytest.approx(float(np.mean(seen[inside])), abs=0.002)
        assert one.end_db == pytest.approx(-loss_db, abs=1e-3)
        assert one.agreement == "agrees"
    # L·ln(f/f1) (Farina 2000): 1 kHz, the mids' middle, is passed 5.663 s after the sweep's start.
    assert found[2].after_s == pytest.approx(7.663, abs=0.001)
    assert found[0].expected_db < found[4].expected_db  # the treble has cooled more


def test_pause_weighs_as_the_cooling_says():
    # A/tau·e^(-t/tau)·u(pause), with the cooling's own time constant.
    fit = fit_of((10.0, 2.0), end_loss_db=2.0, spread=1e-6)

    def u95(pause_u_s):
        stage = Stage(stress_s=90.0, after=("a.wav",), pause_s=(2.0,), pause_u_s=pause_u_s)
        (one,) = recoveries(
            [track(BANDS[2], fit)],
            history=HISTORY,
            curves=[curve(-1.0, elapsed_s=90.0)],
            law=LAW,
            stages=[stage],
        )
        return one.expected_u95_db

    rate = 2.0 / 12.0 * np.exp(-(2.0 + 5.663) / 12.0)
    part = np.sqrt(u95(1.0) ** 2 - u95(0.0) ** 2)
    assert part == pytest.approx(1.96 * rate, rel=0.02)


def test_several_sweeps_are_averaged():
    fit = fit_of((10.0, 2.0), end_loss_db=2.0)
    both = [cooled_db(10.0, loss_db=2.0, pause_s=pause_s) for pause_s in (2.0, 15.0)]
    stage = Stage(stress_s=90.0, after=("a.wav", "b.wav"), pause_s=(2.0, 15.0))
    (one,) = recoveries(
        [track(BANDS[2], fit)],
        history=HISTORY,
        curves=[curve(np.mean(both, axis=0), elapsed_s=90.0)],
        law=LAW,
        stages=[stage],
    )
    assert one.expected_db == pytest.approx(one.seen_db, abs=0.002)


@pytest.mark.parametrize(
    ("fit", "seen_db", "agreement"),
    [
        (fit_of((30.0, 2.0), end_loss_db=1.9), -0.1, "disagrees"),
        (fit_of((1.0, 2.0), end_loss_db=2.0), 0.0, "can't tell"),  # cooled before the sweep came
        (fit_of((30.0, 2.0), end_loss_db=1.9, cold_known=False), -1.5, "can't tell"),
        (fit_of(end_loss_db=0.0), 0.02, "agrees"),
        (fit_of(end_loss_db=0.0), -0.6, "disagrees"),
    ],
)
def test_agreement(fit, seen_db, agreement):
    (one,) = recoveries(
        [track(BANDS[2], fit)],
        history=HISTORY,
        curves=[curve(seen_db, elapsed_s=90.0)],
        law=LAW,
        stages=STAGES[:1],
    )
    assert one.agreement == agreement
    assert one.seen_db == pytest.approx(seen_db)


@pytest.mark.parametrize(("seen_db", "agreement"), [(0.10, "can't tell"), (0.14, "disagrees")])
def test_one_of_many_comparisons_may_be_off_by_chance(seen_db, agreement):
    # Ten at 95 % each, ± 0.09 dB: normal quantile of 1 - 0.025/10, 2.81, to 1.96.
    fit = fit_of(end_loss_db=0.0)
    curves = [curve(seen_db, elapsed_s=elapsed_s) for elapsed_s in (90.0, 180.0)]
    bands = [track(band, fit) for band in BANDS]
    found = recoveries(bands, history=HISTORY, curves=curves, law=LAW, stages=STAGES)
    assert {one.agreement for one in found} == {agreement}


def test_nothing_is_said_where_there_is_nothing_to_compare():
    fit = fit_of((10.0, 2.0), end_loss_db=2.0)
    bands = [track(BANDS[2], fit)]
    told = curve(-1.0, elapsed_s=90.0)

    def found(bands, *curves, history=HISTORY, stages=STAGES):
        return recoveries(bands, history=history, curves=curves, law=LAW, stages=stages)

    assert len(found(bands, told)) == 1
    assert found(bands) == ()  # no sweep could be read
    assert found(bands, curve(-1.0, elapsed_s=90.0, usable=False)) == ()
    assert found([track(BANDS[2], None)], told) == ()
    unknown = History(  # the rest before the second stage is not known: its start is not either
        period_s=1.0,
        spans_s=HISTORY.spans_s[:1],
        centre_s=HISTORY.centre_s[HISTORY.stage == 0],
        stage=HISTORY.stage[HISTORY.stage == 0],
    )
    assert len(found(bands, told, curve(-1.0, elapsed_s=180.0), history=unknown)) == 1


def test_simulated_loudspeaker_agrees():
    # A two-stage network on a voltage source cools while the sweep comes; no noise in the sweep.
    unit, power_w = days.network(12.0, 600.0, end_db=3.0, share=0.25)
    history = days.history_of(1.0, (90.0,))
    loss_db, end_db = days.losses_db(unit, power_w, history)
    noise = np.random.default_rng(11).normal(0.0, 0.02, loss_db.size)
    fit, _ = thermal_fit(-loss_db + noise, history=history)
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    volt = np.sqrt(power_w * unit.resistance_ohm)
    hot = simulate.heated(
        loudspeaker, simulate.cold(loudspeaker), frequency_hz=np.array([[1000.0]]),
        volt=np.full((360, 1), volt), step_s=0.25,
    ).end  # fmt: skip
    rise_k = [
        simulate.cooled(loudspeaker, hot, pause_s=3.0 + LAW.time_s(one)).coil_k[0] for one in GRID
    ]
    seen = -db(1.0 + unit.heat.rise_per_k * np.array(rise_k))
    found = recoveries(
        [track(band, fit) for band in BANDS],
        history=history,
        curves=[curve(seen, elapsed_s=90.0)],
        law=LAW,
        stages=[Stage(stress_s=90.0, after=("a.wav",), pause_s=(3.0,))],
    )
    assert len(found) == len(BANDS)
    for one in found:
        assert one.agreement == "agrees"
        assert one.end_db == pytest.approx(-end_db, abs=0.1)
        assert one.seen_db == pytest.approx(one.expected_db, abs=0.25)
