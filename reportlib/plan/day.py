"""From what is asked for to a whole day, its steps in order, or why it must not be."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from reportlib.errors import PlanError
from reportlib.judge import exposure
from reportlib.measure.levels import a_weighting_db, c_weighting_db, db, power
from reportlib.numbers import level_text, share_text
from reportlib.plan import records
from reportlib.plan.cautions import dose_text, refuse_impossible, refuse_over_rating
from reportlib.plan.levels import (
    SWEEP_CREST_DB,
    asked_levels_db,
    at_1_m_db,
    baseline_of,
    cooling_wait_s,
    fixed_bounds,
    heats,
    lowest_baseline_db,
    self_heat,
    stress_levels_db,
    terminals,
    to_microphone_db,
)
from reportlib.plan.records import (
    Bound,
    Plan,
    PlanDose,
    PlannedLevel,
    PlanRequest,
    Step,
    StepKind,
    VolumeSignal,
)
from reportlib.plan.stimuli import law_of, played_facts, volume_tones
from reportlib.session.day import (
    Entry,
    LongTermEntry,
    MultitoneFacts,
    NoiseFacts,
    Session,
    Stage,
    SweepFacts,
)


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
        volume=_volume(request, baseline=sweeps[0]),
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
    while top_db > lowest_db and _dose_at(request, top_db=top_db) > records.PERSON_DOSE_PERCENT:
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
    most_db = level_db + at_1_m_db(request.rig)
    drive = terminals(request.speaker, level_db=most_db, crest_db=crest_db)
    watt = None if drive is None else drive.watt
    unknown_watt = float(power(most_db - records.UNKNOWN_SENSITIVITY_DB))
    sweep = _played(request)
    seconds = sum(request.stages_s) if multitone else sweep.duration_s
    play = stress_play if multitone else sweep_play
    return PlannedLevel(
        level_db=level_db,
        drive_db=round(level_db - baseline_db, 6),
        at_microphone_db=level_db + to_microphone_db(request.rig),
        terminals=drive,
        heats=heats(watt=unknown_watt if watt is None else watt, seconds=seconds),
        self_heat=()
        if watt is None
        else self_heat(law_of(sweep), watt=watt, crossovers_hz=request.speaker.crossovers_hz),
        multitone=multitone,
        file=play(request, level_db=level_db),
    )


def _volume(request: PlanRequest, *, baseline: PlannedLevel) -> VolumeSignal:
    """What the volume is set with, as a loudspeaker that is even over its stretch gives it."""
    tones = volume_tones(request)
    shares = np.square(tones.shares)
    c_db, a_db = (
        float(db(shares @ power(weighting_db(tones.frequency_hz))))
        for weighting_db in (c_weighting_db, a_weighting_db)
    )
    z_db = baseline.at_microphone_db
    return VolumeSignal(
        file=records.volume_file(baseline.level_db), z_db=z_db, c_db=z_db + c_db, a_db=z_db + a_db
    )


def _played(request: PlanRequest) -> SweepFacts:
    facts = played_facts(request.sweep, sample_rate_hz=request.sample_rate_hz)
    return replace(facts, stimulus=records.SWEEP)


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
        multitone=MultitoneFacts(
            stimulus=records.MULTITONE, crest_factor_db=request.crest_factor_db
        )
        if stresses
        else None,
        noise=NoiseFacts(captures=("captures/silence.wav",)),
        short_term=tuple(
            Entry(
                level_db=level.level_db,
                drive_db=level.drive_db,
                captures=records.captures(f"short-{level.level_db:g}", takes=request.takes),
            )
            for level in sweeps
        ),
        baseline_again=(
            Entry(
                level_db=baseline_db,
                drive_db=0.0,
                captures=records.captures(again, takes=request.takes),
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
        before=records.captures(f"long-{level.level_db:g}-before", takes=request.takes),
        stages=tuple(
            Stage(
                stress_s=stress_s,
                stress=records.stress_capture(level.level_db, stage=number),
                pause_s=(records.PAUSE_S,),
                pause_u_s=records.PAUSE_U_S if request.level_files else records.PAUSE_BY_HAND_U_S,
                rest_s=rest_s(_played(request)) if number < last else None,
                after=(records.after_capture(level.level_db, stage=number),),
            )
            for number, stress_s in enumerate(request.stages_s, start=1)
        ),
    )


def _dose(session: Session) -> PlanDose:
    """Of all that plays, and of somebody at the microphone while the volume is set."""
    baseline_db = session.baseline.level_db
    set_dba = exposure.stricter_level_dba(baseline_db + to_microphone_db(session.rig))
    heard = (
        (set_dba, records.SETTING_VOLUME_S),
        *exposure.day_heard(session, start_db=baseline_db, basis="assumed"),
    )
    return PlanDose(
        distance_m=session.rig.distance_m,
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
            f"{records.OVER_NOISE_DB:g} dB over the room's noise; the rule asks for "
            f"{level_text(lowest_db)}."
        )
    if request.levels_db:
        found.append(f"The levels are the reviewer's own, not steps of {records.STEP_DB:g} dB.")
    if beyond:
        found.append(beyond)
    for bound in bounds:
        if bound.kind == "excursion" and bound.exceeded_by(levels_db[-1]):
            found.append(
                f"The top of {level_text(levels_db[-1])} lies above "
                f"{bound.text}, where {bound.about}."
            )
    if not request.nobody_in_room and dose.niosh_percent > records.PERSON_DOSE_PERCENT:
        found.append(
            "Somebody who stays in the room without protectors would get "
            f"{dose_text(dose.niosh_percent)} of NIOSH's working day; the rule stops at "
            f"{share_text(records.PERSON_DOSE_PERCENT / 100.0)}."
        )
    return tuple(found)


class Clock:
    """Where the day stands while its steps are laid out, one after the other."""

    def __init__(self, start_s: float) -> None:
        self.now_s = start_s
        self.steps: list[Step] = []

    def add(
        self,
        kind: StepKind,
        *,
        what: str,
        level: PlannedLevel | None = None,
        play: str = "",
        record_to: str = "",
        takes_s: float = 0.0,
        wait_s: float = 0.0,
    ) -> None:
        """Add a step that takes so long, and a wait after it."""
        self.steps.append(
            Step(
                kind=kind,
                at_s=self.now_s,
                play=play,
                record_to=record_to,
                level_db=None if level is None else level.level_db,
                drive_db=0.0 if level is None else level.drive_db,
                recorded_s=takes_s if record_to else 0.0,
                wait_s=wait_s,
                what=what,
            )
        )
        self.now_s += takes_s + wait_s + (records.HANDLING_S if record_to else 0.0)

    def rest(self, wait_s: float) -> None:
        """Wait longer after the last step: so long in all."""
        last = self.steps[-1]
        self.now_s += max(wait_s - last.wait_s, 0.0)
        self.steps[-1] = replace(last, wait_s=max(wait_s, last.wait_s))


def day_steps(
    request: PlanRequest,
    *,
    sweep: SweepFacts,
    sweeps: Sequence[PlannedLevel],
    stresses: Sequence[PlannedLevel],
) -> tuple[tuple[Step, ...], float]:
    """Return the day's steps, and when it ends in s after midnight."""
    clock = Clock(request.start_s)
    baseline = sweeps[0]
    clock.add("prepare", what="set up and tick off what comes first", takes_s=records.SETTING_UP_S)
    clock.add(
        "volume",
        what="set the volume",
        level=baseline,
        play=records.volume_file(baseline.level_db),
        takes_s=records.SETTING_VOLUME_S,
    )
    if request.calibration is not None and request.calibration.recording is not None:
        clock.add(
            "calibrator",
            what="the calibrator on the microphone",
            record_to=records.recording(records.CALIBRATOR),
            takes_s=records.SILENCE_S,
        )
    clock.add(
        "silence",
        what="the place with nothing played",
        record_to="silence.wav",
        takes_s=records.SILENCE_S,
    )
    for level in sweeps:
        stem = f"short-{level.level_db:g}"
        _takes(clock, level, request=request, sweep=sweep, stem=stem, what="sweep")
    for number, level in enumerate(stresses):
        before = stresses[number - 1 : number] or sweeps
        if any(one.heats for one in before):
            clock.rest(records.BETWEEN_STRESSES_S if number else records.BEFORE_STRESS_S)
        stem = f"long-{level.level_db:g}-before"
        _takes(
            clock, level, request=request, sweep=sweep, stem=stem, what="sweep before the multitone"
        )
        clock.add(
            "stress",
            what=_stages_text(request.stages_s),
            level=level,
            play=stress_play(request, level_db=level.level_db),
            record_to=f"long-{level.level_db:g}.wav",
            takes_s=stress_length_s(request, sweep=sweep),
        )
    if any(one.heats for one in (*sweeps, *stresses)):
        clock.rest(records.BEFORE_BASELINE_AGAIN_S)
    stem = f"again-{baseline.level_db:g}"
    _takes(clock, baseline, request=request, sweep=sweep, stem=stem, what="the baseline again")
    clock.add("end", what="amplifier off")
    return tuple(clock.steps), clock.now_s


