"""What was published, and what must be said when it is published again with other numbers."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment

from reportlib.judge.causes.table import CAUSE_NAMES, NONE_SHOWN
from reportlib.judge.records import Grade
from reportlib.judge.verdict import gravity
from reportlib.measure.levels import SLUGS
from reportlib.numbers import counted, day_text, listed, sentence
from reportlib.write.together import doing
from reportlib.write.writer import plain, spoken, verb, worded


@dataclass(frozen=True, kw_only=True)
class Published:
    """One publication of a report.

    Attributes
    ----------
    when : local time, to the second, ISO 8601
    captures : digest of all that was measured
    narrative : digest of each narrative cell's text, by slot
    judged : grades by the facts' key of a band and level (``"short.mids.94"``), causes, answers
    numbers : quoted facts as written, by name
    """

    when: str
    tool_version: str
    captures: str
    narrative: Mapping[str, str]
    judged: Mapping[str, str]
    numbers: Mapping[str, str]

    @property
    def date(self) -> datetime.date:
        """The day of it."""
        return datetime.datetime.fromisoformat(self.when).date()


@dataclass(frozen=True, kw_only=True)
class Changed:
    """A grade or a number that reads otherwise now; empty where it is not told."""

    name: str
    then: str
    now: str


Say = Callable[..., str]


def what_changed(
    changed: Sequence[Changed],
    *,
    last: Published,
    now: Published,
    name: str,
    templates: Environment,
) -> str:
    """Return the draft of the correction: the grades, a limit or size, why, and what it will do.

    The gravest change of each; empty where nothing changed.

    Parameters
    ----------
    changed : grades and numbers that read otherwise now
    last, now : the publication that they are compared with, and what would be published now
    name : the loudspeaker's
    """
    if not changed:
        return ""

    def say(wording: str, **values: object) -> str:
        return worded(templates, f"what-changed/{wording}", **values)

    wording = "set-anew"
    if last.captures != now.captures:
        wording = "measured-anew"
    elif last.tool_version != now.tool_version:
        wording = "read-anew"
    opening = say(wording, name=plain(name), date=day_text(last.date))
    judged = [*_grades(changed, say=say), *_why(changed, say=say)]
    needs = [
        say("need", need=one.name.partition(".")[2].partition(",")[0], then=one.then, now=one.now)
        for one in changed
        if one.name.startswith("need.") and "," in one.name
    ]
    numbers = _limit(changed, say=say) or _size(changed, say=say)
    same = "same-needs" if judged else "same-grades"
    said = needs[:1] or [say(same)]
    return say("page", text=" ".join([opening, *judged[:1], *numbers, *judged[1:], *said]))


_PAST: dict[Grade, str] = {
    "holds": "held",
    "slips": "slipped",
    "falls short": "fell short",
    "gives out": "gave out",
    "rises": "rose",
    "rises much": "rose much",
}
_BANDS = {slug: band for band, slug in SLUGS.items()}


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a grade or a size of a band belongs."""

    band: str
    where: str


def _place(name: str) -> _Place | None:
    """Read what a grade's name, or a fact's without its last part, is about.

    >>> _place("short.mids.82.5"), _place("test.top")
    (_Place(band='mids', where='at 82.5 dB'), None)
    """
    test, *rest = name.split(".")
    if test not in ("short", "long", "stress") or len(rest) < 2 or rest[0] not in _BANDS:
        return None
    level = ".".join(rest[1:-1] if test == "long" else rest[1:])
    where = f"at {level} dB" if test == "short" else f"left playing at {level} dB,"
    return _Place(band=_BANDS[rest[0]], where=where)


def _graded(text: str) -> tuple[Grade, Grade | None] | None:
    """Read a grade as it is said; None where it was not told, or by words of another version."""
    surely, _, maybe = text.partition(", may be ")
    grades: dict[str, Grade] = {grade: grade for grade in _PAST}
    return (grades[surely], grades.get(maybe)) if surely in grades else None


