"""Words for limits and for what is heard: what is said is in the records, and no more."""

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from invented import no_change

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
    assert re.search(r"The bass is 1 dB short at 9\d\.\d dB \(9\d\.\d to 9\d\.\d\)\.", text)
    assert text.count("1 dB short") == 1


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
    assert re.search(r"The bass is 1 dB short between \d\d and 9\d dB\.", text["turned-up"])


def test_bands_whose_brackets_overlap_are_not_ranked():
    text = drafted(close_levels(lambda f, r: -2.0 * (r / 24.0) ** 3 + 0.0 * f))
    assert re.search(r"[Ee]very band gives together: it .* 1 dB short between", text["in-short"])
    assert "Every band is 1 dB short between" in text["turned-up"]


def test_an_interval_over_the_limit_is_not_said_to_be_reached():
    analysis = make_analysis(
        change=lambda f, r: -1.0 * (r / 27.0) ** 2 + 0.0 * f, ripple_db=0.0, **LONG
    )
    text = drafted(analysis)["turned-up"]
    assert "every band slips and may fall short" in text
    assert "1 dB short" not in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (no_change, "no difference would be heard at 99 dB"),
        (lambda f, r: -0.56 * r / 27.0 + 0.0 * f, "the loss .* may be audible at 99 dB"),
        (lambda f, r: -1.0 * r / 27.0 + 0.0 * f, "the loss .* is possibly audible at 99 dB"),
        (
            lambda f, r: -1.5 * r / 27.0 + 0.0 * f,
            "the loss .* is possibly, and may be clearly, audible at 99",
        ),
        (lambda f, r: -3.0 * r / 27.0 + 0.0 * f, "the loss .* is clearly audible at 99 dB"),
        (lambda f, r: 3.0 * r / 27.0 + 0.0 * f, "the gain .* is clearly audible at 99 dB"),
    ],
)
def test_what_is_heard_is_what_was_found(change, words):
    text = drafted(make_analysis(change=change, ripple_db=0.0, **LONG))["turned-up"]
    assert re.search(f"Side by side, {words}", text)
    assert text.count("Side by side") == 1


def test_bass_is_said_to_be_heard_sooner_and_the_balance_is_named():
    text = drafted(make_analysis(change=port, **LONG))["turned-up"]
    assert "At such low frequencies the ear is more sensitive to changes." in text
    assert "The sound turns thinner." in text
    assert "The sound turns" not in drafted(make_analysis(change=no_change, **LONG))["turned-up"]


def test_extra_output_of_some_bands_is_said_to_change_the_balance():
    def louder(lowest_hz):
        return drafted(
            make_analysis(
                change=lambda f, r: np.where((f > lowest_hz) & (r == 12.0), 1.2, 0.0), **LONG
            )
        )["turned-up"]

    assert "At 84 dB the treble rises, by 1.2 dB. That extra output changes" in louder(6000.0)
    assert "At 84 dB every band rises, by 1.2 dB." in louder(0.0)
    assert "balance" not in louder(0.0)


def test_what_can_not_be_told_is_not_said_to_be_inaudible():
    levels = (78.0, 84.0, 90.0, 96.0, 99.0)
    text = drafted(make_analysis(noise_below_hz=dict.fromkeys(levels, 3e4), **LONG))
    assert "heard" not in text["turned-up"]
    assert "1 dB short" not in text["turned-up"]
    partly = drafted(
        make_analysis(change=no_change, noise_below_hz=dict.fromkeys(levels, 200.0), **LONG)
    )["turned-up"]
    assert "Where it can be told, no difference would be heard" in partly


def test_where_the_limits_of_hearing_come_from_is_said():
    text = drafted(make_analysis())["how-sure"]
    for source in ("Jesteadt", "Miller 1947", "Toole and Olive 1988", "Bücklein", "ISO 226:2023"):
        assert source in text
    assert "a judgement, not a standard" in text


def test_after_the_stress_one_sentence_says_what_would_be_heard():
    text = drafted(make_analysis())["left-playing"]
    assert text.count("Side by side with before") == 1
    still = drafted(make_analysis(warming=lambda f, r, s: 0.0 * f))["left-playing"]
    assert "Side by side" not in still


def test_facts_of_limits_and_hearing_are_named_once_and_lead_to_their_rows():
    analysis = make_analysis()
    known = facts.collect(analysis)  # a name given twice raises
    limited = [one for name, one in known.items() if name.startswith("limit.")]
    assert all(one.row.startswith("fact-limit.") for one in limited)
    assert "heard.short.99.most.size" in known
    doubled = replace(analysis, limits=analysis.limits * 2)
    with pytest.raises(ValueError, match="recorded twice"):
        facts.collect(doubled)
