"""Days of loudspeakers integrated in time with several mechanisms at once, and who took what.

Each is a loudspeaker of `integrated_days` with mechanisms left in and all others taken out. What
a mechanism takes is got by taking it out as well, by the same sweep without noise, room and
microphone: the change with it less the change without it. A cone at the end of its travel has two
parts that act on each other; a part's share is the larger of what it takes with and without the
other.
"""

import itertools
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, replace

import numpy as np
from builders import make_session
from cause_days import PAIRS
from days import responses
from integrated_days import (
    JITTER_DB,
    Day,
    Fineness,
    crossed,
    day_of,
    loudspeaker,
    recorded,
    settings_of,
    stepped,
)
from scipy import ndimage
from thermal_study import wilson

from reportlib.judge.causes.table import NONE_SHOWN, find_causes
from reportlib.judge.grades import band_results
from reportlib.judge.records import Analysis
from reportlib.measure import compression
from reportlib.measure.levels import db
from reportlib.measure.records import HarmonicCurves
from reportlib.session.records import Capture

FINENESS = Fineness(rate=24000, stop_hz=9000.0, growth_s=0.3)
DRIVES_DB = np.array([0.0, 6.0, 12.0, 18.0, 24.0])
BASE_DB, STRESS_S, PAUSE_S = 72.0, 60.0, 2.0
BESIDE = 8
SHARES = (0.8, 0.2)
"""Of a stress's power, the woofer's and the tweeter's."""
MECHANISMS = ("cone", "port", "limiter-broad", "limiter-band", "heat", "nothing")
WITHOUT = {
    "suspension": {"stiffens": 1e3},
    "motor": {"reach": 1e3},
    "port": {"turbulence": 0.0},
    "limiter-band": {"limit": np.inf},
    "limiter-broad": {"limit_all": np.inf},
    "heat": {"to_ambient": 0.0, "warm_k": 0.0},
}
"""What a row becomes where a mechanism is out of it."""
LIMITERS = {"limiter-broad", "limiter-band"}
"""Not to be told apart where one band alone is loud enough."""
PARTS = {"cone": ("suspension", "motor")}
CAUSES_OF = {"cone": {"excursion", "motor-strength"}, "heat": {"heat-coil"}}
"""What a mechanism is called by the rules; by its own name where it doesn't stand here."""
CLAIMED = {"excursion": "cone", "motor-strength": "motor", "heat-coil": "heat"}
"""What a cause claims to act: a cone at its end is held back by either part, a motor by its own."""
SHOWS_DB, SMALL_SHARE, SMALL_DB = 0.8, 0.25, 0.3


@dataclass(frozen=True)
class Mixture:
    """A loudspeaker, what acts in it, and how its day is measured."""

    mechanisms: tuple[str, ...]
    rows: tuple[dict, dict]
    crossover_hz: float
    day: Day
    stressed_db: float | None
    facts: dict

    @property
    def parts(self):
        """What of `WITHOUT` is left in."""
        return tuple(part for one in self.mechanisms for part in PARTS.get(one, (one,)))


def mixture(seed):
    """Draw two or three mechanisms, a loudspeaker that has them, and its day."""
    generator = np.random.default_rng((seed, 21))
    chosen = set(MECHANISMS)
    while chosen >= LIMITERS:
        count = int(generator.integers(2, 4))
        chosen = set(generator.choice(MECHANISMS, count, replace=False).tolist())
    rows, crossover_hz = loudspeaker(seed)
    for again in range(1, 40):
        if rows[0]["port"] or "port" not in chosen:
            break
        rows, crossover_hz = loudspeaker(seed + 1_000_000 * again)
    everything, banded = (float(generator.uniform(0.3, 0.9)) for _ in range(2))
    limited = int(generator.integers(2))
    louder = float(generator.uniform(1.0, 2.0))
    for unit, row in enumerate(rows):
        row["volts"] *= louder
        row |= {"limit_all": everything, "limit": np.inf}
        if unit == limited:
            row["limit"] = banded * row["volts"]
    drive_db = float(generator.choice(DRIVES_DB[2:4]))
    _heated(rows, generator, stress_db=drive_db)
    heated = "heat" in chosen or generator.random() < 0.5
    active = bool(chosen & LIMITERS) or generator.random() < 0.3
    box_told, crossover_told = generator.random(2) < (0.5, 0.85)
    facts = {
        "drive": "active" if active else "passive",
        "crossovers_hz": (round(crossover_hz),) if crossover_told else (),
        "enclosure": ("vented" if rows[0]["port"] else "closed") if box_told else None,
    }
    made = Mixture(
        mechanisms=tuple(one for one in MECHANISMS if one in chosen and one != "nothing"),
        rows=tuple(rows),
        crossover_hz=crossover_hz,
        day=replace(day_of(seed), gate_ms=(None, None, 150.0, 60.0)[seed % 4]),
        stressed_db=drive_db if heated else None,
        facts=facts,
    )
    return without(made, *(WITHOUT.keys() - set(made.parts)))


