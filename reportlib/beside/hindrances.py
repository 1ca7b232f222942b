"""What can't be compared, and what would make it comparable."""

import math
from collections.abc import Sequence

from reportlib.beside.cautions import cautions
from reportlib.beside.groups import scale_of, split
from reportlib.beside.noting import ALL_BANDS, named, note
from reportlib.beside.ranked import heard_alike, output_sets, rankable
from reportlib.beside.stress_hindrances import stress_hindrances
from reportlib.compared import Compared, Hindrance, OutputTrack, Ranking
from reportlib.facts import frequency
from reportlib.wording import listing


def hindrances(
    sessions: Sequence[Compared],
    *,
    tracks: Sequence[OutputTrack],
    rankings: Sequence[Ranking],
) -> tuple[Hindrance, ...]:
    """Return everything that stands in the way, what stops a comparison first."""
    found = [
        *_text(sessions),
        *_space(sessions),
        *_smoothing(sessions),
        *_stretch(sessions, tracks=tracks),
        *_output(sessions, tracks=tracks),
        *stress_hindrances(sessions, rankings=rankings),
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
        f"{listing(named(group))}: {' or '.join(dict.fromkeys(one.space for one in group))}"
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
        f"{listing(named(group))} over {group[0].smoothing_octaves:.2g} octave" for group in groups
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
        own = {track.band: track for track in tracks if track.name == one.name}
        nothing = [band for band in ALL_BANDS if not own[band].told]
        other = [
            band
            for band in ALL_BANDS
            if own[band].told and _is_aside(one.name, tracks=tracks, sessions=sessions, band=band)
        ]
        rest = [name for name in named(able) if name != one.name]
        by_gate = [band for band in nothing if own[band].low_hz < one.lowest_hz]
        by_noise = [band for band in nothing if band not in by_gate]
        if not rest:
            continue
        if by_gate:
            lowest = min(own[band].low_hz for band in by_gate)
            found.append(
                note(
                    "stretch",
                    stops=True,
                    groups=[[one.name], rest],
                    bands=by_gate,
                    words=f"{one.name} says nothing of the {listing(by_gate)}: its gate resolves "
                    f"nothing below {frequency(one.lowest_hz)}.",
                    remedy=f"Measure it with a gate of {math.ceil(2e3 / lowest):g} ms or more.",
                )
            )
        if by_noise and one.top_db is not None:
            found.append(
                note(
                    "stretch",
                    stops=True,
                    groups=[[one.name], rest],
                    bands=by_noise,
                    words=f"{one.name} says nothing of the {listing(by_noise)}: too little can be "
                    "told there at any level.",
                    remedy="Measure it with more takes or where it is quieter.",
                )
            )
        if other:
            found.append(
                note(
                    "stretch",
                    stops=True,
                    groups=[[one.name], rest],
                    bands=other,
                    words=f"Of the {listing(other)}, {one.name} was heard over another stretch "
                    f"({_heard(own[other[0]])}) than most.",
                    remedy="Measure all of them with the same gate and sweep, clear of the noise.",
                )
            )
    return found


def _is_aside(
    name: str, *, tracks: Sequence[OutputTrack], sessions: Sequence[Compared], band: str
) -> bool:
    """Whether a session was heard otherwise than the largest set of its own scale."""
    scale = next(scale_of(one) for one in sessions if one.name == name)
    same = [one for one in sessions if scale_of(one) == scale]
    groups = heard_alike(tracks, sessions=same, band=band)
    return len(groups) > 1 and all(track.name != name for track in groups[0])


def _heard(track: OutputTrack) -> str:
    low, high = track.stretch_hz or (track.low_hz, track.high_hz)
    return f"{frequency(low)} to {frequency(high)}"


def _output(sessions: Sequence[Compared], *, tracks: Sequence[OutputTrack]) -> list[Hindrance]:
    """Say who has no output in common with the largest set, and from where it would have."""
    apart: dict[tuple[str, tuple[str, ...], float, bool], list[str]] = {}
    for band in ALL_BANDS:
        for scale in split(rankable(sessions), by=scale_of):
            sets = output_sets(tracks, sessions=scale, band=band)
            heard = heard_alike(tracks, sessions=scale, band=band)
            for common in sets[1:]:
                for track in common.tracks:
                    peers = next((group for group in heard if track in group), ())
                    most = next(
                        (one for one in sets if one.tracks and one.tracks[0] in peers), common
                    )
                    if track in most.tracks:
                        continue
                    above = float(track.given_db[0]) > most.start_db
                    others = tuple(one.name for one in most.tracks)
                    key = (track.name, others, most.start_db, above)
                    apart.setdefault(key, []).append(band)
            reached = {track.name for common in sets for track in common.tracks}
            for group in heard:
                for track in group:
                    if track.told and track.name not in reached and len(group) > 1:
                        rest = tuple(one.name for one in group if one is not track)
                        start = max(float(one.given_db[0]) for one in group)
                        apart.setdefault((track.name, rest, start, False), []).append(band)
    return [
        note(
            "no common output",
            stops=True,
            groups=[[name], list(others)],
            bands=bands,
            questions=("equal output",),
            words=f"{name} begins at an output above what {listing(others)} gave."
            if above
            else f"{name} gave no output as high as where {listing(others)} "
            f"{'begins' if len(others) == 1 else 'begin'}.",
            remedy=f"Measure {name} from a baseline of {start:g} dB or less."
            if above
            else f"Measure {name} well above {start:g} dB, or the others from a lower baseline.",
        )
        for (name, others, start, above), bands in apart.items()
    ]
