"""What is compared, and to be read with care."""

from collections.abc import Callable, Hashable, Sequence

from reportlib.beside.groups import split
from reportlib.beside.noting import SWEEPS, named, note
from reportlib.compared import Compared, Hindrance
from reportlib.numbers import duration, level_text, listed
from reportlib.thresholds import BEHIND_DB

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
            words=f"The levels of {listed(named(assumed))} are those asked for, and nobody "
            "measured whether they were met: a comparison at equal output holds only if they were.",
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
            words=f"Their baselines differ: {'; '.join(parts)}. At equal output, changes are "
            f"counted from the louder one; where a band is {level_text(BEHIND_DB[0])} behind is "
            "counted from each one’s own, and what was lost below it is not seen.",
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
        [one for one in sessions if one.source != "text"], by=lambda one: one.reference
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
