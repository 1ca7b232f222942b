"""Captions and alternative texts: what they say is in the data, and in the words agreed."""

import re

import numpy as np
import pytest
from builders import make_analysis
from invented import no_change

from reportlib.draw.wordings import said
from reportlib.write import captions

FIGURES = ("level_ladder", "turned_up", "left_playing", "distortion", "asked_and_given")
LEVELS = (78.0, 84.0, 90.0, 96.0, 99.0)


def flat(change_db):
    """Return a change of so many dB everywhere at 27 dB of rise, growing linearly with it."""
    return lambda f, rise: np.full_like(f, change_db * rise / 27.0)


def caption(figure, analysis):
    return getattr(captions, f"caption_{figure}")(analysis, said=said)


def alt(figure, analysis):
    return getattr(captions, f"alt_{figure}")(analysis, said=said)


CASES = {
    "plain": make_analysis(),
    "linear": make_analysis(change=no_change, warming=lambda f, *_: 0.0 * f),
    "gated": make_analysis(gate_s=0.006),
    "in noise": make_analysis(
        noise_below_hz=dict.fromkeys(LEVELS, 3e4), long_noise_below_hz={82.0: 3e4, 92.0: 3e4}
    ),
    "gain": make_analysis(change=flat(1.3)),
    "unsure": make_analysis(band_u95_db=1.2),
    "text": make_analysis(source="text"),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("figure", FIGURES)
def test_texts_are_plain_sentences_with_true_minus_and_units(case, figure):
    for text in (caption(figure, CASES[case]), alt(figure, CASES[case])):
        assert text[0].isupper() or text[0].isdigit()
        assert text.endswith(".")
        assert "-" not in re.sub(r"[a-z]-[a-z]", "", text)
        assert not re.search(r"nan|None|inf\b|  |\.\.", text)
        assert not re.search(r"[<>*_`#\[\]]", text)
        # a number with a decimal is a level, a frequency or a share: never bare
        assert not re.search(r"\d\.\d+(?![\d.]*(?:–[\d.]+)? (?:dB|Hz|kHz|%))", text)


@pytest.mark.parametrize("figure", FIGURES)
def test_nothing_to_show_is_nothing_to_say(figure):
    empty = make_analysis(levels_db=(), long_term_levels_db=())
    assert caption(figure, empty) == ""
    assert alt(figure, empty) == ""


def test_the_ladder_names_the_shortfall_with_its_interval():
    analysis = make_analysis(change=flat(-2.1), ripple_db=0.0, band_u95_db=0.2)
    assert "at 99 dB comes out 2.1 dB short (± 0.2 dB)." in caption("level_ladder", analysis)
    assert "every band 2.1 dB short." in alt("level_ladder", analysis)


def test_more_than_asked_is_called_more():
    analysis = make_analysis(change=flat(1.3), ripple_db=0.0)
    assert "1.3 dB more than asked" in caption("level_ladder", analysis)
    assert "short (" not in caption("level_ladder", analysis)


def test_no_shortfall_is_claimed_that_its_interval_does_not_carry():
    unsure = make_analysis(change=flat(-0.4), ripple_db=0.0, band_u95_db=0.45)
    assert caption("level_ladder", unsure).startswith(
        "Up to 99 dB no band that can be told is clearly 0.5 dB or more off what was asked."
    )
    # −0.4 ± 0.45 dB: the far end, 0.85 dB, rounded up
    assert "every band within 0.9 dB of what was asked" in alt("level_ladder", unsure)


def test_digits_follow_the_uncertainty():
    # graded roughly by the builder: 6.4 ± 1.2 dB is beyond every edge, so it can be told
    rough = make_analysis(change=flat(-6.4), ripple_db=0.0, band_u95_db=1.2)
    assert " 6 dB short (± 2 dB)" in caption("level_ladder", rough)


def test_half_full_is_three_decibels_far_above_the_baseline():
    # 10·lg 2 = 3.0103 dB
    assert "at 99 dB, half full is 3.0 dB short" in caption("level_ladder", make_analysis())


@pytest.mark.parametrize("figure", ["level_ladder", "turned_up", "left_playing"])
def test_cannot_tell_is_said_with_its_reason(figure):
    gated = CASES["gated"]
    assert "beyond what the gate resolves" in caption(figure, gated)
    assert "bass can't tell" in alt(figure, gated)


def test_question_marks_at_some_levels_name_them():
    noisy = make_analysis(noise_below_hz={78.0: 120.0, 84.0: 120.0})
    assert "Can't tell: bass at 78 and 84 dB (lost in noise)." in caption("level_ladder", noisy)


def test_a_mean_too_uncertain_to_grade_is_not_blamed_on_noise():
    # the builder calls −0.6 ± 0.6 dB "can't tell": three grades fit
    unsure = make_analysis(change=flat(-0.6), ripple_db=0.0, band_u95_db=0.6, levels_db=(99.0,))
    text = caption("level_ladder", unsure)
    assert text.endswith("Can't tell: every band (too uncertain to grade).")


def test_a_plural_band_has_a_plural_verb():
    analysis = make_analysis(
        change=lambda f, rise: np.where((f > 160.0) & (f < 500.0), -rise / 20.0, 0.0)
    )
    assert "Low mids at 99 dB come out 1." in caption("level_ladder", analysis)


def test_a_cell_cut_by_the_sweeps_end_is_not_called_untold():
    # a sweep to 19 kHz cuts the grid's last cells
    assert "Grey" not in caption("turned_up", make_analysis(sweep_range_hz=(21.0, 19000.0)))


def test_nothing_told_is_said_once():
    text = caption("level_ladder", CASES["in noise"])
    assert text.startswith("No band can be told.")
    assert text.endswith("Can't tell: every band (lost in noise).")


def test_the_worst_point_is_named_from_the_bands():
    analysis = make_analysis()
    worst = min(
        (band for band in analysis.bands if band.level_db == 99.0), key=lambda band: band.worst_db
    )
    text = caption("turned_up", analysis)
    assert f"near {worst.worst_hz:.0f} Hz is about {-worst.worst_db:.1f} dB less" in text


def test_a_linear_loudspeaker_has_no_worst_point():
    assert caption("turned_up", CASES["linear"]).startswith(
        "At 99 dB no point that can be told is clearly 0.5 dB or more off what was asked."
    )
    assert "no band has clearly changed" in caption("left_playing", CASES["linear"])


def test_long_term_texts_give_level_and_time():
    analysis = make_analysis(
        warming=lambda f, rise, elapsed_s: np.full_like(f, -1.5 * elapsed_s / 120.0), ripple_db=0.0
    )
    assert "After 2 min at 92 dB the" in caption("left_playing", analysis)
    assert "1.5 dB less than before" in caption("left_playing", analysis)
    assert "At 92 dB after 2 min: every band 1.5 dB less" in alt("left_playing", analysis)


def test_harmonics_are_given_in_percent_of_their_tone():
    analysis = make_analysis()
    highest = analysis.harmonics[-1]
    graded = (highest.frequency_hz >= 40.0) & (highest.frequency_hz <= 16000.0)
    strongest_db = np.nanmax(highest.relative_db[:, graded])
    # −40 dB is 1 % of the amplitude
    percent = 100.0 * 10.0 ** (strongest_db / 20.0)
    assert f"about {percent:.2g} % near" in caption("distortion", analysis)
    assert "At 99 dB the strongest harmonic" in alt("distortion", analysis)


def test_column_text_is_called_a_lower_bound():
    assert "lower bound" in caption("turned_up", CASES["text"])
    assert "lower bound" not in caption("turned_up", CASES["plain"])


def test_asked_and_given_counts_against_the_measured_step():
    analysis = make_analysis(change=flat(-2.0), ripple_db=0.0)
    # the builder's measured steps are 0.02 dB above those asked for: 27.02 − 2.0 dB
    assert "Turned up by 27.0 dB, to 99 dB: every" not in alt("asked_and_given", analysis)
    assert "bass rose 25.0 dB" in alt("asked_and_given", analysis)
