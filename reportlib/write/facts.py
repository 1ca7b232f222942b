"""The named numbers that prose may quote, out of an analysis.

A number is computed once, kept as a `Fact` and quoted by its name; an unknown or a duplicate
name is an error. In Markdown a quoted fact is an ordinary link,
``[−1.5 dB](#fact-short.mids.94.mean)``: Jupyter shows the value, the page links it to its row.

Names are dotted and lower case: test, band, level, then what it is.

=============================== ============================================================
``test.baseline``, ``test.top`` quietest and loudest short-term level that no fault spoilt, dB
``test.lowest``                 lowest frequency that the bands tell of, Hz
``short.<band>.<level>.mean``   mean change of a band at a level; ``.shortfall`` its negative,
                                ``.u95`` its interval rounded up, ``.worst``, ``.worst-at``
``long.<band>.<level>.<s>.…``   the same after so many seconds of stress
``step.<level>.asked``          a volume step as asked for, and ``.measured``
``seat.<level>.low``, ``.high`` the range at the reader's seat; ``.sum-low``, ``.sum-high`` by the
                                trade's sum, ``.room-low``, ``.room-high`` by Hopkins–Stryker
``need.<need>.average-low``, …  what one loudspeaker must make at 1 m for a need at the reader's
                                seat: ``.average-high``, ``.peak-low``, ``.peak-high``; what a
                                band loses there: ``.<band>.least``, ``.<band>.most``
``need.tested-to``,             how loud the sweeps and the long-term test were, on that scale
``need.played-to``
``why.<cause>.low``, ``.high``  where a change shows that fits a cause, Hz
``exposure.<what>.level``, …    level of a setting or a need, dBA, and how long it may last:
                                ``.day`` (NIOSH), ``.week`` (WHO–ITU), ``.osha``
``dose.day``, ``dose.week``, …  what the measuring day comes to, %; ``dose.sounding``
``stress.<band>.<level>.end``   loss against cold when the stress ended; ``.change`` its negative,
                                ``.u95``; ``.later``, ``.later-change`` where only the loss since
                                the first period can be told; a drive unit's slug is
                                ``unit-2600-18000``
``….time-1``, ``….time-2``      time constants that can be told, the faster first
``….at-600``, ``….at-600-u95``  loss projected to 10 min of stress
``….swept``, ``….swept-u95``    loss that the sweep after the last stage saw; ``.after`` how long
                                after the stress, ``.left`` what should have been left by then
``….added-first``, ``….added``  distortion plus noise over the tones, early and at the end, %
``coil.<level>.rise``           how much hotter the coil got, ``.rise-u95``; the change that it
                                predicts, ``.expected``, ``.heard``; as losses: ``.cost``, ``.lost``
``limit.<band>.1``, ``….3``     level at which a band is 1 dB (3 dB) behind, turned up; its bracket
                                ``.low``, ``.high``, rounded outwards; ``limit.<band>.tested``;
                                ``limit.long.<band>.…`` left playing, ``limit.unit-40-401.…`` by
                                drive unit
``verdict.turned-up.loss.99``   the mean size of the verdict's bands at a level, where their
                                intervals overlap; ``verdict.left-playing…``, ``….gain.<level>``
``heard.short.<level>.most.…``  the stretch that is heard most: ``.size``, ``.u95``, ``.low``,
                                ``.high``, ``.as-mids`` (phon); ``.other.…`` another one;
                                ``heard.long.<level>.<s>.…`` left playing
=============================== ============================================================
"""

import functools
import math
from collections.abc import Iterator

from reportlib.judge.exposure import NIOSH, OSHA, WHO_ITU, stricter_time_s
from reportlib.judge.records import (
    SEAT_SETUP,
    Analysis,
    Audible,
    BandResult,
    DayDose,
    Exposure,
    Limit,
    NeedAnswer,
    SeatLevel,
)
from reportlib.judge.seat import ROOM_METHOD, TRADE_METHOD
from reportlib.judge.thresholds import BEHIND_DB
from reportlib.judge.verdict import conclude_first
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.measure.stress.records import (
    CoilTrack,
    GroupTrack,
    Playing,
    Recovery,
    ThermalTerm,
    end_of,
)
from reportlib.numbers import digits_for, half_width, highest_end, level_key, outwards, slug
from reportlib.write.quotes import Fact, FactTable, band_key, together_name
from reportlib.write.readings_stress import coil_end, distortion_ends, last_recovery


