"""What can't be compared, what would make it so, and what is compared but to be read with care."""

import math
from collections.abc import Callable, Hashable, Mapping, Sequence

from reportlib.judge.thresholds import BEHIND_DB
from reportlib.many.ranking import (
    FREE_SPACES,
    common_output,
    heard_alike,
    measured_alike,
    rankable,
    scale_of,
    split,
)
from reportlib.many.records import Compared, Hindrance, OutputTrack, Ranking, StressEnd
from reportlib.many.tracks import ALL_BANDS, SWEEPS, named, note
from reportlib.measure.levels import NOMINAL_HZ
from reportlib.numbers import (
    duration,
    frequency,
    hz_range_text,
    level_text,
    levels_text,
    listed,
)
from reportlib.write.writer import spoken


def hindrances(
    sessions: Sequence[Compared],
    *,
    tracks: Sequence[OutputTrack],
    ends: Sequence[StressEnd],
    rankings: Sequence[Ranking],
) -> tuple[Hindrance, ...]:
    """Return everything that stands in the way, what stops a comparison first."""
    found = [
        *_text(sessions),
        *_space(sessions),
        *_smoothing(sessions),
        *_stretch(sessions, tracks=tracks),
        *_output(sessions, tracks=tracks),
        *stress_hindrances(sessions, ends=ends, rankings=rankings),
        *cautions(sessions),
    ]
    return tuple(sorted(found, key=lambda one: not one.stops))


def _text(sessions: Sequence[Compared]) -> list[Hindrance]:
    made_of = {"text": "text files", "impulse response": "impulse responses without their noise"}
    mend = {"text": "Measure it from recordings of sweeps."}
    return [
        note(
            "text" if one.source == "text" else "noise not known",
            stops=True,
            groups=[[one.name], [other.name for other in sessions if other is not one]],
            words=f"{one.name} comes from {made_of[one.source]}, which do not say how uncertain "
            "they are. It is shown, but can’t be ranked.",
            remedy=mend.get(
                one.source, "Export them with noise alone in them, and give [impulse]."
            ),
        )
        for one in sessions
        if one.source in made_of
    ]


def _space(sessions: Sequence[Compared]) -> list[Hindrance]:
    of_scale = split([one for one in sessions if scale_of(one) is not None], by=scale_of)
    alone = [(one,) for one in sessions if scale_of(one) is None]
    groups = [*of_scale, *alone]
    if len(groups) < 2:
        return []
    parts = [
        f"{listed(named(group))}: {' or '.join(dict.fromkeys(one.space for one in group))}"
        + ("" if (over := group[0].level_hz) == NOMINAL_HZ else f", over {hz_range_text(*over)}")
        for group in groups
    ]
    by_range = len({one.space in FREE_SPACES for one in sessions}) == 1 and not alone
    return [
        note(
            "space",
            stops=True,
            groups=[named(group) for group in groups],
            words=f"A level does not mean the same where each was measured ({'; '.join(parts)}).",
            remedy="Sweep all of them over the same range."
            if by_range
            else "Measure all of them in free field, behind a gate, or over the same ground.",
        )
    ]


def _smoothing(sessions: Sequence[Compared]) -> list[Hindrance]:
    groups = split(sessions, by=lambda one: round(one.smoothing_octaves, 3))
    if len(groups) < 2:
        return []
    parts = [
        f"{listed(named(group))} over {group[0].smoothing_octaves:.2g} octave" for group in groups
    ]
    return [
        note(
            "smoothing",
            stops=True,
            groups=[named(group) for group in groups],
            words=f"Their curves are not smoothed alike: {'; '.join(parts)}.",
            remedy="Give curves that are smoothed as finely as the others, or recordings.",
        )
    ]


def _stretch(sessions: Sequence[Compared], *, tracks: Sequence[OutputTrack]) -> list[Hindrance]:
    """Say for each session in which bands it heard nothing, or something else than the others."""
    able = rankable(sessions)
    found = []
    for one in able:
        rest = [name for name in named(able) if name != one.name]
        own = {track.band: track for track in tracks if track.name == one.name}
        if not rest:
            continue
        if one.top_db is None:
            found.append(_not_turned_up(one, rest=rest))
            continue
        found += _nothing_heard(one, rest=rest, own=own)
        other = [
            band
            for band in ALL_BANDS
            if own[band].told and _is_aside(one.name, tracks=tracks, sessions=sessions, band=band)
        ]
        if other:
            found.append(_heard_otherwise(one, rest=rest, bands=other, track=own[other[0]]))
    return found


