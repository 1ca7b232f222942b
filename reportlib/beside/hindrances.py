"""What can't be compared, and what would make it comparable."""

import math
from collections.abc import Mapping, Sequence

from reportlib.beside.cautions import cautions
from reportlib.beside.groups import common_output, scale_of, split
from reportlib.beside.noting import ALL_BANDS, SWEEPS, named, note
from reportlib.beside.ranked import heard_alike, rankable
from reportlib.beside.stress_hindrances import stress_hindrances
from reportlib.compared import Compared, Hindrance, OutputTrack, Ranking, StressEnd
from reportlib.numbers import frequency, level_text, listed


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
    return [
        note(
            "text",
            stops=True,
            groups=[[one.name], [other.name for other in sessions if other is not one]],
            words=f"{one.name} comes from text files, which do not say how uncertain they are: "
            "it is shown, and takes no place.",
            remedy="Measure it from recordings of sweeps.",
        )
        for one in sessions
        if one.source == "text"
    ]


def _space(sessions: Sequence[Compared]) -> list[Hindrance]:
    of_scale = split([one for one in sessions if scale_of(one) is not None], by=scale_of)
    alone = [(one,) for one in sessions if scale_of(one) is None]
    groups = [*of_scale, *alone]
    if len(groups) < 2:
        return []
    parts = [
        f"{listed(named(group))}: {' or '.join(dict.fromkeys(one.space for one in group))}"
        for group in groups
    ]
    return [
        note(
            "space",
            stops=True,
            groups=[named(group) for group in groups],
            words=f"A level does not mean the same where each was measured ({'; '.join(parts)}).",
            remedy="Measure all of them in free field, behind a gate, or over the same ground.",
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
    nothing = [band for band in ALL_BANDS if not own[band].told]
    by_gate = [band for band in nothing if own[band].low_hz < one.lowest_hz]
    by_noise = [band for band in nothing if band not in by_gate]
    found = []
    if by_gate:
        lowest = min(own[band].low_hz for band in by_gate)
        found.append(
            note(
                "stretch",
                stops=True,
                groups=[[one.name], rest],
                bands=by_gate,
                words=f"{one.name} says nothing of the {listed(by_gate)}: its gate resolves "
                f"nothing below {frequency(one.lowest_hz)}.",
                remedy=f"Measure it with a gate of {math.ceil(2e3 / lowest):g} ms or more.",
            )
        )
    if by_noise:
        found.append(
            note(
                "stretch",
                stops=True,
                groups=[[one.name], rest],
                bands=by_noise,
                words=f"{one.name} says nothing of the {listed(by_noise)}: too little can be "
                "told there at any level.",
                remedy="Measure it with more takes or where it is quieter.",
            )
        )
    return found


def _heard_otherwise(
    one: Compared, *, rest: Sequence[str], bands: Sequence[str], track: OutputTrack
) -> Hindrance:
    low, high = track.stretch_hz or (track.low_hz, track.high_hz)
    return note(
        "stretch",
        stops=True,
        groups=[[one.name], rest],
        bands=bands,
        words=f"Of the {listed(bands)}, {one.name} was heard over another stretch "
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
