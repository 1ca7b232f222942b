"""From what is asked for to a whole day, or to the reason why it must not be."""

import math
from collections.abc import Sequence
from dataclasses import replace

from reportlib import exposure
from reportlib.day import (
    Entry,
    LongTermEntry,
    MultitoneFacts,
    NoiseFacts,
    Session,
    Stage,
    SweepFacts,
)
from reportlib.errors import PlanError
from reportlib.numbers import level_text, share_text
from reportlib.planning import names, rules
from reportlib.planning.asked import PlanRequest
from reportlib.planning.drive import SWEEP_CREST_DB, terminals
from reportlib.planning.heat import self_heat
from reportlib.planning.ladder import (
    Bound,
    asked_levels_db,
    baseline_of,
    fixed_bounds,
    lowest_baseline_db,
    stress_levels_db,
    to_microphone_db,
)
from reportlib.planning.plan import Plan, PlanDose, PlannedLevel
from reportlib.planning.refusals import refuse_impossible, refuse_over_rating
from reportlib.planning.steps import day_steps, rest_s, stress_play, sweep_play
from reportlib.planning.sweep import law_of, played_facts


def make_plan(request: PlanRequest) -> Plan:
    """Lay out a measuring day.

    Raises
    ------
    PlanError
        Something is missing or can't be; or a level lies beyond the maker's rating, and nobody
        gave a reason for that.
    """
    refuse_impossible(request)
    bounds = fixed_bounds(request)
    levels_db = asked_levels_db(request, top_db=_top_db(request, bounds=bounds))
    stresses_db = stress_levels_db(request, levels_db=levels_db)
    if any(level_db < levels_db[0] for level_db in stresses_db):
        raise PlanError(
            f"a stress below the baseline of {level_text(levels_db[0])}: give --stress at or above "
            "it."
        )
    beyond = refuse_over_rating(request, levels_db=(*levels_db, *stresses_db), bounds=bounds)
    sweeps = tuple(
        _level(request, level_db, baseline_db=levels_db[0], multitone=False)
        for level_db in levels_db
    )
    stresses = tuple(
        _level(request, level_db, baseline_db=levels_db[0], multitone=True)
        for level_db in stresses_db
    )
    session = _session(request, sweeps=sweeps, stresses=stresses, beyond=beyond)
    dose = _dose(session)
    steps, ends_s = day_steps(request, sweep=_played(request), sweeps=sweeps, stresses=stresses)
    return Plan(
        request=request,
        session=session,
        sweep=_played(request),
        sweeps=sweeps,
        stresses=stresses,
        bounds=bounds,
        dose=dose,
        departures=_departures(
            request, levels_db=levels_db, bounds=bounds, dose=dose, beyond=beyond
        ),
        steps=steps,
        ends_s=ends_s,
    )


def _top_db(request: PlanRequest, *, bounds: Sequence[Bound]) -> float:
    """Return the top that is asked for, or else the highest whole dB that nothing forbids."""
    if request.levels_db:
        return request.levels_db[-1]
    if request.top_db is not None:
        return request.top_db
    if not bounds:
        raise PlanError(
            "there is no top: give --top, or the maker's rating (--power with --impedance and "
            "--sensitivity, or --maximum-level), which would bound it."
        )
    top_db = float(math.floor(min(bound.level_db for bound in bounds) + 1e-6))
    if request.nobody_in_room:
        return top_db
    lowest_db = baseline_of(request)
    while top_db > lowest_db and _dose_at(request, top_db=top_db) > rules.PERSON_DOSE_PERCENT:
        top_db -= 1.0
    return top_db


def _dose_at(request: PlanRequest, *, top_db: float) -> float:
    """Percent of NIOSH's working day that a plan up to such a top would give."""
    levels_db = asked_levels_db(request, top_db=top_db)
    baseline_db = levels_db[0]
    sweeps, stresses = (
        tuple(
            _level(request, level_db, baseline_db=baseline_db, multitone=multitone)
            for level_db in some_db
        )
        for some_db, multitone in (
            (levels_db, False),
            (stress_levels_db(request, levels_db=levels_db), True),
        )
    )
    return _dose(_session(request, sweeps=sweeps, stresses=stresses, beyond="")).niosh_percent


def _level(
    request: PlanRequest, level_db: float, *, baseline_db: float, multitone: bool
) -> PlannedLevel:
    crest_db = request.crest_factor_db if multitone else SWEEP_CREST_DB
    drive = terminals(request.speaker, level_db=level_db, crest_db=crest_db)
    watt = None if drive is None else drive.watt
    sweep = _played(request)
    seconds = sum(request.stages_s) if multitone else sweep.duration_s
    play = stress_play if multitone else sweep_play
    return PlannedLevel(
        level_db=level_db,
        drive_db=round(level_db - baseline_db, 6),
        at_microphone_db=level_db + to_microphone_db(request.rig),
        terminals=drive,
        energy_j=None if watt is None else watt * seconds,
        self_heat=()
        if watt is None
        else self_heat(law_of(sweep), watt=watt, crossovers_hz=request.speaker.crossovers_hz),
        multitone=multitone,
        file=play(request, level_db=level_db),
    )


