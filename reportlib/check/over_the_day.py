"""What changed over the day: place, temperature, the baseline itself."""

from collections.abc import Mapping

import numpy as np

from reportlib.check.kinds import found
from reportlib.measure.compression import ShortTerm
from reportlib.measure.levels import moving_octave_mean
from reportlib.measure.records import Response
from reportlib.numbers import number
from reportlib.session.day import Session
from reportlib.session.records import QualityNote

MOVED_MM = 10.0
"""At 1 m this is 0.1 dB of level (20·lg 1.01); 3 K of the air's temperature give 5 mm."""
SHARE_OF_WAVE = 0.05
"""Of the shortest wave that was swept: what a loss that differs over frequency turns its phase by
may shift the whole by so much (a judgement)."""
LOST_S = 0.03
UNKNOWN_AIR_K = 2.0
"""How far the air's temperature may have moved unnoticed (common practice, no source)."""
WARMER_NOTE_K, WARMER_WARNING_K = 2.0, 6.0
DRIFT_WARNING_DB = 0.5
HEAT_DB = 0.1


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Return 331.3·√(1 + t/273.15) m/s, dry air (ISO 9613-1:1993: 343.2 at 20 °C)."""
    return float(331.3 * np.sqrt(1.0 + temperature_c / 273.15))


def moved_notes(session: Session, responses: Mapping[str, Response]) -> list[QualityNote]:
    """Find takes whose sound arrives at another time than the baseline's; needs a reference."""
    if session.channels.reference is None:
        return []
    first = responses[session.baseline.captures[0]]
    distance_m = session.rig.distance_m
    usual_c = session.rig.temperature_c if session.rig.temperature_c is not None else 20.0
    temperatures = {
        path: entry.temperature_c
        for entry in (*session.short_term, *session.baseline_again)
        for path in entry.captures
    }
    base_c = temperatures.get(first.source)
    c = speed_of_sound_m_s(base_c if base_c is not None else usual_c)
    moved = []
    for path, response in responses.items():
        if path == first.source:
            continue
        now_c = temperatures.get(path)
        by_air_m, allowed_m = 0.0, MOVED_MM / 1e3
        if now_c is not None and (base_c is not None or session.rig.temperature_c is not None):
            by_air_m = distance_m * (c / speed_of_sound_m_s(now_c) - 1.0)
        else:
            allowed_m += distance_m * 0.5 * UNKNOWN_AIR_K / (273.15 + usual_c)
        allowed_m = max(allowed_m, SHARE_OF_WAVE * c / float(first.frequency_hz[-1]))
        shift_m = (response.arrival_s - first.arrival_s) * c - by_air_m
        if abs(shift_m) > allowed_m:
            moved.append((path, shift_m))
    if not moved:
        return []
    path, shift_m = max(moved, key=lambda one: abs(one[1])) if len(moved) == 1 else moved[0]
    others = len(moved) - 1
    more = f" {others} other takes moved, too." if others > 1 else ""
    more = f" {moved[1][0]} moved, too." if others == 1 else more
    farther = "farther away" if shift_m > 0.0 else "nearer"
    level_db = -20.0 * np.log10(max(1.0 + shift_m / distance_m, 0.05))
    return [
        found(
            "microphone-moved",
            "warning",
            capture=path,
            message=f"The sound arrives {number(1e3 * abs(shift_m), 0)} mm {farther} than at the "
            f"baseline: microphone or loudspeaker was moved. The distance alone makes "
            f"{number(float(level_db), 2)} dB of level.{more} Fix both, and measure again from the "
            "baseline on.",
        )
    ]


def lost_notes(session: Session, responses: Mapping[str, Response]) -> list[QualityNote]:
    """Refuse takes in which something else than the sweep's answer is loudest.

    Needs a reference: no microphone moves by ten metres, but a door that slams may stand
    anywhere in the impulse response.
    """
    if session.channels.reference is None:
        return []
    usual_s = float(np.median([one.arrival_s for one in responses.values()]))
    return [
        found(
            "no-sweep",
            "refused",
            capture=path,
            message=f"What is loudest in it stands {number(abs(one.arrival_s - usual_s), 2)} s "
            "from where the sweep’s answer arrives in the others: a loud disturbance. It is left "
            "out. Take this level again.",
        )
        for path, one in responses.items()
        if abs(one.arrival_s - usual_s) > LOST_S
    ]


