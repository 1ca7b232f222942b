"""The first screen: the worse of turned up and left playing, and nothing that the data lacks."""

import re
from dataclasses import replace
from functools import cache

import hypothesis.strategies as st
import numpy as np
import pytest
from builders import make_analysis
from first_screen import broken, plain
from hypothesis import Phase, given, settings
from invented import bump, no_change
from stressed import make_playing
from test_narrative import DAYS, drafts

from reportlib.draw.wordings import narrative_templates
from reportlib.judge.analysis import at_the_end
from reportlib.judge.grades import grade_of
from reportlib.judge.limits import limits_of
from reportlib.judge.records import Finding
from reportlib.judge.verdict import conclude_first
from reportlib.measure.levels import BANDS
from reportlib.session.parameters import checked_parameters
from reportlib.session.records import QualityNote
from reportlib.write import facts
from reportlib.write.in_short import in_short
from reportlib.write.writer import Writer

STILL = {"change": no_change, "warming": lambda f, *_: 0.0 * f}
NAMES = [band.name for band in BANDS]


def said(analysis):
    return in_short(
        Writer(
            analysis=analysis,
            facts=facts.collect(analysis),
            templates=narrative_templates(),
            parameters=checked_parameters(session="."),
        )
    )


def paragraphs(analysis):
    """Return verdict, answer and what gives first as a reader sees them."""
    return plain(said(analysis)).strip().split("\n\n")[1:]


@cache
def base():
    playing = [make_playing(level_db=level) for level in (82.0, 92.0)]
    return make_analysis(levels_db=(84.0, 90.0, 96.0), playing=playing, **STILL)


MEANS_DB = (0.0, 0.0, -0.1, -0.46, -0.55, -0.95, -1.1, -2.0, -2.9, -3.2, -11.0, 0.9, 1.2, 3.3)
BEYOND_DB = (0.0, 0.0, -0.2, -0.7, -1.6, -3.0, 2.5)
ROW = st.tuples(
    st.sampled_from(MEANS_DB),
    st.sampled_from((0.0, 0.01, -0.02)),
    st.sampled_from((0.04, 0.1, 0.2)),
    st.sampled_from(BEYOND_DB),
    st.sampled_from((True,) * 7 + (False,)),
)
"""Of one band: its mean and a little more, its half-width, how far the worst point lies beyond,
and whether it can be told."""


def graded(result, row):
    mean, more, u95, beyond, told = row
    mean += more
    worst = mean + beyond
    grade, may_be = grade_of(mean, worst, mean_u95_db=u95, worst_u95_db=2.0 * u95)
    if not told or grade == "can't tell":
        return replace(result, mean_db=None, worst_db=None, worst_hz=None, u95_db=None,
                       grade="can't tell", grade_may_be=None)  # fmt: skip
    middle = (result.low_hz * result.high_hz) ** 0.5
    return replace(result, mean_db=mean, worst_db=worst, worst_hz=middle, u95_db=u95,
                   grade=grade, grade_may_be=may_be)  # fmt: skip


def ended(playing, rows):
    """Return the stress with other ends: losses since cold, told or not."""
    tracks = {track.name: track for track in playing.groups if track.kind == "band"}
    for name, (mean, more, u95, _, told) in zip(NAMES, rows, strict=True):
        fit = replace(
            tracks[name].fit, end_loss_db=-mean - more, end_loss_u95_db=u95, cold_known=told
        )
        tracks[name] = replace(tracks[name], fit=fit)
    return replace(playing, groups=tuple(tracks.values()))


CAUSES = ((), (("port", 160.0),), (("heat-coil", 16e3), ("limiter-broad", 16e3)))
COUNT = len(base().bands)


@settings(max_examples=100, derandomize=True, deadline=None, database=None, phases=[Phase.generate])
@given(
    rows=st.lists(ROW, min_size=COUNT, max_size=COUNT),
    ends=st.lists(ROW, min_size=10, max_size=10),
    calm=st.sampled_from(["", "short_term", "long_term", "both"]),
    test=st.sampled_from(["none", "swept", "heard"]),
    causes=st.sampled_from(CAUSES),
    sure=st.sampled_from(["fair", "high"]),
    answers=st.lists(
        st.sampled_from(["yes", "just", "no", "can't tell", "not tested"]), min_size=4, max_size=4
    ),
)
def test_the_first_screen_says_what_the_grades_say(**drawn):
    analysis = any_day(**drawn)
    draft = said(analysis)
    assert broken(analysis, draft) == [], draft


