"""Rules for what needs time: heat of the coil, of magnets and crossovers, fuses, the suspension."""

import itertools
import math
from collections.abc import Sequence

from reportlib.judge.causes.case import (
    EARLY,
    LATE,
    MOSTLY_LATE,
    Case,
    Seen,
    about,
    abrupt,
    case_of,
    case_of_group,
    crossovers_near,
    even,
    groups_at,
    late_share_of,
    spans_all,
    stepped,
    where,
)
from reportlib.judge.causes.evidence import Evidence, Stretch, WhilePlaying, octaves_of
from reportlib.judge.causes.growth import coil_rise_k
from reportlib.judge.causes.instant import BASS_HZ
from reportlib.judge.thresholds import MEAN_LIMITS_DB
from reportlib.numbers import frequency, number

IMPLAUSIBLE_K = 250.0
HARDLY_K = 200.0
"""Coils of 220 to 270 °C fail at their adhesives (a judgement)."""
GROWN_DB = MEAN_LIMITS_DB[0]
"""What matters of a band."""
COIL_S = 90.0
"""Large coils take up to 60 s (common practice, no source)."""
COIL_AGREES_DB = 0.2
MIDS_FROM_HZ = 300.0
LEAST_OF_DUE = 0.6
TRIPS_DB = 2.5
"""A resettable fuse takes some decibels at once (common practice, no source)."""
RESISTIVE_TO_HZ, ENDS_EARLY = 1000.0, 0.5
"""From twice the resonance to about there a coil's impedance is its resistance (judgement; its
inductance takes over above), so that heat shows all the way."""
SAME_UNIT = 0.5
"""Of its loss in one band, what a drive unit loses at least in the next, where heat is why."""


def heat_coil(evidence: Evidence) -> list[Case]:
    """A hotter coil has more resistance, and takes less from the same voltage."""
    cases = [_coil_after_stress(evidence, one) for one in evidence.long if one.sign < 0]
    covered = [one for one in evidence.long if one.sign < 0]
    for group in evidence.playing:
        known = any(_covers(one, group) for one in covered)
        if group.kind == "band" and not known and group.grown_db < -max(GROWN_DB, group.u95_db):
            cases.append(_coil_while_playing(evidence, group))
    cases += [_coil_in_sweeps(evidence, one) for one in evidence.short if one.sign < 0]
    return [one for one in cases if one is not None]


def _covers(one: Stretch, group: WhilePlaying) -> bool:
    """Whether a stretch lies over most of a group's tones."""
    low, high = max(one.low_hz, group.low_hz), min(one.high_hz, group.high_hz)
    return high > low and octaves_of(low, high) > 0.5 * octaves_of(group.low_hz, group.high_hz)


def _coil_after_stress(evidence: Evidence, one: Stretch) -> Case | None:
    seen = Seen()
    groups = groups_at(evidence, one)
    seen.fits("time", "It came while playing.")
    told = [group for group in groups if group.constants_s]
    if told and min(told[0].constants_s) <= COIL_S:
        seen.marks(
            f"Its time constant is {about(told[0].constants_s[0])}, as of a coil that warms."
        )
    if any(stepped(group) for group in groups):
        seen.contradicts("It came in one step; a coil warms gradually.", signature="time")
    late = late_share_of(evidence, one)
    if late is not None and late > MOSTLY_LATE:
        seen.contradicts(
            "Most of it came after the first minutes; a coil warms faster.", signature="time"
        )
    if one.high_hz < BASS_HZ:
        seen.contradicts(
            "It lies where the impedance is high, and heat takes least.", signature="frequency"
        )
    elif one.worst_hz < BASS_HZ and any(
        other.sign > 0 and other.worst_hz < BASS_HZ and other.level_db == one.level_db
        for other in evidence.long
    ):
        seen.contradicts(
            "It is largest in the bass, beside a gain: as where a resonance moved.",
            signature="frequency",
        )
    elif one.octaves >= 0.8:
        seen.fits("frequency", _where_heat_shows(evidence, one))
    if one.high_hz < ENDS_EARLY * min(_unit_to_hz(evidence, one), RESISTIVE_TO_HZ):
        seen.doubts("It ends well below where its drive unit does, as heat seldom does.")
    if not groups and one.worst_db < -TRIPS_DB and evidence.drive == "passive":
        seen.doubts("Nobody heard it come: a fuse in the crossover that trips would look the same.")
    _grows_with_power(seen, one)
    if any(group.recovery == "agrees" for group in groups):
        seen.marks("By the sweep afterwards it had cooled as fitted.")
    _by_resistance(seen, one, evidence=evidence)
    _plausible(seen, one, groups=groups, followed=bool(evidence.coils))
    _never_a_gain(seen, one, evidence=evidence)
    return case_of(one, **seen.all)


