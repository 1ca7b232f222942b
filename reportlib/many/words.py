"""Drafts of a comparison's narrative cells: which wording, with which quoted facts.

As for reports: every wording is a block of ``templates/narrative/comparison/<slot>.md.j2`` that
only places what it is given; the cautions are those of every report.
"""

from collections.abc import Hashable, Sequence

from jinja2 import Environment

from reportlib.judge.records import SEAT_SETUP
from reportlib.judge.seat import Seat
from reportlib.many.comparable import SAME_BASELINE_DB
from reportlib.many.facts import BandVerdict, band_verdicts, giving_out, limited_bands
from reportlib.many.records import Comparison, Hindrance, OutputPoint, Question, Ranking
from reportlib.many.verdict import (
    ComparisonWriter,
    after,
    alike,
    answered,
    bare,
    beside,
    joined,
    needs_at_seat,
    to_mind,
    verdict,
    where_text,
    why_not,
    will_it_do,
)
from reportlib.measure.levels import SLUGS
from reportlib.numbers import listed, slug
from reportlib.write.quotes import Fact, FactTable, written
from reportlib.write.together import quoted_size
from reportlib.write.writer import plain, spoken

SLOTS = (
    "in-short",
    "at-equal-output",
    "left-playing",
    "at-your-seat",
    "care",
    "how-comparable",
    "numbers",
    "how-sure",
)
_MOST_NAMED = 3
_WORTH_SAYING_DB = 0.05


def draft_comparison(
    comparison: Comparison, *, facts: FactTable, templates: Environment, seat: Seat
) -> dict[str, str]:
    """Return the Markdown of every narrative cell, by slot.

    Parameters
    ----------
    facts : of the same comparison, quoted by name
    templates : finds ``comparison/<slot>.md.j2`` and ``care.md.j2``
    seat : the reader's own
    """
    writer = ComparisonWriter(comparison=comparison, facts=facts, templates=templates, seat=seat)
    seat_and_mind = " ".join(filter(None, (will_it_do(writer), to_mind(writer))))
    return {
        "in-short": writer.page(
            "comparison/in-short",
            verdict=verdict(writer),
            beside=beside(writer),
            seat=seat_and_mind,
        ),
        **{
            name: writer.page(f"comparison/{name}", paragraphs=paragraphs)
            for name, paragraphs in (
                ("at-equal-output", _at_equal_output(writer)),
                ("left-playing", _left_playing(writer)),
                ("at-your-seat", _at_your_seat(writer)),
                ("care", _care(writer)),
                ("how-comparable", _how_comparable(writer)),
                ("numbers", _numbers(writer)),
                ("how-sure", _how_sure(writer)),
            )
        },
    }


def _at_equal_output(writer: ComparisonWriter) -> list[str]:
    ranked = writer.comparison.ranked("equal output")
    if not ranked:
        why = why_not(writer, "equal output")
        return [writer.say("comparison/in-short/not-compared", why=why)]
    starts = [
        (writer.comparison.session(name).baseline_db, f"{writer.key(one, name)}.from")
        for one in ranked
        for name in one.names
    ]
    told = [writer.say("comparison/at-equal-output/intro")]
    if max(starts)[0] - min(starts)[0] > SAME_BASELINE_DB:
        start = writer.quote(max(starts)[1])
        told.append(writer.say("comparison/at-equal-output/counted-from", start=start))
    return [" ".join(told), *_changes(writer, "equal output"), *_gives_out(writer)]


def _left_playing(writer: ComparisonWriter) -> list[str]:
    if not writer.comparison.ranked("left playing"):
        played = any(one.long_term_db for one in writer.comparison.sessions)
        why = [why_not(writer, "left playing")] if played else []
        wording = "playing-untold" if played else "not-played"
        return [" ".join([writer.say(f"comparison/in-short/{wording}"), *why])]
    return [writer.say("comparison/left-playing/intro"), *_changes(writer, "left playing")]


