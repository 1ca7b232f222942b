"""Captions and alternative texts of a comparison's figures, from its facts."""

from reportlib.beside.facts import comparison_facts
from reportlib.beside.groups import one_scale
from reportlib.beside.standouts import BandVerdict, band_verdicts
from reportlib.beside.telling import limit_words
from reportlib.compared import Comparison, Question
from reportlib.facts import FactTable, written
from reportlib.levels import BANDS, SLUGS
from reportlib.numbers import counted, level_text, listed, sentence
from reportlib.thresholds import BEHIND_DB
from reportlib.words.caption_parts import joined
from reportlib.words.writer import spoken

_CLOSE = "In no band do two of them part by so much that it would be worth naming."


def caption_at_equal_output(comparison: Comparison) -> str:
    """Say where somebody gives in first, how the picture reads, what is not in it."""
    return joined(
        _most(comparison, "equal output"),
        "Across: how much comes out, at 1 m. Up: how far that is behind what was asked. Each dot "
        "is a level tested, with its 95 % interval; a line that ends early was not tested "
        "further, or gave no more.",
        "The upright line is the highest output that all of them surely gave: there they are "
        "ranked."
        if comparison.ranked("equal output")
        else "",
        _not_ranked(comparison),
    )


def _not_ranked(comparison: Comparison) -> str:
    """Name those that are drawn and take no place."""
    places = comparison.places("equal output")
    told = {track.name for track in comparison.tracks if track.told}
    aside = [name for name in comparison.names if name in told and name not in places]
    if not aside or not places:
        return ""
    verb = "is" if len(aside) == 1 else "are"
    return f"{listed(aside)} {verb} drawn, but can’t be compared."


def alt_at_equal_output(comparison: Comparison) -> str:
    """Read out the changes at the outputs that are ranked."""
    return joined(
        f"A panel for each of {counted(len(BANDS), 'band')}, a line for each of "
        f"{listed(comparison.names)}: change against output.",
        *_read_out(comparison, "equal output"),
    )


def caption_beside_left_playing(comparison: Comparison) -> str:
    """Say who lost most, and what the bars are."""
    return joined(
        _most(comparison, "left playing"),
        "Each stroke is the change after the same level for the same time, the bar its 95 % "
        "interval; 0 is as before.",
        _how_heard(comparison),
    )


def alt_beside_left_playing(comparison: Comparison) -> str:
    """Read out the changes after the same stress."""
    return joined(
        f"A row for each of {listed(comparison.names)} in every band that was left playing alike.",
        *_read_out(comparison, "left playing"),
    )


def caption_beside_limits(comparison: Comparison) -> str:
    """Say what bars and arrows are, and whether rows can be held against each other."""
    return joined(
        "The stroke is the level, turned up, at which a band is first "
        f"{level_text(BEHIND_DB[0])} behind what was asked; the bar is where else "
        "it may lie. An arrow means more than was tested, or less.",
        ""
        if one_scale(comparison.sessions)
        else "Each is on its own scale of level: where they were measured differs, and rows of "
        "different scales can’t be compared.",
    )


def alt_beside_limits(comparison: Comparison) -> str:
    """Read out every limit."""
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    parts = []
    for band in BANDS:
        limits = [one for one in comparison.limits if one.limit.band == band.name]
        told = [
            f"{one.name} {limit_words(one.limit, slug=slugs[one.name], facts=facts)}"
            for one in limits
        ]
        parts.append(f"{sentence(band.name)}: {listed(told)}.")
    return joined(f"The level at which each is {level_text(BEHIND_DB[0])} behind.", *parts)


def _most(comparison: Comparison, question: Question) -> str:
    """Say in which band they part the most, by more than would be too little to name."""
    verdicts = band_verdicts(comparison, question)
    parted = [one for one in verdicts if one.kind in ("gives in", "differs")]
    lead = max(parted, key=lambda one: one.apart_db, default=None)
    if lead is None or lead.ranking is None:
        return _CLOSE if any(one.ranking for one in verdicts) else ""
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    part = "rank" if question == "equal output" else "long"
    told = [
        f"{name} {_mean(facts, slug=slugs[name], band=lead.band, part=part)}"
        for name in (*lead.worst, *lead.better)
    ]
    at = "giving" if question == "equal output" else "left playing at"
    return (
        f"They part most in the {spoken(lead.band)}, {at} "
        f"{level_text(lead.ranking.at_db or 0.0)}: {listed(told)}{_unsure(lead)}."
    )


def _unsure(lead: BandVerdict) -> str:
    return f"; {listed(lead.unsure)} in between can’t be placed" if lead.unsure else ""


def _mean(facts: FactTable, *, slug: str, band: str, part: str) -> str:
    return written(facts[f"beside.{slug}.{SLUGS[band]}.{part}.mean"])


def _read_out(comparison: Comparison, question: Question) -> list[str]:
    facts = comparison_facts(comparison)
    slugs = {one.name: one.slug for one in comparison.sessions}
    part = "rank" if question == "equal output" else "long"
    found = []
    for ranking in comparison.ranked(question):
        told = [
            f"{one.name} {_mean(facts, slug=slugs[one.name], band=ranking.band, part=part)}"
            for one in ranking.standings
            if f"beside.{slugs[one.name]}.{SLUGS[ranking.band]}.{part}.mean" in facts
        ]
        close = "" if ranking.partings else ", too close to call"
        level = level_text(ranking.at_db or 0.0)
        found.append(f"{sentence(ranking.band)} at {level}: {listed(told)}{close}.")
    return found


def _how_heard(comparison: Comparison) -> str:
    ways = {one.while_playing for one in comparison.ranked("left playing")}
    if ways == {True}:
        return "It was heard while it still played."
    if ways == {False}:
        return "It was read in the sweep afterwards, when a coil has cooled a little."
    return (
        "Some bands were heard while it still played, others in the sweep afterwards; the table "
        "says which."
    )
