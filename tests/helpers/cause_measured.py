"""Measuring a planned day of the causes' study: records as the analysis would have made them."""

import itertools
from dataclasses import replace

import numpy as np
from builders import make_session
from cause_days import COARSE, SWEEP, plan, stress_tones
from held_out_family import stiffened_change_db, third_harmonic_db

from reportlib import simulate
from reportlib.judge.grades import band_results
from reportlib.judge.records import Analysis
from reportlib.measure.levels import BANDS, grid_hz
from reportlib.measure.records import BaselineCurve, Budget, ChangeCurve, DriveStep, HarmonicCurves
from reportlib.measure.stress.grid import History
from reportlib.measure.stress.heating import thermal_fit
from reportlib.measure.stress.records import GroupTrack, Playing, StageSpan
from reportlib.session.records import QualityNote

GRID = grid_hz(start_hz=20.0, stop_hz=20000.0)
PART = 10.0 ** (0.3 * np.array([-1.0, 0.0, 1.0]) / 36.0)
CELLS = (GRID[:, None] * PART).ravel()
PAUSE_S = 2.0


SHOWS_DB, MOST_DB = 0.8, 10.0


def shown_day(cause, seed):
    """Draw days until one shows its cause; return its plan and its `Analysis`.

    A cause that changes nothing by `SHOWS_DB` where anything can be told is no day of that
    cause (a stop that only 30 Hz would reach, with nothing told below 60 Hz).
    """
    for again in range(40):
        made = plan(cause, seed + 100_000 * again)
        analysis, truth_db = measured(made, seed)
        if cause == "none" or SHOWS_DB <= truth_db <= MOST_DB:
            return made, analysis
    raise AssertionError(f"{cause} never shows")


def warm_db(plan):
    """Return what hot coils truly cost, in dB: when the loudest stress ends, or in a sweep."""
    tones = stress_tones()
    drive = plan.long_levels_db[-1] - 72.0
    volt = np.full((60, tones.size), plan.loudspeaker.unit_voltage(drive) / np.sqrt(tones.size))
    end = simulate.heated(
        plan.loudspeaker,
        simulate.cold(plan.loudspeaker),
        frequency_hz=tones[None],
        volt=volt,
        step_s=sum(plan.stages_s) / 60,
    ).end
    rises = [unit.heat.rise_per_k for unit in plan.loudspeaker.units]
    stressed = 20.0 * np.log10(1.0 + np.array(rises) * end.coil_k)
    top = plan.levels_db[-1] - 72.0
    cold = np.abs(simulate.transfer(plan.loudspeaker, CELLS, drive_db=top))
    swept = np.abs(simulate.sweep_transfer(plan.loudspeaker, CELLS, sweep=SWEEP, drive_db=top))
    return float(max(np.max(stressed), np.max(20.0 * np.log10(cold / swept))))


def measured(plan, seed):
    """Return the `Analysis` of a planned day, and the largest true change that can be told."""
    rng = np.random.default_rng([seed, 77])
    session = make_session(
        levels_db=plan.levels_db,
        long_term_levels_db=plan.long_levels_db,
        stage_ends_s=np.cumsum(plan.stages_s),
    )
    channels = replace(session.channels, reference=2 if plan.reference else None)
    session = replace(
        session,
        speaker=replace(session.speaker, drive=plan.drive, crossovers_hz=plan.crossovers_hz),
        rig=replace(session.rig, reference_at=plan.reference or None),
        channels=channels,
    )
    base_power = _power(plan, 0.0, None)
    response = 10.0 * np.log10(base_power)
    response += 72.0 - 10.0 * np.log10(
        np.mean(10.0 ** (response[(GRID >= 200) & (GRID <= 5000)] / 10.0))
    )
    snr = _snr_db(plan, response, rng)
    spread = _Spread(plan, snr, rng)
    overload = _overload_gain(plan, response)
    short, steps, harmonics = [], [], []
    for index, level in enumerate(plan.levels_db):
        rise = level - 72.0
        error = plan.step_errors_db.get(index, 0.0)
        change = 10.0 * np.log10(_power(plan, rise - error, None) / base_power) - error
        change += plan_held_out(plan, GRID, level)
        change += overload(response + rise)
        change += _reflection(plan, index)
        change -= _false_loss(plan)
        change += _drift_db(plan, share=(index + 1) / (len(plan.levels_db) + 1))
        missing = 0.0
        if plan.reference == "terminals" and plan.loudspeaker.amplifier is not None:
            gone = _amplifier_gain_db(plan, rise)
            change, missing = change - gone, -gone
        short.append(spread.curve(change, level=level, rise=rise, again=_again_db(plan)))
        steps.append(
            DriveStep(
                level_db=level,
                asked_db=rise,
                measured_db=rise - missing + 0.02 * rng.standard_normal()
                if plan.reference
                else None,
                u95_db=0.04 if plan.reference else 0.2,
            )
        )
        harmonics.append(_harmonics(plan, change, level=level, rng=rng, response=response))
    long, playing = _long_term(plan, spread, rng)
    baseline = BaselineCurve(
        level_asked_db=72.0,
        mean_level_db=72.0,
        frequency_hz=GRID,
        level_db=response,
        u95_db=np.full(GRID.size, 0.1),
        snr_db=snr,
        usable=plan.lowest_hz <= GRID,
        calibrated=False,
    )
    analysis = Analysis(
        session=session,
        sample_rate_hz=48000,
        gate_s=2.0 / plan.lowest_hz,
        sweep_range_hz=(20.0, 20000.0),
        lowest_hz=plan.lowest_hz,
        smoothing_fraction=12,
        assumed_repeatability_db=0.05,
        baseline=baseline,
        quality=_notes(plan, short),
        drive_steps=tuple(steps),
        short_term=tuple(short),
        long_term=tuple(long),
        harmonics=tuple(harmonics),
        bands=band_results((*short, *long), fraction=12),
        in_room=(),
        playing=tuple(playing),
    )
    return analysis, spread.truth_db