def _changes(writer: ComparisonWriter, question: Question) -> list[str]:
    """Give the changes where any two are told apart: bands that part the same ones together."""
    groups: dict[Hashable, list[Ranking]] = {}
    for one in writer.comparison.ranked(question):
        if one.partings:
            pairs = frozenset((pair.better, pair.worse) for pair in one.partings)
            key = (frozenset(one.names), pairs, one.at_db, one.elapsed_s)
            groups.setdefault(key, []).append(one)
    found = []
    for group in groups.values():
        at = _at(writer, group[0])
        where = where_text([one.band for one in group])
        first, *rest = [_change(writer, group, name=name) for name in _shown(group[0])]
        found.append(joined([f"{at} {where} {first}", *rest]))
    close: dict[Hashable, list[BandVerdict]] = {}
    for fare in band_verdicts(writer.comparison, question):
        if fare.kind == "close" and fare.ranking is not None:
            played = fare.ranking.elapsed_s and fare.ranking.at_db
            close.setdefault((fare.ranking.elapsed_s, played), []).append(fare)
    return [*found, *(alike(writer, same, named=False) for same in close.values())]


def _at(writer: ComparisonWriter, ranking: Ranking) -> str:
    if ranking.question == "left playing":
        return after(writer, ranking)
    output = writer.quote(f"{writer.key(ranking, ranking.names[0])}.output")
    return writer.say("comparison/in-short/giving", output=output)


def _shown(ranking: Ranking) -> tuple[str, ...]:
    """Return whose changes are said: of many, the two that are farthest apart."""
    if len(ranking.names) <= _MOST_NAMED:
        return ranking.names
    return ranking.partings[0].better, ranking.partings[0].worse


def _change(writer: ComparisonWriter, group: Sequence[Ranking], *, name: str) -> str:
    """Say how one changed over bands: surely less, surely more, or within its intervals' far end.

    Where the intervals have a value in common, the largest change is an upper end; else the range.
    """
    standings = [one.standing(name) for one in group]
    keys = [writer.key(one, name) for one in group]
    less, more, within = _WORDINGS[group[0].question]
    lost = all(one.high_db is not None and one.high_db < 0.0 for one in standings)
    rose = all(one.low_db is not None and one.low_db > 0.0 for one in standings)
    if not lost and not rose:
        far = max((writer.facts[f"{key}.within"] for key in keys), key=lambda one: one.value)
        return writer.say(within, name=plain(name), size=quoted_size(writer, far.name))
    means = sorted((writer.facts[f"{key}.mean"] for key in keys), key=lambda fact: abs(fact.value))
    highest_low = max(one.low_db or 0.0 for one in standings)
    in_common = highest_low <= min(one.high_db or 0.0 for one in standings)
    size = _span(writer, means, in_common=in_common)
    return writer.say(less if lost else more, name=plain(name), size=size)


_WORDINGS: dict[Question, tuple[str, str, str]] = {
    "equal output": (
        "comparison/at-equal-output/short",
        "comparison/at-equal-output/more",
        "comparison/at-equal-output/within",
    ),
    "left playing": (
        "comparison/left-playing/quieter",
        "comparison/left-playing/louder",
        "comparison/left-playing/within",
    ),
}


def _span(writer: ComparisonWriter, facts: Sequence[Fact], *, in_common: bool) -> str:
    """Write one number of facts in order that can't be told apart, else the range of them."""
    most = quoted_size(writer, facts[-1].name)
    if len({written(one) for one in facts}) == 1:
        return most
    if in_common:
        return f"up to {most}"
    return f"{quoted_size(writer, facts[0].name, unit=False)} to {most}"


def _gives_out(writer: ComparisonWriter) -> list[str]:
    """Say who was asked for as much as others gave, and gave no more; many stand in the table."""
    by_name: dict[str, list[OutputPoint]] = {}
    for point in giving_out(writer.comparison):
        by_name.setdefault(point.name, []).append(point)
    found = []
    for name, points in by_name.items():
        most = sorted(points, key=lambda one: one.most_db or 0.0)
        keys = [f"beside.{writer.slug(name)}.{SLUGS[one.band]}" for one in most]
        low, high = (writer.facts[f"{key}.most"] for key in (keys[0], keys[-1]))
        one = written(low) == written(high)
        found.append(
            writer.say(
                "comparison/at-equal-output/gives-out",
                name=plain(name),
                most=writer.quote(high.name)
                if one
                else f"{bare(low)} to {writer.quote(high.name)}",
                asked=writer.quote(f"{keys[-1]}.asked"),
                where=where_text([one.band for one in points]),
            )
        )
    return [" ".join(found)] if 0 < len(found) <= _MOST_NAMED else []


