"""Drafts of the narrative cells: which wording, with which quoted facts.

Every wording is a block of ``templates/narrative/<slot>.md.j2`` that only places what it is
given; which one is used is decided here, by the grades. Nothing here reads a file: the caller
hands in a Jinja environment. Names come from the session folder and are escaped.

Here stand how it was measured, and care: what the loudest setting is to ears.
"""

import math

from jinja2 import Environment

from reportlib.judge.records import SEAT_SETUP, Analysis
from reportlib.numbers import duration, frequency, number, slug
from reportlib.session.day import Session
from reportlib.session.parameters import ReportParameters
from reportlib.write.in_short import in_short
from reportlib.write.left_playing import left_playing
from reportlib.write.listener import at_your_seat, heard_note
from reportlib.write.quotes import FactTable
from reportlib.write.turned_up import turned_up, why
from reportlib.write.writer import Writer, plain

SLOTS = (
    "in-short",
    "turned-up",
    "left-playing",
    "why",
    "at-your-seat",
    "care",
    "how-measured",
)


def draft(
    analysis: Analysis, *, facts: FactTable, templates: Environment, parameters: ReportParameters
) -> dict[str, str]:
    """Return the Markdown of every narrative cell, by slot.

    Parameters
    ----------
    facts : of the same analysis, quoted by name
    templates : finds ``<slot>.md.j2``, in which every wording is a block
    """
    writer = Writer(analysis=analysis, facts=facts, templates=templates, parameters=parameters)
    return {
        "in-short": in_short(writer),
        "turned-up": writer.page(
            "turned-up", intro=_turned_up_intro(writer), paragraphs=turned_up(writer)
        ),
        "left-playing": left_playing(writer),
        "why": why(writer),
        "at-your-seat": at_your_seat(writer),
        "care": care(writer),
        "how-measured": writer.page("how-measured", paragraphs=_how_measured(writer)),
    }


def _turned_up_intro(writer: Writer) -> str:
    if not writer.short.levels_db:
        return writer.say("turned-up/no-levels")
    baseline = writer.quote("test.baseline")
    if _from_text(writer.analysis):
        return writer.say("turned-up/intro-text", baseline=baseline)
    return writer.say("turned-up/intro", sweep=writer.quote("test.sweep"), baseline=baseline)


def _how_measured(writer: Writer) -> list[str]:
    analysis = writer.analysis
    session = analysis.session
    takes = sorted({len(entry.captures) for entry in session.short_term})
    count = " to ".join(str(one) for one in {takes[0]: 0, takes[-1]: 0})
    start, stop = analysis.sweep_range_hz
    known_gate = math.isfinite(analysis.gate_s)
    common = {
        "distance": f"{session.rig.distance_m:g} m",
        "space": session.rig.space,
        "takes": f"{count} take" if takes[-1] == 1 else f"{count} takes",
        "start": frequency(start),
        "stop": frequency(stop),
        "gate": f"{number(1e3 * analysis.gate_s, 0)} ms" if known_gate else "not known",
        "smoothing": f"1/{analysis.smoothing_fraction}-octave smoothing",
        "levels": writer.say(
            "how-measured/calibrated"
            if analysis.baseline.calibrated
            else "how-measured/not-calibrated"
        ),
    }
    from_text = _from_text(analysis)
    if from_text:
        rig = writer.say("how-measured/rig-text", **common)
    else:
        reference = writer.say(_reference_wording(session))
        sweep = writer.quote("test.sweep")
        rig = writer.say("how-measured/rig", sweep=sweep, reference=reference, **common)
    paragraphs = [
        rig,
        writer.say(
            "how-measured/interval-text" if from_text else "how-measured/interval",
            limit=f"{writer.parameters.usable_u95_db:g} dB",
            lowest=frequency(max(analysis.lowest_hz, start)),
        ),
        writer.say("how-measured/grades"),
        heard_note(writer),
    ]
    if session.rig.equipment:
        paragraphs.append(
            writer.say(
                "how-measured/equipment",
                equipment="; ".join(plain(one) for one in session.rig.equipment),
            )
        )
    if session.notes.strip():
        paragraphs.append(writer.say("how-measured/notes", notes=plain(session.notes)))
    return paragraphs


def _from_text(analysis: Analysis) -> bool:
    curves = (*analysis.short_term, *analysis.long_term)
    return not analysis.sample_rate_hz or any(curve.source == "text" for curve in curves)


def _reference_wording(session: Session) -> str:
    if session.channels.reference is None:
        return "how-measured/reference-none"
    if not session.reference_counts:
        return "how-measured/reference-behind"
    if session.rig.reference_at == "loop-back":
        return "how-measured/reference-loop-back"
    return "how-measured/reference-terminals"


_DAY_S, _WEEK_S = 86400.0, 7 * 86400.0
_SEAT = f"exposure.{slug(SEAT_SETUP)}"
_EXAMPLE = "exposure.loud-music"


def care(writer: Writer) -> str:
    """Return the section's draft."""
    paragraphs = [_at_seat(writer), _of_the_day(writer)]
    paragraphs += [writer.say(f"care/{name}") for name in ("ears", "equipment", "law")]
    return writer.page("care", paragraphs=[one for one in paragraphs if one])


def _at_seat(writer: Writer) -> str:
    if f"{_SEAT}.level" not in writer.facts:
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
    return "" if calibrated else writer.say("care/if-met")


def _time(writer: Writer, name: str, *, longest_s: float) -> str:
    seconds = writer.facts[name].value
    if seconds <= 0.0:
        return writer.say("care/no-time")
    if seconds >= longest_s:
        return writer.say("care/longer-than", longest=duration(longest_s))
    return writer.quote(name)


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