def _not_turned_up(one: Compared, *, rest: Sequence[str]) -> Hindrance:
    return note(
        "no common output",
        stops=True,
        groups=[[one.name], rest],
        questions=SWEEPS,
        words=f"{one.name} was not turned up above its baseline.",
        remedy=f"Measure {one.name} at higher levels too.",
    )


def _nothing_heard(
    one: Compared, *, rest: Sequence[str], own: Mapping[str, OutputTrack]
) -> list[Hindrance]:
    untested = [band for band in ALL_BANDS if not own[band].measured]
    nothing = [band for band in ALL_BANDS if not own[band].told and own[band].measured]
    by_gate = [band for band in nothing if own[band].low_hz < one.lowest_hz]
    by_noise = [band for band in nothing if band not in by_gate]
    lowest = min((own[band].low_hz for band in by_gate), default=1.0)
    told = (
        (
            untested,
            f"{one.name} was not measured in {_of(untested)}.",
            "Sweep it there too, if it plays there.",
        ),
        (
            by_gate,
            f"{one.name} says nothing of {_of(by_gate)}: its gate resolves "
            f"nothing below {frequency(max(one.lowest_hz, 1.0))}.",
            f"Measure it with a gate of {math.ceil(2e3 / lowest):g} ms or more.",
        ),
        (
            by_noise,
            f"{one.name} says nothing of {_of(by_noise)}: too little can be told at any level.",
            "Measure it with more takes or where it is quieter.",
        ),
    )
    groups = [[one.name], rest]
    return [
        note("stretch", stops=True, groups=groups, bands=bands, words=words, remedy=remedy)
        for bands, words, remedy in told
        if bands
    ]


def _of(bands: Sequence[str]) -> str:
    return "any band" if len(bands) == len(ALL_BANDS) else f"the {listed(list(map(spoken, bands)))}"


def _heard_otherwise(
    one: Compared, *, rest: Sequence[str], bands: Sequence[str], track: OutputTrack
) -> Hindrance:
    low, high = track.stretch_hz or (track.low_hz, track.high_hz)
    return note(
        "stretch",
        stops=True,
        groups=[[one.name], rest],
        bands=bands,
        words=f"Of {_of(bands)}, {one.name} was heard over another stretch "
        f"({frequency(low)} to {frequency(high)}) than most.",
        remedy="Measure all of them with the same gate and sweep, clear of the noise.",
    )


def _is_aside(
    name: str, *, tracks: Sequence[OutputTrack], sessions: Sequence[Compared], band: str
) -> bool:
    """Whether a session was heard otherwise than the largest set of its own scale."""
    scale = next(scale_of(one) for one in sessions if one.name == name)
    same = [one for one in sessions if scale_of(one) == scale]
    groups = heard_alike(tracks, sessions=same, band=band)
    return len(groups) > 1 and all(track.name != name for track in groups[0])


def _output(sessions: Sequence[Compared], *, tracks: Sequence[OutputTrack]) -> list[Hindrance]:
    """Say who has no output in common with the largest set, and from where it would have."""
    aside: dict[tuple[str, tuple[str, ...], float, bool], list[str]] = {}
    for band in ALL_BANDS:
        for group in heard_alike(tracks, sessions=sessions, band=band):
            sets = common_output(group)
            if len(group) < 2 or not sets:
                continue
            largest = sets[0]
            names = tuple(one.name for one in largest.tracks)
            for track in group:
                if track.told and track not in largest.tracks:
                    above = float(track.given_db[0]) > largest.start_db
                    key = (track.name, names, round(largest.start_db, 1), above)
                    aside.setdefault(key, []).append(band)
    return [
        _no_common_output(name, others=others, start_db=start, above=above, bands=bands)
        for (name, others, start, above), bands in aside.items()
    ]


