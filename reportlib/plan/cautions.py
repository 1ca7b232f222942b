"""When a day is not planned, and what to take care of before and while it is measured."""

import math
from collections.abc import Sequence

from reportlib.errors import PlanError
from reportlib.judge.exposure import OSHA_CEILING_DBA
from reportlib.numbers import duration, level_text, listed, share_text
from reportlib.plan import records
from reportlib.plan.levels import (
    MOST_K,
    SWEEP_CREST_DB,
    VENTED_DB,
    at_1_m_db,
    copper_rise_k,
    terminals,
    tuning_hz,
)
from reportlib.plan.records import Bound, Plan, PlanRequest, SelfHeat

_LEVELS_DB = (20.0, 150.0)
_SHORTEST_SWEEP_S, _LONGEST_SWEEP_S = 0.2, 120.0
_SHORTEST_STAGE_S = 3.0  # a multitone is told from other sounds by three periods
_LONGEST_STRESS_S = 12.0 * 3600.0
_SAMPLE_RATES_HZ = (8000, 192000)
TREBLE_HZ = 2000.0
"""A sweep that ends below meets no tweeter."""


def refuse_impossible(request: PlanRequest) -> None:
    """Stop at the first thing that can't be.

    Raises
    ------
    PlanError
        What it is, and what to give instead.
    """
    sweep, rig = request.sweep, request.rig
    low_hz, high_hz = _SAMPLE_RATES_HZ
    if not low_hz <= request.sample_rate_hz <= high_hz:
        raise PlanError(
            f"{request.sample_rate_hz} samples a second: give --sample-rate from {low_hz} to "
            f"{high_hz}."
        )
    if not 1.0 <= sweep.start_hz < sweep.stop_hz / 2.0:
        raise PlanError(
            f"a sweep from {sweep.start_hz:g} to {sweep.stop_hz:g} Hz: give one that rises by an "
            "octave or more (--sweep-start, --sweep-stop)."
        )
    if not _SHORTEST_SWEEP_S <= sweep.duration_s <= _LONGEST_SWEEP_S:
        raise PlanError(
            f"a sweep of {sweep.duration_s:g} s: give --sweep-length from {_SHORTEST_SWEEP_S:g} to "
            f"{_LONGEST_SWEEP_S:g} s."
        )
    if not 1 <= request.takes <= len(records.TAKES):
        raise PlanError(f"{request.takes} takes of each level: give 1 to {len(records.TAKES)}.")
    if rig.space == "gated" and rig.gate_ms is None:
        raise PlanError("a gated measurement needs its gate: give --gate-ms.")
    if not request.speaker.name.strip() or not request.speaker.name.isprintable():
        raise PlanError("the loudspeaker has no name: give --name, one line.")
    _refuse_numbers(request)
    _refuse_enclosure(request)
    _refuse_stages(request)


def refuse_over_rating(
    request: PlanRequest, *, levels_db: Sequence[float], bounds: Sequence[Bound]
) -> str:
    """Return what the report is to say of levels beyond the maker's rating; empty for none.

    Raises
    ------
    PlanError
        A level lies beyond it, and no reason is given.
    """
    rating = [bound for bound in bounds if bound.kind == "rating"]
    loudest_db = max(levels_db)
    if not rating or not rating[0].exceeded_by(loudest_db):
        return ""
    over_db = loudest_db - rating[0].level_db
    details = _rating_text(request, level_db=loudest_db)
    reason = " ".join(request.beyond_rating.split())
    if not reason:
        most = level_text(math.floor(10.0 * rating[0].level_db + 1e-6) / 10.0)
        raise PlanError(
            f"{level_text(loudest_db)} lies {over_db:.1f} dB beyond the maker's rating{details}. "
            f"Stay at or below {most} (--top, --level, --stress), or give --beyond-rating "
            '"the reason", which goes into the report.'
        )
    return (
        f"Planned {over_db:.1f} dB beyond the maker's rating, up to {level_text(loudest_db)}"
        f"{details}. Reason given: {reason}"
    )


def _rating_text(request: PlanRequest, *, level_db: float) -> str:
    speaker = request.speaker
    drive = terminals(speaker, level_db=level_db + at_1_m_db(request.rig), crest_db=0.0)
    parts = []
    if drive is not None and drive.watt is not None and speaker.rated_power_w is not None:
        parts.append(f"{drive.watt:.3g} W where {speaker.rated_power_w:g} W are rated")
    if speaker.maximum_level_db is not None:
        parts.append(f"at most {level_text(speaker.maximum_level_db)} by the maker")
    return f" ({'; '.join(parts)})" if parts else ""


