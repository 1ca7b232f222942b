"""Simulated days for the coverage study: does a 95 % interval hold 95 times in 100?

A day is a random loudspeaker from a pool, a random noise level, one baseline and three levels,
up to three takes of each. Takes differ by 0.05 dB, which is also what the analysis assumes where
nothing was repeated; without a reference every volume step is off by its tolerance, at random.
Truth is the ungated ratio of the simulation's transfer, smoothed as the method says. One day's
captures serve every gate and every number of takes.
"""

from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from days import GRID, LAW, RATE, SWEEP, rules, sound, truth_db

from reportlib import simulate
from reportlib.measure import compression, deconvolution, response
from reportlib.measure.levels import BANDS, Band
from reportlib.session.records import Capture

DRIVES_DB = (0.0, 6.0, 12.0, 18.0)
TAKES = (1, 2, 3)
GATES_MS = (6.0, 50.0, None)  # None: as long as the captures allow, 500 ms
NOISES = ("white", "pink", "hum")
JITTER_DB = 0.05
TOLERANCE_DB = 0.1
POOL = 16
STRATA_BANDS = (Band("lowest", 20.0, 40.0), *BANDS)


@dataclass(frozen=True)
class Stratum:
    """One cell of the study; `gate_ms` 500 stands for the long gate."""

    takes: int
    reference: bool
    band: str
    gate_ms: float
    noise: str


@cache
def loudspeaker(index):
    """Return one of the pool: random drive units and level-dependent places, no heat."""
    generator = np.random.default_rng((977, index))

    def log_uniform(low, high):
        return float(np.exp(generator.uniform(np.log(low), np.log(high))))

    crossover = log_uniform(1200.0, 3500.0)
    return simulate.Loudspeaker(
        units=(
            simulate.DriveUnit(
                lowpass_hz=crossover,
                resonance_hz=log_uniform(30.0, 60.0),
                vent=simulate.Vent(tuning_hz=log_uniform(32.0, 60.0)),
            ),
            simulate.DriveUnit(
                name="tweeter", highpass_hz=crossover, resonance_hz=log_uniform(500.0, 900.0),
                mass_kg=0.0004, cone_area_m2=0.0008, force_factor_tm=3.0,
            ),
        ),
        resonances=(
            simulate.Resonance(
                frequency_hz=log_uniform(150.0, 6000.0), q=log_uniform(1.0, 8.0),
                gain_db=float(generator.uniform(-3.0, 3.0)),
            ),
        ),
        panels=tuple(
            simulate.Panel(
                frequency_hz=log_uniform(low, high), q=log_uniform(0.7, 5.0),
                full_gain_db=float(generator.uniform(-4.0, 2.0)), half_level_db=84.0,
            )
            for low, high in ((40.0, 160.0), (160.0, 800.0), (800.0, 3000.0), (3000.0, 12000.0))
        ),
    )  # fmt: skip


@cache
def truth(index, drive_db):
    return truth_db(loudspeaker(index), drive_db=drive_db)


@cache
def played(index, drive_db):
    return sound(loudspeaker(index), drive_db=drive_db)


def noise_of(kind, generator):
    """Return a day's noise: its level is random, so that points run from clear to lost."""
    level = float(generator.uniform(0.0, 28.0))
    if kind == "white":
        return simulate.Noise(white_db=36.0 + level)
    if kind == "pink":
        return simulate.Noise(pink_db=38.0 + level)
    return simulate.Noise(white_db=30.0 + level, hum_db=38.0 + level)


def captures_of(seed, *, kind, reference):
    """Record a day: for every drive as many takes as the study needs."""
    generator = np.random.default_rng((seed, 1))
    index = int(generator.integers(POOL))
    noise = noise_of(kind, generator)
    day = []
    for number, drive in enumerate(DRIVES_DB):
        off = 0.0 if number == 0 else float(generator.normal(0.0, TOLERANCE_DB))
        takes = []
        for take in range(max(TAKES)):
            chain = simulate.Chain(
                noise=noise,
                jitter_db=JITTER_DB,
                reference=reference,
                reference_noise_db=-110.0,
            )
            if not reference:  # the step that was really made differs from the one asked for
                chain = replace(chain, gain_db=off)
            made = simulate.record(played(index, drive), chain=chain, seed=(seed, number, take, 7))
            takes.append(
                Capture(
                    source=f"{number}-{take}",
                    sample_rate_hz=RATE,
                    microphone=made.microphone,
                    reference=made.reference,
                )
            )
        day.append(takes)
    return index, day


