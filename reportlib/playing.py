"""The long-term levels while their multitone plays: from stress recordings to records."""

from collections.abc import Sequence

import numpy as np

from reportlib.arrays import BoolArray
from reportlib.day import LongTermEntry
from reportlib.levels import db
from reportlib.measuring import Measured
from reportlib.model import ChangeCurve
from reportlib.soak import (
    coil_track,
    group_track,
    joined,
    recoveries,
    third_track,
    tone_changes,
    tone_groups,
)
from reportlib.soak.joined import Joined
from reportlib.soak.since_cold import ToneChanges
from reportlib.soaked import CoilTrack, Playing
from reportlib.sweep_reading import sweep_law


def while_playing(measured: Measured, *, long: Sequence[ChangeCurve]) -> tuple[Playing, ...]:
    """Return the long-term levels whose stress was recorded, period by period.

    Parameters
    ----------
    measured : its stress recordings are read already, and what is wrong with them is in its notes
    long : the long-term sweeps, to compare with
    """
    found = []
    for entry in measured.session.long_term:
        level = joined(entry, heard=measured.stress)
        if level is not None:
            found.append(_playing(entry, level=level, measured=measured, long=long))
    return tuple(found)


def _playing(
    entry: LongTermEntry, *, level: Joined, measured: Measured, long: Sequence[ChangeCurve]
) -> Playing:
    used = level.usable
    noise = np.median(level.noise[used] if used.any() else level.noise, axis=0)
    groups = tone_groups(
        level.frequency_hz, noise=noise, crossovers_hz=measured.session.speaker.crossovers_hz
    )
    fitted = [group_track(group, level=level) for group in groups if group.kind != "third"]
    tones = tone_changes(fitted, level=level)
    led_by = fitted if tones.cold_known else []
    thirds = [third_track(one, tracks=led_by, level=level) for one in groups if one.kind == "third"]
    told = np.isfinite(tones.u95_db) & (tones.u95_db <= measured.parameters.usable_u95_db)
    distortion_db = db(level.beside.sum(axis=1) / level.power.sum(axis=1))
    coil = _coil(level, used=used, tones=tones, measured=measured)
    return Playing(
        level_db=entry.level_db,
        period_s=level.period_s,
        stages=level.spans,
        elapsed_s=level.elapsed_s,
        clock_s=level.clock_s,
        stage=level.stage.astype(np.float64),
        settled=level.settled,
        frequency_hz=level.frequency_hz,
        change_db=tones.change_db,
        u95_db=tones.u95_db,
        usable=told & used[:, np.newaxis],
        cold_known=tones.cold_known,
        distortion_db=np.where(level.settled, distortion_db, np.nan),
        groups=(*fitted, *thirds),
        recovery=recoveries(
            [one for one in fitted if one.kind == "band" and one.fit is not None],
            history=level.history(used & np.isfinite(level.clock_s)),
            curves=[one for one in long if one.level_db == entry.level_db],
            law=sweep_law(measured.session),
            stages=entry.stages,
        ),
        reason=level.reason,
        coil=None if isinstance(coil, str) else coil,
        no_coil=coil if isinstance(coil, str) else "",
    )


def _coil(
    level: Joined, *, used: BoolArray, tones: ToneChanges, measured: Measured
) -> CoilTrack | str:
    """Return the coil's temperature, or why there is none; empty where it was not looked for."""
    impedance = level.resistance_ohm + 1j * level.reactance_ohm
    if not np.any(impedance):
        return ""
    speaker, rig = measured.session.speaker, measured.session.rig
    return coil_track(
        impedance,
        np.ones_like(impedance),
        frequency_hz=level.frequency_hz,
        period_s=level.period_s,
        clock_s=level.clock_s,
        stage=level.stage.astype(np.float64),
        usable=used & np.any(impedance, axis=1),
        heard_db=tones.change_db,
        heard_u95_db=tones.u95_db,
        crossovers_hz=speaker.crossovers_hz,
        ambient_c=rig.temperature_c,
    )
