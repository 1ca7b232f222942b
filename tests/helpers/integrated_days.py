"""Days of loudspeakers integrated in time, apart from the simulation and from the analysis.

A woofer in a closed or a vented box and a tweeter, lumped: a coil that heats and lags, a force
factor that falls and a suspension that stiffens with displacement, port losses that grow with
velocity, now and then a limiter ahead of each. Many loudspeakers, drives and phases are stepped
side by side (semi-implicit Euler), so that a day costs a second.

Truth has no gate, no noise, no room and no microphone. The sweep is played at six phases; turned
back and averaged, every harmonic but 7, 13, … cancels and the fundamental is left (5, 11, … fall
on negative frequencies), whatever arrives when.
"""

import itertools
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass

import numpy as np
from coverage_days import coverage_of
from days import responses, rules
from scipy import fft, signal

from reportlib.measure import compression
from reportlib.measure.levels import grid_hz
from reportlib.measure.sweep import SweepLaw
from reportlib.session.records import Capture

DRIVES_DB = np.array([0.0, 8.0, 16.0, 24.0])
PHASES = 2.0 * np.pi * np.arange(6) / 6.0
TURN_BACK = np.exp(-1j * PHASES) / 3.0
BESIDE = 8
LEAD_IN_S, TAIL_S = 0.7, 0.6
JITTER_DB, TOLERANCE_DB, STEP_FLOOR_DB = 0.05, 0.1, 0.02
GATES_MS = (None, 150.0, 60.0, 10.0)
REGIONS_HZ = tuple(itertools.pairwise((20, 40, 160, 500, 2000, 6000, 16000, 20000)))
STIFFNESS_OF_AIR, DENSITY, COPPER = 1.2 * 343.0**2, 1.2, 0.0039


@dataclass(frozen=True)
class Fineness:
    """How finely days are stepped, and how far and how fast their sweeps run."""

    rate: int = 48000
    stop_hz: float = 20000.0
    growth_s: float = 0.58

    @property
    def grid(self):
        return grid_hz(start_hz=20.0, stop_hz=self.stop_hz)

    def law(self, *, swells):
        """Return the sweep that is recorded: from 20 Hz at once, or swelling up to there."""
        start_hz = 20.0 / 2.0 ** (1.0 / 6.0) if swells else 20.0
        duration_s = self.growth_s * np.log(self.stop_hz / start_hz)
        return SweepLaw(start_hz=start_hz, stop_hz=self.stop_hz, duration_s=float(duration_s))

    def sweep(self, *, swells):
        """Return what is recorded, then the sweep of the truth at every phase.

        The truth's begins at 10 Hz and swells up to 20 Hz, since what starts at once rings.

        Returns
        -------
        shape (samples, 1 + phases), silent at the end
        """
        lasts_s = self.growth_s * np.log(self.stop_hz / 10.0)
        time_s = np.arange(round(lasts_s * self.rate)) / self.rate
        phase = 2.0 * np.pi * 10.0 * self.growth_s * np.expm1(time_s / self.growth_s)
        rises_s = self.growth_s * np.log(2.0)
        starts_s = lasts_s - self.law(swells=swells).duration_s

        def rising(first_s, last_s):
            return np.clip((time_s - first_s) / (last_s - first_s), 0.0, 1.0)

        recorded = rising(starts_s, rises_s if swells else starts_s + 0.005)
        fades = [recorded, *[rising(0.0, rises_s)] * PHASES.size]
        ends = np.clip((lasts_s - time_s) / 0.005, 0.0, 1.0)
        fade = np.square(np.sin(0.5 * np.pi * np.minimum(fades, ends)))
        played = fade * np.sin(phase + np.append(0.0, PHASES)[:, np.newaxis])
        return np.pad(played.T, ((0, round(TAIL_S * self.rate)), (0, 0)))


