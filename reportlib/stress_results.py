"""What ``results.json`` lists about the stress while it plays: thermal, recovery, coil."""

from dataclasses import asdict
from typing import Any

from reportlib.levels import BANDS
from reportlib.model import Analysis
from reportlib.readings.coil import coil_end


def thermal_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level and band: its exponentials, and the loss projected to 10 min.

    `u95_db` is that of the projection, where it was refused of the loss when the stress ended,
    and null where there is no fit.
    """
    found = []
    for playing in analysis.playing:
        for band in BANDS:
            track = playing.group(band.name)
            if track is None:
                continue
            fit = track.fit
            terms = fit.terms if fit is not None else ()
            u95_db = None
            if fit is not None:
                refused = fit.projected_600_s_db is None
                u95_db = fit.end_loss_u95_db if refused else fit.projected_u95_db
            found.append(
                {
                    "level_db": playing.level_db,
                    "band": band.name,
                    "low_hz": track.low_hz,
                    "high_hz": track.high_hz,
                    "time_constants_s": [term.time_constant_s for term in terms],
                    "losses_db": [term.loss_db for term in terms],
                    "identifiable": [term.identifiable for term in terms],
                    "projected_600_s_db": None if fit is None else fit.projected_600_s_db,
                    "u95_db": u95_db,
                }
            )
    return found


def recovery_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level, stage and band: the change at the end, and what the sweep then saw."""
    return [
        {
            "level_db": playing.level_db,
            "elapsed_s": playing.stages[one.stage].elapsed_s,
            "band": one.name,
            **{name: value for name, value in asdict(one).items() if name not in ("stage", "name")},
        }
        for playing in analysis.playing
        for one in playing.recovery
    ]


def coil_list(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a level whose coil can be told: cold, and when the stress ended."""
    found = []
    for playing in analysis.playing:
        end = coil_end(playing, playing.coil) if playing.coil is not None else None
        if playing.coil is None or end is None:
            continue
        found.append(
            {
                "level_db": playing.level_db,
                "unit": playing.coil.unit,
                "low_hz": playing.coil.low_hz,
                "high_hz": playing.coil.high_hz,
                "elapsed_s": end.elapsed_s,
                "cold_ohm": playing.coil.cold_ohm,
                "ambient_c": playing.coil.ambient_c,
                "ambient_assumed": playing.coil.ambient_assumed,
                "hot_ohm": end.ohm,
                "rise_k": end.rise_k,
                "rise_u95_k": end.rise_u95_k,
                "expected_db": end.expected_db,
                "heard_db": end.heard_db,
                "heard_u95_db": end.heard_u95_db,
            }
        )
    return found
