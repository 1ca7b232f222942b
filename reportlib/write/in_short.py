"""The first screen: the verdict, what it will do, what gives first.

What is said was decided in `judge.verdict`; here it gets its words.
"""

import math
from collections.abc import Sequence

from reportlib.judge.causes.table import CAUSE_NAMES
from reportlib.judge.heard import WORDS
from reportlib.judge.records import SEAT_SETUP, NeedAnswer
from reportlib.judge.seat import reader_seat
from reportlib.judge.verdict import (
    Group,
    Verdict,
    conclude_first,
    is_instrument,
    reached,
)
from reportlib.measure.levels import BANDS
from reportlib.numbers import listed
from reportlib.write.listener import COUNTS, PLACES, heard_values
from reportlib.write.together import doing, is_plural, names, sentences, where_short
from reportlib.write.verdict_words import verdict_words, what_they_do, where_most
from reportlib.write.writer import Writer, decibels, verb


def in_short(writer: Writer) -> str:
    """Return the slot's Markdown."""
    verdict = conclude_first(writer.analysis)
    return writer.page(
        "in-short",
        verdict=verdict_words(writer, verdict=verdict),
        seat=_will_it_do(writer),
        first=" ".join(
            one for thought in _first(writer, verdict=verdict) for one in sentences(thought)
        ),
    )


def _will_it_do(writer: Writer) -> str:
    """Answer the reader's question at the reader's seat."""
    say = writer.say
    answers = _answers(writer)
    kinds: dict[str, list[str]] = {}
    for one in answers:
        kinds.setdefault(_answer(one), []).append(one.need)
    if set(kinds) <= {"can't tell", "not tested"}:
        return say(
            "in-short/seat-beyond" if set(kinds) == {"not tested"} else "in-short/seat-untold"
        )
    seat = reader_seat(writer.parameters)
    many = COUNTS[seat.loudspeakers] if seat.loudspeakers < len(COUNTS) else ""
    place = say(
        "in-short/seat",
        where=PLACES[seat.room.name],
        distance=f"{seat.distance_m:g} m",
        count=many.removesuffix(" of them") or str(seat.loudspeakers),
    )
    clauses = [
        say(f"in-short/{wording}", needs=_each(kinds[kind], of=of))
        for kind, wording, of in (
            ("yes", "seat-yes", "for"),
            ("just", "seat-just", "for"),
            ("peaks only", "seat-peaks", "of"),
            ("no", "seat-no", "for"),
            ("can't tell", "seat-cant-tell", "for"),
        )
        if kind in kinds
    ]
    if "peaks only" in kinds:
        clauses.insert(1, say("in-short/not-played"))
    if "not tested" in kinds:
        asked = [one.need for one in sorted(answers, key=lambda one: one.peak_high_db)]
        beyond = kinds["not tested"]
        loudest = len(clauses) > 0 and set(asked[-len(beyond) :]) == set(beyond)
        needs = verb(beyond, one="wasn't", many="weren't")
        clauses.append(
            say("in-short/seat-louder")
            if loudest
            else say("in-short/seat-not-tested", needs=listed(beyond), verb=needs)
        )
    return " ".join(sentences(clauses, first=place))


def _answers(writer: Writer) -> list[NeedAnswer]:
    if not writer.short.levels_db:
        return []
    return [one for one in writer.analysis.needs if one.setup == SEAT_SETUP]


def _answer(one: NeedAnswer) -> str:
    """The answer; without a long-term test, that of the peaks."""
    if one.played_to_db is None:
        return "peaks only" if one.peaks in ("yes", "just") else one.peaks
    return one.answer


def _each(needs: Sequence[str], *, of: str) -> str:
    """Name needs; one's own “and” must not run into the next."""
    return f" and {of} ".join(needs) if len(needs) == 2 else listed(needs)


def _first(writer: Writer, *, verdict: Verdict) -> list[list[str]]:
    """Say what gives first, its limit and cause; then those of the verdict's bands, if others.

    Each as the clauses of one thought.
    """
    first, gain = verdict.first, verdict.gain
    found = _gives_not(writer, verdict) if first is None else _gives(writer, verdict, group=first)
    found += [_also(writer, verdict, group=one) for one in verdict.worst if one is not first]
    turned_up = verdict.turned_up
    if turned_up is not None and verdict.stops_short:  # why it does not hold up to the top
        what, *more = what_they_do(writer, turned_up, subject="the")
        level = decibels(turned_up.level_db)
        found.append([writer.say("in-short/at", level=level, what=what), *more])
    if first is not None and first.loses and verdict.none_behind:
        found.append([_no_band(writer, verdict, wording="in-short/no-limit")])
    if gain is not None and not any(gain.says(one) for one in (first, turned_up, *verdict.worst)):
        what, *more = what_they_do(writer, gain, subject="the")
        level = decibels(gain.level_db)
        found.append([writer.say("in-short/at", level=level, what=what), *more])
    deep = deep_bass(writer)
    if deep is not None:
        found.append([writer.say("in-short/deep", **deep)])
    return [*found, _not_played(writer, verdict)]


