"""Quoted facts in a person's own words follow the data; everything else stays as written."""

import re

import loop
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nbformat.v4 import new_markdown_cell

from reportlib.write.quotes import Fact, Quote, refresh, written

FACTS = {
    fact.name: fact
    for fact in (
        Fact(name="short.mids.94.mean", value=-1.86, unit="dB", digits=1),
        Fact(name="short.mids.94.worst-at", value=1234.0, unit="Hz", digits=0),
        Fact(name="stress.bass.92.time-1", value=95.0, unit="s", digits=0),
        Fact(name="test.top", value=99.0, unit="dB", digits=0),
    )
}
MEAN, AT = "short.mids.94.mean", "short.mids.94.worst-at"


def one(shown, name=MEAN, *, last=None):
    said = refresh(f"It is [{shown}](#fact-{name}).", facts=FACTS, last=last or {})
    return re.search(r"\[(.*)\]", said.text)[1], said.changed


@pytest.mark.parametrize(
    ("shown", "name"),
    [
        ("−1.9 dB", MEAN),
        ("-1.9 dB", MEAN),
        ("−2 dB", MEAN),
        ("2 dB", MEAN),
        ("about 1.9 dB", MEAN),
        ("1.86 dB", MEAN),
        ("1,9 dB", MEAN),
        ("1.2 kHz", AT),
        ("1.23 kHz", AT),
        ("1234 Hz", AT),
        ("1200 Hz", AT),
        ("95 s", "stress.bass.92.time-1"),
        ("1.6 min", "stress.bass.92.time-1"),
        ("99", "test.top"),
    ],
)
def test_what_is_true_to_its_last_digit_stays(shown, name):
    assert one(shown, name) == (shown, ())


@pytest.mark.parametrize(
    ("shown", "name", "now"),
    [
        ("−1.5 dB", MEAN, "−1.9 dB"),
        ("1.5 dB", MEAN, "1.9 dB"),
        ("about 1.5 dB", MEAN, "about 1.9 dB"),
        ("1.84 dB", MEAN, "1.9 dB"),
        ("+1.9 dB", MEAN, "−1.9 dB"),
        ("1.1 kHz", AT, "1.2 kHz"),
        ("12 Hz", AT, "1.2 kHz"),
        ("3 minutes", "stress.bass.92.time-1", "95 s"),
        ("96", "test.top", "99"),
    ],
)
def test_what_is_not_true_any_more_takes_the_new_value_and_is_listed(shown, name, now):
    assert one(shown, name) == (now, (Quote(name=name, then=shown, now=now, kept=False),))


def test_words_without_a_number_are_kept_and_listed_when_the_fact_moved():
    assert one("a decibel and a half", last={MEAN: "−1.9 dB"}) == ("a decibel and a half", ())
    said = Quote(name=MEAN, then="a decibel and a half", now="−1.9 dB", kept=True)
    assert one("a decibel and a half", last={MEAN: "−1.5 dB"}) == ("a decibel and a half", (said,))


def test_a_fact_that_is_gone_is_kept_and_listed():
    said = Quote(name="no.such", then="−1.5 dB", now="", kept=True)
    assert one("−1.5 dB", "no.such") == ("−1.5 dB", (said,))


@given(
    st.lists(
        st.one_of(
            st.text(alphabet=st.characters(codec="utf-8"), max_size=30),
            st.sampled_from(
                [f"[−1.5 dB](#fact-{MEAN})", "[x](#fact-)", "[a](b)", "`[1 dB](#fact-x)`"]
            ),
        ),
        max_size=8,
    )
)
def test_nothing_outside_the_brackets_moves_and_a_second_time_changes_nothing(parts):
    text = "".join(parts)
    once = refresh(text, facts=FACTS, last={})
    fresh = once.text
    hole = re.compile(rf"\[[^\[\]\n]*\]\(#fact-{re.escape(MEAN)}\)")
    assert hole.split(fresh) == hole.split(text)
    last = {name: written(fact) for name, fact in FACTS.items()}
    again = refresh(fresh, facts=FACTS, last=last, negated=once.negated)
    assert again.text == fresh
    assert all(quote.kept for quote in again.changed)


def mean(value):
    return Fact(name=MEAN, value=value, unit="dB", digits=1)


def words_about(value):
    """Two sentences, by somebody who has just read the fact: the change, and what is lost."""
    sign = "−" if round(value, 1) > 0.0 else ""
    return (
        f"It changes by [{written(mean(value))}](#fact-{MEAN}) and so "
        f"falls [{sign}{abs(value):.1f} dB](#fact-{MEAN}) short."
    )


TENTHS = st.integers(-25, 25).map(lambda tenths: tenths / 10.0)


@given(st.floats(-2.5, -0.1), st.lists(st.one_of(TENTHS, st.just(0.0)), min_size=1, max_size=8))
def test_through_zero_and_back_every_number_has_the_sign_that_it_should_have(first, values):
    text, last, negated = words_about(first), written(mean(first)), frozenset()
    for value in values:
        said = refresh(text, facts={MEAN: mean(value)}, last={MEAN: last}, negated=negated)
        text, last, negated = said.text, written(mean(value)), said.negated
        assert text == words_about(value)


@pytest.mark.parametrize("zero", ["0.0 dB", "0 dB"])
def test_a_zero_that_somebody_took_over_was_never_without_a_sign(zero):
    said = refresh(f"[{zero}](#fact-{MEAN})", facts={MEAN: mean(-0.6)}, last={MEAN: "0.0 dB"})
    assert said.text == f"[−0.6 dB](#fact-{MEAN})"


def test_a_gain_that_becomes_a_loss_takes_its_minus():
    said = refresh(f"[0.5 dB](#fact-{MEAN})", facts={MEAN: mean(-0.3)}, last={MEAN: "0.5 dB"})
    assert said.text == f"[−0.3 dB](#fact-{MEAN})"


def test_a_notebook_remembers_over_zero_which_numbers_stand_without_their_minus(tmp_path):
    def run(number, value):
        loop.run(tmp_path, number, facts=[mean(value)], judged=lambda _: {})
        return [cell.source for cell in loop.saved(tmp_path).cells if cell.cell_type == "markdown"]

    run(1, -1.5)
    made = loop.saved(tmp_path)
    made.cells[1].source = f"It falls [1.5 dB](#fact-{MEAN}) short."
    made.cells.append(new_markdown_cell(f"It changes by [−1.5 dB](#fact-{MEAN})."))
    loop.save(tmp_path, made)
    for number, value in enumerate((0.0, 0.0, -0.3), start=2):
        texts = run(number, value)
        said = f"{value:.1f} dB".replace("-", "−")
        assert texts[0] == f"It falls [{said.lstrip('−')}](#fact-{MEAN}) short."
        assert texts[-1] == f"It changes by [{said}](#fact-{MEAN})."