def _power(plan, drive_db, temperatures, *, loudspeaker=None):
    h = simulate.sweep_transfer(
        loudspeaker or plan.loudspeaker,
        CELLS,
        sweep=SWEEP,
        drive_db=drive_db,
        temperatures=temperatures,
    )
    return np.mean(np.abs(h).reshape(GRID.size, -1) ** 2, axis=1)


def _snr_db(plan, response, rng):
    """Signal over noise of the baseline: pink and white noise below a sine's level."""
    low = rng.uniform(4.0, 9.0) * np.maximum(0.0, np.log2(200.0 / GRID)) * 0.5
    high = rng.uniform(0.0, 3.0) * np.maximum(0.0, np.log2(GRID / 3000.0))
    snr = plan.mid_snr_db + (response - 72.0) - low - high
    if plan.baseline_noise is not None:
        near = np.exp(-0.5 * (np.log2(GRID / plan.baseline_noise[0]) / plan.baseline_noise[1]) ** 2)
        # Noise that makes a decibel stands 15 to 20 dB under K·signal; silence missed most of it.
        snr = snr - np.maximum(snr - rng.uniform(28.0, 37.0), 0.0) * near
    return snr


class _Spread:
    """Noise, spread of takes and steps, and the budgets that know of them."""

    def __init__(self, plan, snr_db, rng):
        self.plan, self.snr_db, self.rng = plan, snr_db, rng
        self.truth_db = 0.0
        self.broad_db = 0.05 if plan.takes == 1 else float(rng.uniform(0.01, 0.05))
        self.step_db = 0.02 if plan.reference else 0.1

    def curve(
        self, change, *, level, rise, test="short_term", elapsed_s=0.0, again=None, base_rise=0.0
    ):
        rng, takes = self.rng, self.plan.takes if test == "short_term" else 1
        true = change
        each = [
            6.14 * 10.0 ** (-(self.snr_db + one) / 20.0) / np.sqrt(takes)
            for one in (base_rise, rise)
        ]
        noise = np.hypot(*each)
        local = np.full(GRID.size, 0.02)
        broad = self.broad_db * np.sqrt(2.0 / takes)
        step = self.step_db if test == "short_term" else 0.0
        drift = np.zeros(GRID.size) if again is None else np.abs(again) / np.sqrt(3.0)
        parts = noise**2 + local**2 + broad**2 + step**2 + drift**2
        u95 = 2.0 * np.sqrt(parts)
        white = rng.standard_normal(GRID.size + 1)
        smooth = (white[1:] + white[:-1]) / np.sqrt(2.0)
        change = change + np.hypot(noise, local) * smooth
        change = change + broad * rng.standard_normal() + step * rng.standard_normal()
        usable = (u95 <= 0.5 + (0 if again is None else 2.0 * np.max(drift))) & (
            self.plan.lowest_hz <= GRID
        )
        usable &= (GRID > 20.6) & (GRID < 19400.0)
        if usable.any():
            self.truth_db = max(self.truth_db, float(np.percentile(np.abs(true[usable]), 98)))
        reason = np.where(usable, "", np.where(self.plan.lowest_hz > GRID, "gate", "noise"))
        return ChangeCurve(
            test=test,
            level_db=level,
            elapsed_s=elapsed_s,
            takes=takes,
            frequency_hz=GRID,
            change_db=change,
            u95_db=u95,
            usable=usable,
            reason=tuple(reason.tolist()),
            budget=Budget(
                noise_db=noise,
                local_db=local,
                gate_db=np.zeros(GRID.size),
                drift_db=drift,
                dof=np.full(GRID.size, 30.0),
                broadband_db=broad,
                broadband_dof=6.0,
                step_db=step,
            ),
        )


