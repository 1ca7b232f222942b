"""The first screen of a comparison: who keeps up better, left playing too, and is it enough.

Drafts are written with wordings from files and numbers as quoted facts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reportlib.judge.records import SEAT_SETUP, Answer
from reportlib.judge.seat import Seat
from reportlib.many.facts import BandVerdict, band_verdicts, bands_of, groups_of, widest_of
from reportlib.many.records import Comparison, NeedBeside, Question, Ranking
from reportlib.measure.levels import BANDS, SLUGS
from reportlib.numbers import listed, number
from reportlib.write.listener import PLACES
from reportlib.write.quotes import Fact
from reportlib.write.together import MOST_WORDS, sentences
from reportlib.write.writer import Drafter, plain, spoken

_ORDER = tuple(band.name for band in BANDS)


def joined(clauses: Sequence[str]) -> str:
    """Join clauses to sentences, each as long as it may be."""
    return " ".join(sentences(clauses))


def bare(fact: Fact) -> str:
    """Quote a fact without its unit, for the lower end of a range."""
    return f"[{number(fact.value, fact.digits)}](#fact-{fact.name})"


@dataclass(frozen=True, eq=False, kw_only=True)
class ComparisonWriter(Drafter):
    """What every draft of a comparison needs: its records, and where the reader sits, as well."""

    comparison: Comparison
    seat: Seat

    def slug(self, name: str) -> str:
        """Return a session's name as it stands in facts."""
        return self.comparison.session(name).slug

    def key(self, ranking: Ranking, name: str) -> str:
        """Name the facts of a session in a ranking, without the last part."""
        part = "rank" if ranking.question == "equal output" else "long"
        return f"beside.{self.slug(name)}.{SLUGS[ranking.band]}.{part}"

    @property
    def place(self) -> str:
        """Where the reader listens, e.g. ``in a living room``."""
        return PLACES[self.seat.room.name]


def names_text(names: Sequence[str]) -> str:
    """Return sessions' names as a sentence says them, escaped."""
    return listed([plain(name) for name in names])


def agrees(names: Sequence[str], *, one: str, many: str) -> str:
    """Choose the verb's form for so many loudspeakers."""
    return one if len(names) == 1 else many


def where_text(bands: Sequence[str], *, every: str = "in every band") -> str:
    """Say in which bands: several in a row to either end are named by where they begin.

    >>> where_text(["mids", "presence", "treble"]), where_text(["bass", "mids"])
    ('from the mids up', 'in the bass and mids')
    """
    if len(bands) == len(_ORDER):
        return every
    if len(bands) > 2 and tuple(bands) == _ORDER[-len(bands) :]:
        return f"from the {spoken(bands[0])} up"
    if len(bands) > 2 and tuple(bands) == _ORDER[: len(bands)]:
        return f"up to the {spoken(bands[-1])}"
    return f"in the {listed([spoken(band) for band in bands])}"


_MOST_NAMED = 3
_MOST_TOGETHER = 4
"""A sentence names so many better and worse ones at most."""


def verdict(writer: ComparisonWriter) -> str:
    """Return the headline: who keeps up better, else that nobody can be told apart."""
    verdicts = band_verdicts(writer.comparison, "equal output")
    groups = groups_of(verdicts)
    if groups:
        found: list[str] = []
        before: tuple[float, ...] = ()
        for group in groups:
            outputs = _outputs(group)
            at = "" if outputs == before else giving(writer, group)
            found.append(_parted(writer, group, at=at))
            before = outputs
        return " ".join(found)
    kind = "close" if bands_of(verdicts, "close") else "small"
    same = [one for one in verdicts if one.kind == kind]
    if not same:
        why = why_not(writer, "equal output")
        return writer.say("comparison/in-short/not-compared", why=why)
    return alike(writer, same, named=True)


