"""Every tone's change since cold, with the help of the groups that lose in step with it.

A tone by itself is too noisy for a thermal fit of its own, but what warms it warms its neighbours:
it loses in step with the drive unit that plays it, or near a crossover with the two that do, in
proportions of its own: level = c − a·(loss of the one below) − b·(of the one above), the losses as
fitted, over all periods at once, weighted by noise. Where no crossovers are given, the bands stand
for drive units. That uses every period for c, the tone's own cold level. Averaging a few near the
start instead, and adding a group's loss there, would use few, and would take the tone for the
group. a and b are held to ± 0.5 of what is expected beforehand (1 in all, passing from one to the
other over two octaves), so that a record too short or too noisy to tell them falls back on the
groups' own losses. 1/3 octaves are led in the same way: with as many fits a report would wait for
seconds, and two coils at once are told better by the units that they belong to.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportlib.arrays import BoolArray, FloatArray
from reportlib.soak.groups import Group, group_level, group_u_db
from reportlib.soak.joined import Joined
from reportlib.soak.tracks import group_track, half_width
from reportlib.soaked import GroupTrack
from reportlib.uncertainty import DB_PER_NOISE_RATIO, expanded

_CLEAR_DB = 1.0  # standard uncertainty of a tone that has a say in whether cold levels are known
_LIKE_ITS_GROUPS = 0.5
"""Standard deviation of a tone's share in its groups' losses: about what tones of one drive unit,
at its resonance and above it, lose apart (a judgement; no source)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ToneChanges:
    """Tone by tone: shape (n, m) each; NaN where no zero can be told.

    `cold_known` is whether zero is the cold level, else it is the first period that can be used.
    """

    change_db: FloatArray
    u95_db: FloatArray
    cold_known: bool


@dataclass(frozen=True, kw_only=True)
class _Guide:
    """Groups whose losses a tone follows, and the share of each that is expected."""

    tracks: tuple[GroupTrack, ...]
    shares: tuple[float, ...]


def tone_changes(tracks: Sequence[GroupTrack], *, level: Joined) -> ToneChanges:
    """Return every tone's change, against its own cold level where the groups' fits tell it.

    That is where they tell it for at least half of the tones that stand out of the noise; tones for
    which they do not are then NaN.
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
    for tone, guide in enumerate(guides):
        if guide is not None:
            change[:, tone], u_total[:, tone] = _since_cold(
                level.level_db[:, tone], u_db[:, tone], guide=guide, usable=level.usable
            )
    return ToneChanges(change_db=change, u95_db=expanded(u_total, dof=dof), cold_known=True)


def third_track(group: Group, *, tracks: Sequence[GroupTrack], level: Joined) -> GroupTrack:
    """Return the change of a 1/3 octave, against its cold level where the tracks' fits tell it."""
    since_first = group_track(group, level=level, fitted=False)
    told = np.isfinite(since_first.change_db)
    guide = _guide(tracks, frequency_hz=math.sqrt(group.low_hz * group.high_hz))
    if guide is None or not told.any():
        return since_first
    change, u_db = _since_cold(
        group_level(level.level_db, group=group),
        group_u_db(level.noise, group=group),
        guide=guide,
        usable=told,
    )
    return replace(
        since_first,
        change_db=np.where(told, change, np.nan),
        u95_db=np.where(told, half_width(u_db, group=group, level=level), np.nan),
    )


def _guide(tracks: Sequence[GroupTrack], *, frequency_hz: float) -> _Guide | None:
    """The two drive units, else the two bands, that meet nearest to a frequency."""
    told = [one for one in tracks if one.fit is not None and one.fit.cold_known]
    for kind in ("unit", "band"):
        of_kind = [one for one in tracks if one.kind == kind]
        pairs = [
            (_between_hz(low, high), (low, high))
            for low, high in itertools.pairwise(of_kind)
            if low in told and high in told
        ]
        if pairs:
            meet_hz, pair = min(pairs, key=lambda one: abs(math.log(frequency_hz / one[0])))
            place = min(max(0.5 + 0.5 * math.log2(frequency_hz / meet_hz), 0.0), 1.0)
            return _Guide(tracks=pair, shares=(1.0 - place, place))
    for one in told:
        if one.low_hz <= frequency_hz < one.high_hz:
            return _Guide(tracks=(one,), shares=(1.0,))
    return None


def _between_hz(below: GroupTrack, above: GroupTrack) -> float:
    """Where two drive units, or bands, meet."""
    return math.sqrt(below.high_hz * above.low_hz)


def _since_cold(
    level_db: FloatArray, u_db: FloatArray, *, guide: _Guide, usable: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Change of a tone since cold, shape (n,), and its standard uncertainty."""
    used = usable & np.all([np.isfinite(one.fitted_db) for one in guide.tracks], axis=0)
    columns = np.column_stack((np.ones(used.sum()), *(one.fitted_db[used] for one in guide.tracks)))
    y = level_db[used]
    prior = np.full(columns.shape[1], 1.0 / _LIKE_ITS_GROUPS**2)
    prior[0] = 0.0
    expected = np.array((0.0, *guide.shares))
    weight = 1.0 / np.maximum(u_db[used], 1e-6) ** 2
    scale = 1.0
    for _ in range(2):
        inverse = columns.T @ (weight[:, np.newaxis] / scale * columns) + np.diag(prior)
        covariance = np.linalg.inv(inverse)
        found = covariance @ (columns.T @ (weight / scale * y) + prior * expected)
        left = y - columns @ found
        # what a tone differs by beyond its noise (shape, gain) counts; less does not narrow it
        freedom = max(y.size - columns.shape[1], 1)
        scale = max(1.0, float(np.sum(weight * left**2)) / freedom * _together(left))
    # a period that helped to find c shares its noise with it
    shared = np.zeros(level_db.size)
    shared[used] = columns @ covariance[0] / scale
    cold_u95_db = [one.fit.cold_u95_db for one in guide.tracks if one.fit is not None]
    by_groups = 0.5 * float(np.abs(found[1:]) @ np.array(cold_u95_db))
    square = u_db**2 + covariance[0, 0] - 2.0 * shared + by_groups**2
    return level_db - found[0], np.sqrt(np.maximum(square, 0.0))


def _together(left: FloatArray) -> float:
    """How many periods count as one where their errors follow each other: (1 + ρ)/(1 − ρ)."""
    total = float(np.sum(left**2))
    if left.size < 3 or total <= 0.0:
        return 1.0
    lag_1 = float(np.sum(left[1:] * left[:-1])) / total
    if lag_1 < 2.0 / math.sqrt(left.size):  # chance makes as much
        return 1.0
    return (1.0 + lag_1) / max(1.0 - lag_1, 2.0 / left.size)
