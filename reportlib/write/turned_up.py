"""The narrative of the short-term test: what changes and where, what would be heard."""

import math
from collections.abc import Sequence
from dataclasses import replace

from reportlib.judge.heard import balance_of, is_heard
from reportlib.judge.limits import kind_of
from reportlib.judge.records import Limit
from reportlib.judge.thresholds import MEAN_LIMITS_DB, TEXT_UNKNOWN_DB
from reportlib.measure.levels import BANDS
from reportlib.numbers import hz_range_text, levels_text, listed, sentence
from reportlib.write.facts import heard_key
from reportlib.write.listener import top_db
from reportlib.write.quotes import band_key
from reportlib.write.readings_sweeps import band_limits
from reportlib.write.together import (
    Fare,
    alike,
    does,
    fare_of,
    heard_words,
    is_plural,
    listing,
    names,
    none,
    quoted_size,
    sentences,
    size,
    where_short,
)
from reportlib.write.untold import why_untold
from reportlib.write.writer import Writer, decibels, verb

_DEEPER_DB = 1.0
"""A worst point that lies so far beyond its band's mean is named."""


def turned_up(writer: Writer) -> list[str]:
    """Return the slot's paragraphs, from what changes to what would be heard."""
    if not writer.short.levels_db:
        return [writer.say("turned-up/no-levels")]
    lower_bound = any(curve.lower_bound for curve in writer.analysis.short_term)
    fares = [
        fare_of(one, unknown_db=TEXT_UNKNOWN_DB if lower_bound else 0.0)
        for one in writer.analysis.bands
        if one.test == "short_term" and one.grade != "can't tell"
    ]
    balance = _balance(writer)
    told = _changes(writer, fares)
    rises = {one.band for one in fares if one.gains and one.surely}
    if rises and rises != {one.band for one in fares} and not balance:
        told.append(writer.say("turned-up/extra-output"))
    told += _holding(writer, fares)
    if lower_bound:
        impulses = writer.analysis.session.of_impulse_responses
        wording = "noise-not-known" if impulses else "from-text"
        told.append(writer.say(f"turned-up/{wording}"))
    paragraphs = (told, _limits(writer), _gaps(writer), [*_heard(writer), *balance])
    return [" ".join(found) for found in paragraphs if found]


def _changes(writer: Writer, fares: Sequence[Fare]) -> list[str]:
    """Say how far each band goes from *holds*, and at which level it first does."""
    worst: list[Fare] = []
    first: dict[tuple[float, bool, str], list[Fare]] = {}
    for band, gains in ((band.name, gains) for gains in (False, True) for band in BANDS):
        mine = [one for one in fares if one.band == band and one.changed and one.gains == gains]
        mine = [one for one in mine if one.surely] or mine
        if not mine:
            continue
        worst.append(max(mine, key=lambda one: (*one.severity, abs(one.change_db))))
        lowest = min(mine, key=lambda one: one.level_db)
        if lowest.surely and lowest.level_db < worst[-1].level_db:
            first.setdefault((lowest.level_db, gains, lowest.grade), []).append(lowest)
    found = []
    groups = alike(worst)
    for level_db in dict.fromkeys(group[0].level_db for group in groups):
        clauses = [_clause(writer, one) for one in groups if one[0].level_db == level_db]
        at = writer.say("turned-up/at", level=decibels(level_db))
        found += sentences(clauses, first=at)
    found += [
        writer.say(
            "turned-up/first",
            bands=sentence(names([one.band for one in group])),
            does=does([replace(one, may_be=None) for one in group]),
            level=decibels(level_db),
        )
        for (level_db, *_), group in sorted(first.items(), key=lambda pair: pair[0][0])
    ]
    return found


def _clause(writer: Writer, group: Sequence[Fare]) -> str:
    """Say what bands that do the same do; of one band, or of single points, where as well."""
    values = {"bands": names([one.band for one in group]), "does": does(group)}
    deepest = max(group, key=_point_db)
    beyond_db = _point_db(deepest) - abs(deepest.change_db)
    deeper = len(group) == 1 and deepest.surely and beyond_db >= _DEEPER_DB
    if deepest.result is not None and (deepest.by_point or deeper):
        values["point"] = quoted_size(writer, f"{band_key(deepest.result)}.worst")
        values["at"] = writer.worst_at(deepest.result)
        if len(group) > 1:
            return writer.say("turned-up/fares-at-points", **values)
        if abs(group[0].change_db) <= MEAN_LIMITS_DB[0]:
            return writer.say("turned-up/fares-near", **values)
        return writer.say("turned-up/fares-and-deeper", amount=size(writer, group), **values)
    if not group[0].surely:
        return writer.say("turned-up/fares", **values)
    return writer.say("turned-up/fares-by", amount=size(writer, group), **values)


def _point_db(fare: Fare) -> float:
    """How far a band's worst point lies off, to the side to which the band does."""
    point_db = (fare.result.worst_db or 0.0) if fare.result is not None else 0.0
    return point_db if fare.gains else -point_db