def _refuse_enclosure(request: PlanRequest) -> None:
    speaker = request.speaker
    if speaker.tuning_hz and speaker.enclosure not in ("vented", "passive radiator"):
        raise PlanError(
            '--tuning is that of a port: give --enclosure vented or "passive radiator".'
        )
    if speaker.enclosure == "open" and request.woofer is not None:
        raise PlanError(
            "what an open baffle's cone gives is not reckoned here: leave out --cone-cm, "
            "--excursion-mm and --bass-from, and give --top."
        )


def _refuse_stages(request: PlanRequest) -> None:
    if request.stress_db == ():
        return
    stages_s = request.stages_s
    shown = ", ".join(f"{stress_s:g}" for stress_s in stages_s) or "no"
    if not stages_s or any(
        not _SHORTEST_STAGE_S <= stress_s <= _LONGEST_STRESS_S or stress_s != round(stress_s)
        for stress_s in stages_s
    ):
        raise PlanError(
            f"stages of {shown} s: the multitone repeats every second. Give each --stage in whole "
            f"seconds, {_SHORTEST_STAGE_S:g} or more."
        )
    if sum(stages_s) * len(request.stress_db or (0.0,)) > _LONGEST_STRESS_S:
        raise PlanError(f"stages of {shown} s make more than a day. Give shorter ones.")


def _refuse_numbers(request: PlanRequest) -> None:
    """What is not finite, or beyond all sense."""
    speaker, woofer, noise = request.speaker, request.woofer, request.room_noise
    calibration = request.calibration
    known: list[tuple[str, float | None, float, float]] = [
        ("--impedance", speaker.rated_impedance_ohm, 0.1, 1000.0),
        ("--power", speaker.rated_power_w, 0.01, 1e5),
        ("--maximum-level", speaker.maximum_level_db, *_LEVELS_DB),
        ("--sensitivity", speaker.sensitivity_db, *_LEVELS_DB),
        ("--distance", request.rig.distance_m, 0.05, 100.0),
        ("--gate-ms", request.rig.gate_ms, 0.1, 60000.0),
        ("--cone-cm", None if woofer is None else 100.0 * woofer.diameter_m, 0.5, 200.0),
        ("--excursion-mm", None if woofer is None else 1e3 * woofer.excursion_m, 0.01, 100.0),
        ("--bass-from", None if woofer is None else woofer.from_hz, 1.0, 1000.0),
        ("--room-noise", None if noise is None else noise.level_db, -20.0, 120.0),
        ("--crest-factor", request.crest_factor_db, 3.0, 30.0),
        ("--full-scale", None if calibration is None else calibration.full_scale_db, 0.0, 250.0),
        ("--calibrator", None if calibration is None else calibration.level_db, *_LEVELS_DB),
        ("--baseline", request.baseline_db, *_LEVELS_DB),
        ("--top", request.top_db, *_LEVELS_DB),
        *(("--level", level_db, *_LEVELS_DB) for level_db in request.levels_db),
        *(("--stress", level_db, *_LEVELS_DB) for level_db in request.stress_db or ()),
        *(("--crossover", hz, 1.0, 100_000.0) for hz in speaker.crossovers_hz),
        *(("--tuning", hz, 1.0, 1000.0) for hz in speaker.tuning_hz),
    ]
    for option, value, low, high in known:
        if value is not None and not low <= value <= high:
            shown = f"{value:g}".replace("-", "−")
            raise PlanError(f"{option} is {shown}: give a number from {low:g} to {high:g}.")


Caution = tuple[str, str]
"""A heading and what it says."""


def cautions(plan: Plan) -> tuple[Caution, ...]:
    """Return the cautions of a plan, the first ones first."""
    treble = plan.sweep.stop_hz > TREBLE_HZ
    return (
        (
            "First of all",
            "Local rules and qualified people come first. Where one of them says otherwise than "
            "this sheet, they are right.",
        ),
        ("Ears", _ears(plan)),
        ("Protectors", _protectors(plan)),
        *([("Tweeter", _tweeter(plan))] if treble else []),
        ("Amplifier", _amplifier(plan, treble=treble)),
        (
            "Smell and smoke",
            "Stop at a smell of hot varnish, at smoke, at a rasp, or when a part falls silent: "
            "amplifier off first, then the mains. Keep an extinguisher for electrical fires at "
            "hand. Coils, resistors and terminals stay hot for minutes.",
        ),
        (
            "Neighbours",
            "Tell them when it will be loud and for how long; bass goes through walls. Measure in "
            "hours in which noise is allowed.",
        ),
        (
            "Animals and children",
            "Keep them out of the room and out of earshot: neither knows what comes next.",
        ),
        (
            "Nothing unattended",
            "Somebody stays at the stop button, outside the room but in sight or hearing of it, "
            "for as long as something plays. Never leave a multitone alone.",
        ),
    )


