"""Named numbers about listeners: at the reader's seat, needs there, exposure, the day's dose.

Collected by `facts`, which says what each name means.
"""

import math
from collections.abc import Iterator

from reportlib.exposure import NIOSH, OSHA, WHO_ITU, stricter_time_s
from reportlib.judged import SEAT_SETUP, DayDose, Exposure, NeedAnswer
from reportlib.listening import ROOM_METHOD, TRADE_METHOD
from reportlib.model import Analysis, Fact, SeatLevel
from reportlib.numbers import slug

_METHODS = {TRADE_METHOD: "sum", ROOM_METHOD: "room"}
_RULES = {NIOSH: "day", WHO_ITU: "week", OSHA: "osha"}


def seat_facts(analysis: Analysis) -> Iterator[Fact]:
    """Name every number about listeners that a sentence may need."""
    own = [seat for seat in analysis.in_room if seat.setup == SEAT_SETUP]
    for asked_db in dict.fromkeys(seat.level_db for seat in own):
        yield from _arriving(asked_db, [seat for seat in own if seat.level_db == asked_db])
    needs = [answer for answer in analysis.needs if answer.setup == SEAT_SETUP]
    for answer in needs:
        yield from _need(answer)
    for answer in needs[:1]:
        for name, level_db in (
            ("tested-to", answer.tested_to_db),
            ("played-to", answer.played_to_db),
        ):
            if level_db is not None:
                yield Fact(name=f"need.{name}", value=level_db, unit="dB", digits=0)
    yield from _exposure(shown_exposure(analysis))
    if analysis.day_dose is not None:
        yield from _dose(analysis.day_dose)


def shown_exposure(analysis: Analysis) -> list[Exposure]:
    """Return what the table shows: every setting at the loudest level, and every need."""
    loudest = analysis.session.short_term[-1].level_db
    return [one for one in analysis.exposure if one.asked_db in (None, loudest)]


def _arriving(level_db: float, seats: list[SeatLevel]) -> Iterator[Fact]:
    key = f"seat.{level_db:g}"
    ranges = {_METHODS[seat.method]: (seat.low_db, seat.high_db) for seat in seats}
    lows, highs = zip(*ranges.values(), strict=True)
    named = {"low": min(lows), "high": max(highs)}
    for method, (low, high) in ranges.items():
        named |= {f"{method}-low": low, f"{method}-high": high}
    for name, value in named.items():
        yield Fact(name=f"{key}.{name}", value=value, unit="dB", digits=0, row=f"fact-{key}")


def _need(answer: NeedAnswer) -> Iterator[Fact]:
    key = f"need.{slug(answer.need)}"
    named = {
        "average-low": answer.average_low_db,
        "average-high": answer.average_high_db,
        "peak-low": answer.peak_low_db,
        "peak-high": answer.peak_high_db,
    }
    for name, value in named.items():
        yield Fact(name=f"{key}.{name}", value=value, unit="dB", digits=0, row=f"fact-{key}")
    for band in answer.bands:
        for test, least, most in (
            ("peaks", band.peak_loss_low_db, band.peak_loss_high_db),
            ("average", band.average_loss_low_db, band.average_loss_high_db),
        ):
            if least is None or most is None:
                continue
            for name, value in (("least", max(least, 0.0)), ("most", max(most, 0.0))):
                yield Fact(
                    name=f"{key}.{slug(band.band)}.{test}.{name}",
                    value=value,
                    unit="dB",
                    digits=1,
                    row=f"fact-{key}",
                )


def _exposure(shown: list[Exposure]) -> Iterator[Fact]:
    for one in shown:
        key = f"exposure.{slug(one.heard)}"
        if one.source == NIOSH:
            yield Fact(
                name=f"{key}.level",
                value=one.level_dba,
                unit="dBA",
                digits=0,
                row=f"fact-{key}",
            )
        yield Fact(
            name=f"{key}.{_RULES[one.source]}",
            value=stricter_time_s(one.allowed_s),
            unit="s",
            digits=0,
            row=f"fact-{key}",
        )


def _dose(dose: DayDose) -> Iterator[Fact]:
    yield Fact(name="dose.sounding", value=_readable_s(dose.sounding_s), unit="s", digits=0)
    yield Fact(name="dose.loudest", value=dose.loudest_dba, unit="dBA", digits=0)
    for name, percent in (("day", dose.niosh_percent), ("week", dose.weekly_percent)):
        if math.isfinite(percent):
            # A dose is rounded to the stricter side: up, to two digits.
            step = 10.0 ** (math.floor(math.log10(max(percent, 0.01))) - 1)
            value = step * math.ceil(percent / step - 1e-9)
            digits = max(0, round(-math.log10(step)))
            yield Fact(name=f"dose.{name}", value=value, unit="%", digits=digits)


def _readable_s(seconds: float) -> float:
    """Round to whole seconds below 2 min, to tenths of a minute above."""
    return float(round(seconds)) if seconds < 120.0 else 6.0 * round(seconds / 6.0)