def _at_your_seat(writer: ComparisonWriter) -> list[str]:
    own = needs_at_seat(writer)
    if not own:
        return [writer.say("comparison/in-short/seat-untold", where=writer.place)]
    same: dict[Hashable, list[str]] = {}
    for need, answers in own.items():
        same.setdefault(tuple((o.name, o.answer, o.in_peaks) for o in answers), []).append(need)
    told = []
    for needs in same.values():
        answers = own[needs[0]]
        if {one.answer for one in answers} == {"not tested"}:
            each = listed(needs, word="or")
            told.append(writer.say("comparison/at-your-seat/beyond", needs=each))
        else:
            first, *rest = answered(writer, answers, needs=needs)
            told.append(joined([first if told else f"{writer.place} {first}", *rest]))
    if any(one.answer in ("yes", "just") for answers in own.values() for one in answers):
        told.append(writer.say("at-your-seat/meaning"))
    return [" ".join(told), *_arriving(writer)]


def _arriving(writer: ComparisonWriter) -> list[str]:
    key = f"seat.{slug(SEAT_SETUP)}"
    parts = [
        writer.say(
            "comparison/at-your-seat/arrives",
            name=plain(one.name),
            low=bare(writer.facts[f"beside.{writer.slug(one.name)}.{key}.low"]),
            high=writer.quote(f"beside.{writer.slug(one.name)}.{key}.high"),
            level=f"{one.level_db:g} dB",
        )
        for one in writer.comparison.arrives
        if one.setup == SEAT_SETUP
    ]
    return [joined(parts)] if 0 < len(parts) <= _MOST_NAMED else []


def _care(writer: ComparisonWriter) -> list[str]:
    return [f"{writer.say('comparison/care/comparing')} {writer.say('care/stop')}"]


def _how_comparable(writer: ComparisonWriter) -> list[str]:
    paragraphs = []
    for wording, stops in (("stops", True), ("cares", False)):
        notes = [one for one in writer.comparison.hindrances if one.stops == stops]
        if notes:
            paragraphs.append(writer.say(f"comparison/how-comparable/{wording}"))
            paragraphs.append("\n".join(_note(writer, one) for one in notes))
    return paragraphs or [writer.say("comparison/how-comparable/all")]


def _note(writer: ComparisonWriter, one: Hindrance) -> str:
    return writer.say(
        "comparison/how-comparable/note", words=plain(one.words), remedy=plain(one.remedy)
    )


def _numbers(writer: ComparisonWriter) -> list[str]:
    told = any(one.limit.reached is not None for one in writer.comparison.limits)
    wordings = ["intro"]
    if told and not limited_bands(writer.comparison):
        wordings.append("no-limit")
    return [writer.say(f"comparison/numbers/{wording}") for wording in wordings]


def _how_sure(writer: ComparisonWriter) -> list[str]:
    return [
        writer.say("comparison/how-sure/methods"),
        *_if_off(writer),
        *(writer.say(f"care/{name}") for name in ("ears", "equipment", "law")),
    ]


def _if_off(writer: ComparisonWriter) -> list[str]:
    """Say how far the most sensitive change would move, had its levels been 1 dB off."""
    assumed = [one for one in writer.comparison.hindrances if one.kind == "levels assumed"]
    found = [
        (abs(standing.per_db or 0.0), ranking, standing.name)
        for ranking in writer.comparison.ranked("equal output")
        for standing in ranking.standings
        if assumed and standing.name in assumed[0].groups[0]
    ]
    moved_db, ranking, name = max(found, key=lambda one: one[0], default=(0.0, None, ""))
    if ranking is None or moved_db < _WORTH_SAYING_DB:
        return []
    return [
        writer.say(
            "comparison/how-sure/if-off",
            name=plain(name),
            band=spoken(ranking.band),
            moved=writer.quote(f"{writer.key(ranking, name)}.per-db"),
        )
    ]
