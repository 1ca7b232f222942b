"""What *Turned up* and *Left playing* say: rules that the words of any result obey."""

import functools
import re
from dataclasses import replace

import pytest
from builders import make_analysis
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from stressed import LOSSES, make_playing
from test_narrative import DAYS as SWEPT
from test_narrative import PARAMETERS, no_change
from test_stress_words import DAYS as PLAYED

from reportlib.draw.wordings import narrative_templates
from reportlib.judge.grades import grade_of
from reportlib.judge.limits import limits_of
from reportlib.measure.levels import BANDS
from reportlib.measure.stress.records import band_ends
from reportlib.write import facts
from reportlib.write.left_playing import left_playing
from reportlib.write.quotes import refresh
from reportlib.write.turned_up import turned_up
from reportlib.write.writer import Writer

SECTIONS = ("turned-up", "left-playing")
MOST_WORDS, MOST_IN_A_SENTENCE = 150, 25
FORBIDDEN = re.compile(
    r"give or take|\bbehind\b|matters|reckon|\bgift\b|gives? in\b|\bparted\b|\bstress\b|captures?\b"
    r"|\bmore of it\b|likely|probably|perhaps|does not agree|stayed within|\bnone\b|\bnan\b"
    r"|too short for|[Mm]easure (?:the|it)\b|[Ee]very band can['’]t"
)
QUOTE = re.compile(r"\[([^\]]+)\]\(#fact-([^)]+)\)")
NAMES = {band.name: {"presence": "presence range"}.get(band.name, band.name) for band in BANDS}
BASES = {
    "hold": "holds", "slip": "slips", "fall short": "falls short", "give out": "gives out",
    "rise": "rises", "rise much": "rises much",
}  # fmt: skip
NAME = "(?:bass|low mids|mids|presence range|treble)"
BANDED = (
    rf"(?P<bands>[Tt]he {NAME}(?:, {NAME})*(?: and {NAME})?|[Ee]very band"
    rf"|[Ee]verything from the {NAME} up|[Ee]verything up to the {NAME})"
)
DOES = re.compile(
    BANDED + r" (?P<first>first )?(?P<sure>holds?|slips?|falls? short|gives? out|rises?(?: much)?)?"
    r"(?: and )?(?:may (?P<may>slip|fall short|give out|rise much|rise))?(?P<rest>\W.*)?$"
)


def body(analysis, section):
    """Return a section's Markdown without its heading."""
    writer = Writer(
        analysis=analysis, facts=facts.collect(analysis), templates=narrative_templates(),
        parameters=PARAMETERS,
    )  # fmt: skip
    if section == "turned-up":
        return "\n\n".join(turned_up(writer))
    return left_playing(writer).split("\n", 1)[1].strip()


def plain(text):
    return QUOTE.sub(r"\1", text)


def sentences(text):
    return [one for part in text.split("\n\n") for one in re.split(r"(?<=[.!?])\s+(?=[A-Z])", part)]


def clauses(text):
    """Return what is said of bands: levels (none where none is named), names, grades, the rest."""
    found, level = [], []
    for sentence in sentences(text):
        lead = re.match(r"At ((?:[\d. ,]|and)+) dB(?:[^;:]*?(?:,|:))? (?=the |every )", sentence)
        level = [float(one) for one in re.findall(r"[\d.]+", lead[1])] if lead else level
        for clause in (sentence[lead.end() :] if lead else sentence).rstrip(".").split("; "):
            told = DOES.match(clause)
            if told and (told["sure"] or told["may"]):
                found.append((level, told))
    return found


def named(words):
    every = list(NAMES)
    if words.lower() == "every band":
        return every
    if words.lower().startswith("everything"):
        (end,) = (at for at, band in enumerate(every) if re.search(f"the {NAMES[band]}\\b", words))
        return every[end:] if words.endswith(" up") else every[: end + 1]
    listed = re.split(r", | and ", words[4:])
    return [next(band for band, said in NAMES.items() if said == one) for one in listed]