def loudspeaker(seed):
    """Draw one: what stands in its woofer's row and in its tweeter's, and its crossover in Hz."""
    generator = np.random.default_rng((seed, 11))

    def between(low, high):
        return float(np.exp(generator.uniform(np.log(low), np.log(high))))

    vented, limited = generator.random() < 0.6, generator.random() < 0.25
    crossover_hz = between(1500.0, 3500.0)
    rows = []
    for woofer in (True, False):
        resonance = 2.0 * np.pi * (between(28.0, 45.0) if woofer else between(600.0, 1000.0))
        area = between(0.015, 0.05) if woofer else 0.0008
        mass = between(0.015, 0.05) if woofer else 0.0004
        stiffness, resistance = mass * resonance**2, between(4.0, 7.0)
        force = np.sqrt(resonance * mass * resistance / between(0.3, 0.6))
        box_m3 = STIFFNESS_OF_AIR * area**2 / stiffness / (between(0.8, 3.0) if woofer else 0.1)
        port = area * between(0.06, 0.2) if woofer and vented else 0.0
        tuning = 2.0 * np.pi * between(28.0, 48.0)
        port_mass = STIFFNESS_OF_AIR * port**2 / box_m3 / tuning**2
        reach = between(0.003, 0.008) if woofer else 0.0008
        row = {
            "area": area, "mass": mass, "stiffness": stiffness, "resistance": resistance,
            "force": force, "damping": resonance * mass / between(3.0, 8.0),
            "inductance": between(2e-4, 8e-4) if woofer else 3e-5,
            "box": STIFFNESS_OF_AIR / box_m3, "port": port, "port_mass": max(port_mass, 1e-9),
            "port_loss": tuning * port_mass / between(15.0, 40.0),
            "turbulence": 0.5 * DENSITY * port * between(0.5, 3.0),
            "reach": reach, "stiffens": reach * between(0.8, 2.0),
            "offset": reach * float(generator.uniform(-0.2, 0.2)), "warm_k": 0.0,
            "to_ambient": between(2.0, 6.0), "heats_in_s": between(4.0, 20.0 if woofer else 6.0),
        }  # fmt: skip
        if woofer:  # the loudest drive reaches this many times what it can follow
            top = between(0.7, 5.0) * reach * resistance * stiffness / force
        row["volts"] = top * (1.0 if woofer else between(0.2, 0.7))
        row["limit"] = row["volts"] * between(0.3, 0.9) if limited else np.inf
        row["attack_s"], row["release_s"] = between(0.001, 0.005), between(0.05, 0.3)
        rows.append(row)
    return rows, crossover_hz


def played(seeds, fineness):
    """Integrate loudspeakers side by side, every drive at every phase.

    Returns
    -------
    sound, fundamental : shape (samples, drives, loudspeakers), of the recorded sweep; and what
        is left of all phases, complex
    """
    drawn = [loudspeaker(seed) for seed in seeds]
    sweeps = [fineness.sweep(swells=day_of(seed).swells) for seed in seeds]
    parts = np.zeros((1 + PHASES.size, 3))  # what is recorded, and the fundamental's two parts
    parts[0, 0], parts[1:, 1], parts[1:, 2] = 1.0, TURN_BACK.real, TURN_BACK.imag
    sound = stepped(
        [rows for rows, _ in drawn],
        crossed(sweeps, [crossover_hz for _, crossover_hz in drawn], fineness)[:, np.newaxis],
        drives_db=DRIVES_DB,
        parts=parts,
        fineness=fineness,
    )
    return sound[..., 0], sound[..., 1] + 1j * sound[..., 2]


def crossed(sweeps, crossovers_hz, fineness):
    """Return what a crossover makes of sweeps; shape (samples, units, loudspeakers, phases)."""
    volts = np.empty((sweeps[0].shape[0], 2, len(sweeps), sweeps[0].shape[1]), dtype=np.float32)
    for number, (crossover_hz, sweep) in enumerate(zip(crossovers_hz, sweeps, strict=True)):
        for unit, kind in enumerate(("lowpass", "highpass")):
            half = signal.butter(2, crossover_hz, kind, fs=fineness.rate, output="sos")
            volts[:, unit, number] = signal.sosfilt(np.tile(half, (2, 1)), sweep, axis=0)
    return volts


