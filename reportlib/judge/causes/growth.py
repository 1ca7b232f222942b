"""How a change grows with level, what playing on does, and whether one law explains all of it.

A hard limiter lets nothing of a step through once it acts, one of ratio R the share 1/R
(definition); what answers to power or speed grows with the square or the first power of the
drive, so that a loss of a tenth of a decibel becomes two to four tenths 6 dB on.

Playing on acts at once, within seconds, within minutes, or for good.

A limiter that foresees the level (and a microphone that overloads) takes a share k of every
decibel above a threshold t: loss = k·max(0, L − t), L the level asked for at that frequency. A
loudspeaker whose own response differs by some decibels over frequency shows it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from reportlib.judge.causes.evidence import (
    Coil,
    Growth,
    Law,
    Point,
    Run,
    Timing,
    WhilePlaying,
    mean_over,
)
from reportlib.judge.records import Analysis
from reportlib.measure.levels import GRID_PER_OCTAVE, moving_octave_mean
from reportlib.measure.records import ChangeCurve
from reportlib.measure.stress.records import GroupTrack, Playing
from reportlib.session.day import Test
from reportlib.session.records import FloatArray

KNEE_SLOPE = 0.3
"""Share of the last step that is missing behind a knee: what a ratio of 1.4 : 1 takes, and more
than heat or a port take of a step while they are small (judgement)."""
BEFORE_KNEE = 0.07
"""Of the largest loss: what may be missing below a knee. What goes with power has lost a tenth of
it 9 dB further down."""
SAME_DB = 0.15
GROWN = 1.3


def growth(points: Sequence[Point]) -> tuple[Growth, float, float]:
    """Return how a change grows, the lowest level from which on it shows, and the last slope.

    Parameters
    ----------
    points : one a level, quietest first, the baseline (0 dB change) left out
    """
    if not points:
        return "unclear", float("nan"), 0.0
    sign = np.sign(points[-1].change_db) if points[-1].shows else 0.0
    if sign == 0.0:
        sign = np.sign(max(points, key=lambda one: abs(one.change_db)).change_db)
    rise = np.array([0.0, *(one.rise_db for one in points)])
    size = np.array([0.0, *(sign * one.change_db for one in points)])
    u = np.array([0.0, *(one.u95_db for one in points)])
    slopes = np.diff(size) / np.diff(rise)
    shows = size > u
    onset = _onset(points, shows=shows[1:])
    last = float(slopes[-1])
    if len(points) >= 2:
        if _offset(size[1:], u=u[1:], rise=rise[1:]):
            return "offset", onset, last
        if _lone(size, u=u):
            return "lone", onset, last
        if _share(size[1:], rise=rise[1:], u=u[1:], slopes=slopes):
            return "share", onset, last
        if _knee(slopes, rise=rise, size=size, u=u):
            return "knee", onset, last
    first = float(size[1:][shows[1:]][0]) if shows[1:].any() else 0.0
    steady = bool(np.all(np.diff(size) > -np.maximum(u[1:], u[:-1])))
    if steady and np.count_nonzero(shows[1:]) >= 2 and last > 0.0 and size[-1] > GROWN * first:
        return "smooth", onset, last
    return "unclear", onset, last


def most_with_power(points: Sequence[Point]) -> float:
    """Return which share of the loss at the top can at most be one that grows with power.

    Each level below bounds it: the most that was lost there, ten times as much 10 dB on.
    """
    top = points[-1]
    bounds_db = [
        (max(-one.change_db, 0.0) + one.u95_db) * 10.0 ** ((top.rise_db - one.rise_db) / 10.0)
        for one in points[:-1]
    ]
    return float(min(bounds_db, default=np.inf) / max(-top.change_db, 1e-9))


def _onset(points: Sequence[Point], *, shows: np.ndarray) -> float:
    """Lowest level from which on every level shows it; the largest's where it is not so."""
    hidden = np.flatnonzero(~shows)
    first = int(hidden[-1]) + 1 if hidden.size else 0
    if first >= len(points):
        first = int(np.argmax([abs(one.change_db) for one in points]))
    return points[first].level_db


def _offset(size: np.ndarray, *, u: np.ndarray, rise: np.ndarray) -> bool:
    """The same at every level, from the first on, over two steps and 6 dB at least."""
    spread = float(np.ptp(size))
    return (
        size.size >= 3
        and float(np.ptp(rise)) >= 6.0
        and bool(np.all(size > 0.5 * u))
        and spread <= max(SAME_DB, 0.35 * float(np.median(size)), float(np.median(u)))
        and float(np.min(size)) > 0.6 * float(np.median(size))
    )


