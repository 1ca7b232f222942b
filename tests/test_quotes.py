"""Quoted facts in a person's own words follow the data; everything else stays as written."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reportlib.facts import written
from reportlib.model import Fact
from reportlib.quotes import Quote, refresh

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
    text, changed = refresh(f"It is [{shown}](#fact-{name}).", facts=FACTS, last=last or {})
    return re.search(r"\[(.*)\]", text)[1], changed


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
    fresh, _ = refresh(text, facts=FACTS, last={})
    hole = re.compile(rf"\[[^\[\]\n]*\]\(#fact-{re.escape(MEAN)}\)")
    assert hole.split(fresh) == hole.split(text)
    again, changed = refresh(fresh, facts=FACTS, last={k: written(f) for k, f in FACTS.items()})
    assert again == fresh
    assert all(quote.kept for quote in changed)