def _again_db(plan):
    if not plan.baseline_again_db:
        return None
    return _drift_db(plan, share=1.0)


def _drift_db(plan, *, share):
    tilt = 1.0 + plan.drift_tilt * np.log2(GRID / 1000.0) / 5.0
    return share * plan.baseline_again_db * tilt


def _reflection(plan, index):
    if index not in plan.ripple:
        return 0.0
    delay, size = plan.ripple[index]
    turn = np.exp(-2j * np.pi * CELLS * delay)
    power = np.abs(1.0 + size * turn).reshape(GRID.size, -1) ** 2
    return 10.0 * np.log10(np.mean(power, axis=1))


def _false_loss(plan):
    if plan.baseline_noise is None:
        return 0.0
    centre, octaves, ratio = plan.baseline_noise
    near = np.exp(-0.5 * (np.log2(GRID / centre) / octaves) ** 2)
    return 10.0 * np.log10(1.0 + ratio * near)


def _waveshape(x):
    """Fundamental and harmonics 2 to 5 of a sine of peak x through x/(1 + x⁴)^(1/4)."""
    phase = 2.0 * np.pi * (np.arange(64) + 0.5) / 64
    wave = np.asarray(x)[..., None] * np.sin(phase)
    bent = wave / (1.0 + wave**4) ** 0.25
    return [
        2.0 * np.abs(np.mean(bent * np.exp(-1j * order * phase), axis=-1)) for order in range(1, 6)
    ]


def _overload_gain(plan, response):
    if plan.overload_db is None:
        return lambda level: 0.0 * level
    top = response + plan.levels_db[-1] - 72.0
    low, high = 60.0, 160.0
    for _ in range(40):
        ceiling = 0.5 * (low + high)
        x = 10.0 ** ((top - ceiling) / 20.0)
        lost = np.max(-20.0 * np.log10(_waveshape(x)[0] / x)[plan.lowest_hz <= GRID])
        low, high = (ceiling, high) if lost > plan.overload_db else (low, ceiling)

    def gain(level):
        x = 10.0 ** ((level - ceiling) / 20.0)
        return 20.0 * np.log10(_waveshape(x)[0] / x)

    return gain


def _amplifier_gain_db(plan, rise):
    """Change of the voltage at the terminals, beyond the step."""
    gains = [
        float(plan.loudspeaker.amplifier.gain(np.sqrt(2.0) * plan.loudspeaker.unit_voltage(one)))
        for one in (rise, 0.0)
    ]
    return 20.0 * np.log10(gains[0] / gains[1])


def _unit_of(plan):
    unit = plan.loudspeaker.units[0]
    names = ("resistance_ohm", "force_factor_tm", "mass_kg", "resonance_hz", "mechanical_q")
    return {name: getattr(unit, name) for name in names}


def _double_m(plan):
    """Excursion of double stiffness that gives the planned loss at the top."""
    top, f = plan.levels_db[-1] - 72.0, COARSE[COARSE < 400.0]
    low, high = 1e-5, 1.0
    for _ in range(40):
        middle = np.sqrt(low * high)
        lost = -np.min(
            stiffened_change_db(
                f, volt=plan.loudspeaker.unit_voltage(top), double_m=middle, unit=_unit_of(plan)
            )
        )
        low, high = (middle, high) if lost > plan.held_out["target_db"] else (low, middle)
    return middle


def plan_held_out(plan, frequency_hz, level):
    """Return what a stiffening suspension does, where it is planned."""
    if plan.held_out is None:
        return 0.0
    double = _double_m(plan)
    loud, quiet = (
        stiffened_change_db(
            frequency_hz,
            volt=plan.loudspeaker.unit_voltage(one),
            double_m=double,
            unit=_unit_of(plan),
        )
        for one in (level - 72.0, 0.0)
    )
    return loud - quiet