def _grades(changed: Sequence[Changed], *, say: Say) -> list[str]:
    found = [(one, place) for one in changed if (place := _place(one.name)) is not None]
    found = [(one, place) for one, place in found if _is_grade(one.then) or _is_grade(one.now)]
    if not found:
        return []

    def gravest(pair: tuple[Changed, _Place]) -> float:
        both = [_graded(text) for text in (pair[0].then, pair[0].now)]
        return max(gravity(*one) if one else -1.0 for one in both)

    first, place = max(found, key=gravest)
    alike = [
        other.band
        for one, other in found
        if (one.then, one.now, other.where) == (first.then, first.now, place.where)
    ]
    left = len(found) - len(alike)
    return [
        say(
            "grade",
            where=sentence(place.where),
            bands=f"the {listed([spoken(band) for band in alike])}",
            did=_did(first.then),
            they=verb(alike, one="it", many="they"),
            does=_does(first.now, bands=alike),
            more=say("more-grades", count=counted(left, "other grade")) if left else "",
        )
    ]


def _is_grade(text: str) -> bool:
    return _graded(text) is not None or text == "can't tell"


def _did(text: str) -> str:
    told = _graded(text)
    if told is None:
        return "couldn't be told"
    surely, maybe = told
    return _PAST[surely] if maybe is None else f"{_PAST[surely]}, or {_PAST[maybe]}"


def _does(text: str, *, bands: Sequence[str]) -> str:
    told = _graded(text)
    if told is None:
        return "can't be told"
    surely, maybe = told
    return doing(surely, may_be=maybe, plural=verb(bands, one="", many="s") == "s")


_SIZES = {"shortfall": "short", "end": "quieter"}


def _size(changed: Sequence[Changed], *, say: Say) -> list[str]:
    """The size of a band's change that moved the most."""
    found = []
    for one in changed:
        key, _, part = one.name.rpartition(".")
        place = _place(key)
        if place is not None and part in _SIZES and one.then and one.now:
            found.append((abs(_number(one.now) - _number(one.then)), one, place, _SIZES[part]))
    if not found:
        return []
    _, one, place, short = max(found, key=lambda each: each[0])
    return [
        say(
            "size",
            where=sentence(place.where),
            bands=f"the {spoken(place.band)}",
            verb=verb([place.band], one="is", many="are"),
            then=one.then,
            now=one.now,
            short=short,
        )
    ]


def _number(text: str) -> float:
    try:
        return float(text.split()[0].replace("−", "-"))
    except (ValueError, IndexError):
        return 0.0


_ENDS = {"1": "at", "1.low": "from", "1.high": "by"}


def _limit(changed: Sequence[Changed], *, say: Say) -> list[str]:
    """The first band whose level of being 1 dB behind, turned up, moved."""
    for one in changed:
        match one.name.split("."):
            case ["limit", band, *end] if band in _BANDS and ".".join(end) in _ENDS and one.then:
                return [
                    say(
                        "limit" if one.now else "limit-gone",
                        bands=sentence(f"the {spoken(_BANDS[band])}"),
                        verb=verb(
                            [_BANDS[band]],
                            one="is" if one.now else "was",
                            many="are" if one.now else "were",
                        ),
                        at=_ENDS[".".join(end)],
                        then=one.then,
                        now=one.now,
                    )
                ]
    return []


def _why(changed: Sequence[Changed], *, say: Say) -> list[str]:
    """The first cause that came and the first that went, of those a report names."""
    named = [
        (CAUSE_NAMES[cause], _fits(one.then), _fits(one.now))
        for one in changed
        if one.name.startswith("finding.")
        if (cause := one.name.partition(".")[2]) in CAUSE_NAMES and cause != NONE_SHOWN
    ]
    came = [name for name, then, now in named if now and not then]
    went = [name for name, then, now in named if then and not now]
    if came and went:
        return [say("fits-another", now=came[0], then=went[0])]
    if came:
        return [say("fits-now", now=came[0])]
    return [say("fits-no-longer", then=went[0])] if went else []


def _fits(text: str) -> bool:
    return bool(text) and "low" not in text
