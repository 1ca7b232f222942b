"""What the simulated loudspeaker takes from its amplifier, and the channels that record it."""

import numpy as np
import pytest
from simulated import RATE, WORKED_UNIT, level_db

from reportlib import simulate
from reportlib.simulate.heat import network_share

HZ = np.geomspace(20.0, 20000.0, 200)


def test_impedance_of_the_worked_unit():
    # computed from Re + Bl²/Zm (lumped drive unit, Small 1972): |Zin| from 20 to 800 Hz
    hz = [20.0, 30.0, 45.0, 60.0, 80.0, 100.0, 150.0, 200.0, 400.0, 800.0]
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    found = np.abs(1.0 / simulate.terminal_admittance(loudspeaker, hz, drive_db=0.0))
    np.testing.assert_allclose(
        found, [8.15, 13.0, 40.7, 16.9, 10.1, 8.22, 6.85, 6.45, 6.11, 6.03], rtol=0.005
    )


def test_a_filter_of_second_order_is_its_ladder():
    """Textbook: a coil of √2·R/ω before a capacitor of 1/(√2·R·ω), and the other way round."""
    omega, resistance = 2.0 * np.pi * 1000.0, 6.0
    s = 2j * np.pi * HZ
    coil, capacitor = np.sqrt(2.0) * resistance / omega, 1.0 / (np.sqrt(2.0) * resistance * omega)
    low = 1.0 / (s * coil + 1.0 / (s * capacitor + 1.0 / resistance))
    high = 1.0 / (1.0 / (s * capacitor) + 1.0 / (1.0 / (s * coil) + 1.0 / resistance))
    for corner, expected in (("lowpass_hz", low), ("highpass_hz", high)):
        unit = simulate.DriveUnit(squared=False, **{corner: 1000.0})
        np.testing.assert_allclose(network_share(unit, HZ) / resistance, expected, rtol=1e-9)


def test_a_network_without_loss_hands_on_what_it_takes():
    for corner in ("lowpass_hz", "highpass_hz"):
        unit = simulate.DriveUnit(**{corner: 1000.0})
        ratio = HZ / 1000.0 if corner == "lowpass_hz" else 1000.0 / HZ
        handed_on = 1.0 / (1.0 + ratio**4) ** 2
        np.testing.assert_allclose(network_share(unit, HZ).real, handed_on, atol=1e-9)


CHAIN = simulate.Chain(
    voltage_full_scale_v=40.0, current_full_scale_a=10.0, noise=simulate.Noise(pink_db=30.0)
)


def test_voltage_and_current_are_recorded_as_they_are():
    multitone = simulate.multitone_signal(seed=4)
    unit = simulate.DriveUnit(force_factor_tm=1e-6, heat=None)  # a resistance of 6 ohm
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    found = simulate.play_multitone(
        loudspeaker, multitone, drive_db=20.0, periods=2, chain=CHAIN, seed=1
    )
    np.testing.assert_allclose(40.0 * found.voltage, 100.0 * found.reference, atol=1e-9)
    np.testing.assert_allclose(10.0 * found.current, 40.0 * found.voltage / 6.0, atol=1e-6)
    without = simulate.play_multitone(
        loudspeaker, multitone, drive_db=20.0, periods=2, chain=simulate.Chain(), seed=1
    )
    assert without.voltage is None
    assert without.current is None


def test_current_builds_up_and_rings_out_with_the_cone():
    """Brute force: one convolution of the whole with the cold loudspeaker's admittance."""
    multitone = simulate.multitone_signal(seed=4)
    loudspeaker = simulate.Loudspeaker(
        units=(simulate.DriveUnit(vent=simulate.Vent(tuning_hz=32.0), lowpass_hz=2000.0),)
    )
    sound = simulate.multitone_sound(
        loudspeaker, multitone, drive_db=0.0, periods=2, with_current=True
    )
    size = 5 * RATE
    frequency = np.fft.rfftfreq(size, 1.0 / RATE)
    admittance = simulate.terminal_admittance(loudspeaker, frequency, drive_db=0.0)
    expected = np.fft.irfft(np.fft.rfft(sound.volt, size) * admittance, size)[: sound.volt.size]
    # the brute force ends at half the rate, where the network still takes something, and rings
    assert level_db(sound.current - expected) - level_db(expected) < -80.0


def test_dither_is_noise_of_half_a_step_and_rounding_leaves_no_trace_of_the_signal():
    # triangular dither of two steps and rounding: a variance of 1/6 + 1/12 step² (textbook)
    time_s = np.arange(RATE) / RATE
    volt = 0.4e-3 * np.sin(2.0 * np.pi * 997.0 * time_s)  # a few steps of 12 bits
    chain = simulate.Chain(converter_bits=12, dither=True, reference_full_scale_v=0.2)
    sound = simulate.Sound(pressure=0.0 * volt, volt=volt, sample_rate_hz=RATE)
    error = simulate.record(sound, chain=chain, seed=3).reference - volt / 0.2
    assert level_db(error) == pytest.approx(20.0 * np.log10(0.5 * 2.0**-11), abs=0.1)
    spectrum = np.abs(np.fft.rfft(error))
    assert spectrum[2991] < 5.0 * np.median(spectrum)  # third harmonic