def _lone(size: np.ndarray, *, u: np.ndarray) -> bool:
    """One level stands out, and a higher one lacks it again."""
    top = int(np.argmax(size))
    if top in (0, size.size - 1):
        return False
    later, earlier = size[top + 1 :], size[1:top]
    rest = np.concatenate((later, earlier))
    return bool(np.all(rest < 0.35 * size[top] + u[top]) and np.max(later) < 0.5 * size[top])


def _share(size: np.ndarray, *, rise: np.ndarray, u: np.ndarray, slopes: np.ndarray) -> bool:
    """A line through the baseline: every step short by the same share of it."""
    if size.size < 3 or not np.all(size > 0.5 * u):
        return False
    share = float(np.sum(size * rise) / np.sum(rise**2))
    off = np.abs(size - share * rise)
    return share > 0.0 and bool(np.all(off <= np.maximum(0.5 * u, 0.1 * size)) and slopes[0] > 0)


def _knee(slopes: np.ndarray, *, rise: np.ndarray, size: np.ndarray, u: np.ndarray) -> bool:
    """Next to nothing up to some level; beyond it a large and steady share of what is asked."""
    steep = float(np.max(slopes))
    if steep < KNEE_SLOPE:
        return False
    before = np.flatnonzero(size <= np.maximum(u, BEFORE_KNEE * size.max()))
    if before.size < 2 or before[-1] != before.size - 1:
        return False
    # A level may lie astride the knee; beyond it, steps of one law keep what they lose.
    after = slopes[before[-1] + 1 :]
    return after.size == 0 or float(np.min(after)) >= 0.55 * steep


SAME_SHARE = 0.3
"""A loss that grows by less than this share of itself while playing is there at once."""
LEAST_GROWTH_DB = 0.3
ALIKE_SHARE = 0.5
"""Of what a stretch grows by while playing: as much beside it, and it need be no part of it."""
COIL_S = 120.0
"""By then a coil of up to 60 s has come to 86 % of its end (exponential law)."""
EARLY_S = 400.0
COPPER_PER_K = 0.00393
"""Rise of copper's resistance for each K at 20 °C (Dellinger 1911; IEC 60028:1925, from memory)."""


def coil_rise_k(loss_db: float) -> float:
    """Return by how much a copper coil at 20 °C must get hotter to lose so much.

    Where the impedance is little but the coil's resistance, on a voltage source: R ratio =
    10^(loss/20) (algebra).

    >>> round(coil_rise_k(3.0)), round(coil_rise_k(6.0))
    (105, 253)
    """
    return float(10.0 ** (max(loss_db, 0.0) / 20.0) - 1.0) / COPPER_PER_K


def timing(analysis: Analysis, *, run: Run, points: Sequence[Point], test: Test) -> Timing:
    """Return whether a stretch is there at once or builds up.

    Long-term stretches built up by definition. A short-term one is there at once where the
    sweeps after the stress find no more loss than those before, at a level at which the
    loss shows.
    """
    if test == "long_term":
        return "builds up"
    fraction = analysis.smoothing_fraction
    rise = np.array([0.0, *(one.rise_db for one in points)])
    size = np.array([0.0, *(run.sign * one.change_db for one in points)])
    drives = {entry.level_db: entry.sweep_drive_db for entry in analysis.session.long_term}
    answers: list[Timing] = []
    for curve in analysis.long_term:
        grown = mean_over(curve, mask=run.core, fraction=fraction)
        drive = drives.get(curve.level_db)
        if grown is None or drive is None or drive > rise[-1] + 3.0:
            continue
        there = float(np.interp(drive, rise, size))
        more, u95 = run.sign * grown[0], grown[1]
        if more > max(u95, LEAST_GROWTH_DB) and more > SAME_SHARE * max(there, 0.0):
            beside = mean_over(curve, mask=~run.inside, fraction=fraction)
            alike = beside is not None and run.sign * beside[0] > ALIKE_SHARE * more
            answers.append("all builds up" if alike else "builds up")
        elif there > 0.4 and more + u95 < max(0.6 * there, LEAST_GROWTH_DB):
            answers.append("at once")
    known: tuple[Timing, ...] = ("builds up", "all builds up", "at once")
    return next((one for one in known if one in answers), "untold")


def while_playing(levels: Sequence[Playing]) -> tuple[WhilePlaying, ...]:
    """Return every band and drive unit of every level whose stress was recorded."""
    return tuple(
        found
        for one in levels
        for group in one.groups
        if group.kind in ("band", "unit")
        for found in _followed(one, group)
    )


