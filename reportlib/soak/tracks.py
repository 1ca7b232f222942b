"""Groups of tones over time: their change since cold, and how well it is known.

A track's zero is the cold level of its thermal fit where that is known to ±0.3 dB, else the first
period that can be used, whose own uncertainty then counts once more: averaging several as zero
would take off what the loudspeaker lost among them. Uncertainty is that of noise and of the zero;
what a chain's gain does meanwhile is not in it.
"""

import numpy as np

from reportlib.arrays import FloatArray
from reportlib.levels import db
from reportlib.soak.fit import thermal_fit
from reportlib.soak.groups import Group, group_level, group_u_db
from reportlib.soak.joined import Joined
from reportlib.soaked import GroupTrack
from reportlib.uncertainty import expanded

_DISTURBED, _DISTURBED_DB = 3.0, 0.05
"""A period whose uncertainty is three times the usual, and more than 0.05 dB, is left out of the
fit (a door, a voice). Below that it may be the heating itself: a tone that changes unevenly within
a period leans over a little into the bins beside it."""


def group_track(group: Group, *, level: Joined, fitted: bool = True) -> GroupTrack:
    """Return a group's change over time, with its thermal fit.

    `distortion_db` is the power between the tones of the group's frequencies (noise, and products
    of distortion that do not fall on a tone) over the tones' own power: that of all even bins, and
    of all odd ones at the mean of the empty ones among them.

    Parameters
    ----------
    fitted : False where the change is to be counted from the first period, without a fit
    """
    count = level.elapsed_s.size
    track = group_level(level.level_db, group=group)
    u_db = group_u_db(level.noise, group=group)
    told = level.usable & np.isfinite(track)
    change, u95, fit_db = (np.full(count, np.nan) for _ in range(3))
    fit = None
    if told.any():
        first = int(np.flatnonzero(told)[0])
        zero, u_zero = float(track[first]), float(u_db[first])
        used = told & np.isfinite(level.clock_s)
        used &= u_db <= max(_DISTURBED * float(np.median(u_db[told])), _DISTURBED_DB)
        found = None
        if fitted and used.any():
            found = thermal_fit(track[used], history=level.history(used))
        if found is not None:
            fit = found[0]
            if fit.cold_known:
                zero, u_zero = fit.cold_db, 0.5 * fit.cold_u95_db
            fit_db[used] = found[1] - zero
        change[told] = track[told] - zero
        u95[told] = half_width(np.hypot(u_db[told], u_zero), group=group, level=level)
    with np.errstate(divide="ignore", invalid="ignore"):
        distortion = db((level.beside @ group.within) / (level.power @ group.within))
    return GroupTrack(
        kind=group.kind,
        name=group.name,
        low_hz=group.low_hz,
        high_hz=group.high_hz,
        change_db=change,
        u95_db=u95,
        distortion_db=np.where(level.settled, distortion, np.nan),
        fitted_db=fit_db,
        tones=group.tones,
        fit=fit,
    )


def half_width(u_db: FloatArray, *, group: Group, level: Joined) -> FloatArray:
    """Return the 95 % half-width of a group's standard uncertainty, shape of `u_db`."""
    dof = float(level.noise_dof[group.weight > 0.0].min())
    return expanded(u_db, dof=np.full(u_db.shape, dof))