def _heated(rows, generator, *, stress_db):
    """Draw coils that get hot while a stress plays, or quick ones that do within a sweep."""
    quick = generator.random() < 0.5
    for row, share in zip(rows, SHARES, strict=True):
        watts = 0.5 * row["volts"] ** 2 / row["resistance"]
        rise_k = np.exp(generator.uniform(np.log(15.0), np.log(150.0)))
        if quick:
            row["heats_in_s"] = float(generator.uniform(0.3, 1.5))
        else:
            watts *= share * 10.0 ** ((stress_db + 1.0 - DRIVES_DB[-1]) / 10.0)
        row["to_ambient"] = rise_k / watts


def without(made, *names):
    """Return a mixture with mechanisms taken out."""
    changes = {key: value for name in names for key, value in WITHOUT[name].items()}
    return replace(made, rows=tuple({**row, **changes} for row in made.rows))


def stressed(made):
    """Return a mixture as the sweep after its stress finds it: at that drive, with hot coils."""
    rows = []
    for row, share in zip(made.rows, SHARES, strict=True):
        volts = row["volts"] * 10.0 ** ((made.stressed_db - DRIVES_DB[-1]) / 20.0)
        ends = min(10.0**0.05 * volts, row["limit"], row["limit_all"] * row["volts"])
        gone = np.exp(-PAUSE_S / row["heats_in_s"]) - np.exp(
            -(STRESS_S + PAUSE_S) / row["heats_in_s"]
        )
        warm_k = row["to_ambient"] * share * 0.5 * ends**2 / row["resistance"] * gone
        rows.append({**row, "warm_k": min(warm_k, 250.0)})
    return replace(made, rows=tuple(rows))


def turned_down(sweep, made, *, drives_db):
    """Return sweeps at drives as a limiter over everything leaves them; shape (samples, drives)."""
    top = 10.0 ** ((drives_db - DRIVES_DB[-1]) / 20.0)
    limit, row = made.rows[0]["limit_all"], made.rows[0]
    if not np.isfinite(limit):
        return np.repeat(sweep[:, np.newaxis], drives_db.size, axis=1)
    attack, release = (
        1.0 - np.exp(-1.0 / FINENESS.rate / row[name]) for name in ("attack_s", "release_s")
    )
    heard, gains = np.zeros(drives_db.size), np.ones((sweep.size, drives_db.size))
    for index, size in enumerate(np.abs(sweep)[:, np.newaxis] * top):
        more = size - heard
        heard = heard + more * np.where(more > 0.0, attack, release)
        gains[index] = np.minimum(1.0, limit / np.maximum(heard, 1e-12))
    return gains * sweep[:, np.newaxis]


def sounds(mixtures, *, drives_db):
    """Integrate mixtures side by side; shape (samples, drives, mixtures)."""
    driven = []
    for made in mixtures:
        sweep = FINENESS.sweep(swells=made.day.swells)[:, 0]
        driven.append(turned_down(sweep, made, drives_db=drives_db))
    volts = crossed(driven, [made.crossover_hz for made in mixtures], FINENESS)
    return stepped(
        [made.rows for made in mixtures],
        np.moveaxis(volts, 3, 1)[..., np.newaxis],
        drives_db=drives_db,
        parts=np.ones((1, 1)),
        fineness=FINENESS,
    )[..., 0]


