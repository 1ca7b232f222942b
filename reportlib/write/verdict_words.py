"""The verdict in words: which bands do what, at which level, by how much.

What is said was decided in `judge.verdict`. Clauses are put together to sentences that can be
read in one breath.
"""

from collections.abc import Sequence

from reportlib.check.kinds import KINDS
from reportlib.judge.records import BandResult
from reportlib.judge.verdict import Group, Verdict, mean_gravity
from reportlib.measure.levels import BANDS
from reportlib.numbers import counted, frequency, listed, sentence
from reportlib.write.quotes import band_key
from reportlib.write.together import (
    doing,
    fare_of,
    is_plural,
    names,
    quoted_size,
    sentences,
    size,
)
from reportlib.write.untold import UNTOLD_WORDINGS, why_untold
from reportlib.write.writer import Writer, decibels, minutes, spoken, verb


def verdict_words(writer: Writer, *, verdict: Verdict) -> str:
    """Return the headline: what to mind, what holds, what is the gravest."""
    clauses, played = _main(writer, verdict=verdict)
    if 0 < len(verdict.told) < len(BANDS):  # nothing is said of what was not measured
        within, beside = _range(writer, verdict)
        clauses[0] = f"{within}, {clauses[0]}"
        if verdict.untold:
            why = why_untold(writer, verdict.untold)
            clauses.append(writer.say("in-short/rest-untold", where=beside, why=why))
    if verdict.turned_up is not None and _lower_bound(verdict):
        impulses = writer.analysis.session.of_impulse_responses
        wording = "as-impulses-show" if impulses else "as-text-shows"
        clauses[0] = writer.say(f"in-short/{wording}", rest=clauses[0])
    return " ".join([*_to_mind(writer, verdict), *sentences([*clauses, *played])])


def _to_mind(writer: Writer, verdict: Verdict) -> list[str]:
    """Say first what takes levels away, and what puts the rest in doubt."""
    found = []
    if verdict.faulty_db and verdict.told:
        values = {
            "fault": sentence(writer.say(UNTOLD_WORDINGS[verdict.fault])),
            "level": listed([decibels(level) for level in verdict.faulty_db]),
            "top": decibels(verdict.levels_db[-1]),
        }
        loudest = verdict.faulty_db[0] > verdict.levels_db[-1]
        wording = "in-short/fault" if loudest else "in-short/fault-between"
        found.append(writer.say(wording, **values))
    if verdict.doubts and (verdict.told or verdict.left_playing):
        meaning = {kind.code: kind.meaning for kind in KINDS}
        reasons = [
            meaning.get(code, note.message).rstrip(".")
            for code, note in {note.code: note for note in verdict.doubts}.items()
        ]
        more = len(reasons) - 1
        found.append(
            writer.say(
                "in-short/doubts" if more else "in-short/doubt",
                reason=reasons[0][:1].lower() + reasons[0][1:],
                more=counted(more, "more warning"),
            )
        )
    return found


def _main(writer: Writer, *, verdict: Verdict) -> tuple[list[str], list[str]]:
    """Return the clauses on turning up and those on playing."""
    say, turned_up, worst = writer.say, verdict.turned_up, verdict.worst
    left = verdict.left_playing
    if turned_up is None:
        why = why_untold(writer, [band.name for band in BANDS])
        alone = not writer.short.levels_db
        found = [say("in-short/baseline-alone") if alone else say("in-short/untold", why=why)]
        return found, _played(writer, left) if left is not None else []
    top = decibels(verdict.levels_db[-1])
    holds = "in-short/holds-text" if _lower_bound(verdict) else "in-short/holds"
    if not worst:
        through, played = _holds_playing(writer, verdict=verdict)
        return [say(holds, level=top) + through], played
    if worst == (turned_up,) and not turned_up.loses and verdict.loses_nothing:
        what, *more = what_they_do(writer, turned_up, subject="")
        level = decibels(turned_up.level_db)
        rises = say("in-short/at", level=level, what=f"it {what}")
        return [say("in-short/gains-only", top=top), rises, *more], []
    if verdict.holds_to_db is not None:
        found = [say(holds, level=decibels(verdict.holds_to_db))]
    else:
        wording = "in-short/not-even" if verdict.fails_at_once else "in-short/maybe-not-even"
        found = [say(wording, level=decibels(verdict.levels_db[0]))]
    steps = [one for one in worst if one.test == "short_term"]
    if verdict.sudden and verdict.first is not None:
        steps.insert(0, verdict.first)
    for one in steps:
        what, *more = what_they_do(writer, one, subject="its")
        if verdict.holds_to_db is None and one.level_db == verdict.levels_db[0]:
            found += [say("in-short/there", what=what), *more]
        else:
            found += [say("in-short/at", level=decibels(one.level_db), what=what), *more]
    playing = [_played(writer, one) for one in worst if one.test == "long_term"]
    return found, [clause for clauses in playing for clause in clauses]


