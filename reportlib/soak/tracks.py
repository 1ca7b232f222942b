"""Groups and tones over time: their change since cold, and how well it is known.

A track's zero is the cold level of its thermal fit where that is known to ±0.3 dB, else the first
period that can be used, whose own uncertainty then counts once more: averaging several as zero
would take off what the loudspeaker lost among them. Uncertainty is that of noise and of the zero;
what a chain's gain does meanwhile is not in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reportlib.arrays import BoolArray, FloatArray
from reportlib.levels import db
from reportlib.soak.fit import thermal_fit
from reportlib.soak.groups import Group, group_level, group_u_db
from reportlib.soak.joined import Joined
from reportlib.soaked import GroupTrack
from reportlib.uncertainty import DB_PER_NOISE_RATIO, expanded

_DISTURBED = 10.0  # times the usual noise: the period is left out of the fit (a door, a voice)
_CLEAR_DB = 1.0  # standard uncertainty of a tone that has a say in whether cold levels are known
_LIKE_THE_GROUP = 0.5
"""Standard deviation of a tone's loss over its group's: about what two drive units that meet in
one 1/3 octave may lose apart (a judgement; no source)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ToneChanges:
    """Tone by tone: shape (n, m) each; NaN where no zero can be told.

    `cold_known` is whether zero is the cold level.
    """

    change_db: FloatArray
    u95_db: FloatArray
    cold_known: bool


def group_track(group: Group, *, level: Joined) -> GroupTrack:
    """Return a group's change over time, with its thermal fit.

    `distortion_db` is the power between the tones of the group's frequencies (noise, and products
    of distortion that do not fall on a tone) over the tones' own power: that of all even bins, and
    of all odd ones at the mean of the empty ones among them.
    """
    count = level.elapsed_s.size
    track = group_level(level.level_db, group=group)
    u_db = group_u_db(level.noise, group=group)
    told = level.usable & np.isfinite(track)
    change, u95, fitted = (np.full(count, np.nan) for _ in range(3))
    fit = None
    if told.any():
        used = told & np.isfinite(level.clock_s)
        used &= u_db**2 <= _DISTURBED * float(np.median(u_db[told] ** 2))
        found = thermal_fit(track[used], history=level.history(used)) if used.any() else None
        first = int(np.flatnonzero(told)[0])
        zero, u_zero = float(track[first]), float(u_db[first])
        if found is not None:
            fit = found[0]
            if fit.cold_known:
                zero, u_zero = fit.cold_db, 0.5 * fit.cold_u95_db
            fitted[used] = found[1] - zero
        change[told] = track[told] - zero
        dof = float(level.noise_dof[group.weight > 0.0].min())
        u95[told] = expanded(np.hypot(u_db[told], u_zero), dof=np.full(told.sum(), dof))
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
        fitted_db=fitted,
        tones=group.tones,
        fit=fit,
    )


def tone_changes(tracks: Sequence[GroupTrack], *, level: Joined) -> ToneChanges:
    """Return every tone's change, against its own cold level where the groups' fits tell it.

    A tone by itself is too noisy for a fit of its own, but it is warmed by the coil that warms its
    1/3 octave (or its band, where only that has a known cold level), so that it loses in step
    with it: level = c − a·(the group's fitted loss), over all periods at once, weighted by noise.
    That uses every period for c. Averaging a few near the start instead and adding the group's
    loss there would use few, and would take the tone for its group (a = 1) where tones of two drive
    units meet. a is held to 1 ± 0.5 by what is known beforehand, so that a record too short or too
    noisy to tell it falls back on the group's own loss.
    """
    shape = level.level_db.shape
    change, u_total = np.full(shape, np.nan), np.full(shape, np.nan)
    dof = np.broadcast_to(level.noise_dof, shape)
    if not level.usable.any():
        return ToneChanges(change_db=change, u95_db=u_total, cold_known=False)
    u_db = DB_PER_NOISE_RATIO * np.sqrt(level.noise)
    clear = np.asarray(np.median(u_db[level.usable], axis=0) < _CLEAR_DB)
    guides = [_guide(tracks, frequency_hz=float(f)) for f in level.frequency_hz]
    with_cold = np.array([guide is not None for guide in guides])
    if 2 * np.count_nonzero(with_cold & clear) < max(1, int(np.count_nonzero(clear))):
        first = int(level.usable.argmax())
        return ToneChanges(
            change_db=level.level_db - level.level_db[first],
            u95_db=expanded(np.hypot(u_db, u_db[first]), dof=dof),
            cold_known=False,
        )
    for guide in {id(one): one for one in guides if one is not None}.values():
        tones = np.array([one is guide for one in guides])
        change[:, tones], u_total[:, tones] = _since_cold(
            level.level_db[:, tones], u_db[:, tones], guide=guide, usable=level.usable
        )
    return ToneChanges(change_db=change, u95_db=expanded(u_total, dof=dof), cold_known=True)


def _guide(tracks: Sequence[GroupTrack], *, frequency_hz: float) -> GroupTrack | None:
    """The 1/3 octave that a tone lies in, else its band: the first whose cold level is known."""
    for kind in ("third", "band"):
        for track in tracks:
            inside = track.kind == kind and track.low_hz <= frequency_hz < track.high_hz
            if inside and track.fit is not None and track.fit.cold_known:
                return track
    return None


def _since_cold(
    level_db: FloatArray, u_db: FloatArray, *, guide: GroupTrack, usable: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Change of tones, shape (n, k), since cold, and its standard uncertainty."""
    assert guide.fit is not None
    used = usable & np.isfinite(guide.fitted_db)
    loss = -guide.fitted_db[used, np.newaxis]
    y = level_db[used]
    weight = 1.0 / np.maximum(u_db[used], 1e-6) ** 2
    prior = 1.0 / _LIKE_THE_GROUP**2
    w, wl, wy = weight.sum(axis=0), (weight * loss).sum(axis=0), (weight * y).sum(axis=0)
    wll = (weight * loss**2).sum(axis=0) + prior
    wly = (weight * loss * y).sum(axis=0) - prior
    determinant = w * wll - wl**2
    cold = (wll * wy - wl * wly) / determinant
    share = (wl * wy - w * wly) / determinant
    left = y - cold + share * loss
    freedom = max(y.shape[0] - 2, 1)
    # what tones differ by beyond their noise widens it, less than noise explains does not narrow it
    scale = np.maximum(1.0, (weight * left**2).sum(axis=0) / freedom)
    variance = scale * wll / determinant
    # a period that helped to find c shares its noise with it
    shared = np.zeros(level_db.shape)
    shared[used] = (wll - loss * wl) / determinant
    by_group = share * 0.5 * guide.fit.cold_u95_db
    total = np.square(u_db) + variance - 2.0 * shared + np.square(by_group)
    return level_db - cold, np.sqrt(np.maximum(total, 0.0))
