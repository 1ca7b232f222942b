"""What is said of the stress while it plays: every kind of day gets words that its data carry."""

import re
from dataclasses import replace

import pytest
from builders import make_analysis
from stressed import LOSSES, make_playing
from test_narrative import drafts

from reportlib.draw.wordings import said
from reportlib.measure.stress.records import ThermalTerm
from reportlib.numbers import hz_range_text
from reportlib.write import facts, quotes, stress_captions
from reportlib.write.facts import stress_facts
from reportlib.write.left_playing import worst_end
from reportlib.write.quotes import written
from reportlib.write.stress_captions import caption_coil

QUIET = {band: 0.15 * loss for band, loss in LOSSES.items()}
FIGURES = ("minute_by_minute", "stress_map", "coil")


def still(frequency_hz, *_):
    """Return no change at all, for sweeps after stress."""
    return 0.0 * frequency_hz


def one_level(**more):
    """Return a day whose loudest long-term level was recorded while it played."""
    return make_analysis(playing=[make_playing(**more)])


DAYS = {
    "two levels": make_analysis(
        playing=[make_playing(level_db=82.0, losses=QUIET, seed=5), make_playing()]
    ),
    "two parts": one_level(terms=2),
    "too slow": one_level(terms=2, identifiable=False),
    "not identifiable": one_level(identifiable=False, projected=False, seen="can't tell"),
    "disagrees": one_level(seen="disagrees"),
    "cold unknown": one_level(cold_known=False, rest_s=(None,)),
    "no fit": one_level(with_fit=False),
    "bass untold": one_level(untold=("bass",)),
    "rises": one_level(losses={**LOSSES, "low mids": -1.4}),
    "noisier": one_level(distortion_rise_db=7.0),
    "coil": one_level(with_coil=True),
    "coil that differs": one_level(with_coil=True, coil_rise_k=140.0),
    "holds": make_analysis(
        playing=[make_playing(level_db=82.0, losses=QUIET), make_playing(losses=QUIET)],
        warming=still,
    ),
    "ten minutes played": one_level(stress_s=(300.0, 600.0)),
    "all lost in both": make_analysis(
        playing=[make_playing(level_db=level, untold=tuple(LOSSES)) for level in (82.0, 92.0)],
        long_noise_below_hz={82.0: 20000.0, 92.0: 20000.0},
    ),
    "all lost in noise": one_level(untold=tuple(LOSSES), crossovers_hz=()),
}


@pytest.mark.parametrize("day", DAYS)
def test_drafts_are_whole_sentences_with_quoted_numbers(day):
    analysis = DAYS[day]
    known = facts.collect(analysis)
    found = drafts(analysis)
    for slot in ("left-playing", "in-short"):
        text = found[slot]
        assert not re.search(r"None|nan|\{\{|  |\. \.|\.\.", text)
        for paragraph in text.split("\n\n")[1:]:
            assert paragraph.strip().endswith(".")
        for shown, name in re.findall(r"\[([^\]]+)\]\(#fact-([^)]+)\)", text):
            assert (
                quotes.written(known[name])
                .removeprefix("−")
                .startswith(shown.removeprefix("−").split()[0])
            )
        bare = re.sub(r"\[[^\]]+\]\(#fact-[^)]+\)", "", text)
        assert set(re.findall(r"(\d+\.\d+) dB", bare)) <= {"0.5"}
        assert not re.search(r"exponential|time constant|the fit\b|curve fitted|interval", bare)


@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize("day", DAYS)
def test_captions_are_plain_sentences_with_true_minus_and_units(day, figure):
    for kind in ("caption", "alt"):
        text = getattr(stress_captions, f"{kind}_{figure}")(DAYS[day], said=said)
        if not text:
            continue
        assert text[0].isupper()
        assert text.endswith(".")
        assert not re.search(r"nan|None|inf\b|  |\.\.", text)
        assert "-" not in re.sub(r"[a-z]-[a-z]", "", text)
        assert not re.search(r"\d\.\d+(?![\d.]*(?:–[\d.]+)? (?:dB|Hz|kHz|%))", text)


@pytest.mark.parametrize("figure", FIGURES)
@pytest.mark.parametrize("day", [make_analysis(long_term_levels_db=())])
def test_nothing_to_show_is_nothing_to_say(figure, day):
    assert getattr(stress_captions, f"caption_{figure}")(day, said=said) == ""
    assert getattr(stress_captions, f"alt_{figure}")(day, said=said) == ""