def _harmonics(plan, change, *, level, rng, response):
    """Ordinary harmonics, and those of what bends the waveform."""
    rise = level - 72.0
    base = np.random.default_rng([int(1000 * plan.mid_snr_db)]).uniform(-58.0, -42.0, 4)
    rows = []
    missing = np.maximum(1.0 - 10.0 ** (np.minimum(change, 0.0) / 20.0), 1e-9)
    deep = GRID < 400.0
    for index, order in enumerate((2, 3, 4, 5)):
        amplitude = 10.0 ** ((base[index] + (order - 1) * (rise - 27.0)) / 20.0) * np.ones(
            GRID.size
        )
        amplitude *= np.sqrt(1.0 + (90.0 / GRID) ** 2)
        if index < 3 and any(plan.harmonic_share):
            share = (plan.harmonic_share[0], plan.harmonic_share[1], 0.0)[index]
            amplitude = amplitude + np.where(deep, share * missing, 0.0)
        if order == 5 and any(plan.harmonic_share):
            amplitude = amplitude + np.where(deep, plan.harmonic_share[2] * missing, 0.0)
        if plan.held_out is not None and order == 3:
            amplitude = amplitude + np.where(
                deep,
                10.0
                ** (
                    third_harmonic_db(
                        GRID,
                        volt=plan.loudspeaker.unit_voltage(rise),
                        double_m=_double_m(plan),
                        unit=_unit_of(plan),
                    )
                    / 20.0
                ),
                0.0,
            )
        if plan.loudspeaker.amplifier is not None and order in (3, 5):
            x = np.sqrt(2.0) * plan.loudspeaker.unit_voltage(rise)
            phase = 2.0 * np.pi * (np.arange(256) + 0.5) / 256
            ceiling = plan.loudspeaker.amplifier.ceiling_v
            wave = np.clip(x * np.sin(phase), -ceiling, ceiling)
            parts = [abs(np.mean(wave * np.exp(-1j * k * phase))) for k in (1, order)]
            amplitude = amplitude + parts[1] / parts[0]
        if plan.overload_db is not None:
            gain = _overload_gain(plan, response)
            lost = -gain(response + rise)
            amplitude = amplitude + (0.3 if order == 3 else 0.05) * (1 - 10 ** (-lost / 20.0))
        rows.append(20.0 * np.log10(amplitude) + 0.3 * rng.standard_normal(GRID.size))
    relative = np.array(rows)
    relative[:, GRID > 6000.0] = np.nan
    return HarmonicCurves(
        level_db=level, frequency_hz=GRID, orders=(2, 3, 4, 5), relative_db=relative,
        floor_db=relative - 20.0,
    )  # fmt: skip


def _long_term(plan, spread, rng):
    curves, playing = [], []
    loudest = plan.long_levels_db[-1]
    for level in plan.long_levels_db:
        drive = level - 72.0
        temperatures = simulate.cold(plan.loudspeaker)
        tracks, clock, elapsed = [], 0.0, 0.0
        after = plan.after if plan.after is not None and level == loudest else plan.loudspeaker
        before_power = _power(plan, drive, None)
        stages, times, marks = [], [], []
        for number, stress in enumerate(plan.stages_s):
            heating, change = _stressed(plan, drive, stress, temperatures, elapsed, level, after)
            count = int(stress)
            middle = np.arange(count) + 0.5
            tracks.append(change(middle))
            times.append(elapsed + middle)
            marks.append(np.full(count, number))
            stages.append(
                StageSpan(
                    start_s=clock, stress_s=stress, elapsed_s=elapsed + stress,
                    pause_s=PAUSE_S, recorded=True,
                )
            )  # fmt: skip
            elapsed += stress
            cooled = simulate.cooled(after, heating.end, pause_s=PAUSE_S)
            share = min(1.0, elapsed / sum(plan.stages_s)) if plan.cause == "heat-magnet" else 1.0
            there = after if plan.trips_s is None or elapsed > plan.trips_s else plan.loudspeaker
            power = _power(plan, drive, cooled, loudspeaker=there)
            if share < 1.0:
                power = power**share * before_power ** (1 - share)
            curves.append(
                spread.curve(
                    10.0 * np.log10(power / before_power),
                    level=level, rise=drive, test="long_term", elapsed_s=elapsed, base_rise=drive,
                )
            )  # fmt: skip
            temperatures = simulate.cooled(plan.loudspeaker, heating.end, pause_s=8.0)
            clock += stress + 8.0
        if plan.recorded:
            playing.append(_playing(plan, level, stages, tracks, times, marks, rng))
    return curves, playing


