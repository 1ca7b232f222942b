"""The study of the thermal fit: many days of each kind, and what its intervals hold."""

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import thermal_days as days
from thermal_days import Kind

from reportlib.measure.stress.heating import thermal_fit

COLD_DB = -40.0


def kinds():
    """The whole study's rows."""
    rows = []
    for rho in (0.0, 0.5, 0.8):
        rows += [
            Kind("exponential 2-30 s", synthetic=True, correlation=rho),
            Kind("coil 2-30 s", correlation=rho),
            Kind("coil 60-1800 s", coil_s=(60.0, 1800.0), record=(3.0, 6.0), correlation=rho),
            Kind("coil and magnet, 3 τ", magnet_s=(60.0, 1800.0), record=(3.0, 4.0),
                 correlation=rho),
            Kind("coil and magnet, 10-30 min", magnet_s=(60.0, 1800.0), record=(600.0, 1800.0),
                 relative=False, correlation=rho),
            Kind("coil and magnet, 1-4 min", magnet_s=(300.0, 1800.0), record=(60.0, 240.0),
                 relative=False, correlation=rho),
            Kind("two stages, pause of 10 s", coil_s=(4.0, 30.0), record=(4.0, 8.0),
                 pauses_s=(10.0,), correlation=rho),
            Kind("record of 0.3-1.5 τ", coil_s=(10.0, 100.0), record=(0.3, 1.45), limit=0.03,
                 correlation=rho),
        ]  # fmt: skip
    return rows


@dataclass
class Count:
    """So many of so many."""

    hits: int = 0
    of: int = 0

    def add(self, hit):
        self.hits += bool(hit)
        self.of += 1

    @property
    def share(self):
        return self.hits / self.of if self.of else math.nan

    def __str__(self):
        if not self.of:
            return "-"
        low, high = wilson(self.hits, self.of)
        return f"{100 * self.share:.1f} ({100 * low:.0f}-{100 * high:.0f})"


def wilson(hits, of):
    """Interval of a share (Wilson 1927), 95 %."""
    z, p = 1.96, hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of))
    return max(middle - half, 0.0), min(middle + half, 1.0)


NAMES = {
    "tau": "τ inside",
    "loss": "A inside",
    "end": "end inside",
    "close": "end in 0.1 dB",
    "told": "identified where due",
    "wrong": "identified, record < 1.5 τ",
    "projected": "10 min inside",
    "given": "10 min given",
    "more": "terms too many",
}


def day(seed, *, kind):
    """Fit one day; the outcomes, each one list of hits or misses."""
    generator = np.random.default_rng((seed, 3))
    index = seed % days.POOL + 100 * (seed // 10000)  # other seeds, other loudspeakers
    truth = days.truth(kind, index)
    track = COLD_DB - truth.loss_db + days.noise(
        generator,
        count=truth.loss_db.size,
        correlation=kind.correlation,
        deviation_db=days.log_uniform(generator, *kind.noise_db),
    )  # fmt: skip
    fit, _ = thermal_fit(track, history=truth.history)
    out = {name: [] for name in NAMES}
    terms = len(truth.network_s)
    full = days.true_terms(kind, index, terms)
    alike = days.true_terms(kind, index, len(fit.terms)) if fit.terms else None
    record_s = truth.history.record_s
    if alike is not None:
        for term, tau_s, loss_db in zip(fit.terms, *alike, strict=True):
            out["tau"].append(term.time_constant_low_s <= tau_s <= term.time_constant_high_s)
            out["loss"].append(term.loss_low_db <= loss_db <= term.loss_high_db)
    for tau_s, loss_db in zip(*full, strict=True):
        near = [one for one in fit.terms if abs(math.log(one.time_constant_s / tau_s)) < 0.7]
        told = any(one.identifiable for one in near)
        if record_s >= 3.0 * tau_s and loss_db >= 1.0 and 2.0 * truth.history.period_s <= tau_s:
            out["told"].append(told)
        if record_s < 1.5 * tau_s:
            out["wrong"].append(told)
    off_db = abs(fit.end_loss_db - truth.end_db)
    if fit.cold_known:
        out["end"].append(off_db <= fit.end_loss_u95_db)
    if fit.end_loss_u95_db <= 0.1:
        out["close"].append(off_db <= 0.1)
    out["given"].append(fit.projected_600_s_db is not None)
    if fit.projected_600_s_db is not None:
        off_db = abs(fit.projected_600_s_db - truth.after_600_s_db)
        out["projected"].append(off_db <= fit.projected_u95_db)
    out["more"].append(len(fit.terms) > terms)
    return out


def row(kind, *, seeds, workers=1):
    """Study one kind of day."""
    counts = {name: Count() for name in NAMES}
    task = partial(day, kind=kind)
    if workers > 1:
        # One worker to a day of the pool: its truth is then worked out once.
        with ProcessPoolExecutor(workers) as pool:
            parts = [[s for s in seeds if s % workers == w] for w in range(workers)]
            found = [one for part in pool.map(partial(_days, kind=kind), parts) for one in part]
    else:
        found = [task(seed) for seed in seeds]
    for one in found:
        for name, hits in one.items():
            for hit in hits:
                counts[name].add(hit)
    return counts


def _days(seeds, *, kind):
    return [day(seed, kind=kind) for seed in seeds]


def table(results):
    """Write the table, a row a kind of day."""
    lines = ["| days | ρ | " + " | ".join(NAMES.values()) + " |", "|" + " --- |" * (len(NAMES) + 2)]
    for kind, counts in results:
        cells = " | ".join(str(counts[name]) for name in NAMES)
        lines.append(f"| {kind.name} | {kind.correlation:g} | {cells} |")
    return "\n".join(lines)