def beside(writer: ComparisonWriter) -> str:
    """Say what else is told: bands that aren't parted, left playing, who can't be ranked."""
    say = writer.say
    verdicts = band_verdicts(writer.comparison, "equal output")
    groups = groups_of(verdicts)
    of_kind = {kind: [one for one in verdicts if one.kind == kind] for kind in ("close", "small")}
    if not groups and of_kind["close"]:
        of_kind["close"] = []  # that is the headline
    elif not groups:
        of_kind["small"] = []
    found = [alike(writer, same, named=False) for same in of_kind.values() if same]
    unsure: dict[frozenset[str], list[BandVerdict]] = {}
    for one in verdicts:
        if one.unsure:
            unsure.setdefault(frozenset(one.unsure), []).append(one)
    found += [
        say(
            "comparison/in-short/between",
            names=names_text(same[0].unsure) if len(who) <= _MOST_NAMED else f"{len(who)} others",
            where=where_text([one.band for one in same]),
        )
        for who, same in unsure.items()
    ]
    untold = bands_of(verdicts, "untold")
    if untold and len(untold) < len(BANDS):
        found.append(say("comparison/in-short/untold", where=where_text(untold)))
    found += [_left_playing(writer), *_aside(writer)]
    return " ".join(one if one.endswith(".") else joined([one]) for one in found)


def _outputs(verdicts: Sequence[BandVerdict]) -> tuple[float, ...]:
    at = [one.ranking.at_db or 0.0 for one in verdicts if one.ranking is not None]
    return min(at), max(at)


def giving(writer: ComparisonWriter, verdicts: Sequence[BandVerdict]) -> str:
    """Say at which output, or outputs, bands are compared."""
    ranked = [one.ranking for one in verdicts if one.ranking is not None]
    low, high = (end(ranked, key=lambda one: one.at_db or 0.0) for end in (min, max))
    lowest, highest = (f"{writer.key(one, one.names[0])}.output" for one in (low, high))
    output = writer.quote(highest)
    if low.at_db != high.at_db:
        output = f"{bare(writer.facts[lowest])} to {output}"
    return writer.say("comparison/in-short/giving", output=output)


def after(writer: ComparisonWriter, ranking: Ranking) -> str:
    """Say after which stress bands are compared."""
    key = writer.key(ranking, ranking.names[0])
    level, elapsed = (writer.quote(f"{key}.{part}") for part in ("level", "elapsed"))
    return writer.say("comparison/in-short/after", level=level, elapsed=elapsed)


def alike(writer: ComparisonWriter, verdicts: Sequence[BandVerdict], *, named: bool) -> str:
    """Say that bands tell nobody apart, or only by less than is worth naming."""
    where = [one.band for one in verdicts]
    first = verdicts[0].ranking
    assert first is not None
    playing = first.question == "left playing"
    at = after(writer, first) if playing else giving(writer, verdicts)
    if verdicts[0].kind == "small":
        return joined([writer.say("comparison/in-short/small", at=at, where=where_text(where))])
    names = {name for one in verdicts if one.ranking is not None for name in one.ranking.names}
    ordered = [name for name in writer.comparison.names if name in names]
    every = len(ordered) == len(writer.comparison.places("equal output"))
    named = (named or not every) and len(ordered) <= _MOST_NAMED
    said = writer.say(
        "comparison/in-short/alike",
        at=at,
        names=names_text(ordered) if named else "they",
        where=where_text(where, every="in any band"),
    )
    return joined([said])


def _parted(writer: ComparisonWriter, group: Sequence[BandVerdict], *, at: str) -> str:
    """Say who gives more in bands that part the same ones, and by how much in one of them."""
    most = widest_of(group)
    better, worse = _named(most)
    keeps_up = most.kind == "better"
    playing = most.ranking is not None and most.ranking.question == "left playing"
    one, many, may = ("is", "are", "may be") if playing else ("keeps up", "keep up", "may keep up")
    if not keeps_up:
        one, many = "gives", "give"
    verb = agrees(better, one=one, many=many) if most.sure else may
    claim = writer.say(
        "comparison/in-short/better" if keeps_up else "comparison/in-short/more",
        at=at,
        better=_others(most, better) or names_text(better),
        verb=verb,
        worse=names_text(worse),
        where=where_text([one.band for one in group]),
    )
    size = playing and keeps_up and _sizes(writer, most)
    claims = _with_amount(writer, claim, group=group, size=size or "")
    if keeps_up:
        return claims
    hardly = writer.say("comparison/in-short/hardly-short", worse=plain(most.worst[0]))
    return f"{claims} {joined([hardly])}"


