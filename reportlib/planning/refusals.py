"""When a day is not planned: what can't be, and what lies beyond the maker's rating."""

import math
from collections.abc import Sequence

from reportlib.errors import PlanError
from reportlib.numbers import level_text
from reportlib.planning import names
from reportlib.planning.asked import PlanRequest
from reportlib.planning.drive import terminals
from reportlib.planning.ladder import Bound

_LEVELS_DB = (20.0, 150.0)
_SHORTEST_SWEEP_S, _LONGEST_SWEEP_S = 0.2, 120.0
_SHORTEST_STAGE_S = 3.0  # a multitone is told from other sounds by three periods
_LONGEST_STRESS_S = 12.0 * 3600.0
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
    if rig.space == "gated" and rig.gate_ms is None:
        raise PlanError("a gated measurement needs its gate: give --gate-ms.")
    if not request.speaker.name.strip() or not request.speaker.name.isprintable():
        raise PlanError("the loudspeaker has no name: give --name, one line.")
    _refuse_numbers(request)
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
    ]
    for option, value, low, high in known:
        if value is not None and not low <= value <= high:
            shown = f"{value:g}".replace("-", "−")
            raise PlanError(f"{option} is {shown}: give a number from {low:g} to {high:g}.")