def _played(request: PlanRequest) -> SweepFacts:
    facts = played_facts(request.sweep, sample_rate_hz=request.sample_rate_hz)
    return replace(facts, stimulus=names.SWEEP)


def _session(
    request: PlanRequest,
    *,
    sweeps: Sequence[PlannedLevel],
    stresses: Sequence[PlannedLevel],
    beyond: str,
) -> Session:
    """The day's facts, with the captures that it will have."""
    baseline_db = sweeps[0].level_db
    again = f"again-{baseline_db:g}"
    return Session(
        folder="",
        date=request.date,
        notes=" ".join(part for part in (request.notes.strip(), beyond) if part),
        speaker=request.speaker,
        rig=request.rig,
        channels=request.channels,
        calibration=request.calibration,
        sweep=_played(request),
        multitone=MultitoneFacts(stimulus=names.MULTITONE, crest_factor_db=request.crest_factor_db)
        if stresses
        else None,
        noise=NoiseFacts(captures=("captures/silence.wav",)),
        short_term=tuple(
            Entry(
                level_db=level.level_db,
                drive_db=level.drive_db,
                captures=names.captures(f"short-{level.level_db:g}", takes=request.takes),
            )
            for level in sweeps
        ),
        baseline_again=(
            Entry(
                level_db=baseline_db,
                drive_db=0.0,
                captures=names.captures(again, takes=request.takes),
            ),
        ),
        long_term=tuple(_long_term(request, level=level) for level in stresses),
    )


def _long_term(request: PlanRequest, *, level: PlannedLevel) -> LongTermEntry:
    last = len(request.stages_s)
    return LongTermEntry(
        level_db=level.level_db,
        drive_db=level.drive_db,
        sweep_drive_db=level.drive_db,
        before=names.captures(f"long-{level.level_db:g}-before", takes=request.takes),
        stages=tuple(
            Stage(
                stress_s=stress_s,
                stress=names.stress_capture(level.level_db, stage=number),
                pause_s=(rules.PAUSE_S,),
                pause_u_s=rules.PAUSE_U_S if request.level_files else rules.PAUSE_BY_HAND_U_S,
                rest_s=rest_s(_played(request)) if number < last else None,
                after=(names.after_capture(level.level_db, stage=number),),
            )
            for number, stress_s in enumerate(request.stages_s, start=1)
        ),
    )


def _dose(session: Session) -> PlanDose:
    heard = exposure.day_heard(session, start_db=session.baseline.level_db, basis="assumed")
    return PlanDose(
        distance_m=max(session.rig.distance_m, exposure.NEAREST_M),
        sounding_s=sum(seconds for _, seconds in heard),
        loudest_dba=max(level for level, _ in heard),
        niosh_percent=exposure.niosh_dose_percent(heard),
        osha_percent=exposure.osha_dose_percent(heard),
        weekly_percent=100.0 * exposure.sound_exposure_pa2h(heard) / exposure.WEEKLY_PA2H,
    )


def _departures(
    request: PlanRequest,
    *,
    levels_db: Sequence[float],
    bounds: Sequence[Bound],
    dose: PlanDose,
    beyond: str,
) -> tuple[str, ...]:
    """Where the reviewer overrides a rule, a sentence each."""
    found = []
    lowest_db = lowest_baseline_db(request)
    if lowest_db is not None and levels_db[0] < lowest_db:
        found.append(
            f"The baseline of {level_text(levels_db[0])} stands less than "
            f"{rules.OVER_NOISE_DB:g} dB over the room's noise; the rule asks for "
            f"{level_text(lowest_db)}."
        )
    if request.levels_db:
        found.append(f"The levels are the reviewer's own, not steps of {rules.STEP_DB:g} dB.")
    if beyond:
        found.append(beyond)
    for bound in bounds:
        if bound.kind == "excursion" and bound.exceeded_by(levels_db[-1]):
            found.append(
                f"The top of {level_text(levels_db[-1])} lies above "
                f"{level_text(math.floor(bound.level_db))}, where the woofer would reach its "
                "excursion at the lowest frequency that it still gives at its level."
            )
    if not request.nobody_in_room and dose.niosh_percent > rules.PERSON_DOSE_PERCENT:
        found.append(
            "Somebody who stays in the room without protectors would get "
            f"{dose_text(dose.niosh_percent)} of NIOSH's working day; the rule stops at "
            f"{share_text(rules.PERSON_DOSE_PERCENT / 100.0)}."
        )
    return tuple(found)


def dose_text(percent: float) -> str:
    """Return a dose to two digits, rounded up.

    >>> dose_text(131.2), dose_text(4.01), dose_text(math.inf)
    ('140 %', '4.1 %', 'more than any share')
    """
    if not math.isfinite(percent):
        return "more than any share"
    if percent <= 0.0:
        return "0 %"
    size = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return share_text(math.ceil(percent / size - 1e-9) * size / 100.0)