def _named(one: BandVerdict) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return whom a sentence has room for; the first of the worst is below all the better."""
    worse = one.worst
    if len(worse) > _MOST_NAMED - 1 or len(one.better) + len(worse) > _MOST_TOGETHER:
        worse = worse[:1]
    return one.better, worse


def _others(one: BandVerdict, better: Sequence[str]) -> str:
    """Say how many keep up better where they are too many to name."""
    return f"{len(better)} others" if len(better) > _MOST_NAMED else ""


def _with_amount(
    writer: ComparisonWriter, claim: str, *, group: Sequence[BandVerdict], size: str
) -> str:
    """Add by how much it is in the band that parts by most; to a long claim in its own sentence."""
    most = widest_of(group)
    assert most.ranking is not None
    best, worst = most.better[0], most.worst[0]
    question = "apart" if most.ranking.question == "equal output" else "apart-long"
    key = f"{question}.{writer.slug(best)}.{writer.slug(worst)}.{SLUGS[most.band]}"
    least = writer.facts[f"{key}.least"]
    values = {
        "best": plain(best),
        "worst": plain(worst),
        "apart": writer.quote(key),
        "bound": writer.say("comparison/in-short/at-least", least=writer.quote(least.name))
        if least.value > 0.0
        else "",
        "band": where_text([most.band]) if len(group) > 1 else "",
    }
    better, worse = _named(most)
    best = "" if len(better) == 1 else plain(best)
    amount = size or writer.say("comparison/in-short/by", **{**values, "best": best})
    band = f"{values['band']} " if size and values["band"] else ""
    told = f"{claim}: {band}{amount}"
    if len(worse) == 1 and len(told.split()) <= MOST_WORDS:
        return joined([told])
    return joined([claim, writer.say("comparison/in-short/difference", **values)])


def _sizes(writer: ComparisonWriter, one: BandVerdict) -> str:
    """Give both losses of a pair after stress; none where the better one may have risen by much."""
    assert one.ranking is not None
    standing, key = one.ranking.standing(one.better[0]), writer.key(one.ranking, one.better[0])
    if len(one.better) > 1 or len(one.worst) > 1 or (standing.low_db or 0.0) > 0.0:
        return ""
    lost = standing.high_db is not None and standing.high_db < 0.0
    loss = writer.quote(f"{writer.key(one.ranking, one.worst[0])}.behind")
    wording = "quieter" if lost else "hardly-quieter"
    size = writer.quote(f"{key}.{'behind' if lost else 'within'}")
    return writer.say(f"comparison/in-short/{wording}", size=size, loss=loss)


def _left_playing(writer: ComparisonWriter) -> str:
    """Say who is better after the same stress, or that nobody is told apart, or why neither."""
    verdicts = band_verdicts(writer.comparison, "left playing")
    groups = groups_of(verdicts)
    if groups:
        ranking = groups[0][0].ranking
        assert ranking is not None
        return _parted(writer, groups[0], at=after(writer, ranking))
    told = [one for one in verdicts if one.ranking is not None]
    if not told:
        played = any(one.long_term_db for one in writer.comparison.sessions)
        return writer.say(f"comparison/in-short/{'playing-untold' if played else 'not-played'}")
    first = told[0].ranking
    assert first is not None
    same = [
        one
        for one in told
        if one.kind == told[0].kind
        and one.ranking is not None
        and (one.ranking.at_db, one.ranking.elapsed_s) == (first.at_db, first.elapsed_s)
    ]
    return alike(writer, same, named=False)


def _aside(writer: ComparisonWriter) -> list[str]:
    """Name those that take no place at all, and why where that is soon said."""
    found: dict[str, list[str]] = {}
    for name in writer.comparison.unplaced:
        session = writer.comparison.session(name)
        how = "in-room" if session.space == "room" else ""
        how = "as-text" if session.source == "text" else how
        found.setdefault(how, []).append(name)
    if not writer.comparison.rankings:
        return []
    return [
        writer.say(
            "comparison/in-short/aside",
            names=names_text(names),
            how=writer.say(f"comparison/in-short/{how}") if how else "",
        )
        for how, names in found.items()
    ]


def why_not(writer: ComparisonWriter, question: Question) -> str:
    """Return the first reason why a question has no ranking, in plain words."""
    stops = [
        one.words for one in writer.comparison.hindrances if one.stops and question in one.questions
    ]
    return plain(stops[0]) if stops else writer.say("comparison/in-short/nothing-told")


_WEIGHTIEST = ("loud music", "film at reference level", "relaxed music", "speech and television")
_ANSWERS: dict[Answer, str] = {
    "yes": "loud-enough",
    "just": "just-loud-enough",
    "no": "too-quiet",
    "can't tell": "cant-tell",
    "not tested": "not-tested",
}
_VERBS: dict[Answer, tuple[str, str, str]] = {
    "can't tell": ("can’t", "can’t", "can"),
    "not tested": ("wasn’t", "weren’t", "was"),
}
"""Of what is denied: for one, for more, and after *none*."""


def will_it_do(writer: ComparisonWriter) -> str:
    """Answer for the need that parts them at the reader's seat, else for each that is answered."""
    own = needs_at_seat(writer)
    parting = [
        need
        for need in _ordered(own)
        if len({_answer(one) for one in own[need]}) > 1
        and any(one.answer in ("yes", "just") for one in own[need])
    ]
    if parting:
        clauses = answered(writer, own[parting[0]], needs=parting[:1])
    else:
        same: dict[tuple[Answer, bool], list[str]] = {}
        for need, answers in own.items():
            if len({_answer(one) for one in answers}) == 1:
                same.setdefault(_answer(answers[0]), []).append(need)
        clauses = [
            clause
            for (answer, _), needs in same.items()
            if answer != "not tested"
            for clause in answered(writer, own[needs[0]], needs=needs)
        ]
    where = writer.place
    if not clauses:
        return writer.say("comparison/in-short/seat-untold", where=where)
    return joined([f"{where} {clauses[0]}", *clauses[1:]])


