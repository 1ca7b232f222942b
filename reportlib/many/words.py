"""Drafts of a comparison's narrative cells: which wording, with which quoted facts.

As for reports: every wording is a block of ``templates/narrative/comparison/<slot>.md.j2`` that
only places what it is given; the cautions are those of every report.
"""

from collections.abc import Sequence

from jinja2 import Environment

from reportlib.judge.records import SEAT_SETUP, Answer
from reportlib.many.comparable import SAME_BASELINE_DB
from reportlib.many.facts import answer_words, giving_out, sure_words
from reportlib.many.records import Comparison, Hindrance, NeedBeside, Question, Ranking
from reportlib.many.verdict import (
    ComparisonWriter,
    behind_line,
    left_playing_line,
    names_text,
    verdict,
    where_text,
    why_not,
)
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import counted, listed, sentence, slug
from reportlib.write.quotes import FactTable
from reportlib.write.writer import plain, spoken

SLOTS = (
    "in-short",
    "at-equal-output",
    "left-playing",
    "at-your-seat",
    "how-comparable",
    "care",
)
_ANSWERS: dict[Answer, str] = {
    "yes": "yes",
    "just": "just about",
    "no": "no",
    "can't tell": "can’t tell",
    "not tested": "not tested so loud",
}
_MOST_SURE = 4
"""Among more than so many, who comes before whom is left to the table."""
_WORTH_SAYING_DB = 0.05
_WEIGHTIEST = ("loud music", "film at reference level", "relaxed music", "speech and television")


def draft_comparison(
    comparison: Comparison, *, facts: FactTable, templates: Environment
) -> dict[str, str]:
    """Return the Markdown of every narrative cell, by slot.

    Parameters
    ----------
    facts : of the same comparison, quoted by name
    templates : finds ``comparison/<slot>.md.j2`` and ``care.md.j2``
    """
    writer = ComparisonWriter(comparison=comparison, facts=facts, templates=templates)
    return {
        "in-short": writer.page(
            "comparison/in-short",
            verdict=verdict(writer),
            first_behind=behind_line(writer),
            playing=left_playing_line(writer),
            seat=_seat_line(writer),
            mind=_mind_line(writer),
        ),
        "at-equal-output": writer.page(
            "comparison/at-equal-output", paragraphs=_at_equal_output(writer)
        ),
        "left-playing": writer.page("comparison/left-playing", paragraphs=_left_playing(writer)),
        "at-your-seat": writer.page("comparison/at-your-seat", paragraphs=_at_your_seat(writer)),
        "how-comparable": _how_comparable(writer),
        "care": writer.page(
            "comparison/care",
            paragraphs=[
                writer.say("comparison/care/comparing"),
                *(writer.say(f"care/{name}") for name in ("ears", "equipment", "law")),
            ],
        ),
    }


def _seat_line(writer: ComparisonWriter) -> str:
    """Say for one need at the reader's seat what each is good for: one that parts them."""
    own = [one for one in writer.comparison.needs if one.setup == SEAT_SETUP]
    if not own:
        return writer.say("comparison/in-short/seat-untold")
    by_need = _by_need(own)
    parting = [
        need for need in _ordered(by_need) if len({answer_words(o) for o in by_need[need]}) > 1
    ]
    if parting:
        return writer.say(
            "comparison/in-short/seat",
            need=parting[0],
            answers=_answered(by_need[parting[0]]),
        )
    return writer.say(
        "comparison/in-short/seat-alike",
        needs=listed(
            [f"{need} ({answer_words(by_need[need][0])})" for need in _ordered(by_need)[::-1]]
        ),
    )


def _by_need(answers: Sequence[NeedBeside]) -> dict[str, list[NeedBeside]]:
    found: dict[str, list[NeedBeside]] = {}
    for one in answers:
        found.setdefault(one.need, []).append(one)
    return found


def _ordered(by_need: dict[str, list[NeedBeside]]) -> list[str]:
    known = [need for need in _WEIGHTIEST if need in by_need]
    return [*known, *(need for need in by_need if need not in known)]