def any_day(*, rows, ends, calm, test, causes, sure, answers):
    day = base()
    results = [
        one if calm in (one.test, "both") else graded(one, row)
        for one, row in zip(day.bands, rows, strict=True)
    ]
    needs = [
        replace(one, answer=answer, peaks=answer, played_to_db=90.0 if test != "none" else None)
        for one, answer in zip(day.needs[:4], answers, strict=True)
    ]
    playing = [
        ended(one, part) for one, part in zip(day.playing, (ends[:5], ends[5:]), strict=True)
    ]
    if test == "none":
        results = [one for one in results if one.test == "short_term"]
    playing = tuple(playing if test == "heard" else ())
    return replace(
        day,
        bands=tuple(results),
        playing=playing,
        limits=limits_of(at_the_end(results, playing), baseline_db=72.0, steps=day.drive_steps),
        findings=tuple(
            Finding(cause=cause, confidence=sure, low_hz=40.0, high_hz=high_hz,
                    levels_db=(90.0, 92.0, 96.0), evidence_for=(), evidence_against=(),
                    to_confirm="")
            for cause, high_hz in causes
        ),
        needs=tuple(needs),
        session=replace(day.session, long_term=() if test == "none" else day.session.long_term),
    )  # fmt: skip


@pytest.mark.parametrize("day", DAYS)
def test_so_does_that_of_every_kind_of_day(day):
    analysis = make_analysis(**DAYS[day])
    assert broken(analysis, said(analysis)) == []


def at_99(**means):
    """Return a day on which bands change so much at 99 dB and nothing else does."""
    day = make_analysis(**STILL)

    def graded(one):
        mean, worst, u95 = means[one.band.replace(" ", "_")]
        grade, may_be = grade_of(mean, worst, mean_u95_db=u95, worst_u95_db=u95)
        return replace(one, mean_db=mean, worst_db=worst, u95_db=u95, worst_hz=one.low_hz * 1.2,
                       grade=grade, grade_may_be=may_be)  # fmt: skip

    loudest = [(one.test, one.level_db) == ("short_term", 99.0) for one in day.bands]
    return replace(day, bands=tuple(
        graded(one) if loud and one.band.replace(" ", "_") in means else one
        for one, loud in zip(day.bands, loudest, strict=True)
    ))  # fmt: skip


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("holds up to 96 dB", "holds up to 99 dB"),
        ("mids slip,", "mids slips,"),
        ("mids slip,", "mids may slip,"),
        ("mids slip,", "mids fall short,"),
        ("mids slip,", "mids and treble slip,"),
        ("mids slip,", "mids holds,"),
        ("louder wasn't", "speech and television wasn't"),
        ("dB.", "dB, which is to say that nobody would hear it in a room at home while the "
         "kettle boils and the neighbours talk about the weather.", ),
    ],
)  # fmt: skip
def test_a_reader_would_see_what_is_wrong(right, wrong):
    day = at_99(mids=(-0.8, -0.9, 0.1))
    draft = said(day)
    assert broken(day, draft) == []
    assert right in draft
    assert broken(day, draft.replace(right, wrong, 1))


def test_a_loudspeaker_that_falls_short_when_left_playing_is_not_headlined_as_holding():
    day = make_analysis(playing=[make_playing(losses=dict.fromkeys(NAMES, 1.8))], **STILL)
    verdict, _, first = paragraphs(day)
    assert re.fullmatch(
        r"Trivet 6 holds up to 99 dB; left playing 2 minutes at 92 dB, every band falls short "
        r"together, by 1\.\d dB\.",
        verdict,
    )
    assert first.startswith("Left playing, every band gives together: it falls short at 92 dB")


def test_what_only_a_sweep_afterwards_saw_is_a_lower_bound():
    verdict, *_ = paragraphs(make_analysis(change=no_change))
    assert "left playing 2 minutes at 92 dB, its presence range falls short, by at least" in verdict
    assert "a sweep after 2 minutes at 92 dB found no loss" in paragraphs(make_analysis(**STILL))[0]


@pytest.mark.parametrize(
    ("means", "words"),
    [
        ({"bass": (-1.5, -4.2, 0.1)},
         "its bass gives out, 1.5 dB short overall, about 4.2 dB near"),
        ({"bass": (-0.2, -1.7, 0.1)}, "its bass slips only near 48 Hz, by about 1.7 dB."),
        ({"mids": (-0.55, -0.6, 0.1)}, "its mids may slip, by 0.6 dB."),
        ({"mids": (-0.95, -1.1, 0.1)}, "its mids slip and may fall short, by 0.9 dB."),
        ({name.replace(" ", "_"): (-11.05, -11.0, 0.2) for name in NAMES},
         "every band gives out together, by 11.1 dB."),
        ({name.replace(" ", "_"): (-1.2 - 0.4 * k, -2.2, 0.1) for k, name in enumerate(NAMES)},
         "every band falls short, by 1.2 to 2.8 dB."),
        ({"mids": (-0.8, -0.8, 0.1), "treble": (-0.7, -0.8, 0.1)},
         "its mids and treble slip, by 0.8 dB."),
        ({"mids": (-2.0, -2.1, 0.1), "bass": (-0.7, -2.8, 0.1)},
         "its mids fall short, by 2.0 dB; the bass does so only near 48 Hz."),
        ({"low_mids": (-0.8, -0.8, 0.1), "mids": (-0.7, -0.8, 0.1), "bass": (-0.7, -0.8, 0.1)},
         "everything up to the mids slips, by 0.7 dB."),
    ],
)  # fmt: skip
def test_the_grade_is_said_with_what_earned_it(means, words):
    verdict, *_ = paragraphs(at_99(**means))
    assert verdict.startswith("Trivet 6 holds up to 96 dB; at 99 dB")
    assert words in verdict