def _holding(writer: Writer, fares: Sequence[Fare]) -> list[str]:
    """Name the bands that hold at every level that tells them, and up to which."""
    changed = {one.band for one in fares if one.changed}
    up_to: dict[float, list[str]] = {}
    for band in BANDS:
        levels = [one.level_db for one in fares if one.band == band.name]
        if levels and band.name not in changed:
            up_to.setdefault(max(levels), []).append(band.name)
    return [
        writer.say(
            "turned-up/holds",
            bands=sentence(names(bands) if len(bands) == len(BANDS) else listing(bands)),
            verb="holds" if len(bands) == len(BANDS) else verb(bands, one="holds", many="hold"),
            top=writer.quote("test.top") if level_db == top_db(writer) else decibels(level_db),
        )
        for level_db, bands in sorted(up_to.items(), reverse=True)
    ]


def _gaps(writer: Writer) -> list[str]:
    """Say which bands were not tested, or can't be told at their loudest levels, and why."""
    story, found = writer.short, []
    if story.untested:
        bands = sentence(listing(story.untested))
        was = verb(story.untested, one="was", many="were")
        covered = hz_range_text(*writer.analysis.sweep_range_hz)
        found.append(writer.say("turned-up/not-tested", bands=bands, verb=was, range=covered))
    groups: dict[tuple[tuple[float, ...], str], list[str]] = {}
    for band, results in story.told.items():
        last_db = results[-1].level_db if results else -math.inf
        levels = tuple(level for level in story.levels_db if level > last_db)
        if levels and band not in story.untested:
            curves = [curve for curve in writer.analysis.short_term if curve.level_db in levels]
            reason = why_untold(writer, [band], curves=curves)
            groups.setdefault((levels, reason), []).append(band)
    for (levels, reason), untold in groups.items():
        some = levels != story.levels_db
        said = writer.say(
            "turned-up/untold",
            at=writer.say("turned-up/at", level=levels_text(levels)) if some else "",
            bands=none(untold),
            can="can" if len(untold) == len(BANDS) else "can't",
            why=reason,
        )
        found.append(sentence(said))
    return found


def _limits(writer: Writer) -> list[str]:
    """Say at which level each band is first short by the smaller of the limits' losses."""
    limits = _told(writer, index=0)
    reached = sorted((one for one in limits if kind_of(one) in _REACHED), key=_level)
    found = []
    while reached:
        # Those whose brackets overlap can't be ranked.
        tied = [one for one in reached if (one.low_db or 0.0) <= (reached[0].high_db or 0.0)]
        bands = [band.name for band in BANDS if band.name in {one.band for one in tied}]
        named = names(bands)
        short = writer.say(
            "in-short/limit",
            bands=named,
            verb="are" if is_plural(named, bands=bands) else "is",
            where=where_short(writer, tied),
        )
        found += sentences([short])
        reached = [one for one in reached if one not in tied]
    return found


def _heard(writer: Writer) -> list[str]:
    """Say what would be heard of the loudest level that can be told."""
    every = [
        one
        for one in writer.analysis.audible
        if one.test == "short_term" and one.level_db <= top_db(writer)
    ]
    told = [one for results in writer.short.told.values() for one in results]
    if not every or not told:
        return []
    loudest = max(one.level_db for one in every)
    most, *others = [one for one in every if one.level_db == loudest]
    if not is_heard(most):
        everywhere = sum(one.level_db == loudest for one in told) == len(BANDS)
        wording = "heard-no" if everywhere else "heard-no-told"
        if most.heard == "can't tell":
            wording = "heard-cant-tell"
        return [writer.say(f"turned-up/{wording}", level=decibels(loudest))]
    found = [writer.say("turned-up/heard", **heard_words(writer, most, part="most"))]
    if f"{heard_key(most)}.most.as-mids" in writer.facts:
        found.append(writer.say("turned-up/heard-bass"))
    return found + [
        writer.say("turned-up/heard-too", **heard_words(writer, one, part="other"))
        for one in others
    ]


def _balance(writer: Writer) -> list[str]:
    """Say what the loudest level that can be told surely does to the balance."""
    loudest = [
        one
        for one in writer.analysis.bands
        if one.test == "short_term" and one.level_db == top_db(writer)
    ]
    balance = balance_of(loudest)
    words = [shift.word for shift in balance.shifts if shift.certain] if balance else []
    return [writer.say("turned-up/balance", words=listed(words))] if words else []


_REACHED = ("at", "between", "by")


def _told(writer: Writer, *, index: int) -> list[Limit]:
    """The limits of the bands that can be told, of the smallest loss or of the largest."""
    found = [band_limits(writer.analysis, band=band.name) for band in BANDS]
    return [limits[index] for limits in found if limits and limits[index].reached is not None]


def _level(limit: Limit) -> float:
    return limit.level_db if limit.level_db is not None else limit.high_db or 0.0
