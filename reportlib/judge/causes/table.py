"""Every cause in one table, and from cases to findings: what stands, in which order, how surely.

No one source gives fingerprints as a table; each row names its own. Order is that in which
causes are weighed: what is not the loudspeaker's comes first.

What is not the loudspeaker's comes first and, where it would explain a stretch by itself, takes
the rest of it down to *low*. A cause stands high only where nothing speaks against it, at least
two of time, frequency and level fit, and no other cause fits as well; two that fit as well
stand together, *fair* at most.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from reportlib.judge.causes import case, instant, slow
from reportlib.judge.causes.case import Case
from reportlib.judge.causes.distil import evidence_of
from reportlib.judge.causes.evidence import Evidence
from reportlib.judge.causes.instant import BASS_HZ
from reportlib.judge.records import Analysis, Confidence, Finding
from reportlib.numbers import listed, sentence


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause.

    Attributes
    ----------
    code : stable name
    name : in plain words, as a sentence says it
    rule : evidence → cases
    source : where its fingerprint comes from
    to_confirm : the one measurement that would settle it
    measured : whether the session holds that measurement already
    instrument : whether it is not the loudspeaker's
    """

    code: str
    name: str
    rule: Callable[[Evidence], list[Case]]
    source: str
    to_confirm: str
    measured: Callable[[Evidence, Case], bool] = lambda *_: False
    instrument: bool = False


NONE_SHOWN = "none-shown"
NOTHING_TO_CONFIRM = "None: there is nothing to explain."
MEASURED = "It was measured."
"""Stands for a measurement that the session holds already; nobody is asked for it."""
_CLOSE_DB = 3.0
"""Steps of level as close as this show how a change grows."""

CAUSES: tuple[Cause, ...] = (
    Cause(
        code="noise-in-baseline",
        name="noise in the quiet baseline",
        rule=case.noise_in_baseline,
        source="arithmetic: noise power adds to the quiet level and not to the loud one",
        to_confirm="Measure the baseline again when it is quieter, or 6 dB louder: it must go.",
        instrument=True,
    ),
    Cause(
        code="microphone-overload",
        name="an overloaded microphone or preamplifier",
        rule=case.microphone_overload,
        source="y = x − b·x³ (trigonometry); common practice, no source",
        to_confirm="Repeat at twice the distance: the curve must not change.",
        instrument=True,
    ),
    Cause(
        code="wrong-step",
        name="a volume step not made as written",
        rule=case.wrong_step,
        source="arithmetic: a gain is the same at all frequencies",
        to_confirm="Record the drive beside the sound (loop-back or terminals).",
        measured=lambda evidence, _: bool(evidence.reference),
        instrument=True,
    ),
    Cause(
        code="drift",
        name="the day’s drift",
        rule=case.drift,
        source="baseline, levels, baseline again (common practice, no source)",
        to_confirm="Measure baseline, level and baseline again within a few minutes.",
        instrument=True,
    ),
    Cause(
        code="microphone-moved",
        name="a moved microphone or reflection",
        rule=case.microphone_moved,
        source="interference of a reflection (textbook)",
        to_confirm="Fix the microphone, and compare arrival times.",
        instrument=True,
    ),
    Cause(
        code="limiter-broad",
        name="a limiter that acts on everything",
        rule=instant.limiter_broad,
        source="definition of ratio and threshold",
        to_confirm="Play a loud 60 Hz tone with a quiet 3 kHz one: with this limiter both fall.",
    ),
    Cause(
        code="limiter-band",
        name="a limiter that acts on one band",
        rule=instant.limiter_band,
        source="definition of ratio and threshold, per band",
        to_confirm="Step a loud tone inside the band with a quiet one outside: only it falls.",
    ),
    Cause(
        code="amplifier",
        name="an amplifier that clips or sags",
        rule=instant.amplifier,
        source="Fourier series of a clipped sine",
        to_confirm="Record the voltage at the terminals: it must fall short by as much.",
        measured=lambda evidence, _: evidence.reference == "terminals",
    ),
    Cause(
        code="port",
        name="turbulent air in the port",
        rule=instant.port,
        source="Salvatti, Devantier & Button 2002; Bezzola, Kubota & Devantier 2020 (abstract)",
        to_confirm="Measure port and cone close up at both levels: the port alone loses.",
    ),
    Cause(
        code="excursion",
        name="a cone at the end of its travel",
        rule=instant.excursion,
        source="Kms(x): IEC 62458:2010 (from memory); cubic spring by harmonic balance",
        to_confirm="Measure the cone’s excursion at both levels.",
    ),
    Cause(
        code="motor-strength",
        name="a motor that weakens with excursion",
        rule=instant.motor_strength,
        source="Bl(x): IEC 62458:2010 (from memory); Small 1972 for damping",
        to_confirm="Measure the impedance at both levels: its peak rises where the motor weakens.",
    ),
    Cause(
        code="loose-part",
        name="a panel that rings or a loose part",
        rule=instant.loose_part,
        source="common practice, no source",
        to_confirm="Press or damp the panels while it plays: the feature must change.",
    ),
    Cause(
        code="crossover-heat",
        name="a warm crossover part or a resettable fuse",
        rule=slow.crossover_heat,
        source="common practice, no source: such fuses trip within seconds and reset in minutes",
        to_confirm="Record the voltage at the drive unit’s own terminals while it plays.",
    ),
    Cause(
        code="heat-coil",
        name="a warm voice coil",
        rule=slow.heat_coil,
        source="Button 1992; annealed copper, Dellinger 1911; Thévenin for “never a gain”",
        to_confirm="Measure the coil’s resistance before and right after playing.",
        measured=slow.coil_was_followed,
    ),
    Cause(
        code="suspension-softening",
        name="a suspension that softened with work",
        rule=slow.suspension_softening,
        source="Knudsen & Jensen 1993; Agerkvist & Pedersen 2008 (abstract)",
        to_confirm="Measure the impedance before and after: its peak must have moved down.",
    ),
    Cause(
        code="heat-magnet",
        name="a warm magnet",
        rule=slow.heat_magnet,
        source="magnet handbooks: ferrite −0.2 %/K, NdFeB −0.11 %/K (from memory)",
        to_confirm="Wait a minute until the coil has cooled: what is left is the magnet’s.",
    ),
)