def stepped(drawn, volts, *, drives_db, parts, fineness):
    """Integrate loudspeakers side by side.

    Parameters
    ----------
    drawn : a woofer's row and a tweeter's, one pair a loudspeaker
    volts : shape (samples, drives or 1, units, loudspeakers, phases), over the loudest drive's
    parts : shape (phases, sums), what is added up of all phases

    Returns
    -------
    shape (samples, drives, loudspeakers, sums)
    """

    def of(name):
        values = np.array([[rows[unit][name] for rows in drawn] for unit in (0, 1)])
        return np.broadcast_to(values[..., np.newaxis], volts.shape[2:]).ravel().copy()

    step = 1.0 / fineness.rate
    area, mass, stiffness, cold = of("area"), of("mass"), of("stiffness"), of("resistance")
    force, offset, reach, stiffens = of("force"), of("offset"), of("reach"), of("stiffens")
    lag, box, port, limit = of("inductance") / step, of("box"), of("port"), of("limit")
    port_mass, port_loss, turbulence = of("port_mass") / step, of("port_loss"), of("turbulence")
    mass, damping = mass / step, of("damping")
    gain = of("volts") * 10.0 ** ((drives_db[:, np.newaxis] - DRIVES_DB[-1]) / 20.0)
    limited = bool(np.isfinite(limit).any())
    attack, release = 1.0 - np.exp(-step / of("attack_s")), 1.0 - np.exp(-step / of("release_s"))
    heating = step * of("to_ambient") / of("heats_in_s") * COPPER
    cooling = 1.0 - step / of("heats_in_s")
    silent = fineness.rate * fineness.growth_s * np.log(2.0)  # coils heat from 20 Hz on
    flow = np.zeros((volts.shape[0] + 1, drives_db.size, len(drawn), parts.shape[1]))
    shape = (drives_db.size, *volts.shape[2:])
    current, x, velocity, air, wind, heard = np.zeros((6, *gain.shape))
    hot = np.broadcast_to(COPPER * of("warm_k"), gain.shape)
    for index, now in enumerate(volts.reshape(*volts.shape[:2], -1), start=1):
        voltage = gain * now
        if limited:
            size = np.abs(voltage)
            size -= heard
            heard = heard + size * np.where(size > 0.0, attack, release)
            voltage *= np.minimum(1.0, limit / np.maximum(heard, 1e-12))
        place = np.square(np.square((x - offset) / reach))
        bl = force / (1.0 + place)
        resistance = cold * (1.0 + hot)
        current = (lag * current + voltage - bl * velocity) / (lag + resistance)
        if index > silent:
            hot = hot * cooling + heating * resistance * np.square(current)
        pressure = box * (area * x + port * air)
        spring = stiffness * (1.0 + np.square(x / stiffens)) * x
        velocity = (mass * velocity + bl * current - spring - area * pressure) / (mass + damping)
        x = x + step * velocity
        lost = port_loss + turbulence * np.abs(wind)
        wind = (port_mass * wind - port * pressure) / (port_mass + lost)
        air = air + step * wind
        flow[index] = (area * velocity + port * wind).reshape(shape).sum(axis=1) @ parts
    return np.diff(flow, axis=0)


