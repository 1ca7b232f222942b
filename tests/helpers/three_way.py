"""A simulated vented three-way with all-pass crossovers, recorded without a reference.

What makes it hard for a clock: its group delay rises towards the bass by crossovers and box, as
if a clock ran slow; so nothing about a clock may be read from one sweep. Port, suspension,
limiter and panel change its phase with level.
"""

from functools import cache

import numpy as np
from days import LAW, RATE, SWEEP
from days import sound as sound_of

from reportlib import simulate
from reportlib.measure.deconvolution import deconvolve
from reportlib.measure.levels import grid_hz
from reportlib.session.records import Capture

LEAD_IN_S = 0.3
GRID = grid_hz(start_hz=20.0, stop_hz=20000.0)

HEAT = simulate.Heat(coil_k_per_w=6.0, coil_j_per_k=2.0)
SMALL_COIL = simulate.Heat(coil_k_per_w=20.0, coil_j_per_k=0.3, magnet_k_per_w=6.0)


def three_way(*, limiter=None, heat=False, **parts):
    """Return the three-way: fourth-order crossovers at 350 and 2800 Hz, tuned to 38 Hz."""
    return simulate.Loudspeaker(
        units=(
            simulate.DriveUnit(
                name="woofer",
                lowpass_hz=350.0,
                resonance_hz=34.0,
                mass_kg=0.045,
                half_force_m=0.009,
                vent=simulate.Vent(tuning_hz=38.0, loss_coefficient=1.5),
                heat=HEAT if heat else None,
            ),
            simulate.DriveUnit(
                name="mid",
                highpass_hz=350.0,
                lowpass_hz=2800.0,
                resonance_hz=90.0,
                mass_kg=0.008,
                cone_area_m2=0.009,
                force_factor_tm=5.5,
                heat=HEAT if heat else None,
            ),
            simulate.DriveUnit(
                name="tweeter",
                highpass_hz=2800.0,
                resonance_hz=700.0,
                mass_kg=0.0004,
                cone_area_m2=0.0008,
                force_factor_tm=3.0,
                heat=SMALL_COIL if heat else None,
            ),
        ),
        resonances=(simulate.Resonance(frequency_hz=5200.0, q=3.0, gain_db=1.5),),
        panels=(
            simulate.Panel(frequency_hz=420.0, q=5.0, full_gain_db=-3.0, half_level_db=84.0),
            simulate.Panel(frequency_hz=6000.0, q=1.0, full_gain_db=2.0, half_level_db=84.0),
        ),
        limiter=limiter,
        **parts,
    )


THREE_WAY = three_way()
LIMITED = three_way(limiter=simulate.Limiter(threshold_db=86.0, ratio=4.0, knee_db=4.0))


def chain(*, drift_ppm=0.0, latency_s=0.0, noise_db=None):
    """Return a chain without a reference; `noise_db` is the white noise at the microphone."""
    return simulate.Chain(
        reference=False,
        latency_s=latency_s,
        drift_ppm=drift_ppm,
        noise=simulate.Noise(white_db=noise_db),
    )


def recorded(loudspeaker, *, drive_db, seed, tail_s=0.8, lead_in_s=LEAD_IN_S, **clock):
    """Record one sweep as the analysis gets it."""
    played = sound_of(loudspeaker, drive_db=drive_db, tail_s=tail_s, lead_in_s=lead_in_s)
    made = simulate.record(played, chain=chain(**clock), seed=seed)
    return Capture(
        source=f"{drive_db:g} dB", sample_rate_hz=RATE, microphone=made.microphone, reference=None
    )


@cache
def stimulus(*, lead_in_s=LEAD_IN_S, tail_s=0.2):
    """Return the file that was played, with silence of its own."""
    silent = [round(seconds * RATE) for seconds in (lead_in_s, tail_s)]
    played = np.pad(simulate.sweep_signal(SWEEP, sample_rate_hz=RATE), silent)
    played.flags.writeable = False
    return played


def divided(capture, *, played=None):
    """Divide the stimulus out of a capture."""
    return deconvolve(
        capture,
        law=LAW,
        frequency_hz=GRID,
        fraction=12,
        stimulus=stimulus() if played is None else played,
    )
