"""Captions and alternative texts: what they say is in the data, and in the words agreed."""

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import make_analysis
from invented import no_change

from reportlib.draw.wordings import said
from reportlib.write import captions

FIGURES = ("level_ladder", "turned_up", "left_playing", "distortion")
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


def test_the_shortfall_is_read_out():
    analysis = make_analysis(change=flat(-2.1), ripple_db=0.0, band_u95_db=0.2)
    assert "every band 2.1 dB short." in alt("level_ladder", analysis)


def test_no_shortfall_is_claimed_that_its_interval_does_not_carry():
    unsure = make_analysis(change=flat(-0.4), ripple_db=0.0, band_u95_db=0.45)
    # −0.4 ± 0.45 dB: the far end, 0.85 dB, rounded up
    assert "every band within 0.9 dB of what was asked" in alt("level_ladder", unsure)


def test_the_ladder_gives_its_intervals_and_leaves_what_it_shows_to_the_verdict():
    text = caption("level_ladder", make_analysis(change=flat(-2.1), band_u95_db=0.2))
    assert "(± 0.2 dB), bold where" in text
    assert "2.1" not in text


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


def test_a_cell_cut_by_the_sweeps_end_is_not_called_untold():
    # a sweep to 19 kHz cuts the grid's last cells
    assert "Grey" not in caption("turned_up", make_analysis(sweep_range_hz=(21.0, 19000.0)))


def test_nothing_told_is_said_once():
    text = caption("level_ladder", CASES["in noise"])
    assert "±" not in text
    assert text.endswith("Can't tell: every band (lost in noise).")


def test_the_worst_point_is_named_from_the_bands():
    analysis = make_analysis()
    worst = min(
        (band for band in analysis.bands if band.level_db == 99.0), key=lambda band: band.worst_db
    )
    text = alt("turned_up", analysis)
    assert f"near {worst.worst_hz:.0f} Hz is about {-worst.worst_db:.1f} dB short" in text


def test_a_linear_loudspeaker_has_no_worst_point():
    assert "At 99 dB no point is clearly 0.5 dB or more off what was asked for." in alt(
        "turned_up", CASES["linear"]
    )


def test_intervals_stand_in_captions_where_any_band_is_told():
    assert "Bands are told to ± 0.1 dB." in caption("turned_up", CASES["plain"])
    assert "told to" not in caption("turned_up", CASES["in noise"])


def test_long_term_texts_give_level_and_time():
    analysis = make_analysis(
        warming=lambda f, rise, elapsed_s: np.full_like(f, -1.5 * elapsed_s / 120.0), ripple_db=0.0
    )
    assert "a line a level, after 2 min against before." in caption("left_playing", analysis)
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


def test_harmonics_below_the_noise_are_no_values():
    analysis = make_analysis()
    below = tuple(
        replace(one, relative_db=np.full_like(one.relative_db, np.nan))
        for one in analysis.harmonics
    )
    said = caption("distortion", replace(analysis, harmonics=below))
    assert "At 99 dB noise covers every harmonic; all lie below" in said
    share = float(re.search(r"all lie below ([\d.]+) %", said)[1])
    # twice the floor's power, rounded up
    assert share >= 100.0 * np.sqrt(2.0) * 10.0 ** (np.nanmax(below[-1].floor_db) / 20.0)
    assert "Grey: noise covers" in said


def test_column_text_is_called_a_lower_bound():
    assert "noise isn’t known" in caption("turned_up", CASES["text"])
    assert "noise isn’t known" not in caption("turned_up", CASES["plain"])
