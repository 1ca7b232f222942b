"""What changed over the day, place, temperature, the baseline itself; and what the chain did.

A limiter, heat and a port are the loudspeaker's own. What tells a chain from them: overload
bends the waveform in step with the loss and in the same phase at every frequency (y = x − b·x³
loses 3b/4 of its fundamental and gains a third harmonic of b/4, which flattens the tops), while
a loudspeaker's harmonics turn their phase with frequency; automatic gain takes the same share
of every step, from the lowest level on, and pulls the silence down with it.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from reportlib.check.kinds import found
from reportlib.check.trace import FRAME_OCTAVES, Trace
from reportlib.measure.compression import Setting, ShortTerm
from reportlib.measure.levels import moving_octave_mean
from reportlib.measure.records import ChangeCurve, Response
from reportlib.numbers import frequency, number
from reportlib.session.day import Session
from reportlib.session.records import QualityNote

OVERLOAD_LOSS_DB = 0.3
OVERLOAD_OCTAVES = 2.0
_FLATTENING = 0.3
"""Kurtosis lost over amplitude lost: less than half of the 2/3 that a cubic gives."""
_LEANING = 0.4
"""Skewness gained over amplitude lost, always to one side: half of what a soft stop on one side
gives (computed)."""
_IN_STEP = 0.8
"""Of the stretches with a loss. A loudspeaker's harmonics have another phase at every frequency:
in the simulated ones at up to 105 dB the share stays below 0.65 (computed)."""
GAIN_SHARE = 0.03
GAIN_FIRST_DB = 0.15
SILENCE_FALLS_DB = 3.0
"""Silence of half a second is known to 0.1 dB; a place changes more (common practice, no
source)."""
_FEWEST_POINTS = 24
_SAME_SHARE = 1.25


def overload_notes(
    short: ShortTerm,
    *,
    settings: Sequence[Setting],
    traces: Mapping[str, Trace],
    sample_rate_hz: int,
) -> list[QualityNote]:
    """Say where a loss looks like that of the microphone or its preamplifier.

    Parameters
    ----------
    settings : the baseline and the others, in the order of `short.curves`
    """
    base = traces[settings[0].takes[0].source]
    notes = []
    for curve, setting in zip(short.curves, settings[1:], strict=True):
        trace = traces[setting.takes[0].source]
        evidence = _overload(curve, trace=trace, base=base, highest_hz=sample_rate_hz / 8.0)
        if evidence is None:
            continue
        onset_db, low_hz, high_hz, one_sided = evidence
        side = "on one side" if one_sided else "on both sides"
        notes.append(
            found(
                "overload",
                "warning",
                capture=trace.source,
                message=f"From {frequency(low_hz)} to {frequency(high_hz)}, from about "
                f"{number(onset_db, 0)} dB re full scale on, the waveform is flattened {side} in "
                "step with the loss: it looks like an overloaded microphone or preamplifier, "
                "not like the loudspeaker. Double the distance and repeat; the curve must not "
                "change.",
            )
        )
    return notes


def _overload(
    curve: ChangeCurve, *, trace: Trace, base: Trace, highest_hz: float
) -> tuple[float, float, float, bool] | None:
    """Return onset, lowest and highest frequency and whether one side alone is flattened."""
    if trace.frame_hz.size != base.frame_hz.size:
        return None
    hz = trace.frame_hz
    grid = np.log(curve.frequency_hz)
    known = np.where(np.isfinite(curve.change_db), curve.change_db, 0.0)
    loss = -np.interp(np.log(hz), grid, known)
    usable = np.interp(np.log(hz), grid, curve.usable.astype(float)) > 0.99
    flattening = base.kurtosis - trace.kurtosis
    leaning = trace.skewness - base.skewness
    told = usable & np.isfinite(flattening) & (hz >= 100.0) & (hz <= highest_hz)
    lost = told & (loss > OVERLOAD_LOSS_DB)
    octaves = np.count_nonzero(lost) * FRAME_OCTAVES
    if octaves < max(OVERLOAD_OCTAVES, 0.5 * np.count_nonzero(told) * FRAME_OCTAVES):
        return None
    share = 1.0 - 10.0 ** (-loss[lost] / 20.0)
    side = np.sign(np.median(leaning[lost]))
    flat = float(np.mean(flattening[lost] > _FLATTENING * share))
    leans = float(np.mean(side * leaning[lost] > _LEANING * share))
    if max(flat, leans) < _IN_STEP:
        return None
    onset_db = float(np.min((trace.level_db + loss)[lost]))
    return onset_db, float(hz[lost].min()), float(hz[lost].max()), leans >= _IN_STEP


def gain_notes(
    short: ShortTerm,
    *,
    settings: Sequence[Setting],
    traces: Mapping[str, Trace],
    reference_counts: bool,
) -> list[QualityNote]:
    """Say where automatic gain control looks likely, by the steps or by the silence."""
    return [
        *_by_steps(short, settings=settings, reference_counts=reference_counts),
        *_by_silence(settings, traces=traces),
    ][:1]


def _by_steps(
    short: ShortTerm, *, settings: Sequence[Setting], reference_counts: bool
) -> list[QualityNote]:
    shares: list[float] = []
    steps: list[float] = []
    for curve, step in zip(short.curves, short.steps, strict=True):
        change = curve.change_db[curve.usable]
        if change.size < _FEWEST_POINTS or step.applied_db < 1.0:
            break
        low, middle, high = np.percentile(change, (25.0, 50.0, 75.0))
        same = high - low <= max(0.3 * abs(middle), GAIN_FIRST_DB)
        told = -middle > max(GAIN_FIRST_DB, float(np.median(curve.u95_db[curve.usable])))
        if not (same and told):
            break
        share = -float(middle) / step.applied_db
        if shares and not 1.0 / _SAME_SHARE < share / shares[0] < _SAME_SHARE:
            break
        shares.append(share)
        steps.append(step.applied_db)
    # Higher levels may add a loss of their own. Steps that lie far apart tell a share of each
    # step from one offset of the baseline.
    if len(shares) < 2 or max(steps) < 1.4 * min(steps):
        return []
    if min(shares) < GAIN_SHARE:
        return []
    share = float(np.mean(shares))
    other = (
        ""
        if reference_counts
        else ", or like volume steps smaller than typed in (no reference counted them)"
    )
    return [
        found(
            "automatic-gain",
            "warning",
            capture=settings[-1].takes[0].source,
            message=f"From the lowest step on, {number(100.0 * share, 0)} % of every step is "
            "missing at the microphone, the same at all frequencies: it looks like automatic "
            f"gain control in the chain{other}. Switch automatic level, limiter and noise "
            "reduction off and measure again.",
        )
    ]


def _by_silence(settings: Sequence[Setting], *, traces: Mapping[str, Trace]) -> list[QualityNote]:
    asked = np.array([setting.drive_db for setting in settings])
    if asked.size < 2:
        return []
    before = np.array([_mean(setting, traces, name="silence_db") for setting in settings])
    before -= np.array([setting.input_gain_db for setting in settings])
    after = np.array([_mean(setting, traces, name="after_db") for setting in settings])
    after -= np.array([setting.input_gain_db for setting in settings])
    top = settings[-1].takes[0].source
    falls = before[0] - before[-1]
    # A place that was loud once falls once; gain falls again from the second level to the top.
    steady = asked.size >= 3 and before[1] - before[-1] > 0.25 * falls
    if falls > SILENCE_FALLS_DB and steady and _rank_correlation(asked, before) < -0.8:
        text = (
            f"The silence before the sweep falls by {number(float(falls), 0)} dB as the level rises"
        )
    else:
        pumps = before - after
        if not (pumps[-1] > SILENCE_FALLS_DB and abs(pumps[0]) < 0.5 * SILENCE_FALLS_DB):
            return []
        text = (
            f"After the loudest sweep it is {number(float(pumps[-1]), 0)} dB quieter than before it"
        )
    return [
        found(
            "automatic-gain",
            "warning",
            capture=top,
            message=f"{text}: it looks like automatic gain control in the chain. Switch automatic "
            "level, limiter and noise reduction off and measure again.",
        )
    ]


def _mean(setting: Setting, traces: Mapping[str, Trace], *, name: str) -> float:
    return float(np.mean([getattr(traces[take.source], name) for take in setting.takes]))


def _rank_correlation(a: np.ndarray, b: np.ndarray) -> float:
    """Spearman's correlation of ranks; 0 where one of the two does not vary."""
    ranks = [np.argsort(np.argsort(one)).astype(float) for one in (a, b)]
    if a.size < 3 or np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


MOVED_MM = 10.0
"""At 1 m this is 0.1 dB of level (20·lg 1.01); 3 K of the air's temperature give 5 mm."""
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
    elif np.any(short.drift_db > 0.0):
        # What noise leaves of the drift counts, not its largest value anywhere.
        beyond = np.nan_to_num(short.drift_db * np.sqrt(3.0))
        worst = int(np.argmax(beyond))
        largest = abs(float(short.drift_shown_db[worst]))
        severity = "warning" if beyond[worst] > DRIFT_WARNING_DB else "note"
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
