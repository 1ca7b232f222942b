"""Drafts of the narrative cells: which wording, with which quoted facts.

Every wording is a block of ``templates/narrative/<slot>.md.j2`` that only places what it is
given; which one is used is decided here, by the grades. Nothing here reads a file: the caller
hands in a Jinja environment. Names come from the session folder and are escaped.
"""

import math

from jinja2 import Environment

from reportlib.day import Session
from reportlib.facts import FactTable
from reportlib.model import Analysis
from reportlib.numbers import frequency, number
from reportlib.parameters import ReportParameters
from reportlib.words.care import care
from reportlib.words.glance import at_a_glance
from reportlib.words.heard import heard_note
from reportlib.words.left_playing import left_playing
from reportlib.words.seat import at_your_seat
from reportlib.words.turned_up import turned_up
from reportlib.words.verdict import verdict_sentences
from reportlib.words.why import why
from reportlib.words.writer import Writer, plain

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
        "in-short": writer.page(
            "in-short", verdict=" ".join(verdict_sentences(writer)), lines=at_a_glance(writer)
        ),
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