def _stressed(plan, drive, stress, temperatures, elapsed, level, after):
    """Return the heating, and a function of time that gives every tone's change against cold."""
    tones = stress_tones()
    shares = np.full(tones.size, 1.0 / np.sqrt(tones.size))
    steps = int(min(stress, 240))
    volt = np.broadcast_to(plan.loudspeaker.unit_voltage(drive) * shares, (steps, tones.size))
    heating = simulate.heated(
        plan.loudspeaker, temperatures, frequency_hz=tones[None], volt=volt, step_s=stress / steps
    )
    moments = np.unique(np.concatenate(([0.0], np.geomspace(0.5, stress, 14))))
    cold = _tones(plan.loudspeaker, tones, drive, np.zeros(len(plan.loudspeaker.units)), shares)
    known = [
        _tones(plan.loudspeaker, tones, drive, heating.coil_at([at])[:, 0], shares) - cold
        for at in moments
    ]
    gone = _tones(after, tones, drive, np.zeros(len(after.units)), shares) - cold
    total = sum(plan.stages_s)

    def change(at_s):
        there = np.array([np.interp(at_s, moments, row) for row in np.array(known).T]).T
        if plan.cause == "heat-magnet":
            there = there + gone * ((elapsed + at_s) / total)[:, None] ** 0.8
        elif plan.trips_s is not None:
            there = there + np.where((elapsed + at_s > plan.trips_s)[:, None], gone, 0.0)
        else:
            there = there + gone * (1.0 - np.exp(-(elapsed + at_s) / 20.0))[:, None]
        return there

    return heating, change


def _tones(loudspeaker, tones, drive, coil_k, shares):
    h = simulate.transfer(loudspeaker, tones, drive_db=drive, temperatures=coil_k, shares=shares)
    return 20.0 * np.log10(np.abs(h))


def _playing(plan, level, stages, tracks, times, marks, rng):
    tones = stress_tones()
    elapsed = np.concatenate(times)
    stage = np.concatenate(marks)
    clock = elapsed + 8.0 * stage
    settled = np.concatenate(([True], np.diff(stage) == 0))
    settled[0] = False
    change = np.concatenate(tracks)
    noise = 0.02
    change = change + noise * rng.standard_normal(change.shape)
    history = History(
        period_s=1.0,
        spans_s=np.array([[one.start_s, one.start_s + one.stress_s] for one in stages]),
        centre_s=clock[settled],
        stage=stage[settled].astype(int),
    )
    edges = (20.0, *plan.crossovers_hz, 20000.0)
    spans = [("band", band.name, band.low_hz, band.high_hz) for band in BANDS]
    if plan.crossovers_hz:
        spans += [
            ("unit", f"unit {index}", low * 1.12, high / 1.12)
            for index, (low, high) in enumerate(itertools.pairwise(edges))
        ]
    groups = []
    for kind, name, low, high in spans:
        inside = (tones >= max(low, plan.lowest_hz)) & (tones < high)
        if not inside.any():
            continue
        track = change[:, inside].mean(axis=1)
        fitted = thermal_fit(track[settled], history=history)
        values = np.full(track.size, np.nan)
        fit = None
        if fitted is not None:
            fit, values[settled] = fitted
        cold = fit.cold_db if fit is not None and fit.cold_known else track[settled][0]
        shown = np.where(settled, track - cold, np.nan)
        groups.append(
            GroupTrack(
                kind=kind, name=name, low_hz=low, high_hz=high, change_db=shown,
                u95_db=np.full(track.size, 2.0 * noise / np.sqrt(inside.sum())),
                distortion_db=np.full(track.size, -60.0), fitted_db=values - cold,
                tones=int(inside.sum()), fit=fit,
            )
        )  # fmt: skip
    return Playing(
        level_db=level,
        period_s=1.0,
        stages=tuple(stages),
        elapsed_s=elapsed,
        clock_s=clock,
        stage=stage,
        settled=settled,
        frequency_hz=tones,
        change_db=change,
        u95_db=np.full(change.shape, 2.0 * noise),
        usable=np.ones(change.shape, dtype=bool),
        cold_known=all(one.fit is not None and one.fit.cold_known for one in groups),
        distortion_db=np.full(elapsed.size, -60.0),
        groups=tuple(groups),
    )


def _notes(plan, short):
    """What the quality gate says of such a day (it has its own tests on recordings)."""
    notes = []

    def note(code, severity="warning"):
        notes.append(QualityNote(code=code, severity=severity, capture="", message=code))

    if plan.baseline_again_db:
        note("drift", "warning" if abs(plan.baseline_again_db) > 0.5 else "note")
    elif not plan.again:
        note("drift-unknown", "note")
    if plan.ripple and plan.told:
        note("microphone-moved")
    if plan.overload_db is not None and plan.told:
        note("overload")
    return tuple(notes)
