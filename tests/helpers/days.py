"""Simulated measuring days, taken through the analysis, and their truth.

The truth shares no code with the analysis: it is the ratio of the simulation's transfer at two
drives, ungated, its power averaged over 1/12 octave by plain numerical integration.
"""

from functools import cache

import numpy as np

from reportlib import simulate
from reportlib.measure import compression, deconvolution, response
from reportlib.measure.levels import grid_hz
from reportlib.measure.sweep import SweepLaw
from reportlib.session.day import SweepFacts
from reportlib.session.records import Capture

RATE = 48000
SWEEP = SweepFacts(start_hz=20.0, stop_hz=20000.0, duration_s=2.0)
LAW = SweepLaw(start_hz=20.0, stop_hz=20000.0, duration_s=2.0)
GRID = grid_hz(start_hz=20.0, stop_hz=20000.0)
QUIET = simulate.Chain(reference_noise_db=-110.0)

TWO_WAY = simulate.Loudspeaker(
    units=(
        simulate.DriveUnit(
            lowpass_hz=2500.0, vent=simulate.Vent(tuning_hz=42.0), resonance_hz=38.0
        ),
        simulate.DriveUnit(
            name="tweeter",
            highpass_hz=2500.0,
            resonance_hz=700.0,
            mass_kg=0.0004,
            cone_area_m2=0.0008,
            force_factor_tm=3.0,
            gain_db=1.0,
        ),
    ),
    resonances=(simulate.Resonance(frequency_hz=900.0, q=4.0, gain_db=1.5),),
    panels=(
        simulate.Panel(frequency_hz=420.0, q=5.0, full_gain_db=-3.0, half_level_db=84.0),
        simulate.Panel(frequency_hz=3000.0, q=1.0, full_gain_db=2.0, half_level_db=84.0),
    ),
)


def truth_db(loudspeaker, *, drive_db, frequency_hz=GRID, fraction=12.0):
    """Return the true change against a drive of 0 dB, smoothed over 1/`fraction` octave."""
    half = 10.0 ** (0.3 / (2.0 * fraction))
    part = (np.arange(400) + 0.5) / 400.0
    cells = frequency_hz[:, np.newaxis] * (1 / half + (half - 1 / half) * part)

    def power(drive):
        h = simulate.sweep_transfer(
            loudspeaker, cells.ravel(), sweep=SWEEP, drive_db=drive
        ).reshape(cells.shape)
        return np.mean(np.abs(h) ** 2, axis=1)

    return 10.0 * np.log10(power(drive_db) / power(0.0))


@cache
def sound(loudspeaker, *, drive_db, tail_s=0.6, lead_in_s=0.5):
    """Return the sound of one sweep; kept, since a thousand takes share it."""
    return simulate.sweep_sound(
        loudspeaker,
        SWEEP,
        drive_db=drive_db,
        sample_rate_hz=RATE,
        tail_s=tail_s,
        lead_in_s=lead_in_s,
    )


def capture(name, played, *, chain, seed):
    """Record a sound as the analysis gets it."""
    made = simulate.record(played, chain=chain, seed=seed)
    return Capture(
        source=name, sample_rate_hz=RATE, microphone=made.microphone, reference=made.reference
    )


def responses(
    captures, *, gate_ms=None, stimulus=None, fraction=12, law=LAW, grid=GRID, spread=False
):
    """Take captures through deconvolution, the common gate and smoothing."""
    found = [
        deconvolution.deconvolve(
            one, law=law, frequency_hz=grid, fraction=fraction, stimulus=stimulus
        )
        for one in captures
    ]
    gate = response.session_gate(found, law=law, gate_ms=gate_ms)
    arrival = response.find_arrival_s(found[0], law=law)
    smoothing = response.smoothing_cells(
        found[0], law=law, gate=gate, arrival_s=arrival, fraction=fraction, spread=spread
    )
    return gate, [
        response.measure_response(
            one,
            law=law,
            gate=gate,
            arrival_s=response.align_s(one, to=found[0], arrival_s=arrival),
            fraction=fraction,
            smoothing=smoothing,
        )
        for one in found
    ]


def rules(gate, **changes):
    """Return the rules of a session with a reference and nothing assumed."""
    known = {
        "reference_counts": True,
        "drive_tolerance_db": 0.1,
        "assumed_repeatability_db": 0.0,
        "usable_u95_db": 0.5,
        "full_scale_db": None,
        "sweep_range_hz": (20.0, 20000.0),
        "lowest_hz": gate.lowest_hz,
        "fraction": 12,
    }
    return compression.Rules(**{**known, **changes})


def short_day(
    loudspeaker,
    *,
    drives_db,
    seed,
    chain=QUIET,
    takes=1,
    gate_ms=None,
    step_error_db=0.0,
    tail_s=0.6,
    stimulus=None,
    **changes,
):
    """Measure a short-term day: the baseline at 72 dB and one level a drive.

    `step_error_db` is by how much less than asked the volume was raised to the last level.
    """
    captures = []
    for index, drive in enumerate((0.0, *drives_db)):
        short = step_error_db if index == len(drives_db) else 0.0
        played = sound(loudspeaker, drive_db=drive - short, tail_s=tail_s)
        captures += [
            capture(f"{72 + drive:g}-{take}", played, chain=chain, seed=(seed, index, take))
            for take in range(takes)
        ]
    gate, measured = responses(captures, gate_ms=gate_ms, stimulus=stimulus)
    settings = [
        compression.Setting(
            level_db=72.0 + drive,
            drive_db=drive,
            takes=tuple(measured[index * takes : (index + 1) * takes]),
        )
        for index, drive in enumerate((0.0, *drives_db))
    ]
    return compression.short_term(settings[0], settings[1:], again=[], rules=rules(gate, **changes))
