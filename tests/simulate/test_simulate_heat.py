"""Heating of the simulated coils.

The worked examples are computed apart from it, from the laws of a copper coil (Dellinger 1911) and
of a two-stage thermal network (form: Button 1992).
"""

import numpy as np
import pytest
from simulated import SWEEP, WORKED_UNIT, db, one

from reportlib import simulate


def test_coil_from_resistance():
    # 5.80 ohm at 22 °C, 7.54 ohm hot: 98.94 °C, loss 2.279 dB where the impedance is Re.
    heat = simulate.Heat(room_c=22.0)
    assert 5.80 * (1.0 + heat.rise_per_k * (98.94 - 22.0)) == pytest.approx(7.54, abs=0.001)
    loudspeaker = one(force_factor_tm=1e-3, heat=heat)
    hot, cold = (
        simulate.transfer(loudspeaker, [1000.0], drive_db=0.0, temperatures=[kelvin])
        for kelvin in (98.94 - 22.0, 0.0)
    )
    assert db(hot / cold)[0] == pytest.approx(-2.279, abs=0.005)


def two_stage_rise_k(*, alpha_per_k, step_s=0.5):
    unit = simulate.DriveUnit(force_factor_tm=1e-6, heat=simulate.Heat(alpha_per_k=alpha_per_k))
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    steps = round(3600.0 / step_s)
    return simulate.heated(
        loudspeaker,
        simulate.cold(loudspeaker),
        frequency_hz=np.array([[1000.0]]),
        volt=np.full((steps, 1), np.sqrt(20.0 * unit.resistance_ohm)),
        step_s=step_s,
    )


CONSTANT_POWER = {1: 3.87, 5: 17.01, 15: 37.95, 60: 59.42, 300: 64.16, 1800: 78.73, 3600: 85.84}
CONSTANT_VOLTAGE = {
    1: (3.85, 0.130),
    15: (34.82, 1.114),
    60: (50.08, 1.561),
    300: (53.15, 1.648),
    1800: (63.29, 1.929),
    3600: (67.99, 2.057),
}


def test_two_stages_constant_power():
    heating = two_stage_rise_k(alpha_per_k=0.0)
    found = heating.coil_at(list(CONSTANT_POWER))[0]
    np.testing.assert_allclose(found, list(CONSTANT_POWER.values()), atol=0.0051)


def test_two_stages_constant_voltage():
    heating = two_stage_rise_k(alpha_per_k=0.00393)
    found = heating.coil_at(list(CONSTANT_VOLTAGE))[0]
    rise_k, loss_db = np.array(list(CONSTANT_VOLTAGE.values())).T
    np.testing.assert_allclose(found, rise_k, rtol=0.005)
    np.testing.assert_allclose(db(1.0 + 0.00393 * found), loss_db, rtol=0.005)


def test_two_stages_time_constants():
    # Eigenvalues by hand: 14.94 s and 1807.6 s; cooling shows them without the coil's own power.
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    states = [simulate.Temperatures(coil_k=np.array([50.0]), magnet_k=np.array([20.0]))]
    for _ in range(2):
        states.append(simulate.cooled(loudspeaker, states[-1], pause_s=10.0))
    # x1 = M x0 and x2 = M x1 give M, whose eigenvalues are e^(-10/tau).
    points = np.array([[state.coil_k[0], state.magnet_k[0]] for state in states])
    step = np.linalg.solve(points[:2], points[1:]).T
    taus = -10.0 / np.log(np.linalg.eigvals(step))
    np.testing.assert_allclose(np.sort(taus), [14.94, 1807.6], rtol=1e-3)


def test_heat_keeps_its_energy():
    heat = WORKED_UNIT.heat
    heating = simulate.sweep_heating(
        simulate.Loudspeaker(units=(WORKED_UNIT,)), SWEEP, drive_db=30.0
    )
    step_s = heating.time_s[1]
    spent_j = np.sum(heating.power_w[0]) * step_s
    coil_k, magnet_k = heating.coil_k[0], heating.magnet_k[0]
    stored_j = heat.coil_j_per_k * coil_k[-1] + heat.magnet_j_per_k * magnet_k[-1]
    lost_j = np.trapezoid(magnet_k, dx=step_s) / heat.magnet_k_per_w
    assert spent_j > 50.0
    assert stored_j + lost_j == pytest.approx(spent_j, rel=1e-4)


def test_power_is_what_the_resistance_takes():
    # Textbook: V² R / |Z|²; at the resonance of this unit the impedance is 40.7 ohm.
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    heating = simulate.heated(
        loudspeaker,
        simulate.cold(loudspeaker),
        frequency_hz=np.array([[45.0]]),
        volt=np.array([[10.0]]),
        step_s=1e-6,
    )
    assert heating.power_w[0, 0] == pytest.approx(100.0 * 6.0 / 40.7**2, rel=2e-3)


def test_a_pause_in_parts_is_the_pause():
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    warm = simulate.Temperatures(coil_k=np.array([60.0]), magnet_k=np.array([5.0]))
    whole = simulate.cooled(loudspeaker, warm, pause_s=30.0)
    parts = simulate.cooled(
        loudspeaker, simulate.cooled(loudspeaker, warm, pause_s=11.0), pause_s=19.0
    )
    np.testing.assert_allclose(parts.coil_k, whole.coil_k, rtol=1e-10)
    assert 0.0 < whole.coil_k[0] < 15.0
