"""The coil's temperature from voltage and current: worked examples, simulated recordings, refusals.

The worked examples are computed from a copper coil's law (Dellinger 1911), a two-stage thermal
network (form: Button 1992) and a lumped drive unit (Small 1972); their values are invented.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from simulated import RATE, WORKED_UNIT

from reportlib import simulate
from reportlib.measure.stress.coil import (
    ALUMINIUM_PER_K,
    at_the_start,
    coil_track,
    resistive_stretch,
)

TONES_HZ = 25.0 * 2.0 ** (np.arange(112) / 12.0)


def track_of(impedance, *, frequency_hz=TONES_HZ, heard_db=None, noise=0.0, seed=1, **options):
    """Track a level of which the impedance is known, shape (n, m), period by period of 1 s."""
    impedance = np.asarray(impedance, dtype=np.complex128)
    shape = impedance.shape
    chance = np.random.default_rng(seed)
    voltage = np.exp(2j * np.pi * chance.random(shape[1])) * np.ones(shape)
    current = voltage / impedance
    current = current * (1.0 + noise * (chance.standard_normal((2, *shape)).T @ [1.0, 1j]).T)
    usable = np.arange(shape[0]) > 0
    return coil_track(
        voltage,
        current,
        **{
            "frequency_hz": frequency_hz,
            "period_s": 1.0,
            "clock_s": np.arange(shape[0]) + 0.5,
            "stage": np.zeros(shape[0]),
            "usable": usable,
            "heard_db": np.zeros(shape) if heard_db is None else heard_db,
            "heard_u95_db": np.full(shape, 0.02),
            "ambient_c": 20.0,
            **options,
        },
    )


def resistive(resistance_ohm):
    """The same resistance at all tones, shape (n, m)."""
    return np.outer(resistance_ohm, np.ones(TONES_HZ.size))


# --- worked examples


def test_coil_from_resistance():
    # 5.80 ohm at 22 °C, 7.54 ohm hot: 98.94 °C (±0.1), loss 2.279 dB (±0.005)
    found = track_of(
        resistive(np.full(8, 7.54)),
        ambient_c=22.0,
        cold_impedance_ohm=np.full(TONES_HZ.size, 5.80 + 0j),
    )
    assert found.cold_ohm == pytest.approx(5.80)
    assert found.ambient_c + found.rise_k[-1] == pytest.approx(98.94, abs=0.1)
    assert found.expected_db[-1] == pytest.approx(-2.279, abs=0.005)
    assert np.isnan(found.rise_k[0])  # rings in


@pytest.mark.parametrize(
    ("ambient_c", "hot_c"),
    [(20.0, 121.8), (25.0, 128.8)],  # computed: T + 0.40·(1/0.00393 + T − 20)
)
def test_the_coil_starts_as_warm_as_the_place(ambient_c, hot_c):
    cold = np.full(TONES_HZ.size, 6.0 + 0j)
    found = track_of(resistive(np.full(8, 8.4)), ambient_c=ambient_c, cold_impedance_ohm=cold)
    assert found.ambient_c + found.rise_k[-1] == pytest.approx(hot_c, abs=0.1)


def test_aluminium_warms_less_for_the_same_rise_of_resistance():
    # computed from 0.00403/K: from 20 to 120 °C its resistance rises by 1.4030
    found = track_of(
        resistive(np.full(8, 1.4030)),
        alpha_per_k=ALUMINIUM_PER_K,
        cold_impedance_ohm=np.full(TONES_HZ.size, 1.0 + 0j),
    )
    assert found.rise_k[-1] == pytest.approx(100.0, abs=0.1)


def two_stage_rise_k(seconds):
    """Two stages on a constant voltage, by scipy: mean of the coil's rise over each second."""

    def rates(_, state):
        coil, magnet = state
        power = 20.0 / (1.0 + 0.00393 * coil)
        flow = (coil - magnet) / 3.0
        return [(power - flow) / 5.0, (flow - magnet / 1.5) / 1200.0]

    times = np.linspace(0.0, seconds, 20 * seconds + 1)
    coil = solve_ivp(rates, (0.0, seconds), [0.0, 0.0], t_eval=times, rtol=1e-9).y[0]
    return np.array([np.mean(coil[20 * i : 20 * i + 21]) for i in range(seconds)])


