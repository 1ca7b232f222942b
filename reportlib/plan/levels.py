"""The levels of a day: where they begin, how they rise, what bounds the top, what they take.

What a level takes at the terminals is by the maker's sensitivity; how loud a cone can be before it
reaches its excursion is a caution, not a prediction; how loud a silent recording is, the third of
an octave that a quiet baseline must clear. Heat within a sweep is an upper bound:

Energy over heat capacity, with nothing carried away (dT/dt = P/C), all power in the coil of the
drive unit whose range the sweep passes, into the rated impedance, nothing lost in the crossover.
The loss is 20·lg(R_hot/R_cold) of a copper coil under voltage drive.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from reportlib.errors import PlanError
from reportlib.measure.levels import (
    NOMINAL_HZ,
    band_centres_hz,
    cell_edges_hz,
    cell_mean,
    db,
    distance_change_db,
)
from reportlib.measure.stress.coil import COPPER_PER_K
from reportlib.measure.sweep import SweepLaw
from reportlib.numbers import frequency, level_text
from reportlib.plan import records
from reportlib.plan.records import (
    SLACK_DB,
    Bound,
    PlanRequest,
    RoomNoise,
    SelfHeat,
    Terminals,
    Woofer,
)
from reportlib.session.day import SPACES_WITH_1_M_LEVELS, Rig, Speaker, SweepFacts
from reportlib.session.records import FloatArray


def to_microphone_db(rig: Rig) -> float:
    """Return how much lower the microphone reads than the level at 1 m.

    By 20·lg d where levels may be referred to 1 m; elsewhere levels are those at the microphone.
    """
    if rig.space not in SPACES_WITH_1_M_LEVELS:
        return 0.0
    return distance_change_db(from_m=1.0, to_m=rig.distance_m)


def at_1_m_db(rig: Rig) -> float:
    """Return how much higher a named level is at 1 m, at most.

    Where levels are those at a microphone farther away, as much as in free field.
    """
    if rig.space in SPACES_WITH_1_M_LEVELS:
        return 0.0
    return max(0.0, distance_change_db(from_m=rig.distance_m, to_m=1.0))


def nominal_range_hz(sweep: SweepFacts) -> tuple[float, float]:
    """Return the stretch that levels are named by.

    200–5000 Hz as far as the sweep reaches; all of a sweep that covers less than two octaves of it.
    """
    low_hz, high_hz = max(NOMINAL_HZ[0], sweep.start_hz), min(NOMINAL_HZ[1], sweep.stop_hz)
    return (low_hz, high_hz) if high_hz >= 4.0 * low_hz else (sweep.start_hz, sweep.stop_hz)


def equal_steps_db(baseline_db: float, *, top_db: float) -> tuple[float, ...]:
    """Return levels from the baseline up in equal steps, the last one shortened to meet the top.

    >>> equal_steps_db(72.0, top_db=99.0)
    (72.0, 78.0, 84.0, 90.0, 96.0, 99.0)
    """
    levels = [baseline_db]
    while levels[-1] + records.STEP_DB < top_db - SLACK_DB:
        levels.append(levels[-1] + records.STEP_DB)
    return (*levels, top_db)


def lowest_baseline_db(request: PlanRequest) -> float | None:
    """Return the lowest baseline that stands clear of the room's noise, in whole dB at 1 m."""
    if request.room_noise is None:
        return None
    clear_db = request.room_noise.level_db + records.OVER_NOISE_DB - to_microphone_db(request.rig)
    return float(-(-clear_db // 1.0))


def fixed_bounds(request: PlanRequest) -> tuple[Bound, ...]:
    """Return what bounds the top apart from the dose, which depends on the whole day."""
    found = []
    rated_db = rated_level_db(request.speaker)
    if rated_db is not None:
        level_db = rated_db - at_1_m_db(request.rig)
        found.append(Bound(kind="rating", level_db=level_db, about="the maker's rating"))
    if request.woofer is not None:
        found.append(_excursion_bound(request, woofer=request.woofer))
    return tuple(found)


def asked_levels_db(request: PlanRequest, *, top_db: float) -> tuple[float, ...]:
    """Return the levels of the short-term test, the baseline first.

    Raises
    ------
    PlanError
        There is no baseline to go by, or the levels do not rise.
    """
    if request.levels_db:
        levels = request.levels_db
        if len(levels) < 2 or any(b <= a for a, b in pairwise(levels)):
            raise PlanError(
                f"levels of {', '.join(f'{level:g}' for level in levels)} dB: give two or more "
                "that rise, the baseline first."
            )
        return levels
    baseline_db = baseline_of(request)
    if top_db <= baseline_db + SLACK_DB:
        raise PlanError(
            f"a top of {level_text(top_db)} over a baseline of {level_text(baseline_db)}: nothing "
            "would rise. Give a higher --top, a lower --baseline, or a quieter place."
        )
    if top_db - baseline_db > records.MOST_STEPS * records.STEP_DB:
        raise PlanError(
            f"a top of {level_text(top_db)} over a baseline of {level_text(baseline_db)}: more "
            "than a loudspeaker can do. Correct --baseline or --top."
        )
    return equal_steps_db(baseline_db, top_db=top_db)


def baseline_of(request: PlanRequest) -> float:
    """Return the baseline that is asked for, or else the lowest that the noise allows.

    Raises
    ------
    PlanError
        Neither is given.
    """
    if request.levels_db:
        return request.levels_db[0]
    if request.baseline_db is not None:
        return request.baseline_db
    lowest_db = lowest_baseline_db(request)
    if lowest_db is None:
        raise PlanError(
            "there is no baseline: give --baseline, or the room's noise (--silence, or "
            "--room-noise), over which it would stand by 30 dB."
        )
    return lowest_db


def stress_levels_db(request: PlanRequest, *, levels_db: Sequence[float]) -> tuple[float, ...]:
    """Return the levels of the long-term test, rising."""
    if request.stress_db is not None:
        return tuple(sorted(set(request.stress_db)))
    return (max(levels_db[-1] - records.STRESS_BELOW_TOP_DB, levels_db[0]),)


SENSITIVITY_VOLT = 2.83
"""Of a sensitivity: 1 W into 8 Ω (8.0089/8)."""
SWEEP_CREST_DB = 20.0 * math.log10(math.sqrt(2.0))


def sensitivity_at_volt_db(sensitivity_1_w_db: float, *, impedance_ohm: float) -> float:
    """Return the sensitivity for 2.83 V of one given for 1 W into the rated impedance.

    >>> round(sensitivity_at_volt_db(84.0, impedance_ohm=4.0), 2)
    87.02
    """
    return sensitivity_1_w_db + 20.0 * math.log10(SENSITIVITY_VOLT / math.sqrt(impedance_ohm))


def terminals(speaker: Speaker, *, level_db: float, crest_db: float) -> Terminals | None:
    """Return what a level asks of the amplifier; None for active ones, or without a sensitivity.

    Volts rms are 2.83·10^((level − sensitivity)/20), in free field and without any compression.

    Parameters
    ----------
    level_db : nominal rms level at 1 m
    crest_db : peak of the drive over its rms

    >>> from reportlib.session.day import Speaker
    >>> passive = Speaker(name="a", drive="passive", sensitivity_db=84.0, rated_impedance_ohm=4.0)
    >>> drive = terminals(passive, level_db=84.0, crest_db=SWEEP_CREST_DB)
    >>> drive.volt, round(drive.watt, 2), round(drive.peak_volt, 2)
    (2.83, 2.0, 4.0)
    """
    if speaker.drive == "active" or speaker.sensitivity_db is None:
        return None
    volt = SENSITIVITY_VOLT * 10.0 ** ((level_db - speaker.sensitivity_db) / 20.0)
    impedance_ohm = speaker.rated_impedance_ohm
    return Terminals(
        volt=volt,
        peak_volt=volt * 10.0 ** (crest_db / 20.0),
        watt=None if impedance_ohm is None else volt**2 / impedance_ohm,
    )


def rated_level_db(speaker: Speaker) -> float | None:
    """Return the level that the maker's rating allows; None where there is none to go by.

    The rated power, or the maker's maximum level, whichever is less.

    >>> from reportlib.session.day import Speaker
    >>> speaker = Speaker(name="a", drive="passive", sensitivity_db=84.0, rated_impedance_ohm=4.0,
    ...                   rated_power_w=50.0)
    >>> round(rated_level_db(speaker), 2)
    97.97
    """
    found = []
    if speaker.maximum_level_db is not None:
        found.append(speaker.maximum_level_db)
    at_sensitivity = terminals(speaker, level_db=speaker.sensitivity_db or 0.0, crest_db=0.0)
    if (
        at_sensitivity is not None
        and at_sensitivity.watt is not None
        and speaker.rated_power_w is not None
    ):
        assert speaker.sensitivity_db is not None  # else there were no terminals
        found.append(
            speaker.sensitivity_db + 10.0 * math.log10(speaker.rated_power_w / at_sensitivity.watt)
        )
    return min(found, default=None)


AIR_KG_M3 = 1.204
"""At 20 °C and 101.325 kPa: p/(R·T), dry air of 287.05 J/(kg·K)."""
_REFERENCE_PA = 20e-6


def volume_velocity_m3_s(level_db: float, *, frequency_hz: float, distance_m: float = 1.0) -> float:
    """Return the rms volume velocity of a small source that gives a level in free field.

    p = ρ·f·U/(2·r), a monopole's (textbook acoustics).
    """
    pressure_pa = _REFERENCE_PA * float(10.0 ** (level_db / 20.0))
    return 2.0 * distance_m * pressure_pa / (AIR_KG_M3 * frequency_hz)


def excursion_m(level_db: float, *, area_m2: float, frequency_hz: float) -> float:
    """Return how far to one side (peak) a piston moves for an rms level at 1 m in free field."""
    velocity_m_s = volume_velocity_m3_s(level_db, frequency_hz=frequency_hz) / area_m2
    return math.sqrt(2.0) * velocity_m_s / (2.0 * math.pi * frequency_hz)


def excursion_level_db(woofer: Woofer) -> float:
    """Return the level at 1 m at which a closed box in free field reaches the woofer's excursion.

    At the lowest frequency that it gives at its level; above, the cone moves less.
    """
    at_0_db = excursion_m(0.0, area_m2=woofer.area_m2, frequency_hz=woofer.from_hz)
    return 20.0 * math.log10(woofer.excursion_m / at_0_db)


HALF_SPACE_DB = 20.0 * math.log10(2.0)
"""More pressure from the same volume velocity: the floor's image source (textbook acoustics)."""
VENTED_DB = 8.4
"""More level from the same excursion of a vented box, swept from its tuning up, than of a closed
box at that frequency: P = 3.0·f3⁴·V_D² (R. H. Small, JAES 21(6), 1973, 438–444; from memory)
against 4π³·ρ/c·f⁴·V_D² (JAES 21(1), 1973, 11–18; second-hand)."""


def tuning_hz(speaker: Speaker) -> float | None:
    """Return below which frequency no port or radiator loads the cone any more."""
    return min(speaker.tuning_hz, default=None)


def _excursion_bound(request: PlanRequest, *, woofer: Woofer) -> Bound:
    """Return the level at which the sweep moves the cone as far as it may.

    Below its tuning a vented box's cone moves as freely as a closed one's at that frequency whose
    resonance it is: a sweep that goes there is bounded so (fourth-order Butterworth alignment).
    """
    tuned_hz = tuning_hz(request.speaker)
    level_db = excursion_level_db(
        woofer if tuned_hz is None else replace(woofer, from_hz=tuned_hz)
    ) - at_1_m_db(request.rig)
    box = f"at {woofer.from_hz:g} Hz, reckoned as a closed box"
    if tuned_hz is not None:
        loaded = request.sweep.start_hz >= tuned_hz
        swept = "from" if loaded else "below"
        box = f"when reckoned as a vented box swept {swept} its tuning of {tuned_hz:g} Hz"
        level_db += VENTED_DB if loaded else 0.0
    half_space = request.rig.space == "half space"
    level_db += HALF_SPACE_DB if half_space else 0.0
    about = (
        f"a cone of {100.0 * woofer.diameter_m:g} cm moves {1e3 * woofer.excursion_m:g} mm to one "
        f"side {box} in {'half space' if half_space else 'free field'}"
    )
    return Bound(kind="excursion", level_db=level_db, about=about)


MOST_K = 200.0
"""A coil that much above its cold self is about to fail: larger numbers mean no more than that."""


def adiabatic_rise_k(*, watt: float, seconds: float, coil_j_per_k: float) -> float:
    """Return how much a coil warms where no heat leaves it.

    >>> adiabatic_rise_k(watt=50.0, seconds=1.0, coil_j_per_k=4.0)
    12.5
    """
    return watt * seconds / coil_j_per_k


def copper_loss_db(rise_k: float) -> float:
    """Return what a copper coil that much above 20 °C costs in level under voltage drive.

    >>> round(copper_loss_db(100.0), 2)
    2.88
    """
    return 20.0 * math.log10(1.0 + COPPER_PER_K * rise_k)


def copper_rise_k(loss_db: float) -> float:
    """Return the rise that costs so much: the inverse of `copper_loss_db`."""
    return float(10.0 ** (loss_db / 20.0) - 1.0) / COPPER_PER_K


def self_heat(
    law: SweepLaw, *, watt: float, crossovers_hz: Sequence[float]
) -> tuple[SelfHeat, ...]:
    """Return what one sweep of so many watts does to each coil, from the bass up."""
    inside = [hz for hz in sorted(crossovers_hz) if law.start_hz < hz < law.stop_hz]
    edges = [law.start_hz, *inside, law.stop_hz]
    found = []
    for index, (low_hz, high_hz) in enumerate(pairwise(edges)):
        unit, coil_j_per_k, coil_s = _unit(index, count=len(edges) - 1)
        seconds = law.time_s(high_hz) - law.time_s(low_hz)
        rise_k = adiabatic_rise_k(watt=watt, seconds=seconds, coil_j_per_k=coil_j_per_k)
        found.append(
            SelfHeat(
                unit=unit,
                low_hz=low_hz,
                high_hz=high_hz,
                energy_j=watt * seconds,
                rise_k=rise_k,
                loss_db=copper_loss_db(rise_k),
                coil_s=coil_s,
            )
        )
    return tuple(found)


def heats(*, watt: float, seconds: float) -> bool:
    """Return whether so many watts may cost a coil more than `records.COOL_DB`.

    All of it in the smallest coil, for as long as its time constant at most.

    >>> heats(watt=0.05, seconds=600.0), heats(watt=0.1, seconds=4.0)
    (False, True)
    """
    rise_k = adiabatic_rise_k(
        watt=watt,
        seconds=min(seconds, records.TREBLE_COIL_S),
        coil_j_per_k=records.TREBLE_COIL_J_PER_K,
    )
    return rise_k > copper_rise_k(records.COOL_DB)


def cooling_wait_s(parts: Sequence[SelfHeat]) -> float:
    """Return how long after a level that heats until no coil costs more than `records.COOL_DB`.

    τ·ln(rise/rest), at most 5 τ, in whole 10 s and at least that; a fixed time where nothing is
    known of the coils.
    """
    if not parts:
        return records.UNKNOWN_WAIT_S
    rest_k = copper_rise_k(records.COOL_DB)
    waits = [part.coil_s * min(math.log(max(part.rise_k / rest_k, 1.0)), 5.0) for part in parts]
    return 10.0 * math.ceil(max(*waits, 10.0) / 10.0 - 1e-9)


def _unit(index: int, *, count: int) -> tuple[str, float, float]:
    """Name, heat capacity and time constant of a drive unit, counted from the bass up."""
    if count == 1:
        return "whole range", records.MIDDLE_COIL_J_PER_K, records.MIDDLE_COIL_S
    if index == 0:
        return "bass", records.BASS_COIL_J_PER_K, records.BASS_COIL_S
    if index == count - 1:
        return "treble", records.TREBLE_COIL_J_PER_K, records.TREBLE_COIL_S
    return "middle", records.MIDDLE_COIL_J_PER_K, records.MIDDLE_COIL_S


RANGE_HZ = (50.0, 10000.0)
"""Where it is looked at: below, no living room is quiet, and little is played."""
_SHORTEST_S = 1.0


def room_noise(
    samples: FloatArray, *, sample_rate_hz: int, full_scale_db: float, source: str
) -> RoomNoise:
    """Return the level of the loudest third of an octave of a recording with nothing played.

    A sweep is in one third of an octave at a time, with all of its level: that is what a
    baseline is held against. Spectrum by Welch's method, bands of IEC 61260-1.

    Parameters
    ----------
    samples : shape (n,), full scale at ±1
    full_scale_db : dB SPL (rms) of a sine that just reaches full scale

    Raises
    ------
    PlanError
        It is too short, or digitally silent.
    """
    from scipy.signal import welch

    size = round(_SHORTEST_S * sample_rate_hz)
    if samples.size < size:
        raise PlanError(f"{source}: shorter than {_SHORTEST_S:g} s. Record some 10 s of silence.")
    frequency_hz, density = welch(samples, sample_rate_hz, nperseg=size)
    centres = band_centres_hz(
        3, start_hz=RANGE_HZ[0], stop_hz=min(RANGE_HZ[1], 0.4 * sample_rate_hz)
    )
    low_hz, high_hz = cell_edges_hz(centres, fraction=3)
    mean = cell_mean(density, spacing_hz=float(frequency_hz[1]), low_hz=low_hz, high_hz=high_hz)
    levels_db = full_scale_db + db(2.0 * mean * (high_hz - low_hz))
    if not np.any(np.isfinite(levels_db)):
        raise PlanError(f"{source}: holds nothing at all. Check the cable, and record it again.")
    loudest = int(np.argmax(levels_db))
    return RoomNoise(
        level_db=float(levels_db[loudest]),
        about=f"its loudest third of an octave, at {frequency(float(centres[loudest]))}",
    )
