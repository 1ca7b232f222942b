"""What playing on does: at once, within seconds, within minutes, for good."""

from collections.abc import Sequence

import numpy as np

from reportlib.causes.evidence import Coil, Point, Timing, WhilePlaying
from reportlib.causes.stretches import Run, mean_over
from reportlib.model import Analysis, FloatArray, Test
from reportlib.soaked import GroupTrack, Playing

SAME_SHARE = 0.3
"""A loss that grows by less than this share of itself while playing is there at once."""
LEAST_GROWTH_DB = 0.3
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
    answers = []
    for curve in analysis.long_term:
        grown = mean_over(curve, mask=run.core, fraction=fraction)
        drive = drives.get(curve.level_db)
        if grown is None or drive is None or drive > rise[-1] + 3.0:
            continue
        there = float(np.interp(drive, rise, size))
        more, u95 = run.sign * grown[0], grown[1]
        if more > max(u95, LEAST_GROWTH_DB) and more > SAME_SHARE * max(there, 0.0):
            answers.append("builds up")
        elif there > 0.4 and more + u95 < max(0.6 * there, LEAST_GROWTH_DB):
            answers.append("at once")
    if "builds up" in answers:
        return "builds up"
    return "at once" if answers else "untold"


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
            heat_k=coil_rise_k(-end),
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
    size, best = track_db.size, (0.0, 0.0)
    if size < 8:
        return best
    noise = 1.4826 * float(np.median(np.abs(np.diff(track_db)))) + 0.02
    for place in range(3, size - 3):
        before = track_db[max(0, place - 4) : place]
        after = track_db[place + 1 : place + 5]
        step = float(np.median(after) - np.median(before))
        drift = max(abs(float(before[-1] - before[0])), abs(float(after[-1] - after[0])))
        if abs(step) > 6.0 * noise and abs(step) > 3.0 * drift and abs(step) > abs(best[0]):
            best = (step, float(elapsed_s[place]))
    return best
