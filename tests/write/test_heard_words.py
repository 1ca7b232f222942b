"""Words for limits and for what is heard: what is said is in the records, and no more."""

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from invented import no_change

from reportlib.draw import ladder
from reportlib.draw.wordings import narrative_templates
from reportlib.judge.limits import kind_of
from reportlib.session.parameters import checked_parameters
from reportlib.write import facts, report

LONG = {"long_term_levels_db": ()}


def drafted(analysis):
    found = report.draft(
        analysis,
        facts=facts.collect(analysis),
        templates=narrative_templates(),
        parameters=checked_parameters(session="."),
    )
    return {slot: re.sub(r"\[([^\]]+)\]\(#[^)]*\)", r"\1", text) for slot, text in found.items()}


def port(f, rise_db):
    """Return what a bass loses that gives 0.3 dB for each dB asked for above 90 dB."""
    return np.where(f < 160.0, -0.7 * max(rise_db - 18.0, 0.0), 0.0)


def close_levels(change):
    return make_analysis(change=change, levels_db=(78.0, 84.0, 90.0, 92.0, 94.0, 96.0), **LONG)


def test_a_sharp_limit_is_said_as_a_level():
    text = drafted(close_levels(port))["turned-up"]
    assert re.search(r"The bass is 1 dB behind at 9\d\.\d dB\.", text)
    assert "No other band as a whole is 1 dB behind by 96 dB." in text


def test_a_wide_bracket_is_said_instead_of_a_level():
    analysis = make_analysis(
        change=lambda f, r: np.where(f < 160.0, -2.4 * (r / 24.0) ** 4, 0.0),
        levels_db=(84.0, 96.0),
        **LONG,
    )
    (bass,) = [one for one in analysis.limits if one.band == "bass" and one.threshold_db == 1.0]
    assert kind_of(bass) == "between"
    text = drafted(analysis)
    assert re.search(r"and is 1 dB short between \d\d and 9\d dB", text["in-short"])
    assert not re.search(r"1 dB behind at", text["turned-up"])


def test_what_was_not_reached_is_said_with_the_level_tested():
    text = drafted(make_analysis(change=no_change, **LONG))
    assert "no band is 1 dB behind by 99 dB" in text["turned-up"]
    assert "1 dB short" not in text["in-short"]  # the verdict has said that it holds


def test_bands_whose_brackets_overlap_are_not_ranked():
    text = drafted(close_levels(lambda f, r: -2.0 * (r / 24.0) ** 3 + 0.0 * f))["in-short"]
    assert re.search(r"[Ee]verything gives together: it .* 1 dB short between", text)


def test_an_interval_over_the_limit_is_not_said_to_be_reached():
    analysis = make_analysis(
        change=lambda f, r: -1.0 * (r / 27.0) ** 2 + 0.0 * f, ripple_db=0.0, **LONG
    )
    text = drafted(analysis)
    assert "can't be told: the interval allows both" in text["turned-up"]
    assert "1 dB behind at" not in text["turned-up"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (no_change, "Hardly: even at 99 dB"),
        (lambda f, r: -0.56 * r / 27.0 + 0.0 * f, "Perhaps. At 99 dB there is 0.6 dB"),
        (lambda f, r: -1.0 * r / 27.0 + 0.0 * f, "Possibly, by careful listening"),
        (lambda f, r: -1.5 * r / 27.0 + 0.0 * f, "Possibly, and perhaps clearly, side by side"),
        (lambda f, r: -3.0 * r / 27.0 + 0.0 * f, "Yes, side by side: at 99 dB there is 3.0 dB"),
        (lambda f, r: 3.0 * r / 27.0 + 0.0 * f, "Yes, side by side: at 99 dB there is 3.0 dB"),
    ],
)
def test_the_question_is_answered_by_what_was_found(change, words):
    text = drafted(make_analysis(change=change, ripple_db=0.0, **LONG))["turned-up"]
    assert f"**Would you hear it?** {words}" in text
    assert text.count("Would you hear it?") == 1


def test_more_than_asked_is_said_to_be_more():
    louder = make_analysis(change=lambda f, r: 3.0 * r / 27.0 + 0.0 * f, ripple_db=0.0, **LONG)
    text = drafted(louder)["turned-up"]
    assert "3.0 dB (give or take 0.1 dB) more than asked between" in text
    assert "less than asked between" not in text


def test_bass_is_given_as_the_ear_weighs_it_and_the_balance_is_named():
    text = drafted(make_analysis(change=port, **LONG))["turned-up"]
    assert re.search(r"counts like about \d+ dB in the mids", text)
    assert "The sound turns thinner." in text
    assert "a judgement, not a standard" in text


def test_a_level_change_keeps_the_balance():
    text = drafted(make_analysis(change=lambda f, r: -3.0 * r / 27.0 + 0.0 * f, **LONG))
    assert "The balance between the bands stays as it was." in text["turned-up"]


def test_what_can_not_be_told_is_not_said_to_be_inaudible():
    levels = (78.0, 84.0, 90.0, 96.0, 99.0)
    text = drafted(make_analysis(noise_below_hz=dict.fromkeys(levels, 3e4), **LONG))
    assert "Would you hear it?" not in text["turned-up"]
    assert "1 dB behind" not in text["turned-up"]
    partly = drafted(
        make_analysis(change=no_change, noise_below_hz=dict.fromkeys(levels, 200.0), **LONG)
    )["turned-up"]
    assert "nothing that can be told has changed" in partly
    assert "Of the bands that can be told, none as a whole" in partly


def test_where_the_limits_of_hearing_come_from_is_said():
    text = drafted(make_analysis())["how-measured"]
    for source in ("Jesteadt", "Miller 1947", "Toole and Olive 1988", "Bücklein", "ISO 226:2023"):
        assert source in text
    assert "a judgement, not a standard" in text


def test_after_the_stress_one_sentence_says_what_would_be_heard():
    text = drafted(make_analysis())["left-playing"]
    assert text.count("Side by side with before") == 1
    still = drafted(make_analysis(warming=lambda f, r, s: 0.0 * f))["left-playing"]
    assert "Side by side" not in still


def test_the_picture_marks_what_is_reached_and_says_so():
    marked = ladder.asked_and_given(close_levels(port))
    assert re.search(r"1 dB: 9\d\.\d", marked.svg)
    assert "A ring marks" in marked.caption
    assert re.search(r"Bass 1 dB behind: 9\d\.\d dB", marked.alt)
    nothing = ladder.asked_and_given(make_analysis(change=no_change))
    assert "A ring marks" not in nothing.caption
    assert not re.search(r"1 dB: \d", nothing.svg)


def test_facts_of_limits_and_hearing_are_named_once_and_lead_to_their_rows():
    analysis = make_analysis()
    known = facts.collect(analysis)  # a name given twice raises
    limited = [one for name, one in known.items() if name.startswith("limit.")]
    assert all(one.row.startswith("fact-limit.") for one in limited)
    assert "heard.short.99.most.size" in known
    doubled = replace(analysis, limits=analysis.limits * 2)
    with pytest.raises(ValueError, match="recorded twice"):
        facts.collect(doubled)