INSTRUMENTS = frozenset(one.code for one in CAUSES if one.instrument)
"""Codes of what is not the loudspeaker's."""
CAUSE_NAMES = {**{one.code: one.name for one in CAUSES}, NONE_SHOWN: "no cause shown"}
"""Code → plain name, with that of no cause."""


_RANK: dict[Confidence, int] = {"high": 0, "fair": 1, "low": 2}
SAME_STRETCH = 0.4
LEAST_SCORE = -0.6
"""Below it as much speaks against as for: not worth a sentence."""
MOST_FINDINGS = 6
IN_THE_BASS = frozenset({"port", "excursion", "motor-strength", "loose-part"})
AFTER_STRESS = frozenset({"suspension-softening", "heat-magnet"})


@dataclass(frozen=True, kw_only=True)
class _Weighed:
    cause: Cause
    case: Case
    confidence: Confidence


def find_causes(analysis: Analysis) -> tuple[Finding, ...]:
    """Return what a day's changes fit, the likeliest first; at least *no cause shown*."""
    return findings_from(evidence_of(analysis))


def findings_from(evidence: Evidence) -> tuple[Finding, ...]:
    """Return the findings of one day's evidence."""
    cases = [(cause, case) for cause in CAUSES for case in cause.rule(evidence)]
    cases = [(cause, case) for cause, case in cases if case.fitting + len(case.marks) >= 1]
    weighed = [
        _Weighed(cause=cause, case=case, confidence=_confidence(cause, case, cases=cases))
        for cause, case in cases
    ]
    weighed = [one for one in weighed if one.confidence != "low" or _score(one.case) > LEAST_SCORE]
    weighed = _one_bass(weighed)
    best = _one_a_cause(_not_outshone(weighed))
    best.sort(key=_order)
    findings = [_finding(one, evidence=evidence) for one in best[:MOST_FINDINGS]]
    if not findings:
        return (_none_shown(evidence),)
    if all(one.confidence == "low" for one in findings):
        return (_none_shown(evidence), *findings)
    return tuple(findings)


def _score(case: Case) -> float:
    return case.fitting + 0.9 * min(len(case.marks), 2) - 1.5 * len(case.evidence_against)


def _strength(one: _Weighed) -> tuple[float, ...]:
    return (_RANK[one.confidence], -_score(one.case), -abs(one.case.size_db))


def _order(one: _Weighed) -> tuple[float, ...]:
    return (
        _RANK[one.confidence],
        not one.cause.instrument,
        -abs(one.case.size_db),
        min(one.case.levels_db, default=math.inf),
        -_score(one.case),
    )


def same_stretch(one: Case, other: Case) -> bool:
    """Whether two cases are about the same change."""
    if one.after_stress != other.after_stress:
        return False
    if not (one.whole or other.whole) and (one.size_db < 0.0) != (other.size_db < 0.0):
        return False
    low, high = max(one.low_hz, other.low_hz), min(one.high_hz, other.high_hz)
    if high <= low:
        return False
    shared = math.log(high / low)
    return shared > SAME_STRETCH * math.log(one.high_hz / one.low_hz)


