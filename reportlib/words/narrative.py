"""Drafts of the narrative cells: which wording, with which quoted facts.

Every wording is a file below ``templates/narrative/<slot>/`` that only places what it is
given; which one is used is decided here, by the grades. Nothing here reads a file: the caller
hands in a Jinja environment. Names come from the session folder and are escaped.
"""

import math
from collections.abc import Sequence

from reportlib.day import Session
from reportlib.facts import FactTable, frequency, number
from reportlib.model import Analysis
from reportlib.parameters import ReportParameters
from reportlib.words.behind import behind
from reportlib.words.care import care
from reportlib.words.glance import at_a_glance
from reportlib.words.heard import heard_note, turned_up_heard
from reportlib.words.left_playing import left_playing
from reportlib.words.seat import at_your_seat
from reportlib.words.story import BandStory, at_a_point
from reportlib.words.verdict import verdict_sentences
from reportlib.words.why import why
from reportlib.words.writer import Templates, Writer, decibels, listed, plain, spoken, verb

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
    analysis: Analysis, *, facts: FactTable, templates: Templates, parameters: ReportParameters
) -> dict[str, str]:
    """Return the Markdown of every narrative cell, by slot.

    Parameters
    ----------
    facts : of the same analysis, quoted by name
    templates : finds ``<slot>/<wording>.md.j2``
    """
    writer = Writer(analysis=analysis, facts=facts, templates=templates, parameters=parameters)
    return {
        "in-short": writer.page(
            "in-short", verdict=" ".join(verdict_sentences(writer)), lines=at_a_glance(writer)
        ),
        "turned-up": writer.page(
            "turned-up", intro=_turned_up_intro(writer), paragraphs=_turned_up(writer)
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


def _turned_up(writer: Writer) -> list[str]:
    story = writer.short
    paragraphs = []
    holding = [
        one.band for one in story.bands if one.holds and one.holds_to_db == story.levels_db[-1]
    ]
    if holding:
        everything = len(holding) == len(story.bands)
        names = f"The {listed([spoken(band) for band in holding])}"
        paragraphs.append(
            writer.say(
                "turned-up/hold-together",
                bands="All five bands" if everything else names,
                verb=verb(holding, one="holds", many="hold"),
                top=writer.quote("test.top"),
            )
        )
    for one in story.bands:
        paragraphs += _band_paragraph(writer, one=one)
    if story.untold and story.levels_db:
        paragraphs.append(
            writer.say(
                "turned-up/untold",
                bands=listed([spoken(band) for band in story.untold]),
                why=_why_untold(writer, story.untold),
            )
        )
    return [*paragraphs, *filter(None, (behind(writer), turned_up_heard(writer)))]


def _band_paragraph(writer: Writer, *, one: BandStory) -> list[str]:
    found = []
    name = {"band": spoken(one.band)}
    if one.first_loss is not None and one.worst_loss is not None:
        first, worst = one.first_loss, one.worst_loss
        values = {
            **name,
            "verb": verb([one.band], one="falls behind", many="fall behind"),
            "first_level": decibels(first.level_db),
            "shortfall": writer.of(first, "shortfall"),
            "u95": writer.of(first, "u95"),
            "worst_level": decibels(worst.level_db),
            "worst_shortfall": writer.of(worst, "shortfall"),
            "worst": writer.of(worst, "worst"),
            "worst_at": writer.of(worst, "worst-at"),
        }
        wording = "loses-at-a-point" if at_a_point(worst) else "loses-and-more"
        if wording == "loses-and-more" and worst.level_db == first.level_db:
            wording = "loses"
        found.append(writer.say(f"turned-up/{wording}", **values))
    if one.largest_gain is not None:
        gain = one.largest_gain
        found.append(
            writer.say(
                "turned-up/gains-at-a-point" if at_a_point(gain) else "turned-up/gains",
                verb=verb([one.band], one="comes out", many="come out"),
                level=decibels(gain.level_db),
                gain=writer.of(gain, "mean"),
                point=writer.of(gain, "worst"),
                at=writer.of(gain, "worst-at"),
                **name,
            )
        )
    return found


def _why_untold(writer: Writer, bands: Sequence[str]) -> str:
    """Give the most frequent reason of the points in these bands, in words."""
    counted: dict[str, int] = {}
    edges = [(one.low_hz, one.high_hz) for one in writer.analysis.bands if one.band in bands]
    for curve in writer.analysis.short_term:
        for point, reason in enumerate(curve.reason):
            hz = float(curve.frequency_hz[point])
            if reason and any(low <= hz < high for low, high in edges):
                counted[reason] = counted.get(reason, 0) + 1
    words = {
        "noise": "too much is lost in noise",
        "gate": f"the gate resolves nothing below {frequency(writer.analysis.lowest_hz)}",
        "range": "the sweep did not reach there",
        "gap": "the captures have a gap there",
        "clipped": "the recording clipped",
    }
    if not counted:
        return "the interval allows too many answers"
    return words[max(counted, key=lambda reason: counted[reason])]


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
    return any(curve.source == "text" for curve in (*analysis.short_term, *analysis.long_term))


def _reference_wording(session: Session) -> str:
    if session.channels.reference is None:
        return "how-measured/reference-none"
    if not session.reference_counts:
        return "how-measured/reference-behind"
    if session.rig.reference_at == "loop-back":
        return "how-measured/reference-loop-back"
    return "how-measured/reference-terminals"
