"""Named numbers about the stress while it plays, and about the coil.

Collected by `facts`, which says what each name means.
"""

import math
from collections.abc import Iterator

from reportlib.levels import SLUGS
from reportlib.model import Analysis, Fact
from reportlib.numbers import digits_for, half_width
from reportlib.readings.coil import coil_end
from reportlib.readings.stress import distortion_ends, end_of, last_recovery
from reportlib.soaked import CoilTrack, GroupTrack, Playing, Recovery, ThermalTerm

_MINUTES_FROM_S = 120.0
"""From here on times are written in minutes."""


def stress_key(playing: Playing, track: GroupTrack) -> str:
    """Name the facts of a band or drive unit at one level, without the last part."""
    slug = SLUGS.get(track.name, f"unit-{track.low_hz:.0f}-{track.high_hz:.0f}")
    return f"stress.{slug}.{playing.level_db:g}"


def coil_key(playing: Playing) -> str:
    """Name the facts of the coil at one level, without the last part."""
    return f"coil.{playing.level_db:g}"


def stress_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name every number about the stress that a sentence may need."""
    for playing in analysis.playing:
        for track in playing.groups:
            if track.kind != "third":
                yield from _track_facts(playing, track)
        if playing.coil is not None:
            yield from _coil_facts(playing, playing.coil)


def _track_facts(playing: Playing, track: GroupTrack) -> Iterator[Fact]:
    end = end_of(playing, track)
    if end is None:
        return
    key = stress_key(playing, track)
    name = "end" if end.since_cold else "later"
    yield _decibels(f"{key}.{name}", -end.change_db, u95_db=end.u95_db)
    change = "change" if end.since_cold else "later-change"
    yield _decibels(f"{key}.{change}", end.change_db, u95_db=end.u95_db)
    yield _interval(f"{key}.u95", end.u95_db)
    fit = track.fit
    if fit is not None and end.since_cold:
        for index, term in enumerate(fit.terms, start=1):
            if term.identifiable:
                yield _time(f"{key}.time-{index}", term, row=f"fact-{key}")
        if fit.projected_600_s_db is not None:
            u95_db = fit.projected_u95_db or end.u95_db
            yield _decibels(f"{key}.at-600", fit.projected_600_s_db, u95_db=u95_db)
            yield _interval(f"{key}.at-600-u95", u95_db)
    recovery = last_recovery(playing, band=track.name) if track.kind == "band" else None
    if recovery is not None:
        yield from _recovery_facts(key, recovery)
    added = distortion_ends(track)
    if added is not None:
        for part, value_db in zip(("added-first", "added"), added, strict=True):
            yield _percent(f"{key}.{part}", value_db, row=f"fact-{key}")


def _recovery_facts(key: str, recovery: Recovery) -> Iterator[Fact]:
    row = f"fact-{key}"
    after_s = round(recovery.after_s, 0 if recovery.after_s >= 1.0 else 1)
    yield Fact(name=f"{key}.after", value=after_s, unit="s", digits=0, row=row)
    yield _decibels(f"{key}.swept", -recovery.seen_db, u95_db=recovery.seen_u95_db)
    yield _interval(f"{key}.swept-u95", recovery.seen_u95_db)
    if math.isfinite(recovery.expected_db):
        yield _decibels(f"{key}.left", -recovery.expected_db, u95_db=recovery.expected_u95_db)


def _coil_facts(playing: Playing, coil: CoilTrack) -> Iterator[Fact]:
    end = coil_end(playing, coil)
    if end is None:
        return
    key = coil_key(playing)
    row = f"fact-{key}"
    yield Fact(name=f"{key}.rise", value=end.rise_k, unit="°C", digits=0, row=row)
    rise_u95 = half_width(end.rise_u95_k, least=1.0)
    yield Fact(name=f"{key}.rise-u95", value=rise_u95, unit="°C", digits=0, row=row)
    yield _decibels(f"{key}.expected", end.expected_db, u95_db=0.0)
    if end.heard_db is not None and end.heard_u95_db is not None:
        yield _decibels(f"{key}.heard", end.heard_db, u95_db=end.heard_u95_db)
        yield _interval(f"{key}.heard-u95", end.heard_u95_db)


def _row(name: str) -> str:
    return f"fact-{name.rpartition('.')[0]}"


def _decibels(name: str, value: float, *, u95_db: float) -> Fact:
    return Fact(name=name, value=value, unit="dB", digits=digits_for(u95_db), row=_row(name))


def _interval(name: str, u95_db: float) -> Fact:
    value, digits = half_width(u95_db), digits_for(u95_db)
    return Fact(name=name, value=value, unit="dB", digits=digits, row=_row(name))


def _percent(name: str, value_db: float, *, row: str) -> Fact:
    value = 100.0 * 10.0 ** (value_db / 20.0)
    return Fact(name=name, value=value, unit="%", digits=1 if value < 10.0 else 0, row=row)


def _time(name: str, term: ThermalTerm, *, row: str) -> Fact:
    """A time constant, to two digits at most and none beyond what its interval supports."""
    unit_s = 60.0 if term.time_constant_s >= _MINUTES_FROM_S else 1.0
    half = 0.5 * (term.time_constant_high_s - term.time_constant_low_s) / unit_s
    value = term.time_constant_s / unit_s
    digits = 1 - math.floor(math.log10(value))
    if half > 0.5:
        digits = min(digits, 0)
    return Fact(
        name=name, value=round(value, digits) * unit_s, unit="s", digits=max(digits, 0), row=row
    )
