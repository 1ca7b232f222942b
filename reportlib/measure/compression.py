"""Short-term and long-term change: output against the drive actually applied.

``change_db`` is 10·lg(|H_i|²/|H_b|²): negative is less than asked (compression). Where a
reference channel counts, each H is against its own measured drive; otherwise the volume step
is taken as asked and subtracted. Uncertainties as in :mod:`reportlib.measure.uncertainty`; baseline
and level are combined in quadrature.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reportlib.measure.levels import cell_edges_hz, db, moving_octave_mean, nominal, power
from reportlib.measure.records import (
    BaselineCurve,
    Budget,
    ChangeCurve,
    DriveStep,
    Reason,
    Response,
)
from reportlib.measure.uncertainty import (
    DB_PER_NOISE_RATIO,
    STEP_FLOOR_DB,
    Known,
    Part,
    Repeatability,
    effective_dof,
    expanded,
    gate_db,
    known_level,
    lowest_spread,
    repeatability,
)
from reportlib.session.day import Test
from reportlib.session.records import BoolArray, FloatArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Setting:
    """The takes of one level, as measured.

    Attributes
    ----------
    level_db : asked-for level, dB SPL at 1 m
    drive_db : asked-for drive over the baseline's
    input_gain_db : how much more the recording side amplified than at the baseline
    takes : their responses
    """

    level_db: float
    drive_db: float
    takes: tuple[Response, ...]
    input_gain_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Rules:
    """What holds for a whole session.

    Attributes
    ----------
    reference_counts : volume steps are read from the reference channel
    drive_tolerance_db : standard uncertainty of a step that is not
    assumed_repeatability_db : see `uncertainty.repeatability`
    usable_u95_db : a point with a surely wider interval is not used
    full_scale_db : dB SPL (rms), referred to 1 m where the space allows, of a sine that just
        reaches full scale in the microphone's channel; None where nothing was calibrated
    sweep_range_hz, lowest_hz : what sweep and gate leave to use
    fraction : smoothing, as the n of 1/n octave
    microphone_db : shape (n,), by how much the microphone reads too high, on the responses'
        grid; None where nobody says. It cancels in changes and enters the baseline's level
    source : what the responses were made from
    lower_bound : noise is not known, so that every interval is a lower bound
    """

    reference_counts: bool
    drive_tolerance_db: float
    assumed_repeatability_db: float
    usable_u95_db: float
    full_scale_db: float | None
    sweep_range_hz: tuple[float, float]
    lowest_hz: float
    fraction: int
    microphone_db: FloatArray | None = None
    source: Literal["sweep", "text"] = "sweep"
    lower_bound: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class ShortTerm:
    """The short-term test: one curve a level over the baseline.

    Attributes
    ----------
    drift_db : shape (n,), standard uncertainty from the day's drift; 0 where no baseline was
        repeated
    drift_shown_db : shape (n,), baseline again over baseline, smoothed; NaN without
    """

    baseline: BaselineCurve
    curves: tuple[ChangeCurve, ...]
    steps: tuple[DriveStep, ...]
    repeatability: Repeatability
    drift_db: FloatArray
    drift_shown_db: FloatArray


def drive_step(baseline: Setting, setting: Setting, *, rules: Rules) -> DriveStep:
    """Measure one volume step from the reference channel, or take it as asked.

    The step is the median over the sweep's range of the smoothed 20·lg|X_i/X_b|.
    """
    asked = setting.drive_db - baseline.drive_db
    if not rules.reference_counts:
        return DriveStep(
            level_db=setting.level_db,
            asked_db=asked,
            measured_db=None,
            u95_db=1.96 * rules.drive_tolerance_db,
        )
    ratio = db(_mean_drive(setting)) - db(_mean_drive(baseline))
    noise = sum(
        float(np.median(take.drive_noise)) / len(one.takes)
        for one in (baseline, setting)
        for take in one.takes[:1]
    )
    # A median of n values scatters 1.25 times as much as their mean.
    random = 1.25 * DB_PER_NOISE_RATIO * np.sqrt(noise / ratio.size)
    return DriveStep(
        level_db=setting.level_db,
        asked_db=asked,
        measured_db=float(np.nanmedian(ratio)),
        u95_db=1.96 * float(np.hypot(random, STEP_FLOOR_DB)),
    )


def short_term(
    baseline: Setting, levels: Sequence[Setting], *, again: Sequence[Setting], rules: Rules
) -> ShortTerm:
    """Compare every level with the baseline.

    Parameters
    ----------
    baseline : the quietest level
    levels : the others, rising
    again : the baseline once more, at any time of the day
    """
    grid = baseline.takes[0].frequency_hz
    spread = repeatability(
        [setting.takes for setting in (baseline, *levels, *again)],
        assumed_db=rules.assumed_repeatability_db,
    )
    base = known_level(baseline.takes)
    drift, shown = _drift(baseline, again, spread=spread, rules=rules, first=1 + len(levels))
    curves = tuple(
        _change(
            "short_term",
            upper=setting,
            lower=baseline,
            indices=(index, 0),
            elapsed_s=0.0,
            spread=spread,
            drift_db=drift,
            rules=rules,
        )
        for index, setting in enumerate(levels, start=1)
    )
    u_base = np.sqrt(
        np.square(base.noise_db)
        + (spread.broadband_db**2 + np.square(spread.of_setting(0)[0])) / base.takes
    )
    u95 = expanded(u_base, dof=effective_dof(_own_parts(base, spread=spread, index=0)))
    _, reason = _judge(
        u95,
        but_for_gate_db=u95,
        known=(base,),
        frequency_hz=grid,
        rules=rules,
        untold=_untold(baseline.takes),
    )
    heard = base.power if rules.microphone_db is None else base.power / power(rules.microphone_db)
    if rules.full_scale_db is None:
        level = _nominal_level_db(heard, frequency_hz=grid, asked_db=baseline.level_db)
    else:
        amplitude = float(np.mean([take.drive_amplitude for take in baseline.takes]))
        level = db(heard * amplitude**2) + rules.full_scale_db
    curve = BaselineCurve(
        level_asked_db=baseline.level_db,
        mean_level_db=float(db(np.mean(power(level[_nominal(grid, told=np.isfinite(level))])))),
        frequency_hz=grid,
        level_db=level,
        u95_db=u95,
        snr_db=baseline.takes[0].snr_db,
        usable=np.array([not one for one in reason]),
        calibrated=rules.full_scale_db is not None,
    )
    return ShortTerm(
        baseline=curve,
        curves=curves,
        steps=tuple(drive_step(baseline, setting, rules=rules) for setting in levels),
        repeatability=spread,
        drift_db=drift,
        drift_shown_db=shown,
    )


def long_term(
    before: Setting, after: Setting, *, elapsed_s: float, short: ShortTerm, rules: Rules
) -> ChangeCurve:
    """Compare the sweep after a stage of stress with the sweep before it, same drive.

    Takes are rarely repeated here, so the day's repeatability counts.
    """
    return _change(
        "long_term",
        upper=after,
        lower=before,
        indices=(-1, -1),
        elapsed_s=elapsed_s,
        spread=_of_the_day(short.repeatability),
        drift_db=short.drift_db,
        rules=rules,
    )


def _of_the_day(spread: Repeatability) -> Repeatability:
    """Return what a setting that was not repeated may be taken to scatter by."""
    return Repeatability(
        broadband_db=spread.broadband_db,
        broadband_dof=spread.broadband_dof,
        local_db=np.sqrt(np.mean(np.square(spread.local_db), axis=0, keepdims=True)),
        local_dof=np.sum(spread.local_dof, axis=0, keepdims=True),
        assumed=spread.assumed,
    )


def _mean_drive(setting: Setting) -> FloatArray:
    return np.asarray(np.mean([take.drive_power for take in setting.takes], axis=0))


def _own_parts(known: Known, *, spread: Repeatability, index: int) -> list[Part]:
    """Uncertainty components of one setting's mean, with their degrees of freedom."""
    root = np.sqrt(known.takes)
    local_db, local_dof = spread.of_setting(index)
    return [
        (known.noise_db, known.noise_dof),
        (local_db / root, local_dof),
    ]


