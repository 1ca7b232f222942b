"""Drafts of the narrative cells: which wording, with which quoted facts.

Every wording is a block of ``templates/narrative/<slot>.md.j2`` that only places what it is
given; which one is used is decided here, by the grades. Nothing here reads a file: the caller
hands in a Jinja environment. Names come from the session folder and are escaped.
"""

from jinja2 import Environment

from reportlib.judge.records import Analysis
from reportlib.session.parameters import ReportParameters
from reportlib.write.folded import numbers
from reportlib.write.how_measured import how_measured, how_sure
from reportlib.write.in_short import in_short
from reportlib.write.left_playing import left_playing
from reportlib.write.listener import at_your_seat, care
from reportlib.write.quotes import FactTable
from reportlib.write.turned_up import turned_up
from reportlib.write.why import why
from reportlib.write.writer import Writer

SLOTS = (
    "in-short",
    "turned-up",
    "left-playing",
    "why",
    "at-your-seat",
    "care",
    "how-measured",
    "numbers",
    "how-sure",
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
        "turned-up": writer.page("turned-up", paragraphs=turned_up(writer)),
        "left-playing": left_playing(writer),
        "why": why(writer),
        "at-your-seat": at_your_seat(writer),
        "care": care(writer),
        "how-measured": writer.page("how-measured", paragraphs=how_measured(writer)),
        "numbers": numbers(writer),
        "how-sure": writer.page("how-sure", paragraphs=how_sure(writer)),
    }