def judgements_of(name: str) -> str:
    """Return whose judgements a fact belongs to; where it ends in a dot, all that begin so.

    Blanks in judgements' names are hyphens here, as in all facts' names.

    >>> judgements_of("short.mids.82.5.mean"), judgements_of("limit.mids.1")
    ('short.mids.82.5', 'short.mids.')
    >>> judgements_of("dose.day")
    ''
    """
    match name.split("."):
        case ["short" | "long", _, _, _, *_]:
            return name.rpartition(".")[0]
        case ["stress", band, level, _, *_]:
            return f"long.{band}.{level}."
        case ["limit", "long", band, *_]:
            return f"long.{band}."
        case ["limit", band, *_]:
            return f"short.{band}."
        case ["why", cause, *_]:
            return f"finding.{cause}"
        case ["need", need, _, *_]:
            return f"need.{need},-{slug(SEAT_SETUP)}"
        case ["verdict", test, *_]:
            return "short." if test == "turned-up" else "stress."
        case ["beside", _, band, what, *_] if band in SLUGS.values():
            asked = what.partition("-")[0]  # limit-low, limit-high and the like
            return f"standing.{asked if asked in {'limit', 'long'} else 'output'}.{band}."
        case ["apart", _, _, band, *_]:
            return f"standing.output.{band}."
        case ["apart-long", _, _, band, *_]:
            return f"standing.long.{band}."
        case _:
            return ""


@functools.lru_cache(maxsize=2)
def collect(analysis: Analysis) -> FactTable:
    """Name every number of an analysis that a sentence may need; once for all that ask."""
    facts = [
        Fact(name="test.baseline", value=analysis.session.baseline.level_db, unit="dB", digits=0),
        Fact(name="test.lowest", value=_speaks_from_hz(analysis), unit="Hz", digits=0),
        Fact(name="test.distance", value=analysis.session.rig.distance_m, unit="m", digits=1),
    ]
    if analysis.drift_db is not None:
        facts.append(Fact(name="test.drift", value=analysis.drift_db, unit="dB", digits=1))
    if math.isfinite(analysis.gate_s):
        facts.append(Fact(name="test.gate", value=1e3 * analysis.gate_s, unit="ms", digits=0))
    if analysis.session.sweep is not None and analysis.session.sweep.duration_s:
        facts.append(
            Fact(name="test.sweep", value=analysis.session.sweep.duration_s, unit="s", digits=1)
        )
    if analysis.short_term:
        counting = conclude_first(analysis).levels_db or (analysis.short_term[-1].level_db,)
        facts.append(Fact(name="test.top", value=counting[-1], unit="dB", digits=0))
    for result in analysis.bands:
        facts += _band_facts(result)
    for step in analysis.drive_steps:
        key, row = f"step.{level_key(step.level_db)}", f"fact-step.{level_key(step.level_db)}"
        facts.append(Fact(name=f"{key}.asked", value=step.asked_db, unit="dB", digits=1, row=row))
        if step.measured_db is not None:
            facts.append(
                Fact(name=f"{key}.measured", value=step.measured_db, unit="dB", digits=2, row=row)
            )
    for one in analysis.findings:
        if one.levels_db and math.isfinite(one.low_hz) and math.isfinite(one.high_hz):
            facts += [
                Fact(name=f"why.{one.cause}.{end}", value=hz, unit="Hz", digits=0,
                     row=f"fact-why.{one.cause}")
                for end, hz in (("low", one.low_hz), ("high", one.high_hz))
            ]  # fmt: skip
    facts += seat_facts(analysis)
    facts += stress_facts(analysis)
    facts += judged_facts(analysis)
    facts += _verdict_facts(analysis)
    return FactTable(facts)