def _answered(answers: Sequence[NeedBeside]) -> str:
    """Group those of one answer, the best answer first."""
    parts = []
    for answer, words in _ANSWERS.items():
        for in_peaks, more in ((False, ""), (True, ", in peaks")):
            names = [o.name for o in answers if (o.answer, o.in_peaks) == (answer, in_peaks)]
            if names:
                who = "all of them" if len(names) == len(answers) > 1 else names_text(names)
                parts.append(f"{words}{more}: {who}")
    return "; ".join(parts)


def _mind_line(writer: ComparisonWriter) -> str:
    """Say how much stands in the way, and how much asks for care."""
    stops = [one for one in writer.comparison.hindrances if one.stops]
    cares = [one for one in writer.comparison.hindrances if not one.stops]
    assumed = any(one.kind == "levels assumed" for one in cares)
    sentences = []
    if assumed:
        sentences.append(writer.say("comparison/in-short/assumed"))
    if stops:
        count = counted(len(stops), "thing")
        wording = "stops" if len(stops) > 1 else "stops-one"
        sentences.append(writer.say(f"comparison/in-short/{wording}", count=count))
    others = len(cares) - assumed
    if others:
        thing = "more thing" if assumed or stops else "thing"
        count = counted(others, thing) if others > 1 else f"One {thing}"
        wording = "cares" if others > 1 else "cares-one"
        sentences.append(writer.say(f"comparison/in-short/{wording}", count=count))
    return " ".join(sentences) or writer.say("comparison/in-short/nothing-to-mind")


def _at_equal_output(writer: ComparisonWriter) -> list[str]:
    if not writer.comparison.ranked("equal output"):
        why = why_not(writer, "equal output")
        return [writer.say("comparison/at-equal-output/not-compared", why=why)]
    return [
        writer.say("comparison/at-equal-output/intro"),
        *_ranked_bands(writer, "equal output", slot="at-equal-output"),
        *_gives_out(writer),
    ]


def _ranked_bands(writer: ComparisonWriter, question: Question, *, slot: str) -> list[str]:
    """One paragraph a ranking that parts anybody, and one for where it is too close to call."""
    found = []
    close = []
    for band in BANDS:
        for ranking in writer.comparison.ranked(question, band=band.name):
            if ranking.partings:
                found.append(_ranked(writer, ranking))
            elif band.name not in close:
                close.append(band.name)
    if close:
        where = sentence(where_text(close))
        found.append(writer.say(f"comparison/{slot}/close", where=where))
    return found


def _ranked(writer: ComparisonWriter, ranking: Ranking) -> str:
    first = writer.key(ranking, ranking.names[0])
    values: dict[str, object] = {
        "band": sentence(spoken(ranking.band)),
        "changes": "; ".join(_change(writer, ranking, name=name) for name in ranking.names),
        "sure": plain(sure_words(ranking)),
    }
    if ranking.question == "left playing":
        wording = "ranked-playing" if ranking.while_playing else "ranked-after"
        return writer.say(
            f"comparison/left-playing/{wording}",
            level=writer.quote(f"{first}.level"),
            elapsed=writer.quote(f"{first}.elapsed"),
            **values,
        )
    starts = [writer.comparison.session(name).baseline_db for name in ranking.names]
    apart = max(starts) - min(starts) > SAME_BASELINE_DB
    if len(ranking.names) > _MOST_SURE:
        wording = "ranked-many-from" if apart else "ranked-many"
    else:
        wording = "ranked-from" if apart else "ranked"
    return writer.say(
        f"comparison/at-equal-output/{wording}",
        output=writer.quote(f"{first}.output"),
        start=writer.quote(f"{first}.from"),
        **values,
    )


def _change(writer: ComparisonWriter, ranking: Ranking, *, name: str) -> str:
    key = writer.key(ranking, name)
    part = {end: writer.quote(f"{key}.{end}") for end in ("mean", "low", "high")}
    return f"{plain(name)} {part['mean']} ({part['low']} to {part['high']})"