def truth_db(fundamental, fineness):
    """Return the change of every drive against the first; shape (drives, loudspeakers, grid).

    The fundamental over the sweep turned back the same way, its power averaged over 1/12 octave.
    """
    sweep = fineness.sweep(swells=False)[:, 1:] @ TURN_BACK
    length = 2 ** int(np.ceil(np.log2(8 * sweep.size)))
    hz = np.arange(length // 2) * fineness.rate / length
    drive = np.square(np.abs(fft.fft(sweep, length)[: hz.size]))
    half = 10.0 ** (0.3 / 24.0)
    low, high = fineness.grid / half, np.minimum(fineness.grid * half, 0.499 * fineness.rate)
    level = np.empty((*fundamental.shape[1:], fineness.grid.size))
    for where in np.ndindex(level.shape[:2]):
        answer = np.square(np.abs(fft.fft(fundamental[(slice(None), *where)], length)[: hz.size]))
        total = np.cumsum(answer / np.maximum(drive, 1e-9 * drive.max()))
        level[where] = 10.0 * np.log10(np.interp(high, hz, total) - np.interp(low, hz, total))
    level -= DRIVES_DB[:, np.newaxis, np.newaxis]
    return level - level[0]


@dataclass(frozen=True)
class Day:
    """How a day is measured: what is drawn beside its loudspeaker."""

    takes: int
    gate_ms: float | None
    reference: bool
    room: bool
    swells: bool


def day_of(seed):
    """Draw how a day is measured."""
    generator = np.random.default_rng((seed, 12))
    return Day(
        takes=int(generator.integers(1, 4)),
        gate_ms=GATES_MS[seed % len(GATES_MS)],
        reference=bool(generator.random() < 0.6),
        room=seed % len(GATES_MS) == 0 and bool(generator.random() < 0.5),
        swells=bool(generator.random() < 0.5),
    )


def recorded(sound, *, seed, day, fineness, still, drives_db=DRIVES_DB):
    """Record a day through room, microphone and noise: captures, drive by drive.

    Takes and steps are off as the analysis assumes of what a day can't show, or, `still`, exact.
    """
    generator = np.random.default_rng((seed, 13))
    before = round(LEAD_IN_S * fineness.rate)
    drive = np.pad(fineness.sweep(swells=day.swells)[:, 0], (before, 0))
    path = np.zeros(sound.shape[0])
    path[round(0.003 * fineness.rate)] = 1.0
    if day.room:
        for delay_s in generator.uniform(0.005, 0.06, 8):
            path[round(delay_s * fineness.rate)] += generator.normal(0.0, 0.25)
        tail = np.exp(-6.9 * np.arange(path.size) / fineness.rate / generator.uniform(0.2, 0.5))
        path += generator.normal(0.0, 0.02, path.size) * tail * (np.arange(path.size) > before / 8)
    length = fft.next_fast_len(2 * sound.shape[0], real=True)
    heard = fft.irfft(
        fft.rfft(sound, length, axis=0) * fft.rfft(path, length)[:, np.newaxis], length, axis=0
    )
    heard = np.pad(heard[: sound.shape[0]] / np.abs(sound[:, 0]).max(), ((before, 0), (0, 0)))
    quiet_db = generator.uniform(-75.0, -40.0)
    slope = np.maximum(np.abs(fft.rfftfreq(heard.shape[0], 1.0 / fineness.rate)), 5.0) ** (
        -generator.uniform(0.0, 0.5)
    )
    slope *= 10.0 ** (quiet_db / 20.0) / np.sqrt(np.mean(np.square(slope)))
    step_db = STEP_FLOOR_DB if day.reference else TOLERANCE_DB
    step_db, take_db = (0.0, 0.0) if still else (step_db, JITTER_DB)
    takes = []
    for number, answer in enumerate(heard.T):
        off_db = generator.normal(0.0, step_db) if number else 0.0
        for take in range(day.takes):
            noise = slope * fft.rfft(generator.standard_normal(answer.size))
            moved = 10.0 ** ((off_db + generator.normal(0.0, take_db)) / 20.0)
            asked = 10.0 ** (drives_db[number] / 20.0)
            takes.append(
                Capture(
                    source=f"{number}-{take}",
                    sample_rate_hz=fineness.rate,
                    microphone=moved * answer + fft.irfft(noise, answer.size),
                    reference=0.01 * asked * drive if day.reference else None,
                )
            )
    return takes, drive


def settings_of(takes, drive, *, day, fineness, drives_db=DRIVES_DB, base_db=70.0):
    """Take recordings behind one gate: the gate, a `Setting` a drive, and the session's rules."""
    gate, found = responses(
        takes,
        gate_ms=day.gate_ms,
        stimulus=drive,
        law=fineness.law(swells=day.swells),
        grid=fineness.grid,
        spread=day.room,
    )
    settings = [
        compression.Setting(
            level_db=base_db + drive_db,
            drive_db=drive_db,
            takes=tuple(found[number * day.takes : (number + 1) * day.takes]),
        )
        for number, drive_db in enumerate(drives_db.tolist())
    ]
    known = rules(
        gate,
        reference_counts=day.reference,
        drive_tolerance_db=TOLERANCE_DB,
        assumed_repeatability_db=JITTER_DB,
        sweep_range_hz=(20.0, fineness.stop_hz),
    )
    return gate, settings, known


def measured(sound, *, seed, day, fineness, still=False):
    """Take one day through the analysis: a curve a drive above the first."""
    takes, drive = recorded(sound, seed=seed, day=day, fineness=fineness, still=still)
    _, settings, known = settings_of(takes, drive, day=day, fineness=fineness)
    return compression.short_term(settings[0], settings[1:], again=[], rules=known).curves


def _outcomes(job):
    """Return one row a day and stillness: its kind, and points inside, usable and all by region."""
    seeds, fineness, stills = job
    sound, fundamental = played(seeds, fineness)
    truth = truth_db(fundamental, fineness)
    regions = [(fineness.grid >= low) & (fineness.grid < high) for low, high in REGIONS_HZ]
    rows = []
    for (number, seed), still in itertools.product(enumerate(seeds), stills):
        day, counts = day_of(seed), np.zeros((len(regions), 3), dtype=int)
        curves = measured(sound[..., number], seed=seed, day=day, fineness=fineness, still=still)
        for curve, true_db in zip(curves, truth[1:, number], strict=True):
            inside = np.abs(curve.change_db - true_db) <= curve.u95_db
            of_all = np.stack((inside & curve.usable, curve.usable, np.ones_like(inside)))
            counts += [np.count_nonzero(of_all[:, region], axis=1) for region in regions]
        rows.append((day, still, counts))
    return rows


def study(jobs, *, workers=2):
    """Run days and return the coverage of every kind of day in every region.

    Parameters
    ----------
    jobs : seeds (to be stepped side by side), fineness, and whether the days are still, each

    Returns
    -------
    by kind and region; the interval resamples days, never points
    """
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        found = list((pool.map if pool else map)(_outcomes, jobs))
    table = defaultdict(list)
    for day, still, counts in itertools.chain.from_iterable(found):
        kinds = ["still"] if still else ["all", f"takes {day.takes}"]
        if not still:
            kinds += [
                f"gate {day.gate_ms or 500:.0f} ms",
                "reference" if day.reference else "no reference",
            ]
        for kind in kinds:
            table[kind, "all"].append(counts.sum(axis=0))
            for region, one in zip(REGIONS_HZ, counts, strict=True):
                if one[2]:
                    table[kind, region].append(one)
    generator = np.random.default_rng(5)
    return {key: coverage_of(rows, generator=generator) for key, rows in table.items()}


def written(result):
    """Return the study as a table: a row a kind of day, a column a region."""
    regions = ["all", *REGIONS_HZ]
    names = ["all", *(f"{low}–{high} Hz" for low, high in REGIONS_HZ)]
    lines = ["| days | " + " | ".join(names) + " |", "|" + " --- |" * (1 + len(names))]
    for kind in sorted({kind for kind, _ in result}):
        cells = [kind]
        for region in regions:
            one = result.get((kind, region))
            if one is None or one.usable == 0.0:
                cells.append("")
                continue
            share, low, high = (100.0 * part for part in (one.share, one.low, one.high))
            usable = f"{100.0 * one.usable:.0f} % of {one.days}"
            cells.append(f"{share:.1f} ({low:.1f}–{high:.1f}; {usable})")
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)
