"""Voltage and current through the reading of stress recordings, to the coil's temperature."""

import numpy as np
import pytest

from reportlib import simulate
from reportlib.judge.analysis import analyse
from reportlib.measure.stress.periods import stress_tones
from reportlib.measure.stress.tones import played_tones
from reportlib.session.parameters import checked_parameters
from reportlib.session.reading import read_session
from reportlib.simulate import demo, speakers


def test_the_impedance_is_read_period_by_period():
    """Against the simulation's admittance at the coil's temperature in the middle of a period."""
    multitone = simulate.multitone_signal(seed=33)
    loudspeaker = simulate.Loudspeaker(units=(simulate.DriveUnit(heat=simulate.Heat()),))
    chain = simulate.Chain(voltage_full_scale_v=80.0, current_full_scale_a=20.0)
    made = simulate.play_multitone(
        loudspeaker, multitone, drive_db=24.0, periods=6, chain=chain, seed=2
    )
    channels = np.array([made.microphone, made.reference, made.voltage, made.current])
    played = played_tones(multitone.samples, sample_rate_hz=48000, source="multitone.wav")
    found = stress_tones(
        np.array_split(channels, 7, axis=1), played=played, stress_s=6.0, source="x.wav", ohm=4.0
    )
    heating = simulate.multitone_heating(
        loudspeaker, multitone, drive_db=24.0, duration_s=6.0, step_s=0.05
    )
    impedance = found.resistance_ohm + 1j * found.reactance_ohm
    for period in (1, 5):
        expected = 1.0 / simulate.terminal_admittance(
            loudspeaker,
            found.frequency_hz,
            drive_db=24.0,
            temperatures=heating.coil_at([period + 0.5])[:, 0],
        )
        np.testing.assert_allclose(impedance[period], expected, rtol=0.003)
    without = stress_tones([channels[:2]], played=played, stress_s=6.0, source="x.wav")
    assert not np.any(without.resistance_ohm)
    np.testing.assert_allclose(without.level_db, found.level_db, atol=1e-9)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory):
    made = demo.make_demo(
        tmp_path_factory.mktemp("demo") / "trivet-6",
        speaker="trivet-6",
        seed=44,
        stages_s=(8.0, 3.0),
        takes=1,
        record_stress=[92.0],
    )
    session = read_session(made)
    first = analyse(session, parameters=checked_parameters(session=str(made)))
    again = analyse(session, parameters=checked_parameters(session=str(made)))
    return first, again


def test_the_demos_coil_warms_as_it_was_made(analysed):
    about = speakers.SPEAKERS["trivet-6"].loudspeaker
    (level,) = analysed[0].playing
    assert level.no_coil == ""
    assert level.coil.unit == "up to 2.4 kHz"
    assert level.coil.ambient_c == 18.0
    heating = simulate.multitone_heating(
        about,
        simulate.multitone_signal(seed=[44, 0]),
        drive_db=20.0,
        duration_s=8.0,
        step_s=0.1,
    )
    truth = heating.coil_at(np.arange(8) + 0.5)[0]
    assert truth[-1] > 15.0
    np.testing.assert_allclose(level.coil.rise_k[1:8], truth[1:], atol=2.0)
    assert np.isnan(level.coil.rise_k[[0, 8]]).all()  # each stage's first period rings in
    assert level.coil.rise_k[9] < level.coil.rise_k[7]  # it cooled in the pause


def test_what_is_kept_says_the_same(analysed):
    first, again = (one.playing[0].coil for one in analysed)
    np.testing.assert_array_equal(first.rise_k, again.rise_k)
