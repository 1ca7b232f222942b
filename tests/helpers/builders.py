"""Believable records with sane defaults, for tests that need an `Analysis` and no audio.

`make_analysis()` is the small vented two-way of ``invented``; every argument changes one thing
about the day.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from invented import bump, heating, make_harmonics, vented_loss

from reportlib.judge.analysis import listeners
from reportlib.judge.causes.table import find_causes
from reportlib.judge.heard import audible_changes
from reportlib.judge.limits import limits_of
from reportlib.judge.records import Analysis, BandResult
from reportlib.measure.levels import BANDS, grid_hz
from reportlib.measure.records import BaselineCurve, Budget, ChangeCurve, DriveStep
from reportlib.measure.stress.records import Playing
from reportlib.session.day import (
    Channels,
    Entry,
    LongTermEntry,
    MultitoneFacts,
    Rig,
    Session,
    Speaker,
    Stage,
    SweepFacts,
)
from reportlib.session.parameters import checked_parameters
from reportlib.session.records import QualityNote

Change = Callable[[np.ndarray, float], np.ndarray]
"""(frequency_hz, rise in dB) → change in dB, negative for a loss."""


def make_session(
    *,
    name: str = "Trivet 6",
    baseline_db: float = 72.0,
    levels_db: Sequence[float] = (78.0, 84.0, 90.0, 96.0, 99.0),
    long_term_levels_db: Sequence[float] = (82.0, 92.0),
    stage_ends_s: Sequence[float] = (30.0, 120.0),
    sweep_range_hz: tuple[float, float] = (20.0, 20000.0),
    gate_s: float = 0.5,
    takes: int = 2,
) -> Session:
    """Return the facts of an invented measuring day."""
    entries = tuple(
        Entry(
            level_db=level,
            drive_db=level - baseline_db,
            captures=tuple(f"captures/short-{level:g}-{take}.flac" for take in range(takes)),
        )
        for level in (baseline_db, *levels_db)
    )
    lengths = np.diff((0.0, *stage_ends_s))
    long_term = tuple(
        LongTermEntry(
            level_db=level,
            drive_db=level - baseline_db,
            sweep_drive_db=level - baseline_db,
            before=(f"captures/long-{level:g}-before.flac",),
            stages=tuple(
                Stage(
                    stress_s=float(length),
                    after=(f"captures/long-{level:g}-after-{index}.flac",),
                    pause_s=(2.0,),
                )
                for index, length in enumerate(lengths)
            ),
        )
        for level in long_term_levels_db
    )
    return Session(
        folder=name.lower().replace(" ", "-"),
        date="2026-05-04",
        speaker=Speaker(name=name, drive="passive", use="living room", crossovers_hz=(2600.0,)),
        rig=Rig(
            distance_m=1.0,
            space="free field",
            gate_ms=gate_s * 1000.0,
            equipment=("measuring microphone, class 1",),
        ),
        channels=Channels(microphone=1, reference=2),
        sweep=SweepFacts(start_hz=sweep_range_hz[0], stop_hz=sweep_range_hz[1], duration_s=4.0),
        multitone=MultitoneFacts(stimulus="stimulus/multitone.flac", crest_factor_db=12.0),
        short_term=entries,
        long_term=long_term,
    )


def make_curve(
    *,
    frequency_hz,
    change_db,
    u95_db=0.12,
    level_db: float = 99.0,
    test="short_term",
    elapsed_s: float = 0.0,
    noise_below_hz: float = 0.0,
    noise_above_hz: float = np.inf,
    lowest_hz: float = 0.0,
    sweep_range_hz: tuple[float, float] = (20.0, 20000.0),
    takes: int = 2,
    source="sweep",
) -> ChangeCurve:
    """Return one curve; what lies in noise, behind the gate or off the sweep is not usable."""
    f = np.asarray(frequency_hz)
    reason = np.full(f.shape, "", dtype=object)
    reason[(f < noise_below_hz) | (f > noise_above_hz)] = "noise"
    reason[f < lowest_hz] = "gate"
    reason[(f < sweep_range_hz[0]) | (f > sweep_range_hz[1])] = "range"
    u95 = np.where(reason == "noise", 4.0, u95_db)
    sizes = dict.fromkeys(("noise_db", "local_db", "gate_db", "drift_db"), u95 / 4.0)
    return ChangeCurve(
        test=test,
        level_db=level_db,
        elapsed_s=elapsed_s,
        takes=takes,
        frequency_hz=f,
        change_db=change_db,
        u95_db=u95,
        usable=reason == "",
        reason=tuple(reason),
        budget=Budget(
            **sizes, dof=np.full(f.shape, 12.0), broadband_db=0.02, broadband_dof=6.0, step_db=0.02
        ),
        source=source,
        lower_bound=source == "text",
    )


def make_bands(curve: ChangeCurve, *, u95_db: float = 0.1) -> tuple[BandResult, ...]:
    """Return the five bands of a curve: plain means over its usable points, roughly graded."""
    results = []
    for band in BANDS:
        inside = band.holds(curve.frequency_hz)
        usable = inside & curve.usable
        mean = worst = worst_hz = u95 = None
        grade, may_be = "can't tell", None
        if inside.any() and usable.sum() >= 0.6 * inside.sum():
            values = curve.change_db[usable]
            at = int(np.argmax(np.abs(values)))
            mean, worst = float(values.mean()), float(values[at])
            worst_hz, u95 = float(curve.frequency_hz[usable][at]), u95_db
            grade, may_be = _grade(abs(mean), loss=mean <= 0.0, u95_db=u95_db)
        results.append(
            BandResult(
                test=curve.test,
                level_db=curve.level_db,
                elapsed_s=curve.elapsed_s,
                band=band.name,
                low_hz=band.low_hz,
                high_hz=band.high_hz,
                mean_db=mean,
                worst_db=worst,
                worst_hz=worst_hz,
                u95_db=u95,
                grade=grade,
                grade_may_be=may_be,
            )
        )
    return tuple(results)


def _grade(size_db, *, loss, u95_db):
    edges = (0.5, 1.0, 3.0) if loss else (1.0, 3.0)
    names = ("holds", "slips", "falls short", "gives out")
    names = names if loss else ("holds", "rises", "rises much")
    mild, harsh = (int(np.searchsorted(edges, size_db + s * u95_db)) for s in (-1, 1))
    if harsh - mild > 1:
        return "can't tell", None
    return names[mild], names[harsh] if harsh > mild else None


def make_analysis(
    *,
    name: str = "Trivet 6",
    baseline_db: float = 72.0,
    levels_db: Sequence[float] = (78.0, 84.0, 90.0, 96.0, 99.0),
    change: Change = vented_loss,
    u95_db: float = 0.12,
    band_u95_db: float = 0.1,
    ripple_db: float = 0.03,
    gate_s: float = 0.5,
    sweep_range_hz: tuple[float, float] = (20.0, 20000.0),
    noise_below_hz: Mapping[float, float] | None = None,
    noise_above_hz: Mapping[float, float] | None = None,
    measured_steps: bool = True,
    source: str = "sweep",
    harmonics: bool = True,
    long_term_levels_db: Sequence[float] = (82.0, 92.0),
    stage_ends_s: Sequence[float] = (30.0, 120.0),
    warming: Callable[[np.ndarray, float, float], np.ndarray] = heating,
    long_noise_below_hz: Mapping[float, float] | None = None,
    quality: Sequence[QualityNote] = (),
    playing: Sequence[Playing] = (),
    seed: int = 4,
) -> Analysis:
    """Return a whole analysis.

    Parameters
    ----------
    levels_db, baseline_db : driven short-term levels, and the baseline's
    change, warming : what the loudspeaker loses, short-term and long-term
    u95_db, band_u95_db : half-widths of the curves' and the bands' 95 % intervals
    noise_below_hz, noise_above_hz, long_noise_below_hz : level → where noise takes over
    gate_s : the session's gate; below 2/gate nothing is usable
    source : ``"text"`` for column-text curves
    playing : long-term levels whose stress was recorded; ``stressed.make_playing`` makes one
    """
    rng = np.random.default_rng(seed)
    f = grid_hz(start_hz=20.0, stop_hz=20000.0)
    lowest_hz = 2.0 / gate_s
    common = {"frequency_hz": f, "lowest_hz": lowest_hz, "sweep_range_hz": sweep_range_hz}

    def ripple():
        # Neighbours on the grid share half their smoothing: correlate them as smoothing does.
        white = rng.standard_normal(f.size + 4)
        return ripple_db * np.convolve(white, (0.25, 0.5, 0.8, 0.5, 0.25), mode="valid")

    short = tuple(
        make_curve(
            change_db=change(f, level - baseline_db) + ripple(),
            u95_db=u95_db,
            level_db=level,
            noise_below_hz=(noise_below_hz or {}).get(level, 0.0),
            noise_above_hz=(noise_above_hz or {}).get(level, np.inf),
            source=source,
            **common,
        )
        for level in levels_db
    )
    long = tuple(
        make_curve(
            change_db=warming(f, level - baseline_db, elapsed_s) + ripple(),
            u95_db=u95_db,
            level_db=level,
            test="long_term",
            elapsed_s=elapsed_s,
            noise_below_hz=(long_noise_below_hz or {}).get(level, 0.0),
            **common,
        )
        for level in long_term_levels_db
        for elapsed_s in stage_ends_s
    )
    session = make_session(
        name=name,
        baseline_db=baseline_db,
        levels_db=levels_db,
        long_term_levels_db=long_term_levels_db,
        stage_ends_s=stage_ends_s,
        sweep_range_hz=sweep_range_hz,
        gate_s=gate_s,
    )
    baseline = BaselineCurve(
        level_asked_db=baseline_db,
        mean_level_db=baseline_db,
        frequency_hz=f,
        level_db=baseline_db + 2.0 * np.sin(np.log2(f / 100.0)),
        u95_db=0.08 + 0.25 * bump(f, 20.0, octaves=0.8),
        snr_db=np.full(f.shape, 55.0),
        usable=(f >= lowest_hz) & (f >= sweep_range_hz[0]) & (f <= sweep_range_hz[1]),
        calibrated=False,
    )
    steps = tuple(
        DriveStep(
            level_db=level,
            asked_db=level - baseline_db,
            measured_db=level - baseline_db + 0.02 if measured_steps else None,
            u95_db=0.04 if measured_steps else 0.2,
        )
        for level in levels_db
    )
    bands = tuple(
        result for curve in (*short, *long) for result in make_bands(curve, u95_db=band_u95_db)
    )
    seated = listeners(
        session,
        baseline=baseline,
        curves=short,
        steps=steps,
        bands=bands,
        parameters=checked_parameters(session="."),
    )
    measured = Analysis(
        session=session,
        sample_rate_hz=48000,
        gate_s=gate_s,
        sweep_range_hz=sweep_range_hz,
        lowest_hz=lowest_hz,
        smoothing_fraction=12,
        assumed_repeatability_db=0.05,
        baseline=baseline,
        quality=tuple(quality),
        drive_steps=steps,
        short_term=short,
        long_term=long,
        harmonics=tuple(
            make_harmonics(level, frequency_hz=f, rise_db=level - baseline_db)
            for level in levels_db
            if harmonics
        ),
        bands=bands,
        in_room=seated.in_room,
        seat_bands=seated.seat_bands,
        needs=seated.needs,
        exposure=seated.exposure,
        day_dose=seated.day_dose,
        playing=tuple(playing),
    )
    return judged(measured)


def judged(analysis: Analysis) -> Analysis:
    """Return the analysis with limits and what is heard, from its own curves and bands."""
    return replace(
        analysis,
        limits=limits_of(
            analysis.bands,
            baseline_db=analysis.baseline.level_asked_db,
            steps=analysis.drive_steps,
        ),
        findings=find_causes(analysis),
        audible=audible_changes(
            (*analysis.short_term, *analysis.long_term),
            baseline=analysis.baseline,
            in_room=analysis.in_room,
            fraction=analysis.smoothing_fraction,
        ),
    )