def outcomes(seed, *, kind, reference) -> Iterator[tuple[Stratum, np.ndarray, np.ndarray]]:
    """Yield, for every stratum that this day serves, hits and usable points of all levels."""
    index, day = captures_of(seed, kind=kind, reference=reference)
    stimulus = None if reference else simulate.sweep_signal(SWEEP, sample_rate_hz=RATE)
    impulses = [
        [
            deconvolution.deconvolve(
                one, law=LAW, frequency_hz=GRID, fraction=12, stimulus=stimulus
            )
            for one in takes
        ]
        for takes in day
    ]
    first = impulses[0][0]
    arrival = response.find_arrival_s(first, law=LAW)
    for gate_ms in GATES_MS:
        gate = response.session_gate(
            [one for takes in impulses for one in takes], law=LAW, gate_ms=gate_ms
        )
        smoothing = response.smoothing_cells(
            first, law=LAW, gate=gate, arrival_s=arrival, fraction=12, spread=False
        )
        measured = [
            [
                response.measure_response(
                    one,
                    law=LAW,
                    gate=gate,
                    fraction=12,
                    smoothing=smoothing,
                    arrival_s=response.align_s(one, to=first, arrival_s=arrival),
                )
                for one in takes
            ]
            for takes in impulses
        ]
        for takes in TAKES:
            yield from _judged(
                index,
                measured,
                takes=takes,
                gate=gate,
                gate_ms=gate_ms or 500.0,
                reference=reference,
                kind=kind,
            )


def _judged(index, measured, *, takes, gate, gate_ms, reference, kind):
    settings = [
        compression.Setting(level_db=72.0 + drive, drive_db=drive, takes=tuple(found[:takes]))
        for drive, found in zip(DRIVES_DB, measured, strict=True)
    ]
    short = compression.short_term(
        settings[0],
        settings[1:],
        again=[],
        rules=rules(
            gate,
            reference_counts=reference,
            drive_tolerance_db=TOLERANCE_DB,
            assumed_repeatability_db=JITTER_DB,
        ),
    )
    for band in STRATA_BANDS:
        inside = band.holds(GRID)
        hits, usable = [], []
        for curve in short.curves:
            error = np.abs(curve.change_db - truth(index, curve.level_db - 72.0))
            hits.append((error <= curve.u95_db)[inside])
            usable.append(curve.usable[inside])
        stratum = Stratum(takes, reference, band.name, gate_ms, kind)
        yield stratum, np.concatenate(hits), np.concatenate(usable)


@dataclass(frozen=True)
class Covered:
    """Coverage of one stratum: share of usable points inside, with its interval over days."""

    share: float
    low: float
    high: float
    usable: float
    days: int


def _one(job):
    seed, kind, reference = job
    return [
        (stratum, int(np.count_nonzero(hits & usable)), int(np.count_nonzero(usable)), usable.size)
        for stratum, hits, usable in outcomes(seed, kind=kind, reference=reference)
    ]


def study(seeds, *, noises=NOISES, references=(True, False), workers=2):
    """Run days and return coverage by stratum, and over all.

    The interval is a bootstrap over days (1000 resamples), never over points: a day's points
    share its loudspeaker, its takes and its steps.
    """
    jobs = [
        (seed, kind, reference) for kind in noises for reference in references for seed in seeds
    ]
    table, by_day = defaultdict(list), defaultdict(lambda: np.zeros(3, dtype=int))
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        outcomes = pool.map(_one, jobs, chunksize=4) if pool else map(_one, jobs)
        for (seed, *_), found in zip(jobs, outcomes, strict=True):
            for stratum, *counts in found:
                table[stratum].append(counts)
                by_day[seed] += counts
    generator = np.random.default_rng(5)
    result = {stratum: coverage_of(rows, generator=generator) for stratum, rows in table.items()}
    return result, coverage_of(list(by_day.values()), generator=generator)


def coverage_of(rows, *, generator):
    hits, usable, size = np.array(rows).T
    if usable.sum() == 0:
        return Covered(np.nan, np.nan, np.nan, 0.0, len(rows))
    picks = generator.integers(0, len(rows), (1000, len(rows)))
    with np.errstate(invalid="ignore"):
        shares = hits[picks].sum(axis=1) / usable[picks].sum(axis=1)
    low, high = np.nanpercentile(shares, [2.5, 97.5])
    return Covered(
        float(hits.sum() / usable.sum()),
        float(low),
        float(high),
        float(usable.sum() / size.sum()),
        len(rows),
    )


def written(result):
    """Return the study as a table: a row a noise and gate, lowest to highest over the rest."""
    lines = ["| noise | gate, ms | " + " | ".join(f"takes {n}" for n in TAKES) + " |"]
    lines.append("|" + " --- |" * (2 + len(TAKES)))
    for noise, gate_ms in dict.fromkeys((one.noise, one.gate_ms) for one in result):
        cells = [f"{noise}", f"{gate_ms:.0f}"]
        for takes in TAKES:
            found = [
                covered
                for one, covered in result.items()
                if (one.noise, one.gate_ms, one.takes) == (noise, gate_ms, takes)
            ]
            share = [100.0 * covered.share for covered in found if covered.usable > 0.0]
            usable = 100.0 * np.mean([covered.usable for covered in found])
            cells.append(f"{min(share):.1f}–{max(share):.1f} % ({usable:.0f} %)")
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)