def _no_common_output(
    name: str, *, others: Sequence[str], start_db: float, above: bool, bands: Sequence[str]
) -> Hindrance:
    if above:
        words = f"{name} begins at an output above what {listed(others)} gave."
        remedy = f"Measure {name} from a baseline of {level_text(start_db)} or less."
    else:
        begin = "begins" if len(others) == 1 else "begin"
        words = f"{name} gave no output as high as where {listed(others)} {begin}."
        remedy = f"Measure {name} well above {level_text(start_db)}, or the others from less."
    return note(
        "no common output",
        stops=True,
        groups=[[name], list(others)],
        bands=bands,
        questions=("equal output",),
        words=words,
        remedy=remedy,
    )


_SAME_CREST_DB = 1.0
"""Stresses whose crest factors differ by more load a limiter otherwise (a judgement)."""


def stress_hindrances(
    sessions: Sequence[Compared], *, ends: Sequence[StressEnd], rankings: Sequence[Ranking]
) -> list[Hindrance]:
    """Return who was left playing unlike the others, or not at all."""
    ranked = [one for one in rankings if one.question == "left playing"]
    placed = {name for one in ranked for name in one.names}
    able = rankable(sessions)
    if len(able) < 2 or not any(one.long_term_db for one in able):
        return []
    told = {end.name for end in ends}
    found = []
    for one in able:
        alike = [other for other in able if measured_alike(other) == measured_alike(one)]
        others = [other.name for other in alike if other is not one]
        if one.name not in placed and others:
            remedy = _remedy(one, able=alike, ranked=ranked)
            found.append(_not_alike(one, others=others, told=one.name in told, remedy=remedy))
    return [*found, *_crest(able, placed=placed)]


def _not_alike(one: Compared, *, others: Sequence[str], told: bool, remedy: str) -> Hindrance:
    if not one.long_term_db:
        words = f"{one.name} was not left playing."
    elif told:
        words = (
            f"{one.name} was left playing at {levels_text(one.long_term_db)}: no level and time "
            "in common with another that could be told."
        )
    else:
        words = f"What {one.name} lost while it was left playing can’t be told in any band."
        remedy = "Measure it with more takes or where it is quieter."
    return note(
        "no common stress",
        stops=True,
        groups=[[one.name], others],
        questions=("left playing",),
        words=words,
        remedy=remedy,
    )


def _remedy(one: Compared, *, able: Sequence[Compared], ranked: Sequence[Ranking]) -> str:
    if ranked:
        first = ranked[0]
        return (
            f"Leave {one.name} playing at {level_text(first.at_db or 0.0)} for "
            f"{duration(first.elapsed_s)}, as the others."
        )
    levels = [other.long_term_db for other in able if other is not one and other.long_term_db]
    level = level_text(levels[0][-1]) if levels else "one level"
    return f"Leave all of them playing at {level} equally long, with the same pause before sweeps."


def _crest(able: Sequence[Compared], *, placed: set[str]) -> list[Hindrance]:
    played = [one for one in able if one.name in placed and one.crest_factor_db is not None]
    crests = [one.crest_factor_db or 0.0 for one in played]
    if not crests or max(crests) - min(crests) <= _SAME_CREST_DB:
        return []
    parts = [f"{one.name} {one.crest_factor_db:g} dB" for one in played]
    return [
        note(
            "crest factor",
            stops=False,
            groups=[[one.name] for one in played],
            questions=("left playing",),
            words=f"What played had not the same crest factor ({listed(parts)}): higher peaks "
            "make a limiter act sooner.",
            remedy="Use the same multitone for all of them.",
        )
    ]


_SAME_DISTANCE = 2.0
"""A level is taken back to 1 m as that of a point: within this ratio a loudspeaker's size leaves
it alone (a judgement)."""
SAME_BASELINE_DB = 0.5
_SAME_SWEEP = 1.5
"""Sweeps whose lengths differ by more load a limiter or a coil otherwise (a judgement)."""


def cautions(sessions: Sequence[Compared]) -> list[Hindrance]:
    """Return what does not stop a comparison, and is to be known beside it."""
    return [
        *_assumed(sessions),
        *_distance(sessions),
        *_baseline(sessions),
        *_sweep(sessions),
        *_reference(sessions),
        *_steps(sessions),
    ]