def temperature_notes(session: Session) -> list[QualityNote]:
    """Say that the air's temperature changed, where it was written down."""
    known = [
        (entry.temperature_c, entry.captures[0])
        for entry in (*session.short_term, *session.baseline_again)
        if entry.temperature_c is not None and entry.captures
    ]
    base_c = session.baseline.temperature_c
    base_c = session.rig.temperature_c if base_c is None else base_c
    if base_c is None or not known:
        return []
    now_c, path = max(known, key=lambda one: abs(one[0] - base_c))
    change = now_c - base_c
    if abs(change) < WARMER_NOTE_K:
        return []
    ratio = speed_of_sound_m_s(now_c) / speed_of_sound_m_s(base_c)
    earlier = "earlier" if change > 0.0 else "later"
    shift_us = 1e6 * abs(1.0 - 1.0 / ratio) * session.rig.distance_m / speed_of_sound_m_s(base_c)
    return [
        found(
            "temperature",
            "warning" if abs(change) >= WARMER_WARNING_K else "note",
            capture=path,
            message=f"The air changed by {number(change, 1)} K since the baseline: the speed of "
            f"sound by {number(100.0 * (ratio - 1.0), 1)} %, the arrival {number(shift_us, 0)} µs "
            f"{earlier}; the treble may shift by some tenths of a decibel. Let the place settle, "
            "and measure the levels close together.",
        )
    ]


def outcome_notes(short: ShortTerm, *, again: bool) -> list[QualityNote]:
    """Notes on repeatability and on the day’s drift, with what its shape looks like."""
    notes = []
    if short.repeatability.assumed:
        notes.append(
            found(
                "repeatability-assumed",
                "note",
                message="Nothing was repeated, so a repeatability of "
                f"{short.repeatability.broadband_db:g} dB is assumed. Two takes a level would "
                "measure it.",
            )
        )
    if not again:
        notes.append(
            found(
                "drift-unknown",
                "note",
                message="The baseline was not repeated at the end, so the day’s drift is not "
                "known.",
            )
        )
    elif (largest := moved_db(short)) is not None:
        beyond = float(np.max(np.nan_to_num(short.drift_db))) * np.sqrt(3.0)
        severity = "warning" if beyond > DRIFT_WARNING_DB else "note"
        looks = _looks(short)
        notes.append(
            found(
                "drift",
                "warning" if severity == "warning" else "note",
                message=f"The baseline itself moved by up to {number(largest, 1)} dB over the "
                f"day{looks}. The interval is widened by it; nothing is corrected.",
            )
        )
        heat = _heat_db(short)
        if heat is not None:
            notes.append(
                found(
                    "heat-left",
                    "warning" if severity == "warning" else "note",
                    message=f"The baseline came back {number(heat, 1)} dB lower, smoothly over "
                    "frequency and not the same everywhere: it looks as if the loudspeaker was "
                    "still warm. Wait longer before the next test.",
                )
            )
    return notes


def moved_db(short: ShortTerm) -> float | None:
    """Return what the baseline moved by, where noise leaves most of that; None where none."""
    if not np.any(short.drift_db > 0.0):
        return None
    return abs(float(short.drift_shown_db[int(np.argmax(np.nan_to_num(short.drift_db)))]))


def _shape(short: ShortTerm) -> tuple[float, float, float, float] | None:
    """Mean of the drift, its ripple, the spread of its octaves, and its highest point."""
    drift, grid = short.drift_shown_db, short.baseline.frequency_hz
    inside = short.baseline.usable & np.isfinite(drift) & (grid >= 100.0) & (grid <= 10_000.0)
    if np.count_nonzero(inside) < 48:
        return None
    octaves = moving_octave_mean(drift, frequency_hz=grid, octaves=1.0, keep=inside)
    ripple = float(np.sqrt(np.mean(np.square((drift - octaves)[inside]))))
    return (
        float(np.mean(drift[inside])),
        ripple,
        float(np.std(octaves[inside])),
        float(np.max(octaves[inside])),
    )


def _heat_db(short: ShortTerm) -> float | None:
    shape = _shape(short)
    if shape is None:
        return None
    mean, ripple, spread, highest = shape
    smooth = ripple < 0.3 * abs(mean) and spread > 0.15 * abs(mean)
    return -mean if mean < -HEAT_DB and smooth and highest < 0.05 else None


def _looks(short: ShortTerm) -> str:
    shape = _shape(short)
    if shape is None:
        return ""
    mean, ripple, spread, _ = shape
    if ripple > max(abs(mean), 0.1):
        return ", up and down over frequency, as when something in the place was moved"
    if abs(mean) > HEAT_DB and ripple < 0.3 * abs(mean) and spread <= 0.15 * abs(mean):
        return ", the same at all frequencies, as when a gain was changed"
    return ""
