"""The long-term levels while their multitone plays: from stress recordings to records."""

from collections.abc import Sequence

import numpy as np

from reportlib.day import LongTermEntry
from reportlib.levels import db
from reportlib.measuring import Measured, sweep_law
from reportlib.model import ChangeCurve
from reportlib.soak import (
    group_track,
    joined,
    recoveries,
    tone_changes,
    tone_groups,
)
from reportlib.soak.joined import Joined
from reportlib.soaked import Playing


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
    tracks = tuple(group_track(group, level=level) for group in groups)
    tones = tone_changes(tracks, level=level)
    told = np.isfinite(tones.u95_db) & (tones.u95_db <= measured.parameters.usable_u95_db)
    distortion_db = db(level.beside.sum(axis=1) / level.power.sum(axis=1))
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
        groups=tracks,
        recovery=recoveries(
            [one for one in tracks if one.kind == "band" and one.fit is not None],
            history=level.history(used & np.isfinite(level.clock_s)),
            curves=[one for one in long if one.level_db == entry.level_db],
            law=sweep_law(measured.session),
            stages=entry.stages,
        ),
        reason=level.reason,
    )