def test_two_stage_heating():
    rise_k = two_stage_rise_k(301)
    found = track_of(resistive(6.0 * (1.0 + 0.00393 * rise_k)))
    assert found.cold_ohm == pytest.approx(6.0, rel=0.001)
    # constant voltage: 15 s 34.82 K and 1.114 dB, 60 s 50.08 and 1.561, 300 s 53.15 and 1.648
    for second, kelvin, loss_db in ((15, 34.82, 1.114), (60, 50.08, 1.561), (300, 53.15, 1.648)):
        around = slice(second - 1, second + 1)  # periods before and after
        assert np.mean(found.rise_k[around]) == pytest.approx(kelvin, abs=0.5)
        assert np.mean(found.expected_db[around]) == pytest.approx(-loss_db, abs=0.015)
        assert np.all(np.abs(found.rise_k[around] - rise_k[around]) < found.rise_u95_k[around])


WORKED_HZ = np.array([20.0, 30.0, 45.0, 60.0, 80.0, 100.0, 150.0, 200.0, 400.0, 800.0])
WORKED_LOSS_DB = [1.92, 1.07, 0.49, 0.82, 1.46, 1.90, 2.42, 2.62, 2.81, 2.86]
WORKED_OHM = [8.15, 13.0, 40.7, 16.9, 10.1, 8.22, 6.85, 6.45, 6.11, 6.03]


def worked_impedance(frequency_hz, *, heat=1.0):
    s = 2j * np.pi * frequency_hz
    omega = 2.0 * np.pi * 45.0
    mechanical = s * 0.020 + 0.020 * omega / 4.0 + 0.020 * omega**2 / s
    return 6.0 * heat + 49.0 / mechanical


def test_the_worked_unit_is_what_the_table_says():
    cold, hot = worked_impedance(WORKED_HZ), worked_impedance(WORKED_HZ, heat=1.393)
    np.testing.assert_allclose(np.abs(cold), WORKED_OHM, rtol=0.005)
    np.testing.assert_allclose(20.0 * np.log10(np.abs(hot / cold)), WORKED_LOSS_DB, atol=0.01)


def test_the_worked_unit_is_read_above_its_resonance():
    """100 K of heat: the stretch lies where |Z| is least, and what is heard there is expected."""
    heat = 1.0 + 0.393 * (1.0 - np.exp(-(np.arange(60) + 0.5) / 8.0))
    impedance = np.array([worked_impedance(TONES_HZ, heat=one) for one in heat])
    heard_db = 20.0 * np.log10(np.abs(impedance[0] / impedance))
    found = track_of(impedance, heard_db=heard_db)
    assert found.unit == "the loudspeaker as a whole"
    assert 200.0 < found.low_hz < 400.0
    assert found.high_hz > 10000.0
    assert found.cold_ohm == pytest.approx(6.0, abs=0.03)
    assert found.rise_k[-1] == pytest.approx(100.0, abs=1.0)
    # 20·lg 1.393 = 2.88 dB since cold; what is heard counts from the first period
    since = found.expected_db - found.expected_db[1] + heard_db[1, -1]
    np.testing.assert_allclose(found.heard_db[1:], since[1:], atol=0.05)


# --- simulated recordings


MULTITONE = simulate.multitone_signal(seed=21)
PERIODS = 40