@pytest.mark.parametrize(
    ("day", "words"),
    [
        ("two levels", "At 82 dB every band holds"),
        ("two levels", r"the presence range and treble fall short, ending \[1\.3\]\(#fact-stress"
                       r"\.treble\.92\.end\) to \[1\.5 dB\]\(#fact-stress\.presence\.92\.end\)"),
        ("two levels", "nearly two thirds of the loss was there after about \\[8 s\\]"),
        ("two levels", r"Ten minutes would cost the presence range \[1\.5 dB\]"),
        ("two levels", r"A sweep \[5 s\]\(.*\) after the end found .*, as cooling would leave"),
        ("two parts", "a quick part of the loss was there after about \\[8 s\\]"),
        ("two parts", "A slow part can’t be timed, so ten minutes can’t be told"),
        ("two parts", "At 82 dB, by the sweep afterwards, every band holds"),
        ("two parts", "At 92 dB, by the sweep afterwards, the presence range falls short"),
        ("two parts", "Sweeps come when part of any loss has gone"),
        ("too slow", "The loss in the presence range can’t be timed, so ten minutes can’t be told"),
        ("not identifiable", r"A sweep \[5 s\].* found \[0\.8 dB\]\S* in the presence range\."),
        ("disagrees", r"found \[0\.2 dB\].*, where cooling would leave \[0\.8 dB\]"),
        ("cold unknown", "At 92 dB, since the recording began, the presence range and treble fall"),
        ("cold unknown", r"at least \[1\.0 dB\]\(#fact-stress\.treble\.92\.later\) quieter"),
        ("cold unknown", "What was lost before is not known"),
        ("no fit", "since the recording began"),
        ("bass untold", "At 92 dB, by the sweep afterwards, the bass holds"),
        ("all lost in both", r"No band can be told \(too few tones clear of the noise\)"),
        ("rises", "The low mids may rise; the bass holds"),
        ("noisier", r"In the \w[\w ]* distortion and noise grew from \[2\.\d %\]"),
        ("all lost in noise", "At 92 dB, by the sweep afterwards, .* at least"),
    ],
)  # fmt: skip
def test_the_narrative_says_what_the_day_was(day, words):
    assert re.search(words, drafts(DAYS[day])["left-playing"])


def test_why_no_coil_is_told_is_said():
    """Voltage and current were recorded on a two-way: two units hang on one pair of terminals."""
    why = "no drive unit has the impedance to itself"
    day = make_analysis(playing=[replace(make_playing(), no_coil=why)])
    assert f"The coil’s temperature can’t be told: {why}." in drafts(day)["left-playing"]
    assert "coil" not in drafts(DAYS["two parts"])["left-playing"]


@pytest.mark.parametrize(
    ("rise_k", "words"),
    [(46.0, ", which fits."), (140.0, ", less than that."), (5.0, ", more than that explains.")],
)
def test_what_was_heard_is_set_against_what_the_coil_costs(rise_k, words):
    day = one_level(with_coil=True, coil_rise_k=rise_k)
    assert words in caption_coil(day, said=said)


def test_what_the_sweep_alone_saw_stands_beside_what_was_heard_while_it_played():
    """The verdict takes the graver of both, and so does the section."""
    found = drafts(DAYS["two parts"])
    assert "eft playing 2 minutes at 92 dB, its presence range falls short" in found["in-short"]
    assert "by the sweep afterwards, the presence range falls short" in found["left-playing"]


def test_a_fault_of_the_recording_is_not_called_noise():
    played = make_playing(untold=("bass",))
    day = make_analysis(
        playing=[replace(played, reason=("clipped",) * played.elapsed_s.size)],
        long_noise_below_hz={92.0: 170.0},
    )
    text = drafts(day)["left-playing"]
    assert "the bass can’t be told (recording clipped)" in text
    assert "noise" not in text + stress_captions.caption_stress_map(day, said=said)


def test_a_sweep_that_found_more_where_nothing_was_heard_is_named_a_little_one_is_not():
    """A fit without terms ends at 0.000 ± 0.000 dB: hundredths of a decibel contradict nothing."""
    played = make_playing(losses=dict.fromkeys(LOSSES, 0.0))

    def text(seen_db):
        recovery = [
            replace(one, seen_db=seen_db, agreement="disagrees") if one.name == "mids" else one
            for one in played.recovery
        ]
        day = make_analysis(playing=[replace(played, recovery=tuple(recovery))])
        return drafts(day)["left-playing"]

    assert "In the mids the sweep does not fit what was heard." in text(-1.0)
    assert "fit" not in text(-0.05)