def stop_rules(plan: Plan) -> tuple[str, ...]:
    """Return when to stop a level, and not go on to the next."""
    return (
        "smell, smoke, a rasp, a buzz, a part that falls silent: stop at once",
        "the cone knocks, or wind is heard from the port: go no louder",
        "the level drops while it plays, or by 3 dB against what was asked: stop, go no louder",
        "the amplifier's clipping light comes on: stop, this level is not measured",
        "the recorder's level reaches full scale: stop, lower its gain, begin again at the "
        "baseline",
        "anybody's ears ring or feel dull: stop for the day",
    )


def warnings(plan: Plan) -> tuple[str, ...]:
    """Return what the levels ask to be minded, beside the cautions."""
    return (*recorder_warnings(plan), *cone_warnings(plan), *heat_warnings(plan))


def cone_warnings(plan: Plan) -> tuple[str, ...]:
    """Return why the cone bounds the top and how to go beyond, and where no port loads it."""
    request = plan.request
    found = []
    top_db = plan.sweeps[-1].level_db
    chosen = request.top_db is not None or request.levels_db
    for bound in plan.bounds:
        if bound.kind == "excursion" and not chosen and bound.level_db < top_db + 1.0:
            move = "" if request.speaker.enclosure else "; --enclosure and --tuning may move it"
            found.append(
                f"The cone bounds the top at {level_text(top_db)}{_of_rated(plan)}: at "
                f"{bound.text} {bound.about}{move}. --top goes beyond."
            )
    if request.speaker.enclosure not in ("vented", "passive radiator"):
        return tuple(found)
    tuned_hz, start_hz = tuning_hz(request.speaker), request.sweep.start_hz
    if tuned_hz is None:
        found.append(
            "Below its tuning nothing loads the cone: give --tuning, and start the sweep there "
            "(--sweep-start)."
        )
    elif start_hz < tuned_hz:
        more = "" if request.woofer is None else f", for {math.floor(VENTED_DB)} dB more level"
        found.append(
            f"Below its tuning of {tuned_hz:g} Hz nothing loads the cone, and the sweep begins at "
            f"{start_hz:g} Hz: start it at {math.ceil(tuned_hz)} Hz (--sweep-start){more}, or put "
            f"a high-pass of {tuned_hz:g} Hz, 24 dB an octave, before the amplifier."
        )
    return tuple(found)


def _of_rated(plan: Plan) -> str:
    drive, rated_w = plan.sweeps[-1].terminals, plan.request.speaker.rated_power_w
    if drive is None or drive.watt is None or rated_w is None:
        return ""
    return f", {amount(drive.watt, 'W')} of the {rated_w:g} W rated"


def heat_warnings(plan: Plan) -> tuple[str, ...]:
    """Return what sweeps may do to the coils while they measure them, where it matters."""
    hot = [
        (level, max(level.self_heat, key=lambda part: part.loss_db))
        for level in plan.sweeps
        if level.self_heat
    ]
    hot = [(level, part) for level, part in hot if part.loss_db >= records.SELF_HEAT_DB]
    if not hot:
        return ()
    levels = listed([f"{level.level_db:g}" for level, _ in hot])
    _, worst = hot[-1]
    share = copper_rise_k(records.SELF_HEAT_DB) / worst.rise_k
    length_s = plan.request.sweep.duration_s * share
    advice = (
        f"A sweep of {math.floor(10.0 * length_s) / 10.0:g} s would stay below it."
        if length_s >= 1.0
        else "At the top no sweep of a second or more avoids that."
    )
    return (
        f"At {levels} dB a sweep may heat a coil enough to measure its own heat (more than "
        f"{records.SELF_HEAT_DB:g} dB), at the top by {_rise_text(worst)} in the {worst.unit}: at "
        f"most, as if that coil took all of the power and kept it. {advice}",
    )


def recorder_warnings(plan: Plan) -> tuple[str, ...]:
    """Return whether the recorder would clip, where its full scale is known."""
    calibration = plan.request.calibration
    if calibration is None or calibration.full_scale_db is None:
        return ()
    most_db = calibration.full_scale_db + SWEEP_CREST_DB
    peak_db = highest_peak_db(plan)
    if peak_db <= most_db - records.RECORDER_HEADROOM_DB:
        return ()
    return (
        f"Peaks of about {peak_db:.0f} dB reach the microphone, and the recorder is full at "
        f"{most_db:.0f} dB: turn its gain down, and calibrate again.",
    )


