"""The tables about listeners: what arrives, what is enough, and how long ears may have it."""

from collections.abc import Sequence

from reportlib.exposure import NIOSH, OSHA, WHO_ITU, stricter_time_s
from reportlib.facts import collect, row_anchors
from reportlib.judged import SEAT_SETUP, Exposure, SeatBand
from reportlib.model import Analysis
from reportlib.numbers import digits_for, duration, level_key, number, slug, u95_text
from reportlib.seat_facts import shown_exposure
from reportlib.shown import Table

_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0


def seat_table(analysis: Analysis) -> Table | None:
    """What arrives at every setting from every level tested, by either method."""
    if not analysis.in_room:
        return None
    facts = collect(analysis)
    ways = list(dict.fromkeys((seat.setup, seat.method) for seat in analysis.in_room))
    levels = sorted({seat.level_db for seat in analysis.in_room})
    rows, anchors, named = [], [], set()
    for setup, method in ways:
        own = {
            seat.level_db: seat
            for seat in analysis.in_room
            if (seat.setup, seat.method) == (setup, method)
        }
        where = f"{setup}, {own[levels[0]].listeners_distance_m:g}\u00a0m"
        cells = [_range(own[level].low_db, own[level].high_db) for level in levels]
        rows.append((where, method.replace("'", "’"), *cells))
        keys = [f"seat.{level_key(level)}." for level in levels]
        keys = keys if setup == SEAT_SETUP and setup not in named else []
        named.add(setup)
        anchors.append(" ".join(filter(None, (row_anchors(facts, key=key) for key in keys))))
    return Table(
        name="seat",
        caption="What arrives at a listener for each level asked of one loudspeaker at 1 m, in dB, "
        "what is lost already taken off.",
        columns=("where", "by", *(f"{level:g} dB asked" for level in levels)),
        rows=tuple(rows),
        anchors=tuple(anchors),
        numeric=(False, False, *(True for _ in levels)),
    )


def _range(low: float, high: float) -> str:
    return f"{number(low, 0)}–{number(high, 0)}"


def need_table(analysis: Analysis) -> Table | None:
    """What is listened to, what it asks of one loudspeaker, and the answer at every setting."""
    own = [answer for answer in analysis.needs if answer.setup == SEAT_SETUP]
    if not own:
        return None
    facts = collect(analysis)
    setups = list(dict.fromkeys(answer.setup for answer in analysis.needs))
    answers = {(one.need, one.setup): one.answer.replace("'", "’") for one in analysis.needs}
    return Table(
        name="needs",
        caption="Is it loud enough? What is listened to, its average level at the seat, and the "
        "answer there and in other settings; then its peaks over that average, and what one "
        "loudspeaker must make at 1 m for your seat.",
        columns=("what", "at the seat", *setups, "peaks", "asks at 1 m", "in peaks"),
        rows=tuple(
            (
                one.need,
                f"{one.wanted_db:g} dB{one.weighting}",
                *(answers[one.need, setup] for setup in setups),
                f"+{number(one.crest_db, 0)} dB",
                f"{_range(one.average_low_db, one.average_high_db)} dB",
                f"{_range(one.peak_low_db, one.peak_high_db)} dB",
            )
            for one in own
        ),
        anchors=tuple(row_anchors(facts, key=f"need.{slug(one.need)}.") for one in own),
        numeric=(False, True, *(False for _ in setups), True, True, True),
    )


def seat_band_table(analysis: Analysis) -> Table | None:
    """Band by band, what arrives of the loudest sweep at the reader's seat and what it lost."""
    bands = list(dict.fromkeys(one.band for one in analysis.seat_bands))
    methods = list(dict.fromkeys(one.method for one in analysis.seat_bands))
    if not bands:
        return None
    found = {(one.band, one.method): one for one in analysis.seat_bands}
    level = analysis.seat_bands[0].level_db
    return Table(
        name="seat-bands",
        caption=f"The same band by band: the sweep’s level in each band at your seat, when "
        f"{level:g} dB is asked of one loudspeaker at 1 m, and what of it is lost.",
        columns=("band", *(method.replace("'", "’") for method in methods), "change", "±"),
        rows=tuple(
            (
                band,
                *(_arriving(found[band, method]) for method in methods),
                *_change(found[band, methods[0]]),
            )
            for band in bands
        ),
        numeric=(False, *(True for _ in methods), True, True),
        folded=True,
    )


def _arriving(one: SeatBand) -> str:
    if one.low_db is None or one.high_db is None:
        return "can’t tell"
    return f"{_range(one.low_db, one.high_db)} dB"


def _change(one: SeatBand) -> tuple[str, str]:
    if one.change_db is None or one.u95_db is None:
        return "can’t tell", ""
    digits = digits_for(one.u95_db)
    return f"{number(one.change_db, digits)} dB", u95_text(one.u95_db)


def exposure_table(analysis: Analysis) -> Table | None:
    """How long each setting at the loudest level, and each need, may last by three rules."""
    shown = shown_exposure(analysis)
    if not shown:
        return None
    facts = collect(analysis)
    heard = list(dict.fromkeys(one.heard for one in shown))
    assumed = shown[0].basis == "assumed"
    given = ", if the asked-for levels were met" if assumed else ""
    return Table(
        name="exposure",
        caption=f"How long ears may have it: each setting at the loudest level tested{given}, "
        "taken at the high end of its range, and what is listened to. Times are rounded down. "
        "NIOSH and OSHA wrote for work, the WHO and ITU for personal players.",
        columns=("what", "level", "NIOSH, a day", "WHO–ITU, a week", "OSHA, a day"),
        rows=tuple(_exposure_row([one for one in shown if one.heard == what]) for what in heard),
        anchors=tuple(row_anchors(facts, key=f"exposure.{slug(what)}.") for what in heard),
        numeric=(False, True, True, True, True),
    )


def _exposure_row(own: Sequence[Exposure]) -> tuple[str, ...]:
    by = {one.source: one for one in own}
    return (
        own[0].heard,
        f"{number(own[0].level_dba, 0)} dBA",
        *(_allowed(by[source]) for source in (NIOSH, WHO_ITU, OSHA)),
    )


def _allowed(one: Exposure) -> str:
    if one.allowed_s <= 0.0:
        return "not at all"
    if one.allowed_s >= (_DAY_S if one.period == "day" else _WEEK_S):
        return f"all {one.period}"
    return duration(stricter_time_s(one.allowed_s))