def played(mixtures):
    """Return what each plays: a sweep a drive, then the one after its stress where there is one.

    Returns
    -------
    shape (samples, drives and one more), one a mixture
    """
    cold = sounds(mixtures, drives_db=DRIVES_DB)
    found = [cold[..., number] for number in range(len(mixtures))]
    for drive_db in sorted({made.stressed_db for made in mixtures} - {None}):
        places = [place for place, made in enumerate(mixtures) if made.stressed_db == drive_db]
        warm = sounds(
            [stressed(mixtures[place]) for place in places], drives_db=np.array([drive_db])
        )
        for number, place in enumerate(places):
            found[place] = np.column_stack((found[place], warm[..., number]))
    return found


def true_changes_db(sound, made):
    """Return what a loudspeaker truly changes by: a row a drive, and one after the stress.

    The same sweep without noise, room and microphone; shape (curves, grid).
    """
    before = round(0.7 * FINENESS.rate)
    drive = np.pad(FINENESS.sweep(swells=made.day.swells)[:, 0], (before, 0))
    heard = np.pad(sound / np.abs(sound[:, 0]).max(), ((before, 0), (0, 0)))
    takes = [
        Capture(source=str(number), sample_rate_hz=FINENESS.rate, microphone=one, reference=None)
        for number, one in enumerate(heard.T)
    ]
    law = FINENESS.law(swells=made.day.swells)
    with np.errstate(over="ignore"):  # silence has no noise to compare
        _, found = responses(takes, stimulus=drive, law=law, grid=FINENESS.grid)
    level = db(np.array([one.power for one in found]))
    change = level[1 : DRIVES_DB.size] - level[0] - DRIVES_DB[1:, np.newaxis]
    if made.stressed_db is None:
        return change
    cold = level[DRIVES_DB.tolist().index(made.stressed_db)]
    return np.vstack((change, level[-1] - cold))


def analysed(sound, made, *, seed):
    """Take a day through room, microphone, noise and the analysis."""
    day, after = made.day, made.stressed_db is not None
    drives_db = DRIVES_DB
    if after:  # the sweep before the stress is recorded anew
        again = DRIVES_DB.tolist().index(made.stressed_db)
        sound = np.column_stack((sound[:, :-1], sound[:, again], sound[:, -1]))
        drives_db = np.append(DRIVES_DB, [made.stressed_db] * 2)
    takes, drive = recorded(
        sound, seed=seed, day=day, fineness=FINENESS, still=False, drives_db=drives_db
    )
    gate, settings, known = settings_of(
        takes, drive, day=day, fineness=FINENESS, drives_db=drives_db, base_db=BASE_DB
    )
    levels = settings[: DRIVES_DB.size]
    short = compression.short_term(levels[0], levels[1:], again=[], rules=known)
    long = ()
    session = make_session(
        levels_db=BASE_DB + DRIVES_DB[1:],
        long_term_levels_db=(),
        sweep_range_hz=known.sweep_range_hz,
        takes=day.takes,
    )
    place = "loop-back" if made.facts["drive"] == "active" else "terminals"
    session = replace(
        session,
        speaker=replace(session.speaker, **made.facts),
        rig=replace(session.rig, reference_at=place if day.reference else None),
        channels=replace(session.channels, reference=2 if day.reference else None),
    )
    if after:
        before, hot = (
            replace(one, level_db=stress_level_db(made)) for one in settings[DRIVES_DB.size :]
        )
        long = (compression.long_term(before, hot, elapsed_s=STRESS_S, short=short, rules=known),)
        entry = make_session(
            baseline_db=BASE_DB,
            long_term_levels_db=(stress_level_db(made),),
            stage_ends_s=(STRESS_S,),
        ).long_term[0]
        session = replace(session, long_term=(replace(entry, sweep_drive_db=made.stressed_db),))
    return Analysis(
        session=session,
        sample_rate_hz=FINENESS.rate,
        gate_s=gate.length_s,
        sweep_range_hz=known.sweep_range_hz,
        lowest_hz=gate.lowest_hz,
        smoothing_fraction=12,
        assumed_repeatability_db=JITTER_DB,
        baseline=short.baseline,
        quality=(),
        drive_steps=short.steps,
        short_term=short.curves,
        long_term=long,
        harmonics=tuple(
            HarmonicCurves(
                level_db=one.level_db,
                frequency_hz=one.takes[0].frequency_hz,
                orders=tuple(range(2, 2 + one.takes[0].harmonic_power.shape[0])),
                relative_db=db(one.takes[0].harmonic_power),
                floor_db=db(one.takes[0].harmonic_noise),
            )
            for one in levels
        ),
        bands=band_results((*short.curves, *long), fraction=12),
        in_room=(),
    )