def played(loudspeaker, *, drive_db, seed=5, crossovers_hz=(), **options):
    """Record a stress with voltage and current, read its tones, and track the coil."""
    chain = simulate.Chain(
        noise=simulate.Noise(white_db=20.0, pink_db=30.0),
        voltage_full_scale_v=60.0,
        current_full_scale_a=30.0,
        electrical_noise_db=-90.0,
        converter_bits=16,
        dither=True,
    )
    recording = simulate.play_multitone(
        loudspeaker, MULTITONE, drive_db=drive_db, periods=PERIODS, chain=chain, seed=seed
    )

    def tones(channel):
        periods = channel[RATE // 2 :][: PERIODS * RATE].reshape(PERIODS, RATE)
        return np.fft.rfft(periods)[:, MULTITONE.bins]

    voltage, current = tones(recording.voltage) * 60.0, tones(recording.current) * 30.0
    heard_db = 20.0 * np.log10(np.abs(tones(recording.microphone) / voltage))
    heating = simulate.multitone_heating(
        loudspeaker, MULTITONE, drive_db=drive_db, duration_s=PERIODS, step_s=0.1
    )
    found = coil_track(
        voltage,
        current,
        frequency_hz=MULTITONE.frequency_hz,
        period_s=1.0,
        clock_s=np.arange(PERIODS) + 0.5,
        stage=np.zeros(PERIODS),
        usable=np.arange(PERIODS) > 0,
        heard_db=heard_db - heard_db[1],
        heard_u95_db=np.full(heard_db.shape, 0.02),
        crossovers_hz=crossovers_hz,
        **options,
    )
    return found, heating.coil_at(np.arange(PERIODS) + 0.5)


def test_temperature_of_a_single_unit():
    found, coil_k = played(simulate.Loudspeaker(units=(WORKED_UNIT,)), drive_db=27.0)
    assert coil_k[0, -1] > 40.0
    np.testing.assert_allclose(found.rise_k[1:], coil_k[0, 1:], atol=2.0)
    assert np.mean(np.abs(found.rise_k - coil_k[0])[1:] < found.rise_u95_k[1:]) > 0.9
    assert found.ambient_c == 20.0
    assert found.ambient_assumed
    heard = found.heard_db - found.heard_db[1]
    expected = found.expected_db - found.expected_db[1]
    np.testing.assert_allclose(heard[1:], expected[1:], atol=0.1)


def two_way(*, crossover_hz=2400.0, **woofer):
    return simulate.Loudspeaker(
        units=(
            simulate.DriveUnit(
                lowpass_hz=crossover_hz,
                vent=simulate.Vent(tuning_hz=42.0),
                heat=simulate.Heat(coil_k_per_w=5.0, coil_j_per_k=3.0),
                **woofer,
            ),
            simulate.DriveUnit(
                highpass_hz=crossover_hz,
                resonance_hz=800.0,
                mass_kg=0.0004,
                force_factor_tm=2.5,
                mechanical_q=1.5,
                pad_db=5.0,
                heat=simulate.Heat(coil_k_per_w=20.0, coil_j_per_k=0.2),
            ),
        )
    )


def test_temperature_of_the_unit_that_dominates_a_two_way():
    found, coil_k = played(
        two_way(), drive_db=25.0, seed=6, crossovers_hz=(2400.0,), ambient_c=18.0
    )
    assert found.unit == "up to 2.4 kHz"
    assert found.high_hz <= 1200.0
    assert not found.ambient_assumed
    # the simulated place has 20 °C: a place 2 K colder makes each K of rise 0.8 % less
    assert coil_k[0, -1] > 30.0
    np.testing.assert_allclose(found.rise_k[1:], coil_k[0, 1:], atol=2.0)
    assert np.mean(np.abs(found.rise_k - coil_k[0])[1:] < found.rise_u95_k[1:]) > 0.9


def test_a_box_where_no_unit_dominates_gives_no_temperature():
    """The woofer ends two octaves above its resonance, and a pad hides the upper unit's coil."""
    found, _ = played(two_way(crossover_hz=160.0), drive_db=25.0, crossovers_hz=(160.0,))
    assert isinstance(found, str)
    assert found.startswith("no drive unit has the impedance to itself")


def test_a_padded_unit_is_not_read():
    impedance = np.where(TONES_HZ < 1500.0, 6.0 + 6.0j, 12.0 + 0.0j)
    usable = np.ones(TONES_HZ.size, dtype=bool)
    assert (
        resistive_stretch(impedance, frequency_hz=TONES_HZ, usable=usable, crossovers_hz=[1500.0])
        is None
    )
    bare = np.where(TONES_HZ < 1500.0, 6.0 + 6.0j, 8.0 + 0.0j)
    found = resistive_stretch(bare, frequency_hz=TONES_HZ, usable=usable, crossovers_hz=[1500.0])
    assert found.unit == "from 1.5 kHz"
    assert TONES_HZ[found.first] >= 3000.0


# --- following back to the start, and refusals


def test_what_was_at_the_start_lies_within_its_interval():
    """One or two time constants, noise of several sizes: 19 in 20 lie within two u, or more."""
    time_s = np.arange(1, 30) + 0.5
    inside = []
    for seed in range(200):
        chance = np.random.default_rng([77, seed])
        tau_s, noise = chance.uniform(1.0, 40.0), 10.0 ** chance.uniform(-3.0, -1.0)
        averaged = 2.0 * tau_s * np.sinh(0.5 / tau_s)
        rise = chance.uniform(0.0, 1.0) * (1.0 - averaged * np.exp(-time_s / tau_s))
        rise += chance.uniform(0.0, 0.2) * (1.0 - np.exp(-time_s / 600.0))
        values = 3.0 + rise + noise * chance.standard_normal(time_s.size)
        found = at_the_start(values, time_s=time_s, period_s=1.0, u=noise)
        inside.append(abs(found.value - 3.0) <= 2.0 * found.u)
    assert np.mean(inside) > 0.93


def test_noise_is_in_the_interval():
    inside = []
    rise_k = two_stage_rise_k(40)
    for seed in range(20):
        found = track_of(
            resistive(6.0 * (1.0 + 0.00393 * rise_k)), noise=3e-3, seed=[seed, 3], ambient_c=20.0
        )
        inside.append(np.abs(found.rise_k - rise_k)[1:] <= found.rise_u95_k[1:])
    assert np.mean(inside) > 0.92
    assert 0.3 < np.median(found.rise_u95_k[1:]) < 3.0


def test_no_heat_is_no_rise():
    found = track_of(resistive(np.full(30, 5.0)), noise=1e-3)
    assert np.mean(np.abs(found.rise_k[1:]) <= found.rise_u95_k[1:]) > 0.9
    assert np.max(found.rise_u95_k[1:]) < 1.0


def test_a_first_stage_that_was_not_recorded_has_no_cold_coil():
    impedance = resistive(np.full(10, 5.0))
    assert "resistance is not known" in track_of(impedance, stage=np.ones(10))
    cold = np.full(TONES_HZ.size, 5.0 + 0j)
    found = track_of(impedance, stage=np.ones(10), cold_impedance_ohm=cold)
    np.testing.assert_allclose(found.rise_k[1:], 0.0, atol=1e-9)


@pytest.mark.parametrize(
    ("impedance", "options", "words"),
    [
        (resistive(np.full(5, 5.0)), {}, "fewer than 6 periods"),
        (resistive(np.full(10, -5.0)), {}, "opposite polarity"),
        (resistive(np.full(10, 5.0)), {"noise": 1.0}, "does not hold the multitone's tones"),
        (resistive(np.full(10, 1e12)), {"noise": 1e12}, "does not hold the multitone's tones"),
        (resistive(np.full(10, 5.0)) * 1j, {}, "no drive unit has the impedance to itself"),
    ],
)
def test_what_cannot_be_told_is_said(impedance, options, words):
    assert words in track_of(impedance, **options)