def _unit_to_hz(evidence: Evidence, one: Stretch) -> float:
    """Return where the drive unit that plays a stretch hands over."""
    return min((hz for hz in evidence.crossovers_hz if hz > one.worst_hz), default=math.inf)


def coil_was_followed(evidence: Evidence, one: Case) -> bool:
    """Whether the resistance of a coil that plays a case's stretch was followed."""
    return any(coil.low_hz < one.high_hz and one.low_hz < coil.high_hz for coil in evidence.coils)


def _by_resistance(seen: Seen, one: Stretch, *, evidence: Evidence) -> None:
    """Where the coil's resistance was followed: whether it foresees what was heard."""
    for coil in evidence.coils:
        if (
            coil.level_db != one.level_db
            or not one.low_hz < coil.high_hz
            or not (coil.low_hz < one.high_hz)
        ):
            continue
        warmed = f"By its resistance the coil warmed by {number(coil.rise_k, 0)} °C"
        if abs(coil.expected_db - coil.heard_db) <= max(coil.u95_db, COIL_AGREES_DB):
            seen.marks(f"{warmed}, which explains what was heard.")
        elif coil.expected_db > 0.5 * coil.heard_db:
            seen.contradicts(f"{warmed}: too little for the loss.")


def _where_heat_shows(evidence: Evidence, one: Stretch) -> str:
    near = crossovers_near(evidence, one)
    if near:
        return f"It ends near a crossover, {frequency(near[0])}."
    return "It is smooth over frequency."


def _grows_with_power(seen: Seen, one: Stretch) -> None:
    if len(one.points) >= 2:
        quiet, loud = one.points[0], one.points[-1]
        # Loss rises with power, and a little less than in proportion (power falls as R rises).
        due_db = -loud.change_db * 10.0 ** ((quiet.rise_db - loud.rise_db) / 10.0)
        if -quiet.change_db + quiet.u95_db < LEAST_OF_DUE * due_db:
            seen.contradicts(
                "The quieter level shows none of it, and should by its power.", signature="level"
            )
        elif loud.change_db < quiet.change_db - 0.15:
            seen.fits("level", "The louder level loses more, as more power heats more.")
        elif quiet.shows and loud.change_db > quiet.change_db + 0.15:
            seen.contradicts("The louder level loses less.", signature="level")


def _plausible(
    seen: Seen, one: Stretch, *, groups: Sequence[WhilePlaying] = (), followed: bool = False
) -> None:
    """Whether a coil could be as hot as the loss takes, by the end of the stress where known.

    The sweep afterwards comes late, and has seen the coil cool.
    """
    ended = max((-group.end_db for group in groups if -group.end_db > group.u95_db), default=0.0)
    rise_k = coil_rise_k(max(-one.worst_db, ended))
    heat = _heat_text(rise_k, when="at the end" if ended > -one.worst_db else "")
    if rise_k > IMPLAUSIBLE_K:
        seen.contradicts(f"{heat}: few coils would live through it.")
    elif rise_k > HARDLY_K:
        seen.contradicts(f"{heat}, which is at the limit of what coils bear.")
    elif one.test == "long_term" and not followed:
        seen.also(f"{heat}, which is plausible.")


def _heat_text(rise_k: float, *, when: str = "") -> str:
    """Say how much hotter a coil would have to be."""
    lost = f"that was missing {when}" if when else "of it"
    return f"If all {lost} were heat, the coil would be about {rise_k:.0f} °C warmer"