def _interval(parts: Sequence[Part]) -> tuple[FloatArray, FloatArray]:
    """Return degrees of freedom and half-width of the 95 % interval that parts make together."""
    with np.errstate(invalid="ignore"):
        dof = effective_dof(parts)
        standard = np.sqrt(sum(np.square(np.asarray(u)) for u, _ in parts))
        return dof, expanded(standard, dof=dof)


def _surely(own: Sequence[Part]) -> list[Part]:
    """Return two settings' own parts with what takes differ by at the low end of what it may be.

    Two takes tell it to a factor of two only, and their luck must not hide a point that one take
    would have shown.
    """
    noise, local = own[::2], own[1::2]
    return [*noise, *((lowest_spread(u, dof=dof), dof) for u, dof in local)]


def _change(
    test: Test,
    *,
    upper: Setting,
    lower: Setting,
    indices: tuple[int, int],
    elapsed_s: float,
    spread: Repeatability,
    drift_db: FloatArray,
    rules: Rules,
) -> ChangeCurve:
    grid = upper.takes[0].frequency_hz
    above, below = known_level(upper.takes), known_level(lower.takes)
    step = drive_step(lower, upper, rules=rules)
    change = db(above.power) - db(below.power) - (upper.input_gain_db - lower.input_gain_db)
    if not rules.reference_counts:
        change = change - step.asked_db
    parts = _own_parts(above, spread=spread, index=indices[0])
    parts += _own_parts(below, spread=spread, index=indices[1])
    broadband = spread.broadband_db * np.sqrt(1 / above.takes + 1 / below.takes)
    gate = gate_db(above, below, frequency_hz=grid)
    exact = np.sqrt(np.square(drift_db) + (step.u95_db / 1.96) ** 2)
    parts += [(broadband, spread.broadband_dof), (exact, np.inf)]
    of_gate: Part = (gate, np.inf)
    dof, u95 = _interval([*parts, of_gate])
    surely = [*_surely(parts[:4]), *parts[4:]]
    usable, reason = _judge(
        _interval([*surely, of_gate])[1],
        but_for_gate_db=_interval(surely)[1],
        known=(above, below),
        frequency_hz=grid,
        rules=rules,
        untold=_untold((*upper.takes, *lower.takes)),
    )
    return ChangeCurve(
        test=test,
        level_db=upper.level_db,
        elapsed_s=elapsed_s,
        takes=above.takes,
        frequency_hz=grid,
        change_db=change,
        u95_db=u95,
        usable=usable,
        reason=reason,
        budget=Budget(
            noise_db=np.hypot(above.noise_db, below.noise_db),
            local_db=np.hypot(np.asarray(parts[1][0]), np.asarray(parts[3][0])),
            gate_db=gate,
            drift_db=drift_db,
            dof=dof,
            broadband_db=float(broadband),
            broadband_dof=spread.broadband_dof,
            step_db=step.u95_db / 1.96,
        ),
        source=rules.source,
        lower_bound=rules.lower_bound,
    )


