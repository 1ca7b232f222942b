"""The verdict of a comparison: who gives in first, and what is too close to call.

Drafts are written with wordings from files and numbers as quoted facts.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.many.facts import BandVerdict, band_verdicts, bands_of, leading, limit_words
from reportlib.many.ranking import one_scale
from reportlib.many.records import Comparison, Question, Ranking
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import listed, sentence
from reportlib.write.quotes import quoted
from reportlib.write.writer import Drafter, plain, spoken

_ORDER = tuple(band.name for band in BANDS)


@dataclass(frozen=True, eq=False, kw_only=True)
class ComparisonWriter(Drafter):
    """What every draft of a comparison needs: its records as well."""

    comparison: Comparison

    def slug(self, name: str) -> str:
        """Return a session's name as it stands in facts."""
        return self.comparison.session(name).slug

    def key(self, ranking: Ranking, name: str) -> str:
        """Name the facts of a session in a ranking, without the last part."""
        part = "rank" if ranking.question == "equal output" else "long"
        return f"beside.{self.slug(name)}.{SLUGS[ranking.band]}.{part}"


def names_text(names: Sequence[str]) -> str:
    """Return sessions' names as a sentence says them, escaped."""
    return listed([plain(name) for name in names])


def where_text(bands: Sequence[str]) -> str:
    """Say in which bands: several in a row to either end are named by where they begin.

    >>> where_text(["mids", "presence", "treble"]), where_text(["bass", "mids"])
    ('from the mids up', 'in the bass and mids')
    """
    if len(bands) == len(_ORDER):
        return "in every band"
    if len(bands) > 1 and tuple(bands) == _ORDER[-len(bands) :]:
        return f"from the {bands[0]} up"
    if len(bands) > 1 and tuple(bands) == _ORDER[: len(bands)]:
        return f"up to the {bands[-1]}"
    return f"in the {listed([spoken(band) for band in bands])}"


_MOST_NAMED = 3


def verdict(writer: ComparisonWriter) -> str:
    """Return the sentences that the page opens with."""
    verdicts = band_verdicts(writer.comparison, "equal output")
    compared = [one for one in verdicts if one.ranking is not None]
    if not compared:
        return " ".join(
            [writer.say("comparison/in-short/not-compared", why=why_not(writer, "equal output"))]
        )
    return " ".join([*_sentences(writer, verdicts), *_aside(writer)])


def _sentences(writer: ComparisonWriter, verdicts: Sequence[BandVerdict]) -> list[str]:
    lead = leading(verdicts)
    close, small = bands_of(verdicts, "close"), bands_of(verdicts, "small")
    found = []
    if lead is not None:
        compared = [one for one in verdicts if one.ranking is not None]
        if len(compared) > 1 and all(
            one.kind == "gives in" and (one.worst, one.sure) == (lead.worst, lead.sure)
            for one in compared
        ):
            found.append(_lead_in_all(writer, lead, compared=compared))
        else:
            found.append(_lead(writer, lead, close=close))
            found += _further(writer, verdicts, lead=lead)
    elif close:
        found.append(_close(writer, verdicts, close=close))
    found += _differs(writer, verdicts)
    if small:
        found.append(writer.say("comparison/in-short/small", where=sentence(where_text(small))))
    untold = bands_of(verdicts, "untold")
    if untold:
        names = listed([spoken(band) for band in untold])
        found.append(writer.say("comparison/in-short/untold", bands=names))
    return found


def _lead(writer: ComparisonWriter, lead: BandVerdict, *, close: Sequence[str]) -> str:
    """Say who gives in first, and in one breath where it is too close to call."""
    wording = "gives-in" if len(lead.worst) == 1 else "give-in"
    return writer.say(
        f"comparison/in-short/{wording}",
        where=sentence(where_text([lead.band])),
        worst=names_text(lead.worst),
        gives_in=_gives_in(writer, lead),
        output=_output(writer, lead),
        losses=losses(writer, lead),
        better=better_ones(writer, lead),
        unsure=_unsure(writer, lead),
        close=writer.say("comparison/in-short/close-too", where=where_text(close)) if close else "",
    )


def _gives_in(writer: ComparisonWriter, one: BandVerdict) -> str:
    """Say that somebody gives in first, or may."""
    if not one.sure:
        return writer.say("comparison/in-short/may-give-in-first")
    wording = "gives-in-first" if len(one.worst) == 1 else "give-in-first"
    return writer.say(f"comparison/in-short/{wording}")


def _most(writer: ComparisonWriter, one: BandVerdict, *, of: Sequence[BandVerdict]) -> str:
    """Say where the numbers are from: where they part the most, as far as that is sure."""
    wording = "most" if one.most_of(of) else "for-example"
    return writer.say(f"comparison/in-short/{wording}", where=where_text([one.band]))