def assert_plain(text):
    assert len(plain(text).split()) <= MOST_WORDS, text
    for sentence in sentences(plain(text)):
        assert len(sentence.split()) <= MOST_IN_A_SENTENCE, sentence
        assert sentence[0].isupper(), sentence
        assert sentence.endswith("."), sentence
    assert not FORBIDDEN.search(plain(text)), text
    numbered = [one for one in sentences(text) if "](#" in one]
    assert len(set(numbered)) == len(numbered), text


def assert_one_number_a_fact(text, known):
    """What is quoted is the fact without its sign, as tables round it; no fact stands twice."""
    quoted = [name for _, name in QUOTE.findall(text) if not name.startswith("test.")]
    assert len(set(quoted)) == len(quoted), text
    assert not refresh(text, facts=known, last={}).changed
    for shown, name in QUOTE.findall(text):
        fact = known[name]
        if fact.unit == "dB":
            assert shown.removesuffix(" dB") == f"{abs(fact.value):.{fact.digits}f}", (shown, name)


def is_plural(words):
    bands = named(words)
    if words.lower().startswith("every"):
        return False
    return len(bands) > 1 or bands[0] in ("low mids", "mids")


def assert_agreement(text):
    for _, told in clauses(text):
        if told["sure"]:
            assert (told["sure"] in BASES) == is_plural(told["bands"]), told[0]
    for bands, is_or_are in re.findall(BANDED + " (is|are|was|were) ", text):
        assert (is_or_are in ("are", "were")) == is_plural(bands), bands


def grades_said(told):
    """Return a clause's grade and what it may be."""
    sure = BASES.get(told["sure"], told["sure"])
    may = BASES.get(told["may"])
    return (sure, may) if sure else ("holds", may)


def assert_turned_up(analysis):
    text = body(analysis, "turned-up")
    assert_plain(text)
    assert_one_number_a_fact(text, facts.collect(analysis))
    assert_agreement(text)
    short = [
        one for one in analysis.bands if one.test == "short_term" and one.grade != "can't tell"
    ]
    said = set()
    for level, told in clauses(text):
        for band in named(told["bands"]):
            said.add(band)
            mine = [one for one in short if one.band == band]
            if grades_said(told) == ("holds", None):
                assert {(one.grade, one.grade_may_be) for one in mine} == {("holds", None)}, told[0]
                continue
            at = re.search(r"at ([\d.]+) dB$", told["rest"] or "") if told["first"] else None
            (one,) = [one for one in mine if one.level_db == (float(at[1]) if at else level[0])]
            if told["first"]:
                assert grades_said(told)[0] == one.grade
                quieter = [other for other in mine if other.level_db < one.level_db]
                assert all(
                    other.grade == "holds" for other in quieter if is_loss(other) == is_loss(one)
                )
            else:
                assert grades_said(told) == (one.grade, one.grade_may_be), told[0]
    assert said == {one.band for one in short}, text


def is_loss(one):
    return one.grade in ("slips", "falls short", "gives out")


def assert_left_playing(analysis):
    text = body(analysis, "left-playing")
    assert_plain(text)
    assert_one_number_a_fact(text, facts.collect(analysis))
    assert_agreement(text)
    if not analysis.playing:
        last = max(one.level_db for one in analysis.bands if one.test == "long_term")
        ends = {one.band: one for one in analysis.bands if one.level_db == last and one.elapsed_s}
        said = {
            band: grades_said(told)
            for level, told in clauses(text)
            for band in named(told["bands"])
            if last in level
        }
        told = {name: (one.grade, one.grade_may_be) for name, one in ends.items()}
        assert said == {name: two for name, two in told.items() if two[0] != "can't tell"}, text
        return
    loudest = max(analysis.playing, key=lambda one: one.level_db)
    ends = {one.name: one for one in band_ends(loudest)}
    said = {}
    for level, told in clauses(text):
        if loudest.level_db in level:
            said.update(dict.fromkeys(named(told["bands"]), grades_said(told)))
    if ends:
        graded = {
            name: grade_of(one.change_db, 0.0, mean_u95_db=one.u95_db, worst_u95_db=0.0)
            for name, one in ends.items()
        }
        assert said == {name: two for name, two in graded.items() if two[0] != "can't tell"}, text


@functools.cache
def swept(day):
    return make_analysis(**SWEPT[day])