def stress_level_db(made):
    """Return the long-term level: the stress plays a decibel louder than its sweeps."""
    return BASE_DB + made.stressed_db + 1.0


@dataclass(frozen=True)
class Truth:
    """What a day truly changed by, with everything in it and with some of it taken out.

    `changes_db`: what is taken out → shape (curves, grid); `levels_db` names the curves, and
    `usable`, of the same shape, says what the day's own data can tell.
    """

    mechanisms: tuple[str, ...]
    parts: tuple[str, ...]
    levels_db: tuple[float, ...]
    changes_db: dict
    usable: np.ndarray

    def place(self, inside, levels_db):
        """Return where most changed: its size, the curve, the points beyond half of it, its sign.

        None where nothing can be told.
        """
        worst = None
        for number, level_db in enumerate(self.levels_db):
            here = inside & self.usable[number]
            if level_db not in levels_db or not here.any():
                continue
            change = np.where(here, self.changes_db[frozenset()][number], 0.0)
            top = int(np.argmax(np.abs(change)))
            if worst is None or abs(change[top]) > worst[0]:
                sign = float(np.sign(change[top]))
                core, _ = ndimage.label(sign * change > 0.5 * abs(change[top]))
                worst = float(abs(change[top])), number, core == core[top], sign
        return worst

    def over(self, number, inside):
        """Return a place that is told by others: a curve and its points, as `place` does."""
        change = self.changes_db[frozenset()][number]
        mean = float(np.mean(change[inside])) if inside.any() else 0.0
        return abs(mean), number, inside, float(np.sign(mean))

    def taken_db(self, place, mechanism):
        """Return what a mechanism takes at a place, of how much; `place` as found there."""
        _, number, core, sign = place
        mine = frozenset(PARTS.get(mechanism, (mechanism,)))
        others = frozenset()
        for whole in PARTS.values():
            if mechanism in whole:
                others = frozenset(whole) - mine
        return max(
            sign
            * float(np.mean((self.changes_db[out] - self.changes_db[out | mine])[number, core]))
            for out in {frozenset(), others}
        )

    def of(self, place):
        """Return the mean change at a place."""
        return float(np.mean(np.abs(self.changes_db[frozenset()][place[1], place[2]])))


def days(seeds):
    """Make days side by side: each one's truth and `Analysis`."""
    variants = []
    for seed in seeds:
        made = mixture(seed)
        outs = {frozenset()} | {frozenset((part,)) for part in made.parts}
        outs |= {frozenset(PARTS[one]) for one in made.mechanisms if one in PARTS}
        variants += [(seed, out, without(made, *out)) for out in sorted(outs, key=sorted)]
    found = dict(
        zip(
            ((seed, out) for seed, out, _ in variants),
            played([made for *_, made in variants]),
            strict=True,
        )
    )
    for seed in seeds:
        made = mixture(seed)
        analysis = analysed(found[seed, frozenset()], made, seed=seed)
        curves = (*analysis.short_term, *analysis.long_term)
        yield (
            Truth(
                mechanisms=made.mechanisms,
                parts=made.parts,
                levels_db=tuple(curve.level_db for curve in curves),
                changes_db={
                    out: true_changes_db(sound, made)
                    for (one, out), sound in found.items()
                    if one == seed
                },
                usable=np.array([curve.usable for curve in curves]),
            ),
            analysis,
        )


@dataclass(frozen=True)
class Outcome:
    """What a day's findings are worth.

    Attributes
    ----------
    mechanisms : what was left in
    largest : what takes most where most changed; empty where less than `SHOWS_DB` did
    first, right : what is named first, and whether that is `largest`, or stands as surely beside it
    stands : whether `largest` is named at all, fair or surer
    real : whether what is named first truly takes its part where it is said to
    confidences : of every cause that is named
    wrong : causes of high confidence that take next to nothing where they are said to
    """

    mechanisms: tuple[str, ...]
    largest: str
    first: str
    right: bool
    stands: bool
    real: bool
    confidences: tuple[str, ...]
    wrong: tuple[str, ...]


