"""The simulated stress against one long convolution, and its heat."""

from dataclasses import replace

import numpy as np
from simulated import BRIEF, RATE, WORKED_UNIT, db, level_db

from reportlib import simulate

CHAIN = simulate.Chain()


def test_cold_multitone_is_the_convolution_of_the_whole():
    """Brute force: one FFT over the whole recording, build-up and ringing-out included."""
    loudspeaker = simulate.Loudspeaker(
        units=(simulate.DriveUnit(vent=simulate.Vent(tuning_hz=32.0)),),
        room=simulate.Room(reverberation_s=0.3),
    )
    multitone = simulate.multitone_signal(seed=2)
    sound = simulate.multitone_sound(loudspeaker, multitone, drive_db=0.0, periods=2)
    size = 5 * RATE
    frequency = np.fft.rfftfreq(size, 1.0 / RATE)
    expected = np.fft.irfft(
        np.fft.rfft(sound.volt, size) * simulate.small_signal(loudspeaker, frequency), size
    )[: sound.volt.size]
    error = sound.pressure - expected
    assert level_db(error) - level_db(expected) < -100.0


def test_warming_multitone_follows_the_transfer():
    unit = replace(
        WORKED_UNIT, heat=simulate.Heat(coil_j_per_k=1.5, coil_k_per_w=3.0, magnet_j_per_k=50.0)
    )
    loudspeaker = simulate.Loudspeaker(units=(unit,))
    multitone = simulate.multitone_signal(seed=2)
    sound = simulate.multitone_sound(
        loudspeaker, multitone, drive_db=28.0, periods=8, lead_in_s=0.5
    )
    heating = simulate.multitone_heating(
        loudspeaker, multitone, drive_db=28.0, duration_s=8.0, step_s=0.05
    )
    spectra = np.fft.rfft(sound.pressure[RATE // 2 :][: 8 * RATE].reshape(8, RATE))
    found = db(spectra[:, multitone.bins] / spectra[1, multitone.bins])
    cold = simulate.transfer(
        loudspeaker, multitone.frequency_hz, drive_db=28.0, shares=multitone.shares
    )
    middle = [
        simulate.transfer(
            loudspeaker,
            multitone.frequency_hz,
            drive_db=28.0,
            shares=multitone.shares,
            temperatures=coil_k,
        )
        for coil_k in heating.coil_at(np.arange(8) + 0.5).T
    ]
    expected = db(np.array(middle) / middle[1])
    assert np.min(expected) < -0.5
    assert np.min(db(np.array(middle) / cold)) < -1.0
    # tones that change within a period lean over into their neighbours 2 Hz away
    np.testing.assert_allclose(found[1:], expected[1:], atol=0.03)


def test_recordings_carry_the_warmth_on():
    loudspeaker = simulate.Loudspeaker(units=(WORKED_UNIT,))
    multitone = simulate.multitone_signal(seed=2)
    stress = simulate.play_multitone(
        loudspeaker, multitone, drive_db=25.0, periods=4, chain=CHAIN, seed=1
    )
    assert stress.temperatures.coil_k[0] > 2.0
    warm, cold = (
        simulate.play_sweep(
            loudspeaker, BRIEF, drive_db=20.0, chain=CHAIN, seed=1, temperatures=temperatures
        )
        for temperatures in (stress.temperatures, None)
    )
    assert level_db(warm.microphone) < level_db(cold.microphone) - 0.05
    assert cold.temperatures.coil_k[0] > 0.0