@pytest.mark.parametrize("day", SWEPT)
def test_simulated_days_turned_up_obey_the_rules(day):
    assert_turned_up(swept(day))


@pytest.mark.parametrize("day", PLAYED)
def test_simulated_days_left_playing_obey_the_rules(day):
    assert_left_playing(PLAYED[day])


BASE = make_analysis(change=no_change, warming=lambda f, *_: 0.0 * f)


SIZES = st.one_of(
    st.just(0.0), st.floats(0.0, 5.0), st.sampled_from([0.45, 0.5, 0.55, 0.95, 1.0, 1.05, 2.9, 3.0])
)
RESULTS = st.lists(
    st.tuples(st.sampled_from([-1.0, -1.0, 1.0]), SIZES, SIZES, st.sampled_from([0.05, 0.1, 0.6])),
    min_size=1,
    max_size=5,
)
"""Side, mean, how far the worst point lies beyond it, and interval of the bands at the loudest
level; fewer than five of them make bands that do the same."""


def graded(found, *, power, test="short_term"):
    """Return a day on which changes grow to these, as that power of the rise, and are graded."""
    bands = []
    for index, one in enumerate(one for one in BASE.bands if one.test == test):
        side, mean, beyond, u95 = found[index % len(BANDS) % len(found)]
        share = side * ((one.level_db - 72.0) / 27.0) ** power
        mean, worst = share * mean, share * (mean + beyond)
        grade, may_be = grade_of(mean, worst, mean_u95_db=u95, worst_u95_db=u95)
        bands.append(
            replace(one, mean_db=mean, worst_db=worst, worst_hz=(one.low_hz * one.high_hz) ** 0.5,
                    u95_db=u95, grade=grade, grade_may_be=may_be)
        )  # fmt: skip
    bands += [one for one in BASE.bands if one.test != test]
    limits = limits_of(bands, baseline_db=72.0, steps=BASE.drive_steps)
    return replace(BASE, bands=tuple(bands), limits=limits)


@settings(derandomize=True, max_examples=200, deadline=None, database=None, phases=[Phase.generate])
@given(RESULTS, st.sampled_from([1.0, 2.0, 5.0]))
def test_any_result_turned_up_obeys_the_rules(found, power):
    assert_turned_up(graded(found, power=power))


@settings(derandomize=True, max_examples=60, deadline=None, database=None, phases=[Phase.generate])
@given(RESULTS, st.sampled_from([1.0, 5.0]))
def test_any_result_left_playing_by_sweeps_obeys_the_rules(found, power):
    assert_left_playing(graded(found, power=power, test="long_term"))


@settings(derandomize=True, max_examples=40, deadline=None, database=None, phases=[Phase.generate])
@given(
    st.fixed_dictionaries({band: st.floats(-3.5, 5.0) for band in LOSSES}),
    st.sampled_from([1, 2]),
    st.booleans(),
    st.booleans(),
    st.sampled_from(["agrees", "disagrees", "can't tell"]),
    st.sampled_from([(), ("bass",), ("mids", "treble")]),
)
def test_any_result_left_playing_obeys_the_rules(losses, terms, known, identifiable, seen, untold):
    playing = make_playing(
        losses=losses, terms=terms, cold_known=known, identifiable=identifiable, seen=seen,
        untold=untold, distortion_rise_db=5.0,
    )  # fmt: skip
    assert_left_playing(replace(BASE, playing=(playing,)))


def test_a_step_that_was_not_made_as_asked_is_said_where_its_change_is():
    steps = [
        replace(step, measured_db=26.0) if step.level_db == 99.0 else step
        for step in BASE.drive_steps
    ]
    text = plain(body(replace(BASE, drive_steps=tuple(steps)), "turned-up"))
    assert "The step to 99 dB was 26.00 dB, for 27.0 dB asked for" in text
    assert "step" not in body(BASE, "turned-up")


def test_a_band_that_only_the_loudest_level_loses_is_said_not_to_be_told_there():
    noisy = make_analysis(change=no_change, noise_below_hz={99.0: 150.0})
    text = plain(body(noisy, "turned-up"))
    assert "The bass holds up to 96 dB." in text
    assert "At 99 dB the bass can't be told: noise covers too much." in text