def _assumed(sessions: Sequence[Compared]) -> list[Hindrance]:
    assumed = [one for one in sessions if not one.calibrated]
    if not assumed:
        return []
    calibrated = [one.name for one in sessions if one.calibrated]
    return [
        note(
            "levels assumed",
            stops=False,
            groups=[group for group in (named(assumed), calibrated) if group],
            words=f"The levels of {listed(named(assumed))} are those asked for; nobody measured "
            "whether they were met. At equal output, comparing holds only if they were.",
            remedy="Record an acoustic calibrator on the day.",
        )
    ]


def _differing(
    sessions: Sequence[Compared], *, by: Callable[[Compared], Hashable]
) -> tuple[tuple[Compared, ...], ...]:
    groups = split(sessions, by=by)
    return groups if len(groups) > 1 else ()


def _distance(sessions: Sequence[Compared]) -> list[Hindrance]:
    distances = [one.distance_m for one in sessions]
    groups = _differing(sessions, by=lambda one: one.distance_m)
    if max(distances) <= _SAME_DISTANCE * min(distances) or not groups:
        return []
    parts = [f"{listed(named(group))} at {group[0].distance_m:g} m" for group in groups]
    return [
        note(
            "distance",
            stops=False,
            groups=[named(group) for group in groups],
            words=f"They were measured at very different distances: {'; '.join(parts)}. A level "
            "is taken back to 1 m as if a loudspeaker were a point.",
            remedy="Measure all of them at one distance.",
        )
    ]


def _baseline(sessions: Sequence[Compared]) -> list[Hindrance]:
    starts = [one.baseline_db for one in sessions]
    if max(starts) - min(starts) <= SAME_BASELINE_DB:
        return []
    groups = _differing(sessions, by=lambda one: round(one.baseline_db, 1))
    parts = [f"{listed(named(group))} at {group[0].baseline_db:.3g} dB" for group in groups]
    return [
        note(
            "baseline",
            stops=False,
            groups=[named(group) for group in groups],
            questions=SWEEPS,
            words=f"Their baselines differ: {'; '.join(parts)}. At equal output, changes count "
            f"from the louder one. Where a band is {level_text(BEHIND_DB[0])} short counts from "
            "each one’s own. What was lost below that isn’t seen.",
            remedy=f"Measure all of them from a baseline of {level_text(round(min(starts)))}.",
        )
    ]


def _sweep(sessions: Sequence[Compared]) -> list[Hindrance]:
    timed = [one for one in sessions if one.sweep_s is not None]
    lengths = [one.sweep_s or 0.0 for one in timed]
    if not lengths or max(lengths) <= _SAME_SWEEP * min(lengths):
        return []
    groups = _differing(timed, by=lambda one: one.sweep_s)
    parts = [f"{listed(named(group))}: {duration(group[0].sweep_s or 0.0)}" for group in groups]
    return [
        note(
            "sweep length",
            stops=False,
            groups=[named(group) for group in groups],
            questions=SWEEPS,
            words=f"Their sweeps last differently long ({'; '.join(parts)}): a longer one gives a "
            "slow limiter and a coil more time.",
            remedy="Measure all of them with the same sweep.",
        )
    ]


def _reference(sessions: Sequence[Compared]) -> list[Hindrance]:
    groups = _differing(
        [one for one in sessions if one.source == "sweep"], by=lambda one: one.reference
    )
    if not groups:
        return []
    words = {
        "terminals": "the loudspeaker alone",
        "loop-back": "with its amplifier",
        None: "with everything before it, for want of a reference",
    }
    parts = [f"{listed(named(group))} {words[group[0].reference]}" for group in groups]
    return [
        note(
            "reference",
            stops=False,
            groups=[named(group) for group in groups],
            words=f"What was tested differs: {'; '.join(parts)}.",
            remedy="Record the drive at the same place for all of them.",
        )
    ]


def _steps(sessions: Sequence[Compared]) -> list[Hindrance]:
    unmeasured = [one for one in sessions if not one.steps_measured]
    if not unmeasured:
        return []
    measured = [one.name for one in sessions if one.steps_measured]
    return [
        note(
            "drive step",
            stops=False,
            groups=[group for group in (named(unmeasured), measured) if group],
            words=f"How far the volume of {listed(named(unmeasured))} was raised was not measured "
            "but taken as asked, which widens its interval.",
            remedy="Record the drive beside the sound.",
        )
    ]