def _holds_playing(writer: Writer, *, verdict: Verdict) -> tuple[str, list[str]]:
    """Return what is added to "holds up to …", and clauses of their own."""
    say, left = writer.say, verdict.left_playing
    if left is None:
        made = bool(writer.analysis.session.long_term)
        return "", [say("in-short/played-untold" if made else "in-short/not-played")]
    when = {"elapsed": minutes(left.elapsed_s), "level": decibels(left.level_db)}
    if left.at_least:
        return "", [say("in-short/swept-holds", **when)]
    if not verdict.played_untold:
        return say("in-short/through", **when), []
    bands = listed([spoken(band) for band in verdict.played_untold])
    return say("in-short/through", **when), [say("in-short/played-untold-bands", bands=bands)]


def _played(writer: Writer, group: Group) -> list[str]:
    what, *more = what_they_do(writer, group, subject="its")
    when = {"elapsed": minutes(group.elapsed_s), "level": decibels(group.level_db)}
    return [writer.say("in-short/played", what=what, **when), *more]


def what_they_do(writer: Writer, group: Group, *, subject: str) -> list[str]:
    """Say who does what, and by how much, then which bands do so at a point alone.

    Without a subject, what the loudspeaker does.
    """
    bands = [one.band for one in group.by_mean or group.by_point]
    every = group.every and len(bands) == len(group.bands)
    named = names(bands, whose=subject, all_told=every) if subject else ""
    plural = bool(subject) and is_plural(named, bands=bands)
    does = f"{named} {doing(group.grade, may_be=group.may_be, plural=plural)}".strip()
    if not group.changes:
        return [does]
    points = where_most(writer, group.by_point)
    if len(group.by_point) == len(group.bands) > 1:
        return [writer.say("in-short/by-points", does=does, points=points)]
    bound = group.at_least or any(one.source == "text" for one in group.results)
    values = {
        "does": does,
        "about": "" if bound else "about",
        "short": "" if bound else "short" if group.loses else "louder",
        "size": size(
            writer, [fare_of(one) for one in group.by_mean or group.by_point], at_least=bound
        ),
    }
    beyond = group.beyond
    if beyond is not None:
        values["point"] = quoted_size(writer, f"{band_key(beyond)}.worst")
        values["at"] = where_most(writer, [beyond])
        overall = mean_gravity(beyond) > 0.0
        return [writer.say("in-short/beyond" if overall else "in-short/by-point", **values)]
    together = group.together_db is not None and group.every and not group.by_point
    found = [writer.say("in-short/by", together="together" if together else "", **values)]
    if group.by_point:
        beside = [one.band for one in group.by_point]
        found.append(
            writer.say(
                "in-short/only-at-points",
                bands=listed([spoken(band) for band in beside]),
                verb=verb(beside, one="does", many="do"),
                points=points,
            )
        )
    return found


def where_most(writer: Writer, results: Sequence[BandResult]) -> str:
    """Say where bands change most; of many, that it is not everywhere."""
    if len(results) > 1:
        return writer.say("in-short/single-points")
    return " ".join(f"near {writer.of(one, 'worst-at')}" for one in results)


def _lower_bound(verdict: Verdict) -> bool:
    return any(curve.lower_bound for curve in verdict.analysis.short_term)


def _range(writer: Writer, verdict: Verdict) -> tuple[str, str]:
    """Say which range is told, and where the rest lies."""
    order = [band.name for band in BANDS]
    told = [order.index(band) for band in verdict.told]
    low_hz = max(BANDS[told[0]].low_hz, writer.facts["test.lowest"].value)
    high_hz = min(BANDS[told[-1]].high_hz, writer.analysis.sweep_range_hz[1])
    if told != list(range(told[0], told[-1] + 1)):
        return f"in the {listed([spoken(band) for band in verdict.told])}", "elsewhere"
    if told[-1] == len(order) - 1:
        return f"from {frequency(low_hz)} up", "below"
    if told[0] == 0:
        return f"up to {frequency(high_hz)}", "above"
    return f"from {frequency(low_hz)} to {frequency(high_hz)}", "beyond"
