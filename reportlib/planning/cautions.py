"""What to take care of before and while a day is measured, in words."""

import math

from reportlib.exposure import OSHA_CEILING_DBA
from reportlib.numbers import duration, listed
from reportlib.planning import rules
from reportlib.planning.drive import SWEEP_CREST_DB
from reportlib.planning.heat import MOST_K, SelfHeat, copper_rise_k
from reportlib.planning.making import dose_text
from reportlib.planning.plan import Plan

Caution = tuple[str, str]
"""A heading and what it says."""


def cautions(plan: Plan) -> tuple[Caution, ...]:
    """Return the cautions of a plan, the first ones first."""
    return (
        (
            "First of all",
            "Local rules and qualified people come first. Where one of them says otherwise than "
            "this sheet, they are right.",
        ),
        ("Ears", _ears(plan)),
        ("Protectors", _protectors(plan)),
        ("Tweeter", _tweeter(plan)),
        ("Amplifier", _amplifier(plan)),
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
    found = [
        "smell, smoke, a rasp, a buzz, a part that falls silent: stop at once",
        "the level drops while it plays, or by 3 dB against what was asked: stop, go no louder",
        "the amplifier's clipping light comes on: stop, this level is not measured",
        "the recorder's level reaches full scale: stop, lower its gain, begin again at the "
        "baseline",
        "anybody's ears ring or feel dull: stop for the day",
    ]
    if plan.request.woofer is not None or plan.request.speaker.drive == "passive":
        found.insert(1, "the cone knocks, or wind is heard from the port: go no louder")
    return tuple(found)


def heat_warnings(plan: Plan) -> tuple[str, ...]:
    """Return what sweeps may do to the coils while they measure them, where it matters."""
    hot = [
        (level, max(level.self_heat, key=lambda part: part.loss_db))
        for level in plan.sweeps
        if level.self_heat
    ]
    hot = [(level, part) for level, part in hot if part.loss_db >= rules.SELF_HEAT_DB]
    if not hot:
        return ()
    levels = listed([f"{level.level_db:g}" for level, _ in hot])
    _, worst = hot[-1]
    share = copper_rise_k(rules.SELF_HEAT_DB) / worst.rise_k
    length_s = plan.request.sweep.duration_s * share
    advice = (
        f"A sweep of {math.floor(10.0 * length_s) / 10.0:g} s would stay below it."
        if length_s >= 1.0
        else "No sweep of a second or more would stay below it at the top: what it costs is part "
        "of the result, and the report prints the sweep's length."
    )
    return (
        f"At {levels} dB a sweep may heat a coil enough to measure its own heat (more than "
        f"{rules.SELF_HEAT_DB:g} dB), at the top by {_rise_text(worst)} in the {worst.unit}. That "
        "is an upper bound, as if all of the voltage stood at that coil and no heat left it: a "
        f"crossover that turns the unit down makes it less. {advice}",
    )


def recorder_warnings(plan: Plan) -> tuple[str, ...]:
    """Return whether the recorder would clip, where its full scale is known."""
    calibration = plan.request.calibration
    if calibration is None or calibration.full_scale_db is None:
        return ()
    most_db = calibration.full_scale_db + SWEEP_CREST_DB
    peak_db = highest_peak_db(plan)
    if peak_db <= most_db - rules.RECORDER_HEADROOM_DB:
        return ()
    return (
        f"Peaks of about {peak_db:.0f} dB reach the microphone, and the recorder is full at "
        f"{most_db:.0f} dB: turn its gain down, and calibrate again.",
    )


def highest_peak_db(plan: Plan) -> float:
    """Return the highest peak that reaches the microphone, in dB SPL of its value."""
    peaks = [level.at_microphone_db + SWEEP_CREST_DB for level in plan.sweeps]
    peaks += [level.at_microphone_db + plan.request.crest_factor_db for level in plan.stresses]
    return max(peaks)


def _rise_text(part: SelfHeat) -> str:
    if part.rise_k > MOST_K:
        return f"{MOST_K:.0f} K or more"
    return f"up to {part.rise_k:.0f} K, {part.loss_db:.1f} dB,"


def _ears(plan: Plan) -> str:
    dose = plan.dose
    where = f"beside the microphone ({dose.distance_m:g} m from the loudspeaker)"
    said = (
        f"Whoever stays {where} without protectors hears up to {dose.loudest_dba:.0f} dBA, "
        f"{duration(dose.sounding_s)} of sound in all: {dose_text(dose.niosh_percent)} of NIOSH's "
        f"working day, {dose_text(dose.osha_percent)} of OSHA's, {dose_text(dose.weekly_percent)} "
        "of WHO–ITU's week, if the levels asked for are met and nothing else is played. NIOSH's "
        "limit is for work and promises nothing for leisure."
    )
    if dose.loudest_dba > OSHA_CEILING_DBA:
        said += f" OSHA allows no time at all above {OSHA_CEILING_DBA:.0f} dBA."
    stay = (
        "Nobody stays in the room while it plays."
        if plan.request.nobody_in_room
        else "Better: leave the room while it plays."
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


def _amplifier(plan: Plan) -> str:
    levels = [*plan.sweeps, *plan.stresses]
    drives = [level.terminals for level in levels if level.terminals is not None]
    text = (
        "A clipping amplifier sends far more energy to the tweeter than the file holds, and what "
        "it loses looks like compression. Watch its clipping light or its output, not the file."
    )
    if not drives:
        return text
    most = max(drives, key=lambda drive: drive.peak_volt)
    watts = most.amplifier_watt
    power = "" if watts is None else f", those of {watts:.2g} W of sine into the rated impedance"
    if watts is not None and watts >= 100.0:
        power = f", those of {watts:.0f} W of sine into the rated impedance"
    return f"It must give peaks of {most.peak_volt:.0f} V unclipped{power}. {text}"