def _never_a_gain(seen: Seen, one: Stretch, *, evidence: Evidence) -> None:
    """A hotter coil can never raise its own drive unit's output (a passive network: Thévenin)."""
    for other in evidence.long:
        if (
            other.sign > 0
            and other.level_db == one.level_db
            and _same_unit(one, other, crossovers_hz=evidence.crossovers_hz)
        ):
            seen.also(
                f"The gain near {frequency(other.worst_hz)} has another cause; heat makes none."
            )


def _same_unit(one: Stretch, other: Stretch, *, crossovers_hz: Sequence[float]) -> bool:
    units = itertools.pairwise((0.0, *crossovers_hz, float("inf")))
    return any(low <= one.worst_hz < high and low <= other.worst_hz < high for low, high in units)


def _coil_while_playing(evidence: Evidence, group: WhilePlaying) -> Case | None:
    if stepped(group):
        return None
    seen = Seen()
    seen.fits("time", "It came while playing.")
    if group.constants_s and min(group.constants_s) <= COIL_S:
        seen.marks(f"Its time constant is {about(group.constants_s[0])}, as of a coil that warms.")
    if group.late_share is not None and group.late_share > MOSTLY_LATE:
        seen.contradicts(
            "Most of it came after the first minutes; a coil warms faster.", signature="time"
        )
    if group.low_hz >= MIDS_FROM_HZ:
        seen.fits("frequency", "It lies where the impedance is mostly resistance.")
    for other in evidence.playing:
        beside = other.kind == group.kind and other.level_db == group.level_db
        one_unit = not any(group.low_hz < hz < 1.5 * other.low_hz for hz in evidence.crossovers_hz)
        above = other.low_hz == group.high_hz and group.low_hz < MIDS_FROM_HZ
        if beside and above and one_unit and other.grown_db > SAME_UNIT * group.grown_db:
            seen.contradicts(
                f"The {other.name}, which the same drive unit plays, keep up.",
                signature="frequency",
            )
    rise_k = coil_rise_k(-group.end_db)
    if rise_k > IMPLAUSIBLE_K:
        seen.contradicts(f"{_heat_text(rise_k)}: few coils would live through it.")
    if group.recovery == "agrees":
        seen.marks("By the sweep afterwards it had cooled as fitted.")
    return case_of_group(group, **seen.all)


def _coil_in_sweeps(evidence: Evidence, one: Stretch) -> Case | None:
    """A long sweep heats the coil while it measures it (energy: P/C kelvin a second)."""
    if one.high_hz < BASS_HZ or one.octaves < 1.0 or one.growth in ("offset", "lone", "share"):
        return None
    seen = Seen()
    if evidence.law is not None:
        seen.contradicts("It takes what lies above one level, as heat does not.")
    elif not (spans_all(evidence, one) and even(one)):
        seen.fits("frequency", _where_heat_shows(evidence, one))
    if one.growth == "smooth" and one.last_slope < 0.35:
        seen.fits("level", "It grows smoothly with power.")
    elif abrupt(one):
        seen.contradicts("It sets in too abruptly for heat.", signature="level")
    if one.timing in ("builds up", "all builds up"):
        seen.fits("time", "Playing on adds to it.")
    elif one.timing == "at once":
        seen.contradicts("Playing on adds nothing to it.", signature="time")
    if one.bending is not None and one.bending > 0.3 and one.bending_grows:
        seen.contradicts("Harmonics rise with it; heat bends no waveform.")
    _plausible(seen, one)
    return case_of(one, **seen.all)


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
            f"After {about(group.step_at_s)} of playing it fell in one step, as when a fuse opens."
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
        seen.fits("frequency", "It takes one band.")
        if groups and not any(stepped(group) for group in groups):
            seen.contradicts("It came gradually, without a step.", signature="time")
        elif len(one.points) >= 2 and abs(one.points[0].change_db) < 0.05 * abs(one.mean_db):
            seen.fits("level", "The quieter level did not bring it about.")
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
            f"After playing there is {what} output {where(one)}, in the bass alone.",
        )
        seen.fits("time", "The sweep before playing did not have it.")
        if kept and one.sign > 0:
            seen.marks("What lies above came back as it was.")
        elif kept:
            seen.also("What lies above came back as it was.")
        told = one.sign > 0 and len(one.points) >= 2
        if told and one.points[-1].change_db > one.points[0].change_db + 0.1:
            seen.fits("level", "The louder level did more.")
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
