"""Care in words: what the loudest setting is to ears, what the day itself was, and cautions."""

import math

from reportlib.judged import SEAT_SETUP
from reportlib.numbers import duration, slug
from reportlib.words.seat import top_key
from reportlib.words.writer import Writer

_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0
_SEAT = f"exposure.{slug(SEAT_SETUP)}"
_EXAMPLE = "exposure.loud-music"


def care(writer: Writer) -> str:
    """Return the section's draft."""
    paragraphs = [_at_seat(writer), _of_the_day(writer)]
    paragraphs += [writer.say(f"care/{name}") for name in ("ears", "equipment", "law")]
    return writer.page("care", paragraphs=[one for one in paragraphs if one])


def _at_seat(writer: Writer) -> str:
    if top_key(writer) is None:
        return ""
    level = writer.quote(f"{_SEAT}.level")
    day, week = writer.facts[f"{_SEAT}.day"].value, writer.facts[f"{_SEAT}.week"].value
    sentences, example = [], "care/needs"
    if day >= _DAY_S and week >= _WEEK_S:
        sentences.append(writer.say("care/seat-quiet", level=level, basis=_basis(writer)))
        example = "care/needs-alone"
    elif day >= _DAY_S:
        quoted_week = writer.quote(f"{_SEAT}.week")
        sentences.append(
            writer.say("care/seat-moderate", level=level, basis=_basis(writer), week=quoted_week)
        )
        example = "care/needs-alone"
    else:
        sentences.append(
            writer.say(
                "care/seat-loudest",
                level=level,
                basis=_basis(writer),
                day=_time(writer, f"{_SEAT}.day", longest_s=_DAY_S),
                week=_time(writer, f"{_SEAT}.week", longest_s=_WEEK_S),
                osha=_time(writer, f"{_SEAT}.osha", longest_s=_DAY_S),
            )
        )
    sentences.append(
        writer.say(
            example,
            level=writer.quote(f"{_EXAMPLE}.level"),
            day=writer.quote(f"{_EXAMPLE}.day"),
            week=writer.quote(f"{_EXAMPLE}.week"),
        )
    )
    return " ".join([*sentences, writer.say("care/niosh")])


def _basis(writer: Writer) -> str:
    calibrated = writer.analysis.exposure[0].basis == "calibrated"
    return "" if calibrated else " (if the asked-for levels were met)"


def _time(writer: Writer, name: str, *, longest_s: float) -> str:
    seconds = writer.facts[name].value
    if seconds <= 0.0:
        return "no time at all"
    return f"more than {duration(longest_s)}" if seconds >= longest_s else writer.quote(name)


def _of_the_day(writer: Writer) -> str:
    dose = writer.analysis.day_dose
    if dose is None:
        return ""
    values: dict[str, object] = {
        "distance": f"{dose.distance_m:g} m",
        "sounding": writer.quote("dose.sounding"),
        "loudest": writer.quote("dose.loudest"),
        "basis": _basis(writer),
    }
    if not math.isfinite(dose.niosh_percent) or dose.niosh_percent >= 100.0:
        return writer.say("care/day-dose-over", **values)
    return writer.say(
        "care/day-dose", day=writer.quote("dose.day"), week=writer.quote("dose.week"), **values
    )
