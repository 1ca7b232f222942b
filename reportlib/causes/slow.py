"""Rules for what else needs time: magnets, crossovers and fuses, the suspension."""

from reportlib.causes.case import Case, Seen, case_of, case_of_group, where
from reportlib.causes.evidence import Evidence, Stretch
from reportlib.causes.instant import BASS_HZ
from reportlib.causes.instruments import even, spans_all
from reportlib.causes.soaking import EARLY, LATE, about, groups_at, late_share_of, stepped
from reportlib.causes.timing import coil_rise_k
from reportlib.causes.warming import HARDLY_K
from reportlib.numbers import frequency

MAGNET_HZ = 1500.0
LEAST_MIDS_DB = 0.2
MIDS_LOST, MIDS_KEPT = 0.4, 0.15
"""A magnet that lets the bass gain takes about as much from the mids (handbooks, from memory)."""
MOST_MAGNET_DB = 1.3
"""Ferrite at −0.2 %/K and 70 K (handbooks)."""
FUSE_DB = 2.5


def heat_magnet(evidence: Evidence) -> list[Case]:
    """A warm magnet is weaker: the mids lose a few tenths, the output near resonance gains."""
    found = []
    losses = [
        one
        for one in evidence.long
        if one.sign < 0 and one.high_hz > BASS_HZ and one.low_hz < MAGNET_HZ and one.octaves > 0.8
    ]
    for one in losses:
        gains = [
            other
            for other in evidence.long
            if other.sign > 0 and other.worst_hz < BASS_HZ and other.level_db == one.level_db
        ]
        slow = late_share_of(evidence, one)
        if not gains and (slow is None or slow < LATE):
            continue
        seen = Seen()
        if slow is not None and slow >= LATE:
            seen.fits("time", "It was still growing after the first minutes, as a magnet warms.")
        elif slow is not None and slow < EARLY:
            seen.contradicts("It was there within the first minutes.", signature="time")
        if gains:
            seen.fits(
                "frequency",
                f"The mids lose while the bass gains near {frequency(gains[0].worst_hz)}.",
            )
            seen.also("One weaker magnet would do both; heat of the coil cannot raise the bass.")
        if abs(one.mean_db) > MOST_MAGNET_DB:
            seen.contradicts("It is more than a magnet’s warmth takes.", signature="level")
        else:
            seen.fits("level", "It is of the size that a warm magnet takes.")
        found.append(case_of(one, **seen.all))
        found += [case_of(other, **seen.all) for other in gains[:1]]
    return (
        found
        or [
            case
            for one in evidence.long
            if one.sign > 0 and one.worst_hz < BASS_HZ and one.high_hz < 2.0 * BASS_HZ
            for case in _from_the_gain(evidence, one)
        ][:1]
    )


def _mids_lost(evidence: Evidence, one: Stretch) -> float | None:
    """What the mids lost over what a stretch of bass gained, None where it can't be told."""
    for point in evidence.mids:
        if point.level_db == one.level_db:
            return (-point.change_db if point.shows else 0.0) / max(one.mean_db, 0.1)
    return None


def _from_the_gain(evidence: Evidence, one: Stretch) -> list[Case]:
    """A magnet seen by the bass that it lets gain, where the mids tell little or nothing."""
    lost = _mids_lost(evidence, one)
    if lost is not None and lost < MIDS_KEPT:
        return []
    seen = Seen()
    near = frequency(one.worst_hz)
    if lost is not None and lost >= MIDS_LOST:
        seen.fits("frequency", f"The mids lose a little while the bass gains near {near}.")
        seen.also("One weaker magnet would do both; heat of the coil cannot raise the bass.")
    else:
        seen.fits("frequency", f"The bass gains near {near}, as where a motor damps less.")
    seen.fits("level", "It is of the size that a warm magnet takes.")
    late = late_share_of(evidence, one)
    if late is not None and late >= LATE:
        seen.fits("time", "It was still growing after the first minutes, as a magnet warms.")
    elif late is not None and late < EARLY:
        seen.contradicts("It was there within the first minutes.", signature="time")
    return [case_of(one, **seen.all)]


def crossover_heat(evidence: Evidence) -> list[Case]:
    """A resettable fuse, or a part of the crossover, that warms and opens: one band, one step."""
    found = []
    for group in evidence.playing:
        if not stepped(group) or group.kind != ("unit" if evidence.crossovers_hz else "band"):
            continue
        seen = Seen()
        seen.marks(
            f"After {about(group.step_at_s)} of stress it fell in one step, as when a fuse opens."
        )
        seen.fits("time", "It came after a while, and at once when it came.")
        others = [
            other
            for other in evidence.playing
            if other.kind == group.kind and other.level_db == group.level_db and other != group
        ]
        if others and not all(stepped(other) for other in others):
            seen.fits("frequency", f"It has one drive unit, {group.name}, and leaves the others.")
        elif others:
            seen.contradicts("Every drive unit shows it.", signature="frequency")
        found.append(case_of_group(group, **seen.all))
    covered = bool(found)
    for one in evidence.long:
        if one.sign > 0 or one.high_hz < BASS_HZ or -one.worst_db < FUSE_DB or covered:
            continue
        groups = groups_at(evidence, one)
        if spans_all(evidence, one) and even(one):
            continue
        seen = Seen()
        seen.fits("frequency", f"It takes one band {where(one)}.")
        if groups and not any(stepped(group) for group in groups):
            seen.contradicts("It came gradually, without a step.", signature="time")
        elif len(one.points) >= 2 and abs(one.points[0].change_db) < 0.05 * abs(one.mean_db):
            seen.fits("level", "The quieter stress did not bring it about.")
        if coil_rise_k(-one.worst_db) > HARDLY_K:
            seen.marks("It is more than a coil’s heat can take.")
        found.append(case_of(one, **seen.all))
    return found


def suspension_softening(evidence: Evidence) -> list[Case]:
    """A suspension that has worked is softer: a lower resonance, more output below it."""
    found = []
    for one in evidence.long:
        if one.worst_hz > BASS_HZ or one.high_hz > 2.0 * BASS_HZ:
            continue
        kept = _mids_kept(evidence, one)
        if one.sign < 0 and not (kept if kept is not None else _bass_alone(evidence, one)):
            continue
        seen = Seen()
        what = "more" if one.sign > 0 else "less"
        seen.fits(
            "frequency",
            f"After the stress there is {what} output {where(one)}, in the bass alone.",
        )
        seen.fits("time", "The sweep before the stress did not have it.")
        if kept and one.sign > 0:
            seen.marks("What lies above came back as it was.")
        elif kept:
            seen.also("What lies above came back as it was.")
        told = one.sign > 0 and len(one.points) >= 2
        if told and one.points[-1].change_db > one.points[0].change_db + 0.1:
            seen.fits("level", "The louder stress did more.")
        found.append(case_of(one, **seen.all))
    return sorted(found, key=lambda one: -one.size_db)[:1]


def _mids_kept(evidence: Evidence, one: Stretch) -> bool | None:
    """Whether the mids changed by next to nothing, against what the bass did."""
    for point in evidence.mids:
        if point.level_db == one.level_db:
            moved = abs(point.change_db) - point.u95_db
            return moved < MIDS_KEPT * abs(one.mean_db) and abs(point.change_db) < LEAST_MIDS_DB
    return None


def _bass_alone(evidence: Evidence, one: Stretch) -> bool:
    others = [other for other in evidence.long if other.level_db == one.level_db]
    return all(other.high_hz < 2.0 * BASS_HZ for other in others)