def needs_at_seat(writer: ComparisonWriter) -> dict[str, list[NeedBeside]]:
    """Return the answers at the reader's seat by need, in their order."""
    found: dict[str, list[NeedBeside]] = {}
    for one in writer.comparison.needs:
        if one.setup == SEAT_SETUP:
            found.setdefault(one.need, []).append(one)
    return found


def _ordered(own: dict[str, list[NeedBeside]]) -> list[str]:
    known = [need for need in _WEIGHTIEST if need in own]
    return [*known, *(need for need in own if need not in known)]


def _answer(one: NeedBeside) -> tuple[Answer, bool]:
    return one.answer, one.in_peaks


def answered(
    writer: ComparisonWriter, answers: Sequence[NeedBeside], *, needs: Sequence[str]
) -> list[str]:
    """Say who is enough for needs that all of them answer alike, the best answer first."""
    every, nobody = ("both", "neither") if len(answers) == 2 else ("all", "none")
    clauses: list[str] = []
    for answer, wording in _ANSWERS.items():
        one, many, none = _VERBS.get(answer, ("is", "are", ""))
        for in_peaks in (False, True):
            names = [given.name for given in answers if _answer(given) == (answer, in_peaks)]
            if not names:
                continue
            who, verb = names_text(names), agrees(names, one=one, many=many)
            if len(names) == len(answers):
                who, verb = (nobody, none) if none else (every, many)
            said = writer.say(
                f"comparison/in-short/{wording}",
                names=who,
                verb=verb,
                needs="" if clauses else f"for {' and for '.join(needs)}",
            )
            peaks = writer.say("comparison/in-short/in-peaks") if in_peaks else ""
            clauses.append(f"{said} {peaks}".rstrip())
    return clauses


def to_mind(writer: ComparisonWriter) -> str:
    """Say what of the tests differs that a reader would not expect."""
    placed = {name for one in writer.comparison.rankings for name in one.names}
    ranked = [one for one in writer.comparison.sessions if one.name in placed]
    with_amplifier = [one.name for one in ranked if one.reference == "loop-back"]
    asked = [one.name for one in ranked if not one.calibrated]
    found = []
    if with_amplifier and len(with_amplifier) < len(ranked):
        found.append(
            writer.say(
                "comparison/in-short/amplifier",
                names=names_text(with_amplifier),
                verb=agrees(with_amplifier, one="was", many="were"),
                its=agrees(with_amplifier, one="its", many="their"),
            )
        )
    if asked:
        every = len(asked) == len(ranked)
        whose = "" if every else f"of {names_text(asked)}"
        found.append(writer.say("comparison/in-short/levels-assumed", whose=whose))
    return " ".join(found)
