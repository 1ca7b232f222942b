"""Sessions for comparisons, in closed formulas apart from the analysis."""

from dataclasses import replace
from functools import cache

import numpy as np
from builders import make_analysis
from invented import bump
from stressed import LOSSES, make_playing

from reportlib.many.comparison import compare
from reportlib.many.records import Compared, OutputTrack


def track(driven_db, change_db, *, u95_db=0.1, name="A", band="bass", stretch_hz=(40.0, 158.0)):
    """Return one band's levels and changes; the baseline is exact."""
    driven = np.asarray(driven_db, dtype=float)
    u95 = np.full(driven.shape, u95_db)
    u95[0] = 0.0
    return OutputTrack(
        name=name,
        band=band,
        low_hz=40.0,
        high_hz=160.0,
        driven_db=driven,
        change_db=np.asarray(change_db, dtype=float),
        u95_db=u95,
        dof=np.full(driven.shape, np.inf),
        stretch_hz=stretch_hz,
    )


def measured(name, **facts):
    """Return how a session was measured: in free field, from 72 dB."""
    usual = {
        "slug": name.lower(),
        "speaker": name,
        "date": None,
        "drive": "passive",
        "baseline_db": 72.0,
        "top_db": 99.0,
        "long_term_db": (),
        "distance_m": 1.0,
        "space": "free field",
        "gate_s": 0.5,
        "lowest_hz": 4.0,
        "smoothing_octaves": 1.0 / 12.0,
        "calibrated": True,
        "takes": (2, 2),
        "sweep_s": 4.0,
        "crest_factor_db": 12.0,
        "reference": "terminals",
        "steps_measured": True,
        "source": "sweep",
    }
    return Compared(**{**usual, "name": name, **facts})


def static(level_db, *, x0, a):
    """Return the loss of the static law y = x − a·max(0, x − x0), in dB."""
    return a * np.maximum(np.asarray(level_db) - x0, 0.0)


def flat(most_db):
    """Return a loss alike at all frequencies, `most_db` at a rise of 27 dB."""
    return lambda f, rise_db: np.full_like(f, -most_db * (rise_db / 27.0) ** 2)


def loss_of(*, bass=0.0, treble=0.0):
    """Return a loss in the bass, and one in the treble, flat within their bands."""

    def change(f, rise_db):
        depth = bass * (f < 160.0) + treble * (f >= 6000.0)
        return -depth * (rise_db / 27.0) ** 2

    return change


def port(most_db):
    """Return a loss around 52 Hz, `most_db` at its deepest and at a rise of 27 dB."""
    return lambda f, rise_db: (
        -most_db * (rise_db / 27.0) ** 2 * (bump(f, 52.0, octaves=0.45) + 0.02)
    )


NAMES = (
    "Marram 12", "Trivet 6", "Samphire 3", "Thrift 8", "Sea Kale 5", "Eelgrass 10", "Dulse 4",
    "Glasswort 15 on its tall stand",
)  # fmt: skip


def family(count, **facts):
    """Return so many sessions, each losing more in the bass than the one before."""
    return [
        make_analysis(
            name=NAMES[index],
            change=port(1.2 + 1.4 * index),
            levels_db=(78.0, 84.0, 90.0, 96.0 - index % 3, 99.0 - index % 3),
            seed=20 + index,
            **facts,
        )
        for index in range(count)
    ]


@cache
def comparison(case):
    """Return a comparison by the name of what is special about it; kept."""
    analyses = CASES[case]()
    return compare(analyses, names=[f"folder-{index}" for index in range(len(analyses))])