def stress_length_s(request: PlanRequest, *, sweep: SweepFacts) -> float:
    """Return how long all stages of a long-term level take, with the silences around them."""
    stages = len(request.stages_s)
    return records.LEAD_IN_S + sum(request.stages_s) + stages * rest_s(sweep)


def rest_s(sweep: SweepFacts) -> float:
    """Return the time from a multitone's end to the start of the next."""
    return records.PAUSE_S + sweep.duration_s + records.AFTER_SWEEP_S


def _takes(
    clock: Clock,
    level: PlannedLevel,
    *,
    request: PlanRequest,
    sweep: SweepFacts,
    stem: str,
    what: str,
) -> None:
    captures = records.captures(stem, takes=request.takes)
    for number, capture in enumerate(captures, start=1):
        clock.add(
            "sweep",
            what=f"{what}, take {number} of {len(captures)}",
            level=level,
            play=sweep_play(request, level_db=level.level_db),
            record_to=records.recording(capture),
            takes_s=records.LEAD_IN_S + sweep.duration_s + records.TAIL_S,
            wait_s=cooling_wait_s(level.self_heat) if level.heats else 0.0,
        )


def sweep_play(request: PlanRequest, *, level_db: float) -> str:
    """Return the file that plays a sweep at a level."""
    return records.sweep_file(level_db) if request.level_files else records.SWEEP


def stress_play(request: PlanRequest, *, level_db: float) -> str:
    """Return the file that plays the stress at a level."""
    return records.stress_file(level_db) if request.level_files else records.MULTITONE


def _stages_text(stages_s: Sequence[float]) -> str:
    stages = ", ".join(f"{stress_s:g} s" for stress_s in stages_s)
    return f"multitone for {stages}, a sweep {records.PAUSE_S:g} s after each"
