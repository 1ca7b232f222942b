"""Groups of tones over time, bands, 1/3 octaves and drive units: their change since cold.

A group's level is the mean of its tones' levels in dB, each tone with the stretch of log frequency
that it stands for (to the geometric means with its neighbours, cut at the group's edges). Log
frequency, because that is how the bands of sweeps are averaged and how broad a change sounds: with
equal weights the lower end, where tones stand closer, would count more. Decibels, because the mean
of a complex ratio's logarithm is not moved by noise as long as the tone stands above it.

A track's zero is the cold level of its thermal fit where that is known to ±0.3 dB, else the first
period that can be used, whose own uncertainty then counts once more: averaging several as zero
would take off what the loudspeaker lost among them. Uncertainty is that of noise and of the zero;
what a chain's gain does meanwhile is not in it.

What a single tone lost since cold is found with the help of the groups that lose in step with it.

A tone by itself is too noisy for a thermal fit of its own, but what warms it warms its neighbours:
it loses in step with the drive unit that plays it, or near a crossover with the two that do, in
proportions of its own: level = c − a·(loss of the one below) − b·(of the one above), the losses as
fitted, over all periods at once, weighted by noise. Where no crossovers are given, the bands stand
for drive units. That uses every period for c, the tone's own cold level. Averaging a few near the
start instead, and adding a group's loss there, would use few, and would take the tone for the
group. a and b are held to ± 0.5 of what is expected beforehand (1 in all, passing from one to the
other over two octaves), so that a record too short or too noisy to tell them falls back on the
groups' own losses. Beside them a tone may lose by another mix of quick and slow heating than its
groups do: slow terms and time constants of its own are held to none, ± 0.5, and what they leave
open is in c's uncertainty. 1/3 octaves are led in the same way: with as many fits a report would
wait for seconds, and two coils at once are told better by the units that they belong to.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reportlib.measure.levels import BANDS, G, band_centres_hz, cell_edges_hz, db
from reportlib.measure.stress.grid import History, period_states
from reportlib.measure.stress.heating import thermal_fit
from reportlib.measure.stress.records import GroupKind, GroupTrack
from reportlib.measure.stress.stages import Joined
from reportlib.measure.uncertainty import DB_PER_NOISE_RATIO, expanded
from reportlib.session.records import BoolArray, FloatArray

_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal frequencies of 1/3 octaves (ISO 266), a decade of them."""
_CLEAR = 0.1  # noise over a tone's power, in the middle of the stress, that is still averaged
_LEAST_COVERED = 0.6  # of a group's log frequency: less, and it can't be told (as for sweeps)
_BESIDE_CROSSOVER = G ** (1.0 / 3.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Group:
    """Tones that are averaged.

    Attributes
    ----------
    weight : shape (m,), share of each tone; their sum is 1, or 0 where the group can't be told
    tones : how many have a share
    within : shape (m,), 1 for the tones that lie in it, heard or not, else 0
    """

    kind: GroupKind
    name: str
    low_hz: float
    high_hz: float
    weight: FloatArray
    tones: int
    within: FloatArray


def tone_groups(
    frequency_hz: FloatArray, *, noise: FloatArray, crossovers_hz: Sequence[float]
) -> tuple[Group, ...]:
    """Return the groups that have tones: bands, 1/3 octaves, drive units.

    Where two drive units sound together, 1/3 octave to either side of a crossover, tones belong to
    neither.

    Parameters
    ----------
    frequency_hz : shape (m,)
    noise : shape (m,), each tone's usual noise over its power
    """
    stretches: list[tuple[GroupKind, str, float, float]] = [
        ("band", band.name, band.low_hz, band.high_hz) for band in BANDS
    ]
    lowest, highest = float(frequency_hz[0]), float(frequency_hz[-1])
    centres = band_centres_hz(3, start_hz=lowest / G**0.2, stop_hz=highest * G**0.2)
    for centre, low, high in zip(centres, *cell_edges_hz(centres, fraction=3), strict=True):
        stretches.append(("third", frequency_name(nominal_hz(centre)), low, high))
    stretches += units(crossovers_hz, lowest_hz=lowest, highest_hz=highest)
    groups = [
        _group(frequency_hz, kind=kind, name=name, low_hz=low, high_hz=high, noise=noise)
        for kind, name, low, high in stretches
    ]
    return tuple(group for group in groups if group is not None)


def units(
    crossovers_hz: Sequence[float], *, lowest_hz: float, highest_hz: float
) -> list[tuple[GroupKind, str, float, float]]:
    """Return kind, name and edges of every drive unit, the lowest first; none without crossovers.

    >>> [unit[1] for unit in units((450.0, 3200.0), lowest_hz=25.0, highest_hz=16000.0)]
    ['up to 450 Hz', '450 Hz to 3.2 kHz', 'from 3.2 kHz']
    """
    found: list[tuple[GroupKind, str, float, float]] = []
    at = sorted(crossovers_hz)
    for index in range(len(at) + 1 if at else 0):
        below = at[index - 1] if index else None
        above = at[index] if index < len(at) else None
        if below is None:
            name = f"up to {frequency_name(at[0])}"
        elif above is None:
            name = f"from {frequency_name(below)}"
        else:
            name = f"{frequency_name(below)} to {frequency_name(above)}"
        low = lowest_hz if below is None else below * _BESIDE_CROSSOVER
        high = highest_hz * (1.0 + 1e-9) if above is None else above / _BESIDE_CROSSOVER
        if low < high:
            found.append(("unit", name, low, high))
    return found


def frequency_name(hz: float) -> str:
    """Return a frequency as it stands in names.

    >>> frequency_name(450.0), frequency_name(3150.0), frequency_name(31.5)
    ('450 Hz', '3.15 kHz', '31.5 Hz')
    """
    return f"{hz:g} Hz" if hz < 1000.0 else f"{hz / 1000.0:g} kHz"


def nominal_hz(centre_hz: float) -> float:
    """Return the nominal frequency of a 1/3 octave by its exact middle (ISO 266).

    >>> nominal_hz(1258.925), nominal_hz(31.623)
    (1250.0, 31.5)
    """
    step = round(10.0 * math.log10(centre_hz))
    return float(f"{_NOMINAL[step % 10] * 10.0 ** (step // 10):.4g}")


def group_level(level_db: FloatArray, *, group: Group) -> FloatArray:
    """Return a group's level, shape (n,), of its tones' levels, shape (n, m); NaN without tones."""
    if group.tones == 0:
        return np.full(level_db.shape[0], np.nan)
    return np.asarray(level_db @ group.weight)


def group_u_db(noise: FloatArray, *, group: Group) -> FloatArray:
    """Return the standard uncertainty of a group's level, shape (n,), by its tones' noise.

    Parameters
    ----------
    noise : shape (n, m), of which each tone's is independent
    """
    return np.asarray(DB_PER_NOISE_RATIO * np.sqrt(noise @ np.square(group.weight)))


def _group(
    frequency_hz: FloatArray,
    *,
    kind: GroupKind,
    name: str,
    low_hz: float,
    high_hz: float,
    noise: FloatArray,
) -> Group | None:
    inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
    if not inside.any():
        return None
    clear = inside & (noise <= _CLEAR)
    middles = np.sqrt(frequency_hz[:-1] * frequency_hz[1:])
    low, high = np.append(frequency_hz[0], middles), np.append(middles, frequency_hz[-1])
    # tones at the ends reach as far to their other side
    low[0], high[-1] = low[0] ** 2 / high[0], high[-1] ** 2 / low[-1]
    width = np.log(np.minimum(high, high_hz) / np.maximum(low, low_hz))
    told = float(np.sum(width[clear]))
    whole = math.log(high_hz / low_hz)
    if kind == "third":  # narrow: a tone that stands at its edge speaks for it all the same
        whole = float(np.sum(width[inside]))
    weight = np.where(clear, width, 0.0) / max(told, 1e-300)
    if told < _LEAST_COVERED * whole:
        weight = np.zeros(frequency_hz.size)
    return Group(
        kind=kind,
        name=name,
        low_hz=low_hz,
        high_hz=high_hz,
        weight=weight,
        tones=int(np.count_nonzero(weight)),
        within=inside.astype(np.float64),
    )


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


_CLEAR_DB = 1.0  # standard uncertainty of a tone that has a say in whether cold levels are known
_STEP = 1e-4
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
                level.level_db[:, tone],
                u_db[:, tone],
                guide=guide,
                level=level,
                usable=level.usable,
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
        level=level,
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
    level_db: FloatArray, u_db: FloatArray, *, guide: _Guide, level: Joined, usable: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Change of a tone since cold, shape (n,), and its standard uncertainty."""
    used = usable & np.all([np.isfinite(one.fitted_db) for one in guide.tracks], axis=0)
    history = level.history(used)
    parts = [np.ones((history.centre_s.size, 1))]
    expected = np.zeros(1)
    for track, share in zip(guide.tracks, guide.shares, strict=True):
        own = _own_mix(track, history=history)
        parts += [track.fitted_db[used, np.newaxis], own]
        expected = np.concatenate((expected, [share], np.zeros(own.shape[1])))
    columns = np.concatenate(parts, axis=1)
    y = level_db[used]
    prior = np.full(columns.shape[1], 1.0 / _LIKE_ITS_GROUPS**2)
    prior[0] = 0.0
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
    at = np.cumsum([1, *(1 + one.shape[1] for one in parts[2::2])])[:-1]
    shares = found[at]
    by_groups = 0.5 * float(np.abs(shares) @ np.array(cold_u95_db))
    square = u_db**2 + covariance[0, 0] - 2.0 * shared + by_groups**2
    return level_db - found[0], np.sqrt(np.maximum(square, 0.0))


def _own_mix(track: GroupTrack, *, history: History) -> FloatArray:
    """What a tone's own mix of quick and slow heating adds to its group's loss; shape (n, columns).

    The slow one of two terms by itself, and the slope of each term's loss by the logarithm of its
    time constant.
    """
    fit = track.fit
    if fit is None or not fit.terms:
        return np.zeros((history.centre_s.size, 0))
    tau = np.array([one.time_constant_s for one in fit.terms])
    losses = np.array([one.loss_db for one in fit.terms])
    cooling = fit.cooling_ratio or 1.0  # it is known wherever a pause makes it matter
    states = period_states(history, time_constant_s=tau, cooling=cooling)
    longer = period_states(history, time_constant_s=tau * math.exp(_STEP), cooling=cooling)
    return np.concatenate(
        (-losses[1:] * states[:, 1:], -losses * (longer - states) / _STEP), axis=1
    )


def _together(left: FloatArray) -> float:
    """How many periods count as one where their errors follow each other: (1 + ρ)/(1 − ρ)."""
    total = float(np.sum(left**2))
    if left.size < 3 or total <= 0.0:
        return 1.0
    lag_1 = float(np.sum(left[1:] * left[:-1])) / total
    if lag_1 < 2.0 / math.sqrt(left.size):  # chance makes as much
        return 1.0
    return (1.0 + lag_1) / max(1.0 - lag_1, 2.0 / left.size)