def _drift(
    baseline: Setting, again: Sequence[Setting], *, spread: Repeatability, rules: Rules, first: int
) -> tuple[FloatArray, FloatArray]:
    """Return u_drift = |d|/√3, d the baseline's change over the day less its own interval."""
    grid = baseline.takes[0].frequency_hz
    zero = np.zeros(grid.shape)
    drift, shown = zero, np.full(grid.shape, np.nan)
    for index, setting in enumerate(again, start=first):
        curve = _change(
            "short_term",
            upper=setting,
            lower=baseline,
            indices=(index, 0),
            elapsed_s=0.0,
            spread=spread,
            drift_db=zero,
            rules=rules,
        )
        change = moving_octave_mean(
            curve.change_db, frequency_hz=grid, octaves=1 / 3, keep=curve.usable
        )
        own = moving_octave_mean(curve.u95_db, frequency_hz=grid, octaves=1 / 3, keep=curve.usable)
        beyond = np.sqrt(np.maximum(np.nan_to_num(change**2 - own**2), 0.0))
        shown = (
            change
            if not np.isfinite(shown).any()
            else np.where(np.abs(change) > np.abs(shown), change, shown)
        )
        drift = np.maximum(drift, beyond / np.sqrt(3.0))
    return drift, shown


def _untold(takes: Sequence[Response]) -> NDArray[np.str_]:
    """Why a point can't be told from these takes, by the first that can't; shape (n,)."""
    reason = np.full(takes[0].frequency_hz.shape, "", dtype="U8")
    for take in takes:
        if take.untold:
            reason = np.where(reason == "", np.array(take.untold), reason)
    return reason


def _judge(
    u95_db: FloatArray,
    *,
    but_for_gate_db: FloatArray,
    known: Sequence[Known],
    frequency_hz: FloatArray,
    rules: Rules,
    untold: NDArray[np.str_],
) -> tuple[BoolArray, tuple[Reason, ...]]:
    """Return which points may be used, and why the others may not.

    `but_for_gate_db` is the interval without what the gate leaves open.
    """
    low, high = cell_edges_hz(frequency_hz, fraction=rules.fraction)
    start, stop = rules.sweep_range_hz
    outside = (low < start) | (high > stop)
    if rules.source == "text":  # a file says itself where it ends
        outside = np.zeros_like(outside)
    heard = np.all([one.clear for one in known], axis=0)
    in_noise = np.logical_not(heard & (but_for_gate_db <= rules.usable_u95_db))
    below_gate = frequency_hz < rules.lowest_hz
    reason = np.select(
        [untold != "", outside, below_gate, in_noise, ~(u95_db <= rules.usable_u95_db)],
        [untold, "range", "gate", "noise", "gate"],
        default="",
    )
    return reason == "", tuple(reason.tolist())


def _nominal(frequency_hz: FloatArray, *, told: BoolArray) -> BoolArray:
    """Where a level is named by what can be told; all that can, where nothing there can."""
    inside = told & nominal(frequency_hz)
    return inside if inside.any() else told


def _nominal_level_db(
    heard: FloatArray, *, frequency_hz: FloatArray, asked_db: float
) -> FloatArray:
    """Set a response at the asked-for level, the mean of its power over 200–5000 Hz."""
    inside = _nominal(frequency_hz, told=np.isfinite(heard))
    return np.asarray(db(heard / np.mean(heard[inside])) + asked_db)