def highest_peak_db(plan: Plan) -> float:
    """Return the highest peak that reaches the microphone, in dB SPL of its value."""
    peaks = [plan.volume.z_db + records.VOLUME_CREST_DB]
    peaks += [level.at_microphone_db + SWEEP_CREST_DB for level in plan.sweeps]
    peaks += [level.at_microphone_db + plan.request.crest_factor_db for level in plan.stresses]
    return max(peaks)


def full_scale_peak_db(plan: Plan) -> float:
    """Return the peak at which the recorder should be full: the loudest, or the calibrator's."""
    calibration = plan.request.calibration
    peak_db = highest_peak_db(plan) + records.RECORDER_HEADROOM_DB
    if calibration is None or calibration.level_db is None:
        return peak_db
    return max(peak_db, calibration.level_db + SWEEP_CREST_DB + records.HEADROOM_DB)


def _rise_text(part: SelfHeat) -> str:
    if part.rise_k > MOST_K:
        return f"{MOST_K:.0f} K or more"
    return f"up to {part.rise_k:.0f} K, {part.loss_db:.1f} dB,"


def _ears(plan: Plan) -> str:
    dose = plan.dose
    where = f"beside the microphone ({dose.distance_m:g} m from the loudspeaker)"
    said = (
        f"Whoever stays {where} without protectors hears up to {dose.loudest_dba:.0f} dBA, "
        f"{duration(dose.sounding_s)} of sound in all, setting the volume included: "
        f"{dose_text(dose.niosh_percent)} of NIOSH's "
        f"working day, {dose_text(dose.osha_percent)} of OSHA's, {dose_text(dose.weekly_percent)} "
        "of WHO–ITU's week, if the levels asked for are met and nothing else is played. NIOSH's "
        "limit is for work and promises nothing for leisure."
    )
    if dose.loudest_dba > OSHA_CEILING_DBA:
        said += f" OSHA allows no time at all above {OSHA_CEILING_DBA:.0f} dBA."
    stay = (
        "Nobody stays in the room once the volume is set."
        if plan.request.nobody_in_room
        else "Better: leave the room once the volume is set."
    )
    return f"{said} {stay}"


def _protectors(plan: Plan) -> str:
    dose = plan.dose
    text = (
        "Wear ear protectors whenever you must be in the room from 85 dBA on. Bass passes them "
        "more than their rating says."
    )
    if not math.isfinite(dose.niosh_percent):
        return f"No protectors are enough for these levels: leave the room. {text}"
    if dose.niosh_percent <= 50.0:
        return text
    needed_db = math.ceil(3.0 * math.log2(dose.niosh_percent / 50.0))
    return (
        f"To stay under half of NIOSH's day they would have to take off at least {needed_db} dB as "
        f"worn, through the whole plan. {text}"
    )


def _tweeter(plan: Plan) -> str:
    text = (
        "A multitone puts treble on the tweeter for minutes, as music hardly does; its coil is "
        "small and the first to burn. Watch its level through the first stage, and stop where it "
        "falls."
    )
    if plan.stresses:
        return text
    return "A sweep's treble lasts a second; do not stop a sweep there, and play no sines by hand."


def _amplifier(plan: Plan, *, treble: bool) -> str:
    levels = [*plan.sweeps, *plan.stresses]
    drives = [level.terminals for level in levels if level.terminals is not None]
    tweeter = " sends far more energy to the tweeter than the file holds, and" if treble else ""
    text = (
        f"A clipping amplifier{tweeter} loses what looks like compression. Watch its clipping "
        "light or its output, not the file."
    )
    if not drives:
        return text
    most = max(drives, key=lambda drive: drive.peak_volt)
    watts = most.amplifier_watt
    power = ""
    if watts is not None:
        power = f", those of {amount(watts, 'W')} of sine into the rated impedance"
    return f"It must give peaks of {amount(most.peak_volt, 'V')} unclipped{power}. {text}"


def amount(value: float, unit: str, *, digits: int = 2, up: bool = True) -> str:
    """Return a quantity, rounded to the safe side: up what is a most, down what is a limit.

    >>> amount(0.1265, "W"), amount(15.91, "V", digits=3, up=False), amount(1234.0, "W")
    ('0.13 W', '15.9 V', '1234 W')
    """
    decimals = max(digits - 1 - math.floor(math.log10(value)), 0)
    steps = value * 10.0**decimals
    whole = math.ceil(steps - 1e-6) if up else math.floor(steps + 1e-6)
    return f"{whole / 10.0**decimals:.{decimals}f} {unit}"


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
