"""Named numbers that prose may quote, and how they are written.

A number is computed once, kept as a `Fact` and quoted by its name; an unknown or a duplicate
name is an error. In Markdown a quoted fact is an ordinary link,
``[−1.5 dB](#fact-short.mids.94.mean)``: Jupyter shows the value, the page links it to its row.

Names are dotted and lower case: test, band, level, then what it is.

=============================== ============================================================
``test.baseline``, ``test.top`` quietest and loudest short-term level, dB
``test.lowest``                 lowest frequency that the bands tell of, Hz
``short.<band>.<level>.mean``   mean change of a band at a level; ``.shortfall`` its negative,
                                ``.u95`` its interval rounded up, ``.worst``, ``.worst-at``
``long.<band>.<level>.<s>.…``   the same after so many seconds of stress
``step.<level>.asked``          a volume step as asked for, and ``.measured``
``seat.<level>.low``, ``.high`` the range at the reader's seat, by every method; ``.sum-low`` and
                                ``.sum-high`` by the trade's sum, ``.room-low`` and
                                ``.room-high`` by Hopkins–Stryker
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
                                predicts, ``.expected``, and that was heard, ``.heard``
``limit.<band>.1``, ``….3``     level at which a band is 1 dB (3 dB) behind, turned up; its bracket
                                ``.low``, ``.high``, rounded outwards; ``limit.<band>.tested``;
                                ``limit.long.<band>.…`` left playing, ``limit.unit-40-401.…`` by
                                drive unit
``heard.short.<level>.most.…``  the stretch that is heard most: ``.size``, ``.u95``, ``.low``,
                                ``.high``, ``.as-mids`` (phon); ``.other.…`` another one;
                                ``heard.long.<level>.<s>.…`` left playing
=============================== ============================================================
"""

import functools
import math
from collections.abc import Iterable, Iterator, Mapping

from reportlib.judged import SEAT_SETUP
from reportlib.judged_facts import judged_facts
from reportlib.levels import BANDS, SLUGS
from reportlib.model import Analysis, BandResult, Fact
from reportlib.numbers import digits_for, duration, frequency, half_width, level_key, number, slug
from reportlib.seat_facts import seat_facts
from reportlib.stress_facts import stress_facts


class FactTable(Mapping[str, Fact]):
    """Facts by name; a name that is not there says which ones are near."""

    def __init__(self, facts: Iterable[Fact]) -> None:
        self._facts: dict[str, Fact] = {}
        for fact in facts:
            if fact.name in self._facts:
                raise ValueError(f"fact {fact.name!r} is recorded twice")
            self._facts[fact.name] = fact

    def __getitem__(self, name: str) -> Fact:
        try:
            return self._facts[name]
        except KeyError:
            raise KeyError(f"no fact is named {name!r}") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._facts)

    def __len__(self) -> int:
        return len(self._facts)


def written(fact: Fact) -> str:
    """Write a fact's value with its unit.

    >>> written(Fact(name="a", value=-1.46, unit="dB", digits=1))
    '−1.5 dB'
    """
    if fact.unit == "Hz":
        return frequency(fact.value)
    if fact.unit == "s":
        return duration(fact.value)
    return f"{number(fact.value, fact.digits)} {fact.unit}".rstrip()


def quoted(fact: Fact) -> str:
    """Write a fact as the Markdown link that quotes it."""
    return f"[{written(fact)}](#fact-{fact.name})"


def band_key(result: BandResult) -> str:
    """Name the facts of one band at one level, without the last part."""
    test = "short" if result.test == "short_term" else "long"
    key = f"{test}.{SLUGS[result.band]}.{level_key(result.level_db)}"
    return key if result.test == "short_term" else f"{key}.{result.elapsed_s:g}"


def place_of(name: str) -> str:
    """Say in words what a fact or a grade is about.

    >>> place_of("short.mids.94.mean"), place_of("long.low-mids.92.120"), place_of("test.top")
    ('mids at 94 dB', 'low mids at 92 dB after 2 min', 'test.top')
    """
    spoken = {slug: band for band, slug in SLUGS.items()}
    match name.split("."):
        case ["short", slug, level, *_] if slug in spoken:
            return f"{spoken[slug]} at {level} dB"
        case ["long", slug, level, elapsed, *_] if slug in spoken:
            return f"{spoken[slug]} at {level} dB after {duration(float(elapsed))}"
        case ["stress", slug, level, *_] if slug in spoken:
            return f"{spoken[slug]} at {level} dB while it played"
        case ["finding", cause]:
            return f"cause {cause.replace('-', ' ')}"
        case ["why", cause, *_]:
            return f"cause {cause.replace('-', ' ')}"
        case ["limit", slug, *_] if slug in spoken:
            return f"limit of the {spoken[slug]}"
        case ["limit", "long", slug, *_] if slug in spoken:
            return f"limit of the {spoken[slug]}, left playing"
        case ["heard", "short", level, *_]:
            return f"what is heard at {level} dB"
        case ["heard", "long", level, elapsed, *_]:
            return f"what is heard at {level} dB after {duration(float(elapsed))}"
        case ["beside", who, slug, *_] if slug in spoken:
            return f"{spoken[slug]} of {who}"
        case ["changed", *rest]:
            return f"what changed ({place_of('.'.join(rest))})"
        case ["need", session, need] if ", " in need:
            return f"{need}, with {session}"
        case ["need", need, *_]:
            return need.replace("-", " ")
        case ["standing", question, slug, *_] if slug in spoken:
            asked = {"output": "at equal output", "limit": "by limits", "long": "left playing"}
            return f"standing in the {spoken[slug]} {asked.get(question, question)}"
        case ["hindrance", kind, *_]:
            return f"what can't be compared ({kind.replace('-', ' ')})"
        case _:
            return name


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
        case ["beside", _, band, what, *_] if band in SLUGS.values():
            asked = what.partition("-")[0]  # limit-low, limit-high and the like
            return f"standing.{asked if asked in {'limit', 'long'} else 'output'}.{band}."
        case ["apart", _, _, band, *_]:
            return f"standing.output.{band}."
        case ["apart-long", _, _, band, *_]:
            return f"standing.long.{band}."
        case _:
            return ""


def row_anchors(facts: FactTable, *, key: str) -> str:
    """Return the anchors of a table's row: its own, and one for each fact that stands in it."""
    names = [f"fact-{name}" for name in facts if name.startswith(key)]
    return " ".join([f"fact-{key[:-1]}", *names] if names else [])


@functools.lru_cache(maxsize=2)
def collect(analysis: Analysis) -> FactTable:
    """Name every number of an analysis that a sentence may need; once for all that ask."""
    facts = [
        Fact(name="test.baseline", value=analysis.session.baseline.level_db, unit="dB", digits=0),
        Fact(name="test.lowest", value=_speaks_from_hz(analysis), unit="Hz", digits=0),
        Fact(name="test.distance", value=analysis.session.rig.distance_m, unit="m", digits=1),
    ]
    if math.isfinite(analysis.gate_s):
        facts.append(Fact(name="test.gate", value=1e3 * analysis.gate_s, unit="ms", digits=0))
    if analysis.session.sweep is not None:
        facts.append(
            Fact(name="test.sweep", value=analysis.session.sweep.duration_s, unit="s", digits=1)
        )
    if analysis.short_term:
        top = analysis.short_term[-1].level_db
        facts.append(Fact(name="test.top", value=top, unit="dB", digits=0))
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
    return FactTable(facts)


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
