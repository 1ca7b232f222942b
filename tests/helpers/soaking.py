"""Simulated stress, taken through the tone-by-tone reading, and its truth.

The truth shares no code with the analysis: the simulation's transfer at the coils' temperatures in
the middle of each period against that of the cold loudspeaker.
"""

from functools import cache

import numpy as np
from three_way import three_way

from reportlib import simulate
from reportlib.measure.clock_within import multitone_drift
from reportlib.measure.stress.periods import stress_tones
from reportlib.measure.stress.stages import joined
from reportlib.measure.stress.tones import played_tones
from reportlib.measure.stress.tracks import group_track, third_track, tone_changes, tone_groups
from reportlib.session.day import LongTermEntry, Stage

RATE = 32000
PERIOD_S = 0.5
DRIVE_DB = 31.0
COLD = three_way()
HOT = three_way(heat=True)


@cache
def multitone(*, period_s=PERIOD_S, rate=RATE):
    """Return a multitone from 30 Hz to 12 kHz."""
    return simulate.multitone_signal(
        sample_rate_hz=rate, period_s=period_s, range_hz=(30.0, 12000.0), seed=29
    )


@cache
def played(**kind):
    """Return its tones as the analysis finds them."""
    made = multitone(**kind)
    return played_tones(made.samples, sample_rate_hz=made.sample_rate_hz, source="multitone.wav")


@cache
def sound(loudspeaker, *, periods, drive_db=DRIVE_DB, lead_in_s=0.3, tail_s=0.3):
    """Return the sound of the stress; kept, since many recordings share it."""
    return simulate.multitone_sound(
        loudspeaker,
        multitone(),
        drive_db=drive_db,
        periods=periods,
        lead_in_s=lead_in_s,
        tail_s=tail_s,
    )


def recorded(loudspeaker, *, periods, seed, drive_db=DRIVE_DB, noise=None, **chain):
    """Return channels of a recording, shape (1 or 2, n)."""
    whole = simulate.Chain(noise=noise or simulate.Noise(), reference_noise_db=-110.0, **chain)
    made = simulate.record(
        sound(loudspeaker, periods=periods, drive_db=drive_db), chain=whole, seed=seed
    )
    channels = [made.microphone] if made.reference is None else [made.microphone, made.reference]
    return np.array(channels)


def read(channels, *, stress_s, split=5, clocks=True, **facts):
    """Read the tones of a recording; the drift is found where there is no reference."""
    ppm = facts.pop("drift_ppm", 0.0)
    if clocks and len(channels) == 1:
        found = multitone_drift(np.array_split(channels[0], 3), period=multitone().samples)
        ppm = found.ppm
    return stress_tones(
        np.array_split(channels, split, axis=1),
        played=played(),
        stress_s=stress_s,
        source="stress.wav",
        drift_ppm=ppm,
        **facts,
    )


def level_of(*tones, pauses_s=8.0):
    """Put recordings of whole stages in a row."""
    stages = tuple(
        Stage(
            stress_s=one.centre_s.size * one.period_s,
            after=(),
            pause_s=(2.0,),
            rest_s=pauses_s,
            stress=f"{index}.wav",
        )
        for index, one in enumerate(tones)
    )
    entry = LongTermEntry(
        level_db=92.0, drive_db=20.0, sweep_drive_db=20.0, before=(), stages=stages
    )
    return joined(entry, heard={f"{index}.wav": one for index, one in enumerate(tones)})


def tracks_of(level, *, crossovers_hz=(350.0, 2800.0)):
    """Return groups' tracks, and the tones' own changes."""
    noise = np.median(level.noise[level.usable], axis=0)
    groups = tone_groups(level.frequency_hz, noise=noise, crossovers_hz=crossovers_hz)
    fitted = [group_track(group, level=level) for group in groups if group.kind != "third"]
    tones = tone_changes(fitted, level=level)
    thirds = [
        third_track(group, tracks=fitted, level=level) for group in groups if group.kind == "third"
    ]
    return (*fitted, *thirds), tones


@cache
def truth_db(loudspeaker, *, centre_s, duration_s, drive_db=DRIVE_DB):
    """Return each tone's true change since cold at moments of the stress: (moments, m)."""
    tones = multitone()
    heating = simulate.multitone_heating(
        loudspeaker, tones, drive_db=drive_db, duration_s=duration_s, step_s=0.05
    )

    def transfer(coil_k=None):
        return np.abs(
            simulate.transfer(
                loudspeaker,
                tones.frequency_hz,
                drive_db=drive_db,
                shares=tones.shares,
                temperatures=coil_k,
            )
        )

    middle = heating.coil_at(np.array(centre_s)).T
    return 20.0 * np.log10(np.array([transfer(coil_k) for coil_k in middle]) / transfer())


def band_truth_db(change_db, *, low_hz, high_hz):
    """Return the mean over log frequency of changes at the tones, by plain integration."""
    f = np.geomspace(low_hz, high_hz, 2001)
    return float(np.mean(np.interp(np.log(f), np.log(multitone().frequency_hz), change_db)))