def judged(truth, findings):
    """Hold a day's findings against what its loudspeaker did."""
    most = truth.place(np.ones(FINENESS.grid.size, dtype=bool), truth.levels_db)
    shows, first = most is not None and most[0] >= SHOWS_DB, findings[0]
    largest, right, stands = "", first.cause == NONE_SHOWN, False
    if shows:
        largest = max(truth.mechanisms, key=lambda one: truth.taken_db(most, one))
        called = CAUSES_OF.get(largest, {largest})
        stands = any(one.cause in called and one.confidence != "low" for one in findings)
        beside = {one.cause for one in findings if one.confidence == first.confidence}
        right = first.cause in called or any(
            first.cause in pair and called & pair & beside for pair in (*PAIRS, LIMITERS)
        )
    named = [one for one in findings if one.cause != NONE_SHOWN]
    wrong = [one.cause for one in named if one.confidence == "high" and not is_real(truth, one)]
    if shows and (first.cause, first.confidence) == (NONE_SHOWN, "high"):
        wrong.append(NONE_SHOWN)
    return Outcome(
        mechanisms=truth.mechanisms,
        largest=largest,
        first=first.cause,
        right=right,
        stands=stands,
        real=first in named and is_real(truth, first),
        confidences=tuple(one.confidence for one in named),
        wrong=tuple(wrong),
    )


def is_real(truth, finding):
    """Return whether what is named truly takes its part where it is said to.

    At the loudest level named of each test, on average over the frequencies named: `SMALL_DB`, or
    `SMALL_SHARE` of what changed there.
    """
    grid, claimed = FINENESS.grid, CLAIMED.get(finding.cause, finding.cause)
    inside = (grid > finding.low_hz / 1.001) & (grid < finding.high_hz * 1.001)
    for test in np.array_split(truth.levels_db, [DRIVES_DB.size - 1]):
        level_db = max(set(test) & set(finding.levels_db), default=None)
        if level_db is None:
            continue
        number = truth.levels_db.index(level_db)
        place = truth.over(number, inside & truth.usable[number])
        if claimed in (*truth.mechanisms, *truth.parts) and place[2].any():
            taken_db = truth.taken_db(place, claimed)
            if taken_db >= min(SMALL_DB, SMALL_SHARE * truth.of(place)):
                return True
    return False


def _outcomes(seeds):
    return [judged(truth, find_causes(analysis)) for truth, analysis in days(seeds)]


def study(seeds, *, workers=2):
    """Make days, look for their causes, and judge what was found."""
    jobs = [seeds[first : first + BESIDE] for first in range(0, len(seeds), BESIDE)]
    with ProcessPoolExecutor(workers) if workers > 1 else nullcontext() as pool:
        return list(itertools.chain.from_iterable((pool.map if pool else map)(_outcomes, jobs)))


def written(outcomes):
    """Return the study as a table: a row for what took most."""
    lines = ["| took most | days | first, or beside it | named first | surely and wrong |"]
    lines.append("| --- | --- | --- | --- | --- |")
    for largest in (*(one for one in MECHANISMS if one != "nothing"), ""):
        mine = [one for one in outcomes if one.largest == largest]
        right = sum(one.right for one in mine)
        low, high = (100.0 * part for part in wilson(right, max(len(mine), 1)))
        named = Counter(one.first for one in mine).most_common(5)
        lines.append(
            f"| {largest or 'nothing shows'} | {len(mine)} | {right} ({low:.0f}–{high:.0f} %) | "
            f"{', '.join(f'{name} {count}' for name, count in named)} | "
            f"{sum(bool(one.wrong) for one in mine)} |"
        )
    return "\n".join(lines)


def counted(outcomes):
    """Return counts of days, and of causes named by their confidence."""
    shows = [one for one in outcomes if one.largest]
    named = [one for one in shows if one.first != NONE_SHOWN]
    every = [level for one in outcomes for level in one.confidences]
    return {
        "days": len(outcomes),
        "shows": len(shows),
        "right": sum(one.right for one in shows),
        "stands": sum(one.stands for one in shows),
        "named": len(named),
        "real": sum(one.real for one in named),
        "wrong": sum(bool(one.wrong) for one in outcomes),
        "causes": len(every),
        **{level: every.count(level) for level in ("high", "fair", "low")},
    }