def _confidence(cause: Cause, case: Case, *, cases: Sequence[tuple[Cause, Case]]) -> Confidence:
    if case.contradicted or case.fitting < 2:
        # A mark and one signature are more than a possibility.
        return "fair" if not case.contradicted and case.marks and case.fitting else "low"
    rivals = [
        (other_cause, other)
        for other_cause, other in cases
        if other_cause is not cause and not other.contradicted and same_stretch(case, other)
    ]
    instruments = [
        _score(other)
        for other_cause, other in rivals
        if other_cause.instrument and other.fitting + len(other.marks) >= 2
    ]
    if not cause.instrument and instruments:
        return "fair" if _score(case) > max(instruments) + 0.5 else "low"
    best = max((_score(other) for _, other in rivals), default=0.0)
    if case.frequency == "fits" and (case.fitting == 3 or case.marks) and not case.doubts:
        return "high" if _score(case) > best + 0.5 else "fair"
    return "fair"


def _one_bass(weighed: Sequence[_Weighed]) -> list[_Weighed]:
    """Take what is sure in the bass down to *fair* where another cause stands beside it there.

    A cone's suspension, its motor and a port act on one resonant system, and a warm magnet moves
    its resonance as a softer suspension does: what one of them does shows as a loss here and a
    gain beside it, and the stretches seldom tell whose each is.
    """
    found = list(weighed)
    for causes, after_stress in ((IN_THE_BASS, False), (AFTER_STRESS, True)):
        places = [
            place
            for place, one in enumerate(weighed)
            if one.cause.code in causes
            and one.confidence != "low"
            and one.case.after_stress == after_stress
            and one.case.low_hz < BASS_HZ
        ]
        if len({weighed[place].cause.code for place in places}) < 2:
            continue
        for place in places:
            found[place] = replace(weighed[place], confidence="fair")
    return found


def _not_outshone(weighed: Sequence[_Weighed]) -> list[_Weighed]:
    """Leave out what is only possible where something stands surely."""
    return [
        one
        for one in weighed
        if one.confidence != "low"
        or not any(
            other.confidence == "high"
            and other.cause is not one.cause
            and same_stretch(one.case, other.case)
            for other in weighed
        )
    ]


def _one_a_cause(weighed: Sequence[_Weighed]) -> list[_Weighed]:
    """One finding a cause: its surest and largest case, with the levels of all of them."""
    result = []
    for cause in CAUSES:
        mine = sorted((one for one in weighed if one.cause is cause), key=_strength)
        if not mine:
            continue
        alike = [one.case for one in mine if one.confidence == mine[0].confidence]
        together = replace(
            mine[0].case,
            levels_db=tuple(sorted({level for one in alike for level in one.levels_db})),
        )
        result.append(replace(mine[0], case=together))
    return result


def _finding(one: _Weighed, *, evidence: Evidence) -> Finding:
    return Finding(
        cause=one.cause.code,
        confidence=one.confidence,
        low_hz=one.case.low_hz,
        high_hz=one.case.high_hz,
        levels_db=one.case.levels_db,
        evidence_for=one.case.evidence_for,
        evidence_against=(*one.case.evidence_against, *one.case.doubts),
        to_confirm=MEASURED if one.cause.measured(evidence, one.case) else one.cause.to_confirm,
    )


def _none_shown(evidence: Evidence) -> Finding:
    nothing = not evidence.short and not evidence.long
    surely = nothing and not evidence.hints
    return Finding(
        cause=NONE_SHOWN,
        confidence="high" if surely else "fair" if nothing else "low",
        low_hz=evidence.lowest_hz,
        high_hz=evidence.highest_hz,
        levels_db=evidence.levels_db,
        evidence_for=(
            "Nothing that can be told changed by more than its uncertainty and a few tenths of a "
            "decibel."
            if surely
            else "A band changed by some tenths of a decibel: too little to tell a cause by."
            if nothing
            else "Something changed, but no cause fits it in two ways.",
        ),
        evidence_against=(),
        to_confirm=NOTHING_TO_CONFIRM if nothing else _what_to_measure(evidence),
    )


def _what_to_measure(evidence: Evidence) -> str:
    """Ask for what would tell more, and was not measured."""
    steps = [loud - quiet for quiet, loud in itertools.pairwise(evidence.levels_db)]
    wanted = (
        ["repeat the levels with steps of 3 dB"] if max(steps, default=99.0) > _CLOSE_DB else []
    )
    recorded = [] if evidence.playing else ["the sound while it plays"]
    recorded += [] if evidence.reference == "terminals" else ["the voltage at the terminals"]
    wanted += [f"record {listed(recorded)}"] if recorded else []
    return f"{sentence(', and '.join(wanted))}." if wanted else MEASURED