def _lead_in_all(
    writer: ComparisonWriter, lead: BandVerdict, *, compared: Sequence[BandVerdict]
) -> str:
    """Say who gives in first wherever anything is compared."""
    wording = "gives-in-all" if len(lead.worst) == 1 else "give-in-all"
    return writer.say(
        f"comparison/in-short/{wording}",
        where=sentence(where_text([one.band for one in compared])),
        worst=names_text(lead.worst),
        gives_in=_gives_in(writer, lead),
        most=_most(writer, lead, of=compared),
        output=_output(writer, lead),
        losses=losses(writer, lead),
        better=better_ones(writer, lead),
        unsure=_unsure(writer, lead),
    )


def _further(
    writer: ComparisonWriter, verdicts: Sequence[BandVerdict], *, lead: BandVerdict
) -> list[str]:
    """Say where else somebody gives in first: the same in one sentence, another in its own."""
    others = [one for one in verdicts if one.kind == "gives in" and one is not lead]
    found = []
    for sure in (True, False):
        same = [one for one in others if (one.worst, one.sure) == (lead.worst, sure)]
        if same:
            found.append(
                writer.say(
                    "comparison/in-short/too",
                    where=sentence(where_text([one.band for one in same])),
                    worst=names_text(lead.worst),
                    gives_in=_gives_in(writer, same[0]),
                )
            )
    by_worst: dict[tuple[tuple[str, ...], bool], list[BandVerdict]] = {}
    for one in others:
        if one.worst != lead.worst:
            by_worst.setdefault((one.worst, one.sure), []).append(one)
    for (worst, _), alike in by_worst.items():
        most = max(alike, key=lambda one: one.apart_db)
        wording = "another" if len(alike) == 1 else "another-most"
        found.append(
            writer.say(
                f"comparison/in-short/{wording}",
                where=sentence(where_text([one.band for one in alike])),
                worst=names_text(worst),
                gives_in=_gives_in(writer, most),
                most=_most(writer, most, of=alike),
                output=_output(writer, most),
                losses=losses(writer, most),
                better=better_ones(writer, most),
                unsure=_unsure(writer, most),
            )
        )
    return found


def _close(
    writer: ComparisonWriter, verdicts: Sequence[BandVerdict], *, close: Sequence[str]
) -> str:
    """Say that it is too close to call, and at which outputs."""
    ranked = [one.ranking for one in verdicts if one.kind == "close" and one.ranking is not None]
    lowest = min(ranked, key=lambda one: one.at_db or 0.0)
    highest = max(ranked, key=lambda one: one.at_db or 0.0)
    names = max((one.names for one in ranked), key=len)
    low, high = (
        writer.quote(f"{writer.key(one, one.names[0])}.output") for one in (lowest, highest)
    )
    wording = "close" if lowest.at_db == highest.at_db else "close-at-several"
    ordered = [name for name in writer.comparison.names if name in names]
    return writer.say(
        f"comparison/in-short/{wording}",
        names=names_text(ordered),
        where=where_text(close),
        low=low,
        high=high,
    )


def _differs(writer: ComparisonWriter, verdicts: Sequence[BandVerdict]) -> list[str]:
    """Say where one gives more than another though nobody loses: a pair in one sentence."""
    pairs: dict[tuple[str, str], list[BandVerdict]] = {}
    for one in verdicts:
        if one.kind == "differs" and one.ranking is not None:
            widest = one.ranking.partings[0]
            pairs.setdefault((widest.better, widest.worse), []).append(one)
    found = []
    for (better, worse), alike in pairs.items():
        most = max(alike, key=lambda one: one.apart_db)
        key = f"apart.{writer.slug(better)}.{writer.slug(worse)}.{SLUGS[most.band]}"
        wording = "differs" if len(alike) == 1 else "differs-most"
        found.append(
            writer.say(
                f"comparison/in-short/{wording}",
                where=sentence(where_text([one.band for one in alike])),
                better=plain(better),
                worse=plain(worse),
                apart=writer.quote(key),
                most=_most(writer, most, of=alike),
                output=_output(writer, most),
            )
        )
    return found


def _output(writer: ComparisonWriter, one: BandVerdict) -> str:
    assert one.ranking is not None
    return writer.quote(f"{writer.key(one.ranking, one.worst[0])}.output")


def losses(writer: ComparisonWriter, one: BandVerdict) -> str:
    """Quote what the worst are behind by, in their order."""
    assert one.ranking is not None
    return listed([writer.quote(f"{writer.key(one.ranking, name)}.behind") for name in one.worst])


def better_ones(writer: ComparisonWriter, one: BandVerdict) -> str:
    """Say what the better ones are behind by: each, or where they are many, from least to most."""
    assert one.ranking is not None
    ranking = one.ranking
    if len(one.better) > _MOST_NAMED:
        least, most = (
            writer.quote(f"{writer.key(ranking, name)}.behind")
            for name in (one.better[0], one.better[-1])
        )
        return writer.say("comparison/in-short/others", least=least, most=most)
    return listed([_one_better(writer, ranking, name=name) for name in one.better])