def _verdict_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name the one number of bands whose intervals overlap."""
    verdict = conclude_first(analysis)
    every = (verdict.first, verdict.gain, verdict.turned_up, *verdict.worst)
    for name, group in {together_name(one): one for one in every if one}.items():
        if group.together_db is not None:
            digits = digits_for(max(one.u95_db or 0.0 for one in group.by_mean))
            yield Fact(name=name, value=abs(group.together_db), unit="dB", digits=digits)


def _band_facts(result: BandResult) -> list[Fact]:
    if result.mean_db is None or result.u95_db is None:
        return []
    key = band_key(result)
    digits = digits_for(result.u95_db)

    def fact(name: str, value: float, *, unit: str = "dB") -> Fact:
        return Fact(name=f"{key}.{name}", value=value, unit=unit, digits=digits, row=f"fact-{key}")

    found = [
        fact("mean", result.mean_db),
        fact("shortfall", -result.mean_db),
        fact("u95", half_width(result.u95_db)),
    ]
    if result.worst_db is not None and result.worst_hz is not None:
        found += [fact("worst", result.worst_db), fact("worst-at", result.worst_hz, unit="Hz")]
    return found


def _speaks_from_hz(analysis: Analysis) -> float:
    """Lowest frequency that bands tell of: usable in every short-term curve (else the gate's)."""
    lowest = max(analysis.lowest_hz, analysis.sweep_range_hz[0], BANDS[0].low_hz)
    for curve in analysis.short_term:
        if curve.usable.any():
            lowest = max(lowest, float(curve.frequency_hz[curve.usable][0]))
    return lowest


_METHODS = {TRADE_METHOD: "sum", ROOM_METHOD: "room"}
_RULES = {NIOSH: "day", WHO_ITU: "week", OSHA: "osha"}


def seat_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name every number about listeners that a sentence may need."""
    own = [seat for seat in analysis.in_room if seat.setup == SEAT_SETUP]
    for asked_db in dict.fromkeys(seat.level_db for seat in own):
        yield from _arriving(asked_db, [seat for seat in own if seat.level_db == asked_db])
    needs = [answer for answer in analysis.needs if answer.setup == SEAT_SETUP]
    for answer in needs:
        yield from _need(answer)
    for answer in needs[:1]:
        for name, level_db in (
            ("tested-to", answer.tested_to_db),
            ("played-to", answer.played_to_db),
        ):
            if level_db is not None:
                yield Fact(name=f"need.{name}", value=level_db, unit="dB", digits=0)
    yield from _exposure(shown_exposure(analysis))
    if analysis.day_dose is not None:
        yield from _dose(analysis.day_dose)


def shown_exposure(analysis: Analysis) -> list[Exposure]:
    """Return what the table shows: every setting at the loudest level, and every need."""
    loudest = analysis.session.short_term[-1].level_db
    return [one for one in analysis.exposure if one.asked_db in (None, loudest)]


def _arriving(level_db: float, seats: list[SeatLevel]) -> Iterator[Fact]:
    key = f"seat.{level_db:g}"
    ranges = {_METHODS[seat.method]: (seat.low_db, seat.high_db) for seat in seats}
    lows, highs = zip(*ranges.values(), strict=True)
    named = {"low": min(lows), "high": max(highs)}
    for method, (low, high) in ranges.items():
        named |= {f"{method}-low": low, f"{method}-high": high}
    for name, value in named.items():
        yield Fact(name=f"{key}.{name}", value=value, unit="dB", digits=0, row=f"fact-{key}")


def _need(answer: NeedAnswer) -> Iterator[Fact]:
    key = f"need.{slug(answer.need)}"
    named = {
        "average-low": answer.average_low_db,
        "average-high": answer.average_high_db,
        "peak-low": answer.peak_low_db,
        "peak-high": answer.peak_high_db,
    }
    for name, value in named.items():
        yield Fact(name=f"{key}.{name}", value=value, unit="dB", digits=0, row=f"fact-{key}")
    for band in answer.bands:
        for test, least, most in (
            ("peaks", band.peak_loss_low_db, band.peak_loss_high_db),
            ("average", band.average_loss_low_db, band.average_loss_high_db),
        ):
            if least is None or most is None:
                continue
            for name, value in (("least", max(least, 0.0)), ("most", max(most, 0.0))):
                yield Fact(
                    name=f"{key}.{slug(band.band)}.{test}.{name}",
                    value=value,
                    unit="dB",
                    digits=1,
                    row=f"fact-{key}",
                )


def _exposure(shown: list[Exposure]) -> Iterator[Fact]:
    for one in shown:
        key = f"exposure.{slug(one.heard)}"
        if one.source == NIOSH:
            yield Fact(
                name=f"{key}.level",
                value=one.level_dba,
                unit="dBA",
                digits=0,
                row=f"fact-{key}",
            )
        yield Fact(
            name=f"{key}.{_RULES[one.source]}",
            value=stricter_time_s(one.allowed_s),
            unit="s",
            digits=0,
            row=f"fact-{key}",
        )


def _dose(dose: DayDose) -> Iterator[Fact]:
    yield Fact(name="dose.sounding", value=_readable_s(dose.sounding_s), unit="s", digits=0)
    yield Fact(name="dose.loudest", value=dose.loudest_dba, unit="dBA", digits=0)
    for name, percent in (("day", dose.niosh_percent), ("week", dose.weekly_percent)):
        if math.isfinite(percent):
            # A dose is rounded to the stricter side: up, to two digits.
            step = 10.0 ** (math.floor(math.log10(max(percent, 0.01))) - 1)
            value = step * math.ceil(percent / step - 1e-9)
            digits = max(0, round(-math.log10(step)))
            yield Fact(name=f"dose.{name}", value=value, unit="%", digits=digits)


def _readable_s(seconds: float) -> float:
    """Round to whole seconds below 2 min, to tenths of a minute above."""
    return float(round(seconds)) if seconds < 120.0 else 6.0 * round(seconds / 6.0)


def judged_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name every number about limits and hearing that a sentence may need."""
    for limit in analysis.limits:
        yield from _limit_facts(limit)
    named: set[str] = set()
    for one in analysis.audible:
        key = heard_key(one)
        yield from _heard_facts(one, key=f"{key}.{'other' if key in named else 'most'}")
        named.add(key)


def limit_key(limit: Limit) -> str:
    """Name the facts of a band's or drive unit's limits, without the last parts."""
    slug = SLUGS.get(limit.band, f"unit-{limit.low_hz:.0f}-{limit.high_hz:.0f}")
    return f"limit.{slug}" if limit.test == "short_term" else f"limit.long.{slug}"


def heard_key(one: Audible) -> str:
    """Name the facts of what is heard at one level, without the last parts."""
    if one.test == "short_term":
        return f"heard.short.{one.level_db:g}"
    return f"heard.long.{one.level_db:g}.{one.elapsed_s:g}"


def _limit_facts(limit: Limit) -> list[Fact]:
    key = limit_key(limit)

    def fact(name: str, value: float, *, digits: int) -> Fact:
        return Fact(name=f"{key}.{name}", value=value, unit="dB", digits=digits, row=f"fact-{key}")

    found = []
    if limit.threshold_db == BEHIND_DB[0] and limit.tested_to_db is not None:
        # Half decibels are levels too.
        tested, digits = highest_end(limit.tested_to_db, digits=0, tested=limit.tested_to_db)
        found.append(fact("tested", tested, digits=digits))
    name = f"{limit.threshold_db:g}"
    digits = 0
    if limit.low_db is not None and limit.high_db is not None:
        digits = digits_for(0.5 * (limit.high_db - limit.low_db))
    if limit.level_db is not None:
        found.append(fact(name, limit.level_db, digits=digits))
    if limit.low_db is not None:
        found.append(
            fact(f"{name}.low", outwards(limit.low_db, digits=digits, up=False), digits=digits)
        )
    if limit.high_db is not None:
        high, digits = highest_end(limit.high_db, digits=digits, tested=limit.tested_to_db)
        found.append(fact(f"{name}.high", high, digits=digits))
    return found


def _heard_facts(one: Audible, *, key: str) -> list[Fact]:
    digits = digits_for(one.u95_db)
    found = [
        Fact(name=f"{key}.size", value=abs(one.change_db), unit="dB", digits=digits),
        Fact(name=f"{key}.u95", value=half_width(one.u95_db), unit="dB", digits=digits),
        Fact(name=f"{key}.low", value=one.low_hz, unit="Hz", digits=0),
        Fact(name=f"{key}.high", value=one.high_hz, unit="Hz", digits=0),
    ]
    if one.phon is not None:
        # A change of so many phon is one of so many decibels at 1 kHz. It is a median
        # listener's, at a level that is known roughly.
        digits = 1 if abs(one.phon) < 2.0 else 0
        found.append(Fact(name=f"{key}.as-mids", value=abs(one.phon), unit="dB", digits=digits))
    return found


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
    yield _decibels(f"{key}.cost", -end.expected_db, u95_db=0.0)
    if end.heard_db is not None and end.heard_u95_db is not None:
        yield _decibels(f"{key}.heard", end.heard_db, u95_db=end.heard_u95_db)
        yield _decibels(f"{key}.lost", -end.heard_db, u95_db=end.heard_u95_db)
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
    digits = min(1 - math.floor(math.log10(value)), 0 if half > 0.5 else 9)
    return Fact(
        name=name, value=round(value, digits) * unit_s, unit="s", digits=max(digits, 0), row=row
    )