def test_what_was_heard_of_a_coil_names_its_tones():
    """Beside a drive unit's loss as a whole it is another number, of other tones."""
    coil = DAYS["coil"].playing[0].coil
    tones = hz_range_text(coil.low_hz, coil.high_hz)
    assert f"dB was heard from its tones, {tones}, which fits." in caption_coil(
        DAYS["coil"], said=said
    )


@pytest.mark.parametrize("day", ["cold unknown", "no fit"])
def test_no_loss_against_cold_is_claimed_where_cold_is_not_known(day):
    text = drafts(DAYS[day])["left-playing"]
    assert "had lost" not in text
    assert ".end)" not in text
    assert "thirds" not in text


def test_the_opening_speaks_of_the_end_of_the_stress_not_of_the_late_sweep():
    text = drafts(DAYS["two levels"])["in-short"]
    assert re.search(r"to \[1\.5 dB\]\(#fact-stress\.presence\.92\.end\)", text)


def test_the_opening_falls_back_on_the_sweep_where_the_stress_tells_nothing():
    for analysis in (DAYS["cold unknown"], DAYS["all lost in noise"], make_analysis()):
        text = drafts(analysis)["in-short"]
        assert "by at least" in text or "a sweep after 2 minutes" in text
        assert "#fact-stress" not in text.split("\n\n")[1]


def test_the_opening_says_that_it_holds_where_it_does():
    assert (
        "and through 2 minutes at 92 dB."
        in drafts(make_analysis(playing=[make_playing(losses=QUIET)], warming=still, change=still))[
            "in-short"
        ]
    )
    partly = make_analysis(
        playing=[make_playing(losses=QUIET, untold=("bass",))], warming=still, change=still
    )
    short = [one for one in partly.bands if one.test == "short_term"]
    text = drafts(replace(partly, bands=tuple(short)))["in-short"]
    assert "through 2 minutes at 92 dB; left playing, the bass can't be told." in text


def test_the_worst_is_the_largest_loss_that_its_interval_carries():
    playing = make_playing()
    assert worst_end([playing]).name == "presence"
    assert worst_end([make_playing(losses=QUIET)]) is None


def test_the_caption_gives_the_interval_and_what_is_grey():
    text = stress_captions.caption_minute_by_minute(DAYS["bass untold"], said=said)
    assert "Bands are told to ± 0.1 dB." in text
    assert text.endswith("Grey, can't tell: bass (too few tones clear of the noise).")


def test_the_maps_caption_states_its_step_and_where_most_is_lost():
    text = stress_captions.caption_stress_map(DAYS["two levels"], said=said)
    assert re.search(r"Most is lost at 1\.9–8\.\d kHz, about 1\.5 dB by the end\.", text)
    assert "A shade is 0.25 dB against cold." in text


def term(time_constant_s, low_s, high_s):
    return ThermalTerm(
        time_constant_s=time_constant_s,
        time_constant_low_s=low_s,
        time_constant_high_s=high_s,
        loss_db=1.0,
        loss_low_db=0.9,
        loss_high_db=1.1,
        identifiable=True,
    )


@pytest.mark.parametrize(
    ("found", "text"),
    [
        (term(8.3, 7.1, 9.8), "8 s"),
        (term(12.24, 11.9, 12.6), "12 s"),
        (term(4.32, 4.2, 4.45), "4.3 s"),
        (term(113.0, 90.0, 140.0), "110 s"),
        (term(1654.0, 1500.0, 1850.0), "28 min"),  # 27.6 min
        (term(300.0, 295.0, 305.0), "5 min"),
    ],
)
def test_times_have_no_more_digits_than_their_interval_supports(found, text):
    playing = make_playing()
    track = playing.group("mids")
    fit = replace(track.fit, terms=(found,))
    groups = tuple(replace(one, fit=fit) if one.name == "mids" else one for one in playing.groups)
    table = {
        fact.name: fact
        for fact in stress_facts(make_analysis(playing=[replace(playing, groups=groups)]))
    }
    assert written(table["stress.mids.92.time-1"]) == text


def test_a_sweep_that_saw_more_is_not_hushed_up():
    # the builder's sweeps lose about 1.1 dB in the presence range
    analysis = make_analysis(playing=[make_playing(losses=QUIET)], change=still)
    assert "its presence range falls short, by at least [1.1 dB]" in drafts(analysis)["in-short"]
