"""Two to eight sessions side by side: at equal output, left playing, at the seat.

named               what they are called
tracks              what each session gave, band by band
equal_output        levels inverted: how far a band lags when it gives a certain output
groups              who has what in common
parting             who is told apart from whom, and the places that follow
ranked              rankings by each question
hindrances, stress_hindrances  what can't be compared, and what would make it so
cautions            what is compared, and to be read with care
noting              how either is noted
standouts, telling  what rankings add up to, and how numbers are put into a few words
shown_outputs       which outputs a table lists
facts               numbers that prose quotes
"""

import math
from collections.abc import Sequence

import numpy as np

from reportlib.beside.equal_output import output_point
from reportlib.beside.hindrances import hindrances
from reportlib.beside.named import shown_names
from reportlib.beside.ranked import (
    limit_of,
    limit_rankings,
    output_rankings,
    stress_rankings,
)
from reportlib.beside.tracks import arrives_of, ends_of, needs_of, sessions_of, tracks_of
from reportlib.compared import ComparedLimit, Comparison, OutputPoint, OutputTrack
from reportlib.levels import BANDS
from reportlib.model import Analysis

__all__ = ["compare"]


def compare(analyses: Sequence[Analysis], *, names: Sequence[str]) -> Comparison:
    """Put sessions side by side, and rank them as far as their intervals part.

    Parameters
    ----------
    analyses : two to eight, all under the same parameters
    names : of their folders, which tell apart what loudspeaker and date do not

    Raises
    ------
    AnalysisError
        Too few or too many, or two that nothing tells apart.
    """
    shown = shown_names(analyses, names=names)
    sessions = sessions_of(analyses, names=shown)
    both = list(zip(analyses, shown, strict=True))
    by_session = [tracks_of(analysis, name=name) for analysis, name in both]
    tracks = tuple(
        track for band in zip(*by_session, strict=True) for track in band
    )  # bass of all first
    ends = tuple(end for analysis, name in both for end in ends_of(analysis, name=name))
    rankings = (
        *output_rankings(tracks, sessions=sessions),
        *limit_rankings(tracks, sessions=sessions),
        *stress_rankings(ends, sessions=sessions),
    )
    return Comparison(
        sessions=sessions,
        tracks=tracks,
        points=tuple(point for band in BANDS for point in _points(tracks, band=band.name)),
        rankings=rankings,
        limits=tuple(ComparedLimit(name=one.name, limit=limit_of(one)) for one in tracks),
        ends=ends,
        needs=tuple(one for analysis, name in both for one in needs_of(analysis, name=name)),
        arrives=tuple(one for analysis, name in both for one in arrives_of(analysis, name=name)),
        hindrances=hindrances(sessions, tracks=tracks, ends=ends, rankings=rankings),
    )


def _points(tracks: Sequence[OutputTrack], *, band: str) -> list[OutputPoint]:
    """Return every whole decibel of output that two gave, of every session.

    Above them those that one gave, and that another surely does not give.
    """
    own = [track for track in tracks if track.band == band]
    told = [track for track in own if track.told]
    tops = sorted((float(track.given_db.max()) for track in told), reverse=True)
    starts = sorted(float(track.given_db[0]) for track in told)
    if len(told) < 2:
        return []
    first, last = math.floor(starts[1] + 1e-6) + 1, math.floor(tops[1] + 1e-6)
    found = []
    for output in np.arange(first, math.floor(tops[0] + 1e-6) + 1, dtype=np.float64):
        here = [output_point(track, float(output)) for track in own]
        if output <= last or any(point.given == "gives out before" for point in here):
            found += here
    return found
