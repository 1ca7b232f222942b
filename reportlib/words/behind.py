"""Where it is 1 dB and 3 dB behind, in sentences: the level, or its bracket where that is wide."""

from collections.abc import Sequence

from reportlib.judged import Limit
from reportlib.judged_facts import limit_key
from reportlib.levels import BANDS
from reportlib.limits import kind_of
from reportlib.numbers import listed
from reportlib.readings.behind import band_limits, limit_text
from reportlib.words.writer import Writer, spoken, verb

_REACHED = ("at", "between", "by")


def first_behind(writer: Writer) -> str:
    """Return which band is 1 dB behind first, for the opening; empty where nothing is to say."""
    limits = _told(writer, index=0)
    reached = [one for one in limits if kind_of(one) in _REACHED]
    if reached:
        first = min(reached, key=_level)
        # Those whose brackets overlap can't be ranked.
        tied = [one for one in reached if (one.low_db or 0.0) <= (first.high_db or 0.0)]
        bands = [one.band for one in tied]
        where = _where(writer, first) if len(tied) == 1 else _where_all(writer, tied)
        if len(tied) == len(BANDS):
            return writer.say("in-short/limit-every", where=where)
        return writer.say("in-short/limit", bands=_named(bands), verb=_is(bands), where=where)
    unsure = [one for one in limits if kind_of(one) == "may be"]
    if unsure:
        bands = [one.band for one in unsure]
        return writer.say(
            "in-short/limit-open",
            bands=_named(bands),
            verb=_is(bands),
            tested=_tested(writer, unsure[0]),
        )
    if limits and writer.short.worst_loss is not None:
        farthest = max(limits, key=lambda one: one.tested_to_db or 0.0)
        return writer.say("in-short/limit-not-reached", tested=_tested(writer, farthest))
    return ""


def behind(writer: Writer) -> str:
    """Return the paragraph that names the limits of every band, turned up."""
    ones, threes = _told(writer, index=0), _told(writer, index=-1)
    sentences = [*_reached(writer, ones), *_unsure(writer, ones)]
    never = _alike(writer, [one for one in ones if kind_of(one) == "not reached"])
    for alike in never:
        wording = "limit-not"
        if len(never) == 1 and (len(alike) > 1 or not sentences):
            wording = "limit-none-other" if sentences else "limit-none"
            if not sentences and (writer.short.untold or writer.short.untested):
                wording = "limit-none-told"
        sentences.append(_say(writer, wording, alike=alike))
    if any(kind_of(one) in _REACHED for one in ones):
        sentences += [*_reached(writer, threes), *_unsure(writer, threes)]
        if all(kind_of(three) == "not reached" for three in threes):
            nearest = min(threes, key=lambda three: three.tested_to_db or 0.0)
            sentences.append(_say(writer, "limit-no-three", alike=[nearest]))
    return " ".join(sentences)


def _told(writer: Writer, *, index: int) -> list[Limit]:
    """The limits of the bands that can be told, of the smallest loss or of the largest."""
    found = [band_limits(writer.analysis, band=band.name) for band in BANDS]
    return [limits[index] for limits in found if limits and limits[index].reached is not None]


def _reached(writer: Writer, limits: Sequence[Limit]) -> list[str]:
    """One sentence: which band is so far behind where, the first one first."""
    groups = _alike(writer, [one for one in limits if kind_of(one) in _REACHED])
    if not groups:
        return []
    first, *others = sorted(groups, key=lambda alike: _level(alike[0]))
    return [
        _say(
            writer,
            "limit-behind",
            alike=first,
            others="".join(_say(writer, "limit-other", alike=alike) for alike in others),
        )
    ]


def _unsure(writer: Writer, limits: Sequence[Limit]) -> list[str]:
    groups = _alike(writer, [one for one in limits if kind_of(one) == "may be"])
    return [_say(writer, "limit-open", alike=alike) for alike in groups]


def _alike(writer: Writer, limits: Sequence[Limit]) -> list[list[Limit]]:
    """Group bands of which the same is written."""
    groups: dict[str, list[Limit]] = {}
    for one in limits:
        groups.setdefault(limit_text(one, facts=writer.facts), []).append(one)
    return list(groups.values())


def _say(writer: Writer, wording: str, *, alike: Sequence[Limit], others: str = "") -> str:
    bands = [one.band for one in alike]
    reached = kind_of(alike[0]) in _REACHED
    return writer.say(
        f"turned-up/{wording}",
        bands=_named(bands),
        verb=_is(bands),
        amount=f"{alike[0].threshold_db:g} dB",
        where=_where(writer, alike[0]) if reached else "",
        others=others,
        tested=_tested(writer, alike[0]),
    )


def _named(bands: Sequence[str]) -> str:
    return listed([spoken(band) for band in bands])


def _level(limit: Limit) -> float:
    return limit.level_db if limit.level_db is not None else limit.high_db or 0.0


def _is(bands: Sequence[str]) -> str:
    return verb(bands, one="is", many="are")


def _tested(writer: Writer, limit: Limit) -> str:
    return writer.quote(f"{limit_key(limit)}.tested")


def _where(writer: Writer, limit: Limit) -> str:
    """Say at which level; `limit` is reached."""
    here = f"{limit_key(limit)}.{limit.threshold_db:g}"
    kind = kind_of(limit)
    if kind == "at":
        return writer.say("turned-up/limit-at", level=writer.quote(here))
    high = writer.quote(f"{here}.high")
    if kind == "by":
        return writer.say("turned-up/limit-by", high=high)
    return writer.say("turned-up/limit-between", low=writer.quote(f"{here}.low"), high=high)


def _where_all(writer: Writer, limits: Sequence[Limit]) -> str:
    """Say between which levels all of these lie."""
    lowest = min(limits, key=lambda one: one.low_db or 0.0)
    # Where two are as good as the same, the one whose bracket is wide is written without
    # decimals, as the lower end is.
    highest = max(
        limits,
        key=lambda one: (round(one.high_db or 0.0), kind_of(one) == "between", one.high_db or 0.0),
    )
    high = writer.quote(f"{limit_key(highest)}.{highest.threshold_db:g}.high")
    if lowest.low_db is None:
        return writer.say("turned-up/limit-by", high=high)
    low = writer.quote(f"{limit_key(lowest)}.{lowest.threshold_db:g}.low")
    return writer.say("turned-up/limit-between", low=low, high=high)