def _one_better(writer: ComparisonWriter, ranking: Ranking, *, name: str) -> str:
    """Say how far one that keeps up better is behind; a loss that is not sure by its far end."""
    standing, key = ranking.standing(name), writer.key(ranking, name)
    sure = standing.high_db is not None and standing.high_db < 0.0
    wording = "better-behind" if sure else "better-within"
    if standing.low_db is not None and standing.low_db > 0.0:
        wording = "better-more"
    return writer.say(
        f"comparison/in-short/{wording}",
        name=plain(name),
        behind=writer.quote(f"{key}.behind"),
        within=writer.quote(f"{key}.within"),
        mean=writer.quote(f"{key}.mean"),
    )


def _unsure(writer: ComparisonWriter, one: BandVerdict) -> str:
    if not one.unsure:
        return ""
    return writer.say("comparison/in-short/unsure", names=names_text(one.unsure))


def _aside(writer: ComparisonWriter) -> list[str]:
    """Name those that take no place at all."""
    aside = writer.comparison.unplaced
    if not aside:
        return []
    wording = "no-place" if len(aside) == 1 else "no-place-several"
    return [writer.say(f"comparison/in-short/{wording}", names=names_text(aside))]


def why_not(writer: ComparisonWriter, question: Question) -> str:
    """Return the first reason why a question has no ranking, in plain words."""
    stops = [
        one.words for one in writer.comparison.hindrances if one.stops and question in one.questions
    ]
    return plain(stops[0]) if stops else writer.say("comparison/in-short/nothing-told")


def behind_line(writer: ComparisonWriter) -> str:
    """Say where somebody is 1 dB behind at the lowest level, and where the others are there.

    Where brackets overlap, no band is called the first alone.
    """
    limits = writer.comparison.limits
    reached = [one for one in limits if one.limit.level_db is not None or one.limit.high_db]
    if not reached:
        told = any(one.limit.reached is not None for one in limits)
        wording = "limit-none" if told else "limit-untold"
        return writer.say(f"comparison/in-short/{wording}")
    first = min(reached, key=lambda one: one.limit.level_db or one.limit.high_db or 0.0).limit
    latest = math.inf if first.high_db is None else first.high_db
    early = {one.limit.band for one in reached if (one.limit.low_db or -math.inf) <= latest}
    bands = [one for one in _ORDER if one in {first.band, *early}]
    band = first.band
    measured = {one.name for one in writer.comparison.tracks if one.band == band and one.measured}
    parts = [
        f"{plain(one.name)} "
        + limit_words(one.limit, slug=writer.slug(one.name), facts=writer.facts, write=quoted)
        for one in limits
        if one.limit.band == band and one.name in measured
    ]
    wording = "limit" if one_scale(writer.comparison.sessions) else "limit-own-scales"
    return writer.say(
        f"comparison/in-short/{wording}",
        where=where_text(bands),
        close=writer.say("comparison/in-short/limit-close", where=where_text([band]))
        if len(bands) > 1
        else "",
        limits="; ".join(parts),
    )


def left_playing_line(writer: ComparisonWriter) -> str:
    """Say who lost most after the same stress, or that it is too close to call, or why neither."""
    verdicts = band_verdicts(writer.comparison, "left playing")
    ranked = [one.ranking for one in verdicts if one.ranking is not None]
    if not ranked:
        if not any(one.long_term_db for one in writer.comparison.sessions):
            return writer.say("comparison/in-short/long-not-tested")
        return writer.say(
            "comparison/in-short/long-not-compared", why=why_not(writer, "left playing")
        )
    lead = leading(verdicts)
    ranking = ranked[0] if lead is None or lead.ranking is None else lead.ranking
    key = writer.key(ranking, ranking.names[0])
    values: dict[str, object] = {
        "level": writer.quote(f"{key}.level"),
        "elapsed": writer.quote(f"{key}.elapsed"),
    }
    if lead is None:
        alike = [
            one
            for one in verdicts
            if one.ranking is not None
            and (one.ranking.at_db, one.ranking.elapsed_s) == (ranking.at_db, ranking.elapsed_s)
        ]
        sure = any(one.ranking is not None and one.ranking.partings for one in alike)
        wording = "long-small" if sure else "long-close"
        return writer.say(
            f"comparison/in-short/{wording}",
            where=where_text([one.band for one in alike]),
            **values,
        )
    return writer.say(
        "comparison/in-short/long-loses" if lead.sure else "comparison/in-short/long-may-lose",
        where=where_text([lead.band]),
        worst=names_text(lead.worst),
        losses=losses(writer, lead),
        better=better_ones(writer, lead),
        unsure=_unsure(writer, lead),
        **values,
    )