def _gives_out(writer: ComparisonWriter) -> list[str]:
    """Say who was asked for as much as others gave, and gave no more: band by band."""
    by_band: dict[str, list[str]] = {}
    for one in giving_out(writer.comparison):
        key = f"beside.{writer.slug(one.name)}.{SLUGS[one.band]}"
        by_band.setdefault(one.band, []).append(
            writer.say(
                "comparison/at-equal-output/gives-out-one",
                name=plain(one.name),
                most=writer.quote(f"{key}.most"),
                asked=writer.quote(f"{key}.asked"),
            )
        )
    clauses = [
        writer.say(
            "comparison/at-equal-output/gives-out-band", band=spoken(band), most=listed(told)
        )
        for band, told in by_band.items()
    ]
    if not clauses:
        return []
    return [writer.say("comparison/at-equal-output/gives-out", clauses="; ".join(clauses))]


def _left_playing(writer: ComparisonWriter) -> list[str]:
    if not writer.comparison.ranked("left playing"):
        if not any(one.long_term_db for one in writer.comparison.sessions):
            return [writer.say("comparison/left-playing/not-tested")]
        why = why_not(writer, "left playing")
        return [writer.say("comparison/left-playing/not-compared", why=why)]
    return [
        writer.say("comparison/left-playing/intro"),
        *_ranked_bands(writer, "left playing", slot="left-playing"),
    ]


def _at_your_seat(writer: ComparisonWriter) -> list[str]:
    own = [one for one in writer.comparison.needs if one.setup == SEAT_SETUP]
    if not own:
        return [writer.say("comparison/at-your-seat/nothing")]
    by_need = _by_need(own)
    lines = [
        writer.say("comparison/at-your-seat/need", need=sentence(need), answers=_answered(answers))
        for need, answers in by_need.items()
    ]
    paragraphs = [writer.say("comparison/at-your-seat/intro"), "\n".join(lines)]
    seats = [one for one in writer.comparison.arrives if one.setup == SEAT_SETUP]
    parts = [
        writer.say(
            "comparison/at-your-seat/arrives",
            name=plain(one.name),
            low=writer.quote(f"beside.{writer.slug(one.name)}.seat.{slug(SEAT_SETUP)}.low"),
            high=writer.quote(f"beside.{writer.slug(one.name)}.seat.{slug(SEAT_SETUP)}.high"),
            level=f"{one.level_db:g} dB",
        )
        for one in seats
    ]
    if parts:
        paragraphs.append(writer.say("comparison/at-your-seat/arriving", arriving="; ".join(parts)))
    return [*paragraphs, writer.say("comparison/at-your-seat/meaning")]


def _how_comparable(writer: ComparisonWriter) -> str:
    stops = [one for one in writer.comparison.hindrances if one.stops]
    cares = [one for one in writer.comparison.hindrances if not one.stops]
    paragraphs = []
    if not writer.comparison.rankings:
        paragraphs.append(writer.say("comparison/how-comparable/nothing"))
    elif not stops:
        paragraphs.append(writer.say("comparison/how-comparable/all"))
    for wording, notes in (("stops", stops), ("cares", cares)):
        if notes:
            paragraphs.append(writer.say(f"comparison/how-comparable/{wording}"))
            paragraphs.append("\n".join(_note(writer, one) for one in notes))
    paragraphs += _if_off(writer)
    methods = ("method-output", "method-parting", "method-limits", "method-smoothing")
    paragraphs += [writer.say(f"comparison/how-comparable/{name}") for name in methods]
    return writer.page("comparison/how-comparable", paragraphs=paragraphs)


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
            "comparison/how-comparable/if-off",
            name=plain(name),
            band=spoken(ranking.band),
            moved=writer.quote(f"{writer.key(ranking, name)}.per-db"),
        )
    ]


def _note(writer: ComparisonWriter, one: Hindrance) -> str:
    return writer.say(
        "comparison/how-comparable/note", words=plain(one.words), remedy=plain(one.remedy)
    )