def coils_of(levels: Sequence[Playing]) -> tuple[Coil, ...]:
    """Return each followed voice coil at the end of the stress."""
    found = []
    for one in levels:
        coil = one.coil
        if coil is None:
            continue
        told = np.isfinite(coil.rise_k) & np.isfinite(coil.expected_db) & np.isfinite(coil.heard_db)
        last = np.flatnonzero(told)[-3:]
        if last.size == 0:
            continue
        # Of the coil's temperature in dB: 20·lg(1 + α·ΔT), small steps (algebra).
        own = 8.7 * COPPER_PER_K * coil.rise_u95_k[last] / (1.0 + COPPER_PER_K * coil.rise_k[last])
        found.append(
            Coil(
                level_db=one.level_db,
                low_hz=coil.low_hz,
                high_hz=coil.high_hz,
                rise_k=float(np.mean(coil.rise_k[last])),
                expected_db=float(np.mean(coil.expected_db[last])),
                heard_db=float(np.mean(coil.heard_db[last])),
                u95_db=float(np.mean(np.hypot(own, coil.heard_u95_db[last]))),
            )
        )
    return tuple(found)


def _followed(playing: Playing, group: GroupTrack) -> list[WhilePlaying]:
    used = playing.settled & np.isfinite(group.change_db)
    if np.count_nonzero(used) < 4:
        return []
    track, u95 = group.change_db[used], group.u95_db[used]
    few = max(1, min(3, track.size // 4))
    first, last = float(np.mean(track[:few])), float(np.mean(track[-few:]))
    u = float(np.hypot(np.median(u95), np.median(u95)) / np.sqrt(few))
    step, at_s = _largest_step(track, playing.elapsed_s[used])
    fit = group.fit
    end = last if fit is None or not fit.cold_known else -fit.end_loss_db
    constants = [one.time_constant_s for one in fit.terms if one.identifiable] if fit else []
    agreement = [
        one.agreement
        for one in playing.recovery
        if one.name == group.name and one.agreement != "can't tell"
    ]
    return [
        WhilePlaying(
            kind=group.kind,
            name=group.name,
            low_hz=group.low_hz,
            high_hz=group.high_hz,
            level_db=playing.level_db,
            grown_db=last - first,
            u95_db=u,
            end_db=end if playing.cold_known or (fit and fit.cold_known) else last - first,
            step_db=step,
            step_at_s=at_s,
            late_share=_late_share(track, playing.elapsed_s[used], whole_db=min(end, last - first)),
            constants_s=tuple(constants),
            explained=fit is not None and bool(fit.terms),
            recovery=agreement[-1] if agreement else "",
        )
    ]


def late_share(analysis: Analysis, *, run: Run, level_db: float) -> float | None:
    """Return the share of a long-term change that came after an early stage's end.

    The early stage is the last that ended within `EARLY_S`; None where there is none, or where
    the last stage ended before twice its time.
    """
    mine = sorted(
        (one for one in analysis.long_term if one.level_db == level_db),
        key=lambda one: one.elapsed_s,
    )
    early = [one for one in mine if COIL_S <= one.elapsed_s <= EARLY_S]
    if not early or mine[-1].elapsed_s < 2.0 * early[-1].elapsed_s:
        return None
    sizes = [
        mean_over(one, mask=run.core, fraction=analysis.smoothing_fraction)
        for one in (early[-1], mine[-1])
    ]
    if sizes[0] is None or sizes[1] is None or abs(sizes[1][0]) < LEAST_GROWTH_DB:
        return None
    return 1.0 - sizes[0][0] / sizes[1][0]


def _late_share(track_db: FloatArray, elapsed_s: FloatArray, *, whole_db: float) -> float | None:
    early = elapsed_s >= COIL_S
    if elapsed_s[-1] < 2.0 * COIL_S or whole_db > -LEAST_GROWTH_DB:
        return None
    return float(np.mean(track_db[-3:]) - np.mean(track_db[early][:3])) / whole_db


def _largest_step(track_db: FloatArray, elapsed_s: FloatArray) -> tuple[float, float]:
    """Return the largest step between one moment and the next that stays, and when.

    Before and after are medians of up to four periods each; heat moves by less in as little
    time unless its time constant is that of a few periods, so that what the neighbours on
    either side still move by is taken off.
    """
    size = track_db.size
    if size < 8:
        return 0.0, 0.0
    noise = 1.4826 * float(np.median(np.abs(np.diff(track_db)))) + 0.02
    place = np.arange(3, size - 3)
    # the first and the last place have three periods on their outer side
    fours = sliding_window_view(np.pad(track_db, 1, constant_values=np.nan), 4)
    before, after = fours[: size - 6], fours[5:]
    step = np.nanmedian(after, axis=1) - np.nanmedian(before, axis=1)
    drift = np.maximum(
        np.abs(track_db[place - 1] - track_db[np.maximum(place - 4, 0)]),
        np.abs(track_db[np.minimum(place + 4, size - 1)] - track_db[place + 1]),
    )
    stays = (np.abs(step) > 6.0 * noise) & (np.abs(step) > 3.0 * drift)
    if not stays.any():
        return 0.0, 0.0
    largest = int(np.argmax(np.where(stays, np.abs(step), 0.0)))
    return float(step[largest]), float(elapsed_s[place[largest]])


LEAST_SPREAD_DB = 1.5
LEAST_LOSS_DB = 0.6
KNEES_DB = (0.0, 3.0, 6.0)
EXPLAINED = 0.65
"""Share of what the frequencies of one level differ by that the law must explain."""
MOST_SPARED = 0.08
"""Share of what the law would take that may be spared: a resonance that rings along, not a band."""


def level_law(
    curves: Sequence[ChangeCurve], *, rises_db: Sequence[float], response_db: FloatArray
) -> Law | None:
    """Fit the law to every level at once; None where it does not explain what is missing.

    Parameters
    ----------
    curves, rises_db : short-term levels, and how far each lies over the baseline
    response_db : shape (n,), the baseline's level over frequency
    """
    levels, losses, which, hz = [], [], [], []
    for index, (curve, rise) in enumerate(zip(curves, rises_db, strict=True)):
        smooth = moving_octave_mean(
            curve.change_db, frequency_hz=curve.frequency_hz, octaves=1 / 6, keep=curve.usable
        )
        used = curve.usable & np.isfinite(smooth) & np.isfinite(response_db)
        levels.append(response_db[used] + rise)
        losses.append(-smooth[used])
        which.append(np.full(np.count_nonzero(used), index))
        hz.append(curve.frequency_hz[used])
    if not levels or levels[-1].size < 24:
        return None
    spread = float(np.percentile(levels[-1], 95) - np.percentile(levels[-1], 5))
    if spread < LEAST_SPREAD_DB or float(np.percentile(losses[-1], 98)) < LEAST_LOSS_DB:
        return None
    x, y, level, at = (np.concatenate(one) for one in (levels, losses, which, hz))
    best = (np.inf, 0.0, 0.0, np.zeros_like(y))
    for knee in KNEES_DB:
        for threshold in np.arange(np.percentile(x, 30), x.max(), 0.25):
            over = _soft(x - threshold, knee=knee)
            share = float(over @ y / max(over @ over, 1e-12))
            left = float(np.sum((y - share * over) ** 2))
            if 0.0 < share <= 1.3 and left < best[0]:
                best = (left, float(threshold), share, share * over)
    _, threshold, share, foreseen = best
    within = sum(
        float(np.sum((y[level == one] - np.mean(y[level == one])) ** 2)) for one in set(level)
    )
    apart = sum(
        float(np.sum(((y - foreseen)[level == one] - np.mean((y - foreseen)[level == one])) ** 2))
        for one in set(level)
    )
    explained = 1.0 - apart / max(within, 1e-12)
    # What it foresees must also be there as a whole, level by level.
    off = max(abs(float(np.mean((y - foreseen)[level == one]))) for one in set(level))
    if explained < EXPLAINED or off > 0.3 + 0.2 * float(foreseen.max()):
        return None
    top = level == level.max()
    due = top & (foreseen > max(0.5, 0.3 * foreseen.max()))
    if np.mean(y[due] < 0.35 * foreseen[due]) > MOST_SPARED:
        return None
    taken = top & (foreseen > max(0.2, 0.25 * foreseen.max()))
    return Law(
        threshold_db=threshold,
        share=share,
        explained=explained,
        octaves=float(np.count_nonzero(taken & (y > 0.5 * foreseen)) / GRID_PER_OCTAVE),
        low_hz=float(at[taken].min()),
        high_hz=float(at[taken].max()),
        worst_db=-float(foreseen.max()),
        levels_db=tuple(
            curve.level_db
            for index, curve in enumerate(curves)
            if float(foreseen[level == index].max(initial=0.0)) > 0.3
        ),
    )


def _soft(over_db: FloatArray, *, knee: float) -> FloatArray:
    """What lies above the threshold, with a quadratic knee."""
    half = max(knee, 1e-9) / 2.0
    return np.where(over_db < half, np.maximum(over_db + half, 0.0) ** 2 / (4.0 * half), over_db)
