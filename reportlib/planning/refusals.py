"""When a day is not planned: what can't be, and what lies beyond the maker's rating."""

import math
from collections.abc import Sequence

from reportlib.errors import PlanError
from reportlib.planning import names, rules
from reportlib.planning.asked import PlanRequest
from reportlib.planning.drive import terminals
from reportlib.planning.ladder import Bound
from reportlib.wording import level_text

_LEVELS_DB = (20.0, 150.0)
_SHORTEST_SWEEP_S, _LONGEST_SWEEP_S = 0.2, 120.0
_LONGEST_DAY_S = 12.0 * 3600.0
_SAMPLE_RATES_HZ = (8000, 192000)


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
    if not 1 <= request.takes <= len(names.TAKES):
        raise PlanError(f"{request.takes} takes of each level: give 1 to {len(names.TAKES)}.")
    if not 0.05 <= rig.distance_m <= 100.0:
        raise PlanError(f"a distance of {rig.distance_m:g} m: give --distance in metres.")
    if rig.space == "gated" and rig.gate_ms is None:
        raise PlanError("a gated measurement needs its gate: give --gate-ms.")
    given = (request.baseline_db, request.top_db, *request.levels_db, *(request.stress_db or ()))
    for level_db in given:
        if level_db is not None and not _LEVELS_DB[0] <= level_db <= _LEVELS_DB[1]:
            raise PlanError(
                f"a level of {level_text(level_db)}: give levels at 1 m from {_LEVELS_DB[0]:g} to "
                f"{_LEVELS_DB[1]:g} dB."
            )
    _refuse_stages(request)
    _refuse_speaker(request)


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
    drive = terminals(speaker, level_db=level_db, crest_db=0.0)
    parts = []
    if drive is not None and drive.watt is not None and speaker.rated_power_w is not None:
        parts.append(f"{drive.watt:.3g} W where {speaker.rated_power_w:g} W are rated")
    if speaker.maximum_level_db is not None:
        parts.append(f"at most {level_text(speaker.maximum_level_db)} by the maker")
    return f" ({'; '.join(parts)})" if parts else ""


def _refuse_stages(request: PlanRequest) -> None:
    if request.stress_db == ():
        return
    stages_s = request.stages_s
    shown = ", ".join(f"{stress_s:g}" for stress_s in stages_s) or "no"
    if not stages_s or any(stress_s < 1.0 or stress_s != round(stress_s) for stress_s in stages_s):
        raise PlanError(
            f"stages of {shown} s: the multitone repeats every second. Give each --stage in whole "
            "seconds, 1 or more."
        )
    levels = len(request.stress_db or (0.0,))
    if sum(stages_s) * levels > _LONGEST_DAY_S:
        raise PlanError(f"stages of {shown} s make more than a day. Give shorter ones.")


def _refuse_speaker(request: PlanRequest) -> None:
    speaker = request.speaker
    amounts = {
        "--impedance": speaker.rated_impedance_ohm,
        "--power": speaker.rated_power_w,
        "--distance": request.rig.distance_m,
    }
    if request.woofer is not None:
        amounts |= {
            "--cone-cm": request.woofer.diameter_m,
            "--excursion-mm": request.woofer.excursion_m,
            "--bass-from": request.woofer.from_hz,
        }
    for option, amount in amounts.items():
        if amount is not None and not 0.0 < amount < 1e5:
            raise PlanError(f"{option} is {amount:g}: give a number above 0.")
    if not speaker.name.strip() or not speaker.name.isprintable():
        raise PlanError("the loudspeaker has no name: give --name, one line.")
    noise = request.room_noise
    if noise is not None and noise.level_db + rules.OVER_NOISE_DB > _LEVELS_DB[1]:
        raise PlanError(f"noise of {noise.level_db:.0f} dB: no loudspeaker stands clear of it.")