@pytest.mark.parametrize(
    ("lost_db", "words"),
    [
        ({24.0: 1.5, 27.0: 2.0}, "holds up to 90 dB; at 99 dB every band falls short together, by"),
        ({24.0: 1.5, 27.0: 4.0}, "holds up to 90 dB; at 96 dB every band falls short together, by"),
        ({6.0: 2.0, 12.0: 1.5}, "doesn't hold even at 78 dB; there every band falls short"),
    ],
)
def test_a_level_is_named_once_and_a_quieter_one_where_the_grade_is_another(lost_db, words):
    day = make_analysis(**STILL | {"change": lambda f, rise: 0.0 * f - lost_db.get(rise, 0.0)})
    verdict, *_ = paragraphs(day)
    assert words in verdict
    levels = re.findall(r"at (\d+) dB", verdict)
    assert len(set(levels)) == len(levels)


def test_bands_together_have_one_number_on_the_first_screen_and_under_turned_up():
    day = at_99(mids=(-0.8, -0.8, 0.1), treble=(-0.65, -0.7, 0.1))
    assert "its mids and treble slip, by 0.7 dB." in paragraphs(day)[0]
    assert "the mids and treble slip, by [0.7 dB]" in drafts(day)["turned-up"]


def test_gains_alone_are_no_loss_and_beside_a_loss_come_later():
    alone = at_99(low_mids=(0.3, 2.5, 0.1))
    assert paragraphs(alone)[0] == (
        "Trivet 6 loses nothing up to 99 dB; at 99 dB it rises only near 190 Hz, by about 2.5 dB."
    )
    verdict, _, first = paragraphs(at_99(low_mids=(1.3, 1.4, 0.1), mids=(-0.8, -0.9, 0.1)))
    assert "rise" not in verdict
    assert first.endswith("At 99 dB the low mids rise, by 1.3 dB.")


def test_what_only_the_quieter_levels_tell_is_not_said_of_the_loudest():
    verdict, *_ = paragraphs(make_analysis(**STILL, noise_below_hz={99.0: 150.0}))
    assert verdict.startswith("From 160 Hz up, Trivet 6 holds up to 99 dB; below, it can't be told")


def test_doubts_about_the_data_come_first():
    note = QualityNote(code="hum", severity="warning", capture="a", message="It hums.")
    verdict, *_ = paragraphs(replace(base(), quality=(note,)))
    assert verdict.startswith("With care, as mains hum and its harmonics stand out of the noise. ")
    other = replace(note, code="drift")
    assert "and 1 more warning" in paragraphs(replace(base(), quality=(note, other)))[0]
    setup = replace(note, code="level-off")
    assert "With care" not in paragraphs(replace(base(), quality=(setup,)))[0]


def test_the_deepest_bass_is_said_though_no_grade_tells_of_it():
    def deepest(frequency_hz, rise_db):
        return np.where(frequency_hz < 32.0, -6.0 * (rise_db / 27.0) ** 2, 0.0)

    *_, first = paragraphs(make_analysis(change=deepest, ripple_db=0.0, warming=STILL["warming"]))
    assert re.search(r"Between 2\d Hz and 3\d Hz the output is [56].* short at 99 dB\.", first)
    assert first.startswith("No band gives by 99 dB.")


def test_words_numbers_and_pictures_read_one_record():
    analysis = at_99(mids=(-0.8, -0.8, 0.1), treble=(-0.7, -0.8, 0.1))
    (group,) = conclude_first(analysis).worst
    assert (group.bands, group.level_db, group.grade) == (("mids", "treble"), 99.0, "slips")
    fact = facts.collect(analysis)["verdict.turned-up.loss.99"]
    assert fact.value == pytest.approx(0.75)


def test_a_cause_is_named_where_it_covers_what_gives():
    finding = Finding(
        cause="port", confidence="high", low_hz=30.0, high_hz=90.0, levels_db=(99.0,),
        evidence_for=(), evidence_against=(), to_confirm="",
    )  # fmt: skip
    loses = at_99(bass=(-0.8, -0.9, 0.1))
    for found, words in (
        (finding, True),
        (replace(finding, levels_db=(90.0,)), False),
        (replace(finding, low_hz=300.0, high_hz=900.0), False),
        (replace(finding, confidence="low"), False),
    ):
        first = paragraphs(replace(loses, findings=(found,)))[2]
        assert ("this fits turbulent air in the port" in first.lower()) == words


def test_the_opening_stands_in_the_report():
    analysis = make_analysis(change=lambda f, rise: -0.2 * rise * bump(f, 60.0, octaves=0.8))
    assert drafts(analysis)["in-short"] == said(analysis)