CASES = {
    "two": lambda: family(2),
    "three": lambda: family(3),
    "eight": lambda: family(8),
    "twins": lambda: [make_analysis(seed=1), make_analysis(seed=2)],
    "too close to call": lambda: [
        make_analysis(name=name, change=flat(0.2), seed=seed)
        for seed, name in enumerate(NAMES[:3])
    ],
    "not transitive": lambda: [
        make_analysis(name=name, change=flat(most), band_u95_db=0.45, seed=seed)
        for seed, (name, most) in enumerate(zip(NAMES, (0.5, 1.3, 2.1), strict=False))
    ],
    "small but sure": lambda: [
        make_analysis(name=name, change=flat(most), band_u95_db=0.03, ripple_db=0.005)
        for name, most in zip(NAMES, (0.2, 0.6), strict=False)
    ],
    "gains": lambda: [
        make_analysis(name="Marram 12", change=flat(-2.0)),
        make_analysis(name="Trivet 6", change=flat(0.1)),
    ],
    "gives out": lambda: [
        make_analysis(name="Marram 12", change=flat(0.3)),
        make_analysis(name="Trivet 6", change=flat(9.0)),
    ],
    "bass and treble part otherwise": lambda: [
        make_analysis(name="Marram 12", change=loss_of(bass=3.0)),
        make_analysis(name="Trivet 6", change=loss_of(treble=2.5)),
    ],
    "louder baseline": lambda: [
        make_analysis(name="Marram 12", change=flat(3.0)),
        make_analysis(name="Trivet 6", baseline_db=84.0, levels_db=(90.0, 96.0), change=flat(0.1)),
    ],
    "baseline above another's top": lambda: [
        make_analysis(levels_db=(78.0, 80.0)),
        make_analysis(name="Marram 12", baseline_db=88.0, levels_db=(94.0, 99.0)),
    ],
    "one in a room": lambda: [*family(2), at_rig(make_analysis(name="Samphire 3"), space="room")],
    "all in rooms": lambda: [at_rig(one, space="room") for one in family(2)],
    "one from text": lambda: [
        *family(2), make_analysis(name="Samphire 3", source="text", harmonics=False),
    ],
    "one behind a short gate": lambda: [
        *family(2), at_rig(make_analysis(name="Samphire 3", gate_s=0.006), space="gated"),
    ],
    "all in noise": lambda: [
        make_analysis(
            name=name,
            noise_below_hz=dict.fromkeys((78.0, 84.0, 90.0, 96.0, 99.0), 3e4),
            long_noise_below_hz=dict.fromkeys((82.0, 92.0), 3e4),
        )
        for name in NAMES[:2]
    ],
    "no stress": lambda: family(3, long_term_levels_db=()),
    "stress unlike": lambda: [
        *family(2), make_analysis(name="Samphire 3", long_term_levels_db=(80.0,)),
    ],
    "heard while playing": lambda: [
        make_analysis(name="Marram 12", playing=[make_playing(losses={**LOSSES, "presence": 0.2})]),
        make_analysis(name="Trivet 6", playing=[make_playing()]),
    ],
    "no levels": lambda: [
        make_analysis(name=name, levels_db=(), long_term_levels_db=()) for name in NAMES[:2]
    ],
    "names of all kinds": lambda: [
        make_analysis(name="潮汐 <b>3</b>"),
        make_analysis(name="[Trivet](javascript:x) `6` *7*", change=port(6.0)),
    ],
    "one stage heard otherwise": lambda: [
        make_analysis(name=name, long_noise_below_hz={82.0: 60.0}) for name in NAMES[:2]
    ],
    "one gains, one loses": lambda: [
        make_analysis(name="Marram 12", change=flat(-1.5)),
        make_analysis(name="Trivet 6", change=loss_of(bass=3.0)),
    ],
    "stress at half decibels": lambda: family(2, long_term_levels_db=(82.5, 92.5)),
    "half decibels": lambda: [
        make_analysis(name="Marram 12", baseline_db=72.5, levels_db=(84.5, 96.5)),
        make_analysis(name="Trivet 6", levels_db=(84.0, 95.5)),
    ],
    "wide intervals": lambda: [
        make_analysis(name=name, band_u95_db=1.2, u95_db=0.45) for name in NAMES[:2]
    ],
}  # fmt: skip


def at_rig(analysis, **facts):
    """Return the analysis as if it had been measured elsewhere."""
    session = analysis.session
    return replace(analysis, session=replace(session, rig=replace(session.rig, **facts)))