def _gives(writer: Writer, verdict: Verdict, *, group: Group) -> list[list[str]]:
    named = names(group.bands, all_told=group.every)
    plural = is_plural(named, bands=group.bands)
    values = {
        "bands": _of_test(writer, named, group=group),
        "level": decibels(group.level_db),
        "gives": "give" if plural else "gives",
        "they": "they" if plural else "it",
        "does": doing(group.grade, may_be=group.may_be, plural=plural),
        "first": _order(named, group=group),
    }
    why = _why(writer, verdict, group=group)
    if not group.loses:
        at = where_most(writer, group.by_point)
        return [[writer.say("in-short/rises-first", at=at, **values), *why]]
    limits = [verdict.limit_of(one) for one in group.results]
    values["limit"], more = "", []
    if len(reached(limits)) == len(limits):
        where = {"verb": "are" if plural else "is", "where": where_short(writer, reached(limits))}
        if group.may_be is None and group.test == "short_term":
            values["limit"] = writer.say("in-short/limit", bands="and", **where)
        else:  # enough for a sentence as it is
            more = [writer.say("in-short/limit", bands=values["they"], **where)]
    return [[writer.say("in-short/gives-first", **values), *more, *why]]


def _gives_not(writer: Writer, verdict: Verdict) -> list[list[str]]:
    """Say what may give, or that nothing does."""
    found = []
    for group in verdict.worst:
        named = names(group.bands, all_told=group.every)
        values = {
            "bands": _of_test(writer, named, group=group),
            "first": _order(named, group=group),
            "level": decibels(group.level_db),
        }
        give = "give" if group.loses else "rise"
        found.append([writer.say("in-short/may-give", give=give, **values)])
    if not found and verdict.told:
        found.append([_no_band(writer, verdict, wording="in-short/nothing")])
    return found


def _no_band(writer: Writer, verdict: Verdict, *, wording: str) -> str:
    told = "told" if verdict.untold else ""
    return writer.say(wording, told=told, top=decibels(verdict.levels_db[-1]))


def _also(writer: Writer, verdict: Verdict, *, group: Group) -> list[str]:
    """Say where those of the verdict's bands are 1 dB behind of which nothing was said yet."""
    first = verdict.first
    if not group.loses:
        return []
    said = first.bands if first is not None and first.loses and first.test == group.test else ()
    limits = reached([verdict.limit_of(one) for one in group.results if one.band not in said])
    if not limits:
        return []
    bands = [one.band for one in limits]
    named = names(bands, all_told=group.every and len(bands) == len(group.bands))
    limit = writer.say(
        "in-short/limit",
        bands=_of_test(writer, named, group=group),
        verb="are" if is_plural(named, bands=bands) else "is",
        where=where_short(writer, limits),
    )
    why = _why(writer, verdict, group=group)
    before = _why(writer, verdict, group=first) if first is not None else []
    return [limit, *(why if why != before else [])]


def _of_test(writer: Writer, named: str, *, group: Group) -> str:
    if group.test == "long_term":
        return writer.say("in-short/left-playing", bands=named)
    return named


def _order(named: str, *, group: Group) -> str:
    return "together" if group.every and named.startswith("every") else "first"


def _why(writer: Writer, verdict: Verdict, *, group: Group) -> list[str]:
    """Return the clause on why a group does what it does, where a finding covers it."""
    causes = verdict.causes_of(group)
    if not causes:
        return []
    cause = " or ".join(CAUSE_NAMES[one.cause] for one in causes)
    wording = "fits" if causes[0].confidence == "high" else "could-be"
    if is_instrument(causes[0]):
        wording = "own-doing"
    return [writer.say(f"in-short/{wording}", cause=cause)]


def _not_played(writer: Writer, verdict: Verdict) -> list[str]:
    """Say that it wasn't left playing, or that it can't be told, where nothing above says so."""
    if verdict.left_playing is not None or (verdict.turned_up is not None and not verdict.worst):
        return []
    if writer.analysis.session.long_term:
        return [writer.say("in-short/played-untold")]
    answers = {_answer(one) for one in _answers(writer)}
    return [] if "peaks only" in answers else [writer.say("in-short/not-played")]


_BELOW_HZ = BANDS[0].low_hz


def deep_bass(writer: Writer) -> dict[str, str] | None:
    """Return the values of what would be heard below the bands at the loudest level.

    No grade tells of it, so that the first screen must. None where nothing would, for certain.
    """
    every = [one for one in writer.analysis.audible if one.test == "short_term"]
    loudest = max((one.level_db for one in every), default=0.0)
    mine = [one for one in every if one.level_db == loudest]
    for part, one in zip(("most", "other"), mine, strict=False):
        if math.sqrt(one.low_hz * one.high_hz) < _BELOW_HZ and one.heard in WORDS[1:]:
            return heard_values(writer, one, part=part, more_or_less=("short", "too loud"))
    return None
